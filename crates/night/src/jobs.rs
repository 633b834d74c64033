//! Work off the window's thread: one operation runs, one waits, the newest wins.
//!
//! A [`Jobs`] owns one named thread. [`Jobs::request`] hands it work and takes the place of
//! whatever runs or waits; what comes back is read with [`Jobs::poll`] or [`Jobs::wait`], and
//! only ever belongs to the newest request. Whoever listens is woken by a function of its own
//! choosing, so that nothing here knows of a window.

use std::any::Any;
use std::collections::VecDeque;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use stillwright_picture::{Cancelled, Progress, Stage};

/// Least time between two reports of progress: 30 a second are as many as an eye can follow.
const REPORT_INTERVAL: Duration = Duration::from_millis(33);

/// Tells one request from another; later ones are larger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(u64);

/// What becomes of a request.
#[derive(Debug, PartialEq)]
pub enum Event<T> {
    /// The work has begun.
    Begin(Ticket),
    /// `done` of `total` steps of `stage` are behind us.
    Report {
        /// Which request.
        ticket: Ticket,
        /// What is being done.
        stage: Stage,
        /// Steps done.
        done: usize,
        /// Steps in all; 0 when not known.
        total: usize,
    },
    /// Something is there already, before the work is over; a newer one takes the place of one
    /// that was not read.
    Partial {
        /// Which request.
        ticket: Ticket,
        /// What there is.
        value: T,
    },
    /// The work is over.
    End {
        /// Which request.
        ticket: Ticket,
        /// What came of it.
        outcome: Outcome<T>,
    },
}

impl<T> Event<T> {
    fn ticket(&self) -> Ticket {
        match self {
            Event::Begin(ticket)
            | Event::Report { ticket, .. }
            | Event::Partial { ticket, .. }
            | Event::End { ticket, .. } => *ticket,
        }
    }
}

/// How a piece of work ended.
#[derive(Debug, PartialEq)]
pub enum Outcome<T> {
    /// It was done, or failed with an error of its own inside `T`.
    Done(T),
    /// It was cancelled; nothing is wrong.
    Cancelled,
    /// It broke off through a fault in the program, with these words.
    Broken(String),
}

type Work<T> = Box<dyn FnOnce(&Job<'_, T>) -> Result<T, Cancelled> + Send>;

struct Waiting<T> {
    ticket: Ticket,
    cancel: Arc<AtomicBool>,
    work: Work<T>,
}

struct State<T> {
    newest: u64,
    waiting: Option<Waiting<T>>,
    running: Option<Arc<AtomicBool>>,
    events: VecDeque<Event<T>>,
    closed: bool,
}

struct Shared<T> {
    state: Mutex<State<T>>,
    changed: Condvar,
    wake: Box<dyn Fn() + Send + Sync>,
}

impl<T> Shared<T> {
    /// A panic inside the lock can only come from running out of memory; the state is whole.
    fn lock(&self) -> MutexGuard<'_, State<T>> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Put an event in the queue unless a newer request has made it stale.
    fn tell(&self, event: Event<T>) {
        let mut state = self.lock();
        if event.ticket().0 != state.newest {
            return;
        }
        // The queue stays short however slowly it is read: progress replaces progress, and what is
        // there so far replaces what was there before.
        let mut replaced = None;
        if matches!(event, Event::Partial { .. }) {
            let unread = state.events.iter().position(|e| matches!(e, Event::Partial { .. }));
            replaced = unread.and_then(|at| state.events.remove(at));
        }
        if matches!(event, Event::Report { .. })
            && matches!(state.events.back(), Some(Event::Report { .. }))
        {
            state.events.pop_back();
        }
        state.events.push_back(event);
        drop(state);
        self.changed.notify_all();
        (self.wake)();
        // It may be large: let go of without the lock.
        drop(replaced);
    }
}

/// One thread that does the newest thing asked of it.
pub struct Jobs<T: Send + 'static> {
    shared: Arc<Shared<T>>,
    thread: Option<JoinHandle<()>>,
}

