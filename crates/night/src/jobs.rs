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
            Event::Begin(ticket) | Event::Report { ticket, .. } | Event::End { ticket, .. } => {
                *ticket
            }
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

type Work<T> = Box<dyn FnOnce(&dyn Progress) -> Result<T, Cancelled> + Send>;

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
        // The queue stays short however slowly it is read: progress replaces progress.
        if matches!(event, Event::Report { .. })
            && matches!(state.events.back(), Some(Event::Report { .. }))
        {
            state.events.pop_back();
        }
        state.events.push_back(event);
        drop(state);
        self.changed.notify_all();
        (self.wake)();
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
    /// The work gets a [`Progress`] that says [`Cancelled`] once it is to stop.
    pub fn request(
        &self,
        work: impl FnOnce(&dyn Progress) -> Result<T, Cancelled> + Send + 'static,
    ) -> Ticket {
        let mut state = self.shared.lock();
        state.newest += 1;
        let ticket = Ticket(state.newest);
        if let Some(cancel) = &state.running {
            cancel.store(true, Ordering::Relaxed);
        }
        state.events.clear();
        state.waiting = Some(Waiting {
            ticket,
            cancel: Arc::new(AtomicBool::new(false)),
            work: Box::new(work),
        });
        drop(state);
        self.shared.changed.notify_all();
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
        let progress = Told { shared, ticket, cancel: &cancel, last: Mutex::new(None) };
        let outcome = match catch_unwind(AssertUnwindSafe(|| work(&progress))) {
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

/// Progress of a running job, thinned out.
struct Told<'a, T> {
    shared: &'a Shared<T>,
    ticket: Ticket,
    cancel: &'a AtomicBool,
    last: Mutex<Option<(Instant, Stage)>>,
}

impl<T: Send> Progress for Told<'_, T> {
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
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;
    use std::sync::mpsc;

    const LONG: Duration = Duration::from_secs(60);

    fn end_of<T: Send>(jobs: &Jobs<T>) -> (Ticket, Outcome<T>) {
        loop {
            match jobs.wait(LONG) {
                Some(Event::End { ticket, outcome }) => return (ticket, outcome),
                Some(_) => {}
                None => panic!("the job never ended"),
            }
        }
    }

    #[test]
    fn work_begins_reports_and_ends() {
        let woken = Arc::new(AtomicUsize::new(0));
        let theirs = Arc::clone(&woken);
        let wake = move || {
            theirs.fetch_add(1, Ordering::Relaxed);
        };
        let jobs = Jobs::new("test", wake).unwrap();
        let ticket = jobs.request(|progress| {
            progress.advance(Stage::Grading, 3, 10)?;
            Ok(std::thread::current().name().map(String::from))
        });
        let mut seen = Vec::new();
        while !matches!(seen.last(), Some(Event::End { .. })) {
            seen.push(jobs.wait(LONG).unwrap());
        }
        let report = Event::Report { ticket, stage: Stage::Grading, done: 3, total: 10 };
        let end = Event::End { ticket, outcome: Outcome::Done(Some("test".to_string())) };
        assert_eq!(seen, [Event::Begin(ticket), report, end]);
        // An event may be taken before its wake is counted: let the thread end first.
        drop(jobs);
        assert_eq!(woken.load(Ordering::Relaxed), 3);
    }

    #[test]
    fn a_cancelled_job_stops_at_its_next_step_and_says_so() {
        let jobs = Jobs::<()>::new("test", || {}).unwrap();
        let ticket = jobs.request(|progress| {
            loop {
                progress.advance(Stage::Stacking, 0, 0)?;
                std::thread::yield_now();
            }
        });
        assert_eq!(jobs.wait(LONG), Some(Event::Begin(ticket)));
        jobs.cancel();
        assert_eq!(end_of(&jobs), (ticket, Outcome::Cancelled));
        // The thread lives on and takes the next request.
        let next = jobs.request(|_| Ok(()));
        assert_eq!(end_of(&jobs), (next, Outcome::Done(())));
    }

    #[test]
    fn the_newest_request_wins_and_nothing_stale_is_handed_out() {
        let jobs = Jobs::new("test", || {}).unwrap();
        let (begun, has_begun) = mpsc::channel();
        let (release, released) = mpsc::channel::<()>();
        let first = jobs.request(move |_| {
            begun.send(()).unwrap();
            // Deaf to cancelling: its result comes late and must be dropped.
            released.recv().unwrap();
            Ok("first")
        });
        has_begun.recv().unwrap();
        let ran = Arc::new(AtomicBool::new(false));
        let theirs = Arc::clone(&ran);
        let second = jobs.request(move |_| {
            theirs.store(true, Ordering::Relaxed);
            Ok("second")
        });
        let third = jobs.request(|_| Ok("third"));
        assert!(first < second && second < third);
        release.send(()).unwrap();
        let mut seen = Vec::new();
        while !matches!(seen.last(), Some(Event::End { .. })) {
            seen.push(jobs.wait(LONG).unwrap());
        }
        let end = Event::End { ticket: third, outcome: Outcome::Done("third") };
        assert_eq!(seen, [Event::Begin(third), end]);
        assert!(!ran.load(Ordering::Relaxed), "a request that waited must give way");
        assert!(jobs.poll().is_empty());
    }

    #[test]
    fn a_request_cancelled_while_it_waits_ends_without_having_begun() {
        let jobs = Jobs::new("test", || {}).unwrap();
        let (release, released) = mpsc::channel::<()>();
        let (begun, has_begun) = mpsc::channel();
        jobs.request(move |_| {
            begun.send(()).unwrap();
            released.recv().unwrap();
            Ok(1)
        });
        has_begun.recv().unwrap();
        let second = jobs.request(|_| Ok(2));
        jobs.cancel();
        release.send(()).unwrap();
        assert_eq!(end_of(&jobs), (second, Outcome::Cancelled));
    }

    #[test]
    fn a_fault_in_the_work_is_told_and_survived() {
        let jobs = Jobs::new("test", || {}).unwrap();
        let ticket = jobs.request(|_| if true { panic!("out of range") } else { Ok(()) });
        assert_eq!(end_of(&jobs), (ticket, Outcome::Broken("out of range".into())));
        let next = jobs.request(|_| Ok(()));
        assert_eq!(end_of(&jobs), (next, Outcome::Done(())));
    }

    #[test]
    fn progress_is_thinned_out_but_the_last_step_is_told() {
        let count = Arc::new(AtomicUsize::new(0));
        let theirs = Arc::clone(&count);
        let wake = move || {
            theirs.fetch_add(1, Ordering::Relaxed);
        };
        let jobs = Jobs::new("test", wake).unwrap();
        let begun = Instant::now();
        jobs.request(|progress| {
            for done in 0..=200_000 {
                progress.advance(Stage::Grading, done, 200_000)?;
            }
            Ok(())
        });
        let mut last = None;
        while let Some(event) = jobs.wait(LONG) {
            match event {
                Event::Report { done, .. } => last = Some(done),
                Event::End { .. } => break,
                Event::Begin(_) => {}
            }
        }
        assert_eq!(last, Some(200_000));
        // However slow the machine: no more than one report an interval, and the fixed ones.
        let intervals = begun.elapsed().as_millis() / REPORT_INTERVAL.as_millis();
        assert!(count.load(Ordering::Relaxed) as u128 <= intervals + 5);
    }

    #[test]
    fn dropping_cancels() {
        let jobs = Jobs::<()>::new("test", || {}).unwrap();
        let ticket = jobs.request(|progress| {
            loop {
                progress.advance(Stage::Stacking, 0, 0)?;
                std::thread::yield_now();
            }
        });
        assert_eq!(jobs.wait(LONG), Some(Event::Begin(ticket)));
        drop(jobs);
    }
}
