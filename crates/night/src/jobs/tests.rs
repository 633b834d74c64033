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

/// Work without an end of its own.
fn until_cancelled<P: Progress + ?Sized>(progress: &P) -> Result<(), Cancelled> {
    loop {
        progress.advance(Stage::Stacking, 0, 0)?;
        std::thread::yield_now();
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
    let ticket = jobs.request(|progress| until_cancelled(progress));
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
            Event::Begin(_) | Event::Partial { .. } => {}
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
    let ticket = jobs.request(|progress| until_cancelled(progress));
    assert_eq!(jobs.wait(LONG), Some(Event::Begin(ticket)));
    drop(jobs);
}

#[test]
fn what_is_there_already_is_handed_out_and_the_newest_of_it_wins() {
    let jobs = Jobs::new("test", || {}).unwrap();
    let (release, released) = mpsc::channel::<()>();
    let (told, is_told) = mpsc::channel();
    let ticket = jobs.request(move |job| {
        job.partial(1);
        job.partial(2);
        told.send(()).unwrap();
        released.recv().unwrap();
        Ok(3)
    });
    is_told.recv().unwrap();
    let seen = jobs.poll();
    assert_eq!(seen, [Event::Begin(ticket), Event::Partial { ticket, value: 2 }]);
    release.send(()).unwrap();
    assert_eq!(end_of(&jobs), (ticket, Outcome::Done(3)));
}

#[test]
fn a_pause_ends_early_when_the_work_is_to_stop() {
    let jobs = Jobs::<()>::new("test", || {}).unwrap();
    let ticket = jobs.request(|job| job.pause(LONG));
    assert_eq!(jobs.wait(LONG), Some(Event::Begin(ticket)));
    let begun = Instant::now();
    jobs.cancel();
    assert_eq!(end_of(&jobs), (ticket, Outcome::Cancelled));
    assert!(begun.elapsed() < LONG / 4);
}