impl<T: Send + 'static> Jobs<T> {
    /// A thread called `name`; `wake` is called from it whenever there is something to
    /// [`Jobs::poll`].
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(name: &str, wake: impl Fn() + Send + Sync + 'static) -> io::Result<Jobs<T>> {
        let shared = Arc::new(Shared {
            state: Mutex::new(State {
                newest: 0,
                waiting: None,
                running: None,
                events: VecDeque::new(),
                closed: false,
            }),
            changed: Condvar::new(),
            wake: Box::new(wake),
        });
        let theirs = Arc::clone(&shared);
        let thread = std::thread::Builder::new().name(name.into()).spawn(move || run(&theirs))?;
        Ok(Jobs { shared, thread: Some(thread) })
    }

    /// Ask for `work`. What runs is cancelled, what waits is forgotten, and no event of theirs is
    /// handed out any more.
    ///
    /// The work gets a [`Job`], whose [`Progress`] says [`Cancelled`] once it is to stop.
    pub fn request(
        &self,
        work: impl FnOnce(&Job<'_, T>) -> Result<T, Cancelled> + Send + 'static,
    ) -> Ticket {
        let mut state = self.shared.lock();
        state.newest += 1;
        let ticket = Ticket(state.newest);
        if let Some(cancel) = &state.running {
            cancel.store(true, Ordering::Relaxed);
        }
        let stale = std::mem::take(&mut state.events);
        state.waiting = Some(Waiting {
            ticket,
            cancel: Arc::new(AtomicBool::new(false)),
            work: Box::new(work),
        });
        drop(state);
        self.shared.changed.notify_all();
        crate::discard::later(stale);
        ticket
    }

    /// Stop the newest request. Its [`Event::End`] still comes, and says so.
    pub fn cancel(&self) {
        let mut state = self.shared.lock();
        if let Some(waiting) = state.waiting.take() {
            state
                .events
                .push_back(Event::End { ticket: waiting.ticket, outcome: Outcome::Cancelled });
        } else if let Some(cancel) = &state.running {
            cancel.store(true, Ordering::Relaxed);
        }
        drop(state);
        self.shared.changed.notify_all();
    }

    /// What has happened since the last call, oldest first; never waits.
    pub fn poll(&self) -> Vec<Event<T>> {
        self.shared.lock().events.drain(..).collect()
    }

    /// The next event, waiting for it up to `patience`.
    pub fn wait(&self, patience: Duration) -> Option<Event<T>> {
        let until = Instant::now() + patience;
        let mut state = self.shared.lock();
        loop {
            if let Some(event) = state.events.pop_front() {
                return Some(event);
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return None;
            }
            state = self
                .shared
                .changed
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}

impl<T: Send + 'static> Drop for Jobs<T> {
    fn drop(&mut self) {
        let mut state = self.shared.lock();
        state.closed = true;
        state.waiting = None;
        if let Some(cancel) = &state.running {
            cancel.store(true, Ordering::Relaxed);
        }
        drop(state);
        self.shared.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn run<T: Send + 'static>(shared: &Shared<T>) {
    loop {
        let mut state = shared.lock();
        let Waiting { ticket, cancel, work } = loop {
            if state.closed {
                return;
            }
            if let Some(waiting) = state.waiting.take() {
                break waiting;
            }
            state = shared.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        };
        state.running = Some(Arc::clone(&cancel));
        drop(state);

        shared.tell(Event::Begin(ticket));
        let job = Job { shared, ticket, cancel: &cancel, last: Mutex::new(None) };
        let outcome = match catch_unwind(AssertUnwindSafe(|| work(&job))) {
            Ok(Ok(result)) => Outcome::Done(result),
            Ok(Err(Cancelled)) => Outcome::Cancelled,
            Err(panic) => Outcome::Broken(words_of(panic.as_ref())),
        };
        shared.lock().running = None;
        shared.tell(Event::End { ticket, outcome });
    }
}

/// The words of a panic, where it has some.
fn words_of(panic: &(dyn Any + Send)) -> String {
    let said = panic.downcast_ref::<String>().map(String::as_str);
    said.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no reason given").to_string()
}

/// A running piece of work, as the work itself sees it: progress (thinned out) and results.
pub struct Job<'a, T> {
    shared: &'a Shared<T>,
    ticket: Ticket,
    cancel: &'a Arc<AtomicBool>,
    last: Mutex<Option<(Instant, Stage)>>,
}

impl<T: Send> Job<'_, T> {
    /// Hand out what is there already.
    pub fn partial(&self, value: T) {
        self.shared.tell(Event::Partial { ticket: self.ticket, value });
    }

    /// Set once the work is to stop; for places that cannot ask [`Progress::advance`].
    pub fn stop_flag(&self) -> Arc<AtomicBool> {
        Arc::clone(self.cancel)
    }

    /// Wait, unless the work is to stop meanwhile.
    ///
    /// # Errors
    /// [`Cancelled`] when it is to stop.
    pub fn pause(&self, how_long: Duration) -> Result<(), Cancelled> {
        let until = Instant::now() + how_long;
        loop {
            if self.cancel.load(Ordering::Relaxed) {
                return Err(Cancelled);
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(());
            }
            std::thread::sleep(left.min(Duration::from_millis(10)));
        }
    }
}

impl<T: Send> Progress for Job<'_, T> {
    fn advance(&self, stage: Stage, done: usize, total: usize) -> Result<(), Cancelled> {
        if self.cancel.load(Ordering::Relaxed) {
            return Err(Cancelled);
        }
        // Whoever finds the lock taken leaves the report to the other thread.
        let Ok(mut last) = self.last.try_lock() else { return Ok(()) };
        let now = Instant::now();
        let due = match *last {
            Some((at, before)) => {
                before != stage || done == total || now.duration_since(at) >= REPORT_INTERVAL
            }
            None => true,
        };
        if due {
            *last = Some((now, stage));
            drop(last);
            self.shared.tell(Event::Report { ticket: self.ticket, stage, done, total });
        }
        Ok(())
    }

    fn check(&self) -> Result<(), Cancelled> {
        if self.cancel.load(Ordering::Relaxed) { Err(Cancelled) } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests;
