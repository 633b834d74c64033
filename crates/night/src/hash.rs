//! The fingerprint of an input.
//!
//! SHA-256, because every system has a tool that checks it (`sha256sum`, `shasum -a 256`,
//! `Get-FileHash`). Cost: the file is read once more, in pieces of 1 MiB; hashing runs at 1.3 to
//! 1.8 GB/s on one core with SHA instructions (measured), and slower on processors that lack
//! them. It runs on a thread of its own beside the work, which reads the same bytes at about the same time, so that a capture which
//! fits the system's cache is fetched from the disk once. A capture that was hashed before is checked by several threads ([`Waymarks`]).

use crate::sequence::{Joined, files_of};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::SystemTime;
pub use waymarks::Waymarks;

mod waymarks;

const PIECE_BYTES: usize = 1 << 20;

/// Size and hash of a file as it was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fingerprint {
    /// Bytes that went into the hash.
    pub bytes: u64,
    /// SHA-256, 64 lower-case hexadecimal digits.
    pub sha256: String,
}

/// Hash everything that `input` gives, or stop early once `cancel` is set (`None`).
///
/// # Errors
/// When the system cannot read.
pub fn fingerprint(input: &mut dyn Read, cancel: &AtomicBool) -> io::Result<Option<Fingerprint>> {
    Ok(noted(input, cancel)?.map(|marks| marks.print().clone()))
}

/// [`fingerprint`], and how the hash stood on the way.
fn noted(input: &mut dyn Read, cancel: &AtomicBool) -> io::Result<Option<Waymarks>> {
    let mut hash = waymarks::Noting::new();
    let done = in_pieces(input, &mut vec![0u8; PIECE_BYTES], |bytes| {
        hash.update(bytes);
        !cancel.load(Ordering::Relaxed)
    })?;
    Ok(done.then(|| hash.finish()))
}

