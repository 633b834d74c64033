//! How much memory the program uses, looked up once a second on a thread of its own.

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Looks, until it is dropped.
pub struct MemoryWatch {
    bytes: Arc<AtomicU64>,
    closed: Arc<(Mutex<bool>, Condvar)>,
    thread: Option<JoinHandle<()>>,
}

impl MemoryWatch {
    /// Begin.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new() -> io::Result<MemoryWatch> {
        let bytes = Arc::new(AtomicU64::new(0));
        let closed = Arc::new((Mutex::new(false), Condvar::new()));
        let (theirs, end) = (Arc::clone(&bytes), Arc::clone(&closed));
        let thread = std::thread::Builder::new().name("memory".into()).spawn(move || {
            let (closed, changed) = &*end;
            let mut guard = closed.lock().unwrap_or_else(PoisonError::into_inner);
            while !*guard {
                theirs.store(resident_bytes().unwrap_or(0), Ordering::Relaxed);
                let waited = changed.wait_timeout(guard, Duration::from_secs(1));
                guard = waited.unwrap_or_else(PoisonError::into_inner).0;
            }
        })?;
        Ok(MemoryWatch { bytes, closed, thread: Some(thread) })
    }

    /// Bytes in use at the last look; `None` where the system does not tell.
    pub fn bytes(&self) -> Option<u64> {
        Some(self.bytes.load(Ordering::Relaxed)).filter(|bytes| *bytes > 0)
    }
}

impl Drop for MemoryWatch {
    fn drop(&mut self) {
        *self.closed.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.closed.1.notify_all();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Memory that the program has in use, as Linux tells it (`VmRSS` in `/proc/self/status`, kB).
fn resident_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    Some(line.trim().trim_end_matches("kB").trim().parse::<u64>().ok()? * 1024)
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn memory_in_use_is_told_and_grows_with_what_is_used() {
        let before = resident_bytes().unwrap();
        let filled = vec![1u8; 64 << 20];
        let after = resident_bytes().unwrap();
        assert!(filled.iter().all(|v| *v == 1));
        assert!(after > before + (48 << 20), "{before} {after}");
        let watch = MemoryWatch::new().unwrap();
        while watch.bytes().is_none() {
            std::thread::yield_now();
        }
    }
}

/// Processor time that the calling thread has had so far, good to a few milliseconds; `None` where the
/// system does not say. Cheap enough to be asked at every frame of a window.
pub fn thread_time() -> Option<Duration> {
    // Linux: nanoseconds on a processor, nanoseconds waiting for one, turns.
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds = text.split_ascii_whitespace().next()?.parse().ok()?;
    Some(Duration::from_nanos(nanoseconds))
}
