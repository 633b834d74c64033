//! Pictures made ready for the screen, on a thread of their own.
//!
//! Whoever draws asks with [`Screen::get`] and never waits: what is not ready yet is begun, and
//! the caller is woken when it is there. Small pictures come first (a preview of a region passes
//! the whole still), the newest before older ones; what nobody asked for lately is forgotten.

use crate::pyramid::{Pyramid, Stretch};
use crate::session::{PictureId, Shown};
use std::collections::HashMap;
use std::io;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use stillwright_picture::Picture;

/// Pictures kept ready: two lightboxes, a preview, and the ones just left.
const KEPT: usize = 12;
/// Samples of all pictures kept ready, at most (bytes): a few large stills.
const KEPT_BYTES: usize = 400_000_000;
/// Requests that wait at most; older ones are dropped, and asked for again if still wanted.
const WAITING: usize = 6;

struct Wanted {
    id: PictureId,
    picture: Arc<Picture>,
    stretch: Stretch,
}

struct Ready {
    pyramid: Arc<Pyramid>,
    asked: u64,
}

#[derive(Default)]
struct State {
    waiting: Vec<Wanted>,
    running: Option<PictureId>,
    ready: HashMap<PictureId, Ready>,
    clock: u64,
    closed: bool,
}

struct Shared {
    state: Mutex<State>,
    changed: Condvar,
    wake: Box<dyn Fn() + Send + Sync>,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The thread and what it has made.
pub struct Screen {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Screen {
    /// Start the thread; `wake` is called from it when a picture is ready.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(wake: impl Fn() + Send + Sync + 'static) -> io::Result<Screen> {
        let shared = Arc::new(Shared {
            state: Mutex::new(State::default()),
            changed: Condvar::new(),
            wake: Box::new(wake),
        });
        let theirs = Arc::clone(&shared);
        let thread =
            std::thread::Builder::new().name("screen".into()).spawn(move || run(&theirs))?;
        Ok(Screen { shared, thread: Some(thread) })
    }

    /// `shown`, ready to draw; `None`, and begun, when it is not.
    pub fn get(&self, shown: &Shown) -> Option<Arc<Pyramid>> {
        let mut state = self.shared.lock();
        state.clock += 1;
        let now = state.clock;
        if let Some(ready) = state.ready.get_mut(&shown.id) {
            ready.asked = now;
            return Some(Arc::clone(&ready.pyramid));
        }
        let known = state.running == Some(shown.id)
            || state.waiting.iter().any(|wanted| wanted.id == shown.id);
        if !known {
            if state.waiting.len() >= WAITING {
                state.waiting.remove(0);
            }
            let stretch = shown.stretch;
            let picture = Arc::clone(&shown.picture);
            state.waiting.push(Wanted { id: shown.id, picture, stretch });
            drop(state);
            self.shared.changed.notify_all();
        }
        None
    }

    /// Whether something is being made ready.
    pub fn busy(&self) -> bool {
        let state = self.shared.lock();
        state.running.is_some() || !state.waiting.is_empty()
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        self.shared.lock().closed = true;
        self.shared.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn run(shared: &Shared) {
    loop {
        let mut state = shared.lock();
        let next = loop {
            if state.closed {
                return;
            }
            // The smallest; of equal ones the newest.
            let least = state.waiting.iter().map(|wanted| wanted.picture.planes.len()).min();
            let at = state.waiting.iter().rposition(|w| Some(w.picture.planes.len()) == least);
            if let Some(at) = at {
                break state.waiting.remove(at);
            }
            state = shared.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        };
        state.running = Some(next.id);
        drop(state);
        let pyramid = Arc::new(Pyramid::of(&next.picture, next.stretch));
        let mut state = shared.lock();
        state.running = None;
        let asked = state.clock;
        state.ready.insert(next.id, Ready { pyramid, asked });
        let left = forget(&mut state.ready);
        drop(state);
        (shared.wake)();
        // Large: let go of without the lock, which whoever draws waits for.
        drop(left);
    }
}

/// Let go of what was asked for longest ago.
fn forget(ready: &mut HashMap<PictureId, Ready>) -> Vec<Ready> {
    let mut left = Vec::new();
    let bytes = |ready: &HashMap<PictureId, Ready>| -> usize {
        ready.values().map(|r| r.pyramid.width() * r.pyramid.height() * 4 / 3).sum()
    };
    while ready.len() > 3 && (ready.len() > KEPT || bytes(ready) > KEPT_BYTES) {
        let oldest = ready.iter().min_by_key(|(_, r)| r.asked).map(|(id, _)| *id);
        let Some(oldest) = oldest else { break };
        left.extend(ready.remove(&oldest));
    }
    left
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;
    use std::time::Duration;

    const LONG: Duration = Duration::from_secs(60);

    fn shown(side: usize) -> Shown {
        let picture = Arc::new(Picture::black(1, side, side));
        Shown { id: PictureId::next(), picture, stretch: Stretch::NONE }
    }

    #[test]
    fn pictures_are_made_ready_once_and_the_caller_is_woken() {
        let (wake, woken) = mpsc::channel();
        let screen = Screen::new(move || {
            let _ = wake.send(());
        })
        .unwrap();
        let (large, small) = (shown(3000), shown(16));
        assert!(screen.get(&large).is_none() && screen.get(&small).is_none());
        for _ in 0..2 {
            woken.recv_timeout(LONG).unwrap();
        }
        let first = screen.get(&large).unwrap();
        assert_eq!((first.width(), first.height()), (3000, 3000));
        assert!(Arc::ptr_eq(&first, &screen.get(&large).unwrap()));
        assert!(screen.get(&small).is_some());
        assert!(!screen.busy());
        assert!(woken.recv_timeout(Duration::from_millis(50)).is_err(), "nothing is made twice");
    }

    #[test]
    fn what_nobody_asks_for_is_forgotten() {
        let mut ready = HashMap::new();
        let newest: Vec<PictureId> = (0..KEPT as u64 + 5)
            .map(|asked| {
                let shown = shown(4);
                let pyramid = Arc::new(Pyramid::of(&shown.picture, Stretch::NONE));
                ready.insert(shown.id, Ready { pyramid, asked });
                shown.id
            })
            .collect();
        assert_eq!(forget(&mut ready).len(), 5);
        assert_eq!(ready.len(), KEPT);
        assert!(newest[5..].iter().all(|id| ready.contains_key(id)));
    }
}