/// Hand `input` out piece by piece, until its end (true) or until `each` has had enough (false).
fn in_pieces(
    input: &mut dyn Read,
    held: &mut [u8],
    mut each: impl FnMut(&[u8]) -> bool,
) -> io::Result<bool> {
    loop {
        match input.read(held) {
            Ok(0) => return Ok(true),
            Ok(n) if each(&held[..n]) => {}
            Ok(_) => return Ok(false),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

/// Two lower-case digits a byte.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A fingerprint being taken on its own thread; dropped, it stops.
#[derive(Debug)]
pub struct Fingerprinting {
    cancel: Arc<AtomicBool>,
    thread: Option<JoinHandle<io::Result<Option<Waymarks>>>>,
    taken: Option<Waymarks>,
    /// The files as they were at the beginning.
    begun_with: Vec<(PathBuf, Stamp)>,
}

/// Length and time of the last change; nothing where the file is gone.
type Stamp = Option<(u64, Option<SystemTime>)>;

fn stamp_of(path: &Path) -> Stamp {
    std::fs::metadata(path).ok().map(|facts| (facts.len(), facts.modified().ok()))
}

impl Fingerprinting {
    /// Begin with the capture at `path`; of a sequence, all files are hashed in order as if they
    /// were one.
    ///
    /// # Errors
    /// When the file cannot be opened or the system gives no thread.
    pub fn begin(path: &Path) -> io::Result<Fingerprinting> {
        Fingerprinting::begin_knowing(path, None)
    }

    /// The same for a capture that may have been hashed before: where it is the one that the marks are `known` of, up to four of as many
    /// threads as compute tell so.
    ///
    /// # Errors
    /// As [`Fingerprinting::begin`].
    pub fn begin_knowing(path: &Path, known: Option<Waymarks>) -> io::Result<Fingerprinting> {
        let files = files_of(path)?;
        let known = known.filter(|known| known.serve() && files.len() == 1);
        let alone = known.zip(files.first().cloned());
        let threads = rayon::current_num_threads();
        let stamped = |path: &PathBuf| (path.clone(), stamp_of(path));
        let begun_with = files.iter().map(stamped).collect();
        let mut file = Joined::open(files)?;
        let cancel = Arc::new(AtomicBool::new(false));
        let theirs = Arc::clone(&cancel);
        let thread = std::thread::Builder::new().name("fingerprint".into()).spawn(move || {
            if let Some((known, path)) = alone {
                match known.are_of(&path, threads, &theirs)? {
                    Some(true) => return Ok(Some(known)),
                    Some(false) => {}
                    None => return Ok(None),
                }
            }
            noted(&mut file, &theirs)
        })?;
        Ok(Fingerprinting { cancel, thread: Some(thread), taken: None, begun_with })
    }

    /// Whether a file has changed or gone since the beginning: what was read and what was hashed may then be different
    /// things.
    pub fn changed_meanwhile(&self) -> bool {
        self.begun_with.iter().any(|(path, stamp)| stamp_of(path) != *stamp)
    }

    /// Wait for the result; `go_on` is asked every few milliseconds, and `None` comes back when it
    /// says no.
    ///
    /// # Errors
    /// When the system cannot read.
    pub fn finish(mut self, go_on: impl Fn() -> bool) -> io::Result<Option<Fingerprint>> {
        self.wait(go_on)
    }

    /// The same for somebody who needs the result before it is asked for in the end.
    ///
    /// # Errors
    /// When the system cannot read.
    pub fn wait(&mut self, go_on: impl Fn() -> bool) -> io::Result<Option<Fingerprint>> {
        let print = |taken: &Option<Waymarks>| taken.as_ref().map(|marks| marks.print().clone());
        let Some(thread) = self.thread.take() else { return Ok(print(&self.taken)) };
        while !thread.is_finished() {
            if !go_on() {
                self.cancel.store(true, Ordering::Relaxed);
                break;
            }
            std::thread::park_timeout(std::time::Duration::from_millis(5));
        }
        let broken = |_| Err(io::Error::other("the hashing thread broke off"));
        self.taken = thread.join().unwrap_or_else(broken)?;
        Ok(print(&self.taken))
    }

    /// How the hash stood on the way, once it was waited for.
    pub fn waymarks(&self) -> Option<&Waymarks> {
        self.taken.as_ref()
    }
}

impl Drop for Fingerprinting {
    fn drop(&mut self) {
        self.cancel.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_published_vectors() {
        // NIST FIPS 180-4, examples for SHA-256: "abc", the empty message, one million times "a".
        let never = AtomicBool::new(false);
        let million = vec![b'a'; 1_000_000];
        for (message, hash) in [
            (b"abc".as_slice(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
            (&million, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
        ] {
            let found = fingerprint(&mut &message[..], &never).unwrap().unwrap();
            assert_eq!(found.sha256, hash);
            assert_eq!(found.bytes, message.len() as u64);
        }
    }

    #[test]
    fn stops_when_asked_and_works_on_its_own_thread() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), b"abc").unwrap();
        let taken = Fingerprinting::begin(file.path()).unwrap().finish(|| true).unwrap();
        assert!(taken.unwrap().sha256.starts_with("ba7816bf"));
        let stop = AtomicBool::new(true);
        assert_eq!(fingerprint(&mut io::repeat(0), &stop).unwrap(), None);
        assert!(Fingerprinting::begin(Path::new("/nowhere/at/all")).is_err());
    }

    #[test]
    fn a_capture_hashed_before_is_checked_and_a_changed_one_hashed_anew() {
        use std::io::{Seek, SeekFrom, Write};
        let file = tempfile::NamedTempFile::new().unwrap();
        file.as_file().set_len(70 << 20).unwrap();
        let hashed = |known: Option<Waymarks>| {
            let mut print = Fingerprinting::begin_knowing(file.path(), known).unwrap();
            let taken = print.wait(|| true).unwrap().unwrap();
            (taken, print.waymarks().unwrap().clone())
        };
        let (first, marks) = hashed(None);
        assert!(marks.serve());
        assert_eq!(hashed(Some(marks.clone())), (first.clone(), marks.clone()));
        let (zeros, never) = (vec![0u8; 70 << 20], AtomicBool::new(false));
        assert_eq!(fingerprint(&mut &zeros[..], &never).unwrap(), Some(first.clone()));
        let mut writing = file.as_file();
        writing.seek(SeekFrom::Start(40 << 20)).unwrap();
        writing.write_all(&[1]).unwrap();
        let (changed, others) = hashed(Some(marks.clone()));
        assert!(changed.sha256 != first.sha256 && others != marks);
        assert_eq!(hashed(None), (changed, others));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_file_that_would_take_hours_is_given_up_on_request() {
        // All hole: it takes no room, but is read to its end.
        let long = tempfile::NamedTempFile::new().unwrap();
        long.as_file().set_len(1 << 40).unwrap();
        let hours = Fingerprinting::begin(long.path()).unwrap();
        assert_eq!(hours.finish(|| false).unwrap(), None);
        // What has no end at all is no capture, and is refused.
        assert!(Fingerprinting::begin(Path::new("/dev/zero")).is_err());
    }
}
