//! Large things let go of, on a thread of their own.
//!
//! Giving the memory of a stack of 12 megapixels back to the system takes some tens of milliseconds, which
//! a window does not have: whoever draws hands such things over here.

use std::any::Any;
use std::sync::OnceLock;
use std::sync::mpsc::{Sender, channel};

type Thing = Box<dyn Any + Send>;

/// Let go of `thing` elsewhere; here where the system gives no thread.
pub fn later(thing: impl Any + Send) {
    static HAND: OnceLock<Option<Sender<Thing>>> = OnceLock::new();
    let hand = HAND.get_or_init(|| {
        let (send, receive) = channel::<Thing>();
        let work = move || receive.into_iter().for_each(drop);
        std::thread::Builder::new().name("discard".into()).spawn(work).ok().map(|_| send)
    });
    if let Some(send) = hand {
        // A thread that is gone gives the thing back, and it is let go of here.
        let _ = send.send(Box::new(thing));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::Sender;
    use std::thread::ThreadId;
    use std::time::Duration;

    struct Tells(Sender<ThreadId>);

    impl Drop for Tells {
        fn drop(&mut self) {
            let _ = self.0.send(std::thread::current().id());
        }
    }

    #[test]
    fn things_are_let_go_of_on_another_thread() {
        let (send, receive) = channel();
        later(Some(Tells(send)));
        let there = receive.recv_timeout(Duration::from_secs(60)).unwrap();
        assert_ne!(there, std::thread::current().id());
    }
}
