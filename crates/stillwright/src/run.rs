//! Work on a thread of its own, with progress on standard error and an ear for Ctrl-C.

use crate::Status;
use crate::say::Results;
use anyhow::Context;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;
use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use stillwright_night::NightError;
use stillwright_night::jobs::{Event, Jobs, Outcome};
use stillwright_picture::{Cancelled, Progress, Stage};

/// How often the person has asked to stop.
static STOP: AtomicUsize = AtomicUsize::new(0);

/// Whether the person has asked to stop: what has not begun is left.
pub fn stopping() -> bool {
    STOP.load(Ordering::Relaxed) > 0
}

/// Set up the threads to compute with.
///
/// # Errors
/// When the system gives none.
pub fn prepare(threads: Option<usize>) -> anyhow::Result<()> {
    let mut pool = rayon::ThreadPoolBuilder::new().thread_name(|i| format!("compute-{i}"));
    if let Some(threads) = threads {
        pool = pool.num_threads(threads);
    }
    pool.build_global().context("the threads to compute with could not be started")
}

/// Hear Ctrl-C and the system's request to end: the first stops the work and tidies up, the second ends the program. The
/// window hears neither, or a first request would leave it open; what was chosen in it is on disk.
///
/// # Errors
/// When the system gives no way to hear them.
pub fn hear_stops() -> anyhow::Result<()> {
    ctrlc::set_handler(|| {
        if STOP.fetch_add(1, Ordering::Relaxed) > 0 {
            std::process::exit(1);
        }
    })
    .context("Ctrl-C could not be listened to")
}

/// Why work came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The night says why.
    #[error(transparent)]
    Night(#[from] NightError),
    /// A fault in the program.
    #[error(
        "a fault in the program stopped the work: {0}\n  \
         please report it, with the capture if you can share it"
    )]
    Broken(String),
    /// The system.
    #[error(transparent)]
    System(#[from] std::io::Error),
}

/// Do `work` on a named thread; `title` stands before the bar.
///
/// # Errors
/// What the work returns, a fault in it, or no thread to be had.
pub fn with_progress<T: Send + 'static>(
    title: &str,
    work: impl FnOnce(&dyn Progress) -> Result<T, NightError> + Send + 'static,
) -> Result<T, Failure> {
    let jobs: Jobs<Result<T, NightError>> = Jobs::new("night", || {})?;
    jobs.request(move |progress| match work(progress) {
        Err(NightError::Cancelled) => Err(Cancelled),
        other => Ok(other),
    });
    let mut bar = Bar::new(title);
    let mut told = false;
    loop {
        if stopping() && !told {
            told = true;
            bar.stopping();
            jobs.cancel();
        }
        match jobs.wait(Duration::from_millis(50)) {
            Some(Event::Report { stage, done, total, .. }) => bar.show(stage, done, total),
            Some(Event::End { outcome, .. }) => {
                bar.clear();
                return match outcome {
                    Outcome::Done(result) => Ok(result?),
                    Outcome::Cancelled => Err(NightError::Cancelled.into()),
                    Outcome::Broken(words) => Err(Failure::Broken(words)),
                };
            }
            Some(Event::Begin(_) | Event::Partial { .. }) | None => {}
        }
    }
}

/// A bar with the time left; silent where standard error is no terminal.
struct Bar {
    bar: ProgressBar,
    title: String,
    stage: Option<Stage>,
}

impl Bar {
    fn new(title: &str) -> Bar {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        Bar { bar, title: title.into(), stage: None }
    }

    fn show(&mut self, stage: Stage, done: usize, total: usize) {
        if self.stage != Some(stage) {
            self.stage = Some(stage);
            self.bar.reset();
            let shape = if total > 1 {
                "{prefix}  {msg:20} {bar:30} {pos}/{len}  {eta} left"
            } else {
                "{prefix}  {msg:20} {elapsed}"
            };
            if let Ok(style) = ProgressStyle::with_template(shape) {
                self.bar.set_style(style.progress_chars("━╸ "));
            }
            self.bar.set_prefix(self.title.clone());
            self.bar.set_message(stage.words());
        }
        self.bar.set_length(total as u64);
        self.bar.set_position(done as u64);
    }

    fn stopping(&self) {
        self.bar.set_message("stopping");
    }

    fn clear(&self) {
        self.bar.finish_and_clear();
    }
}

/// Do `work` on each file and tell its report, as JSON or in words; a file that fails is told and
/// costs the others nothing.
pub fn each_report<R: Serialize, E: Display>(
    files: &[PathBuf],
    json: bool,
    results: &mut Results,
    work: impl Fn(&Path) -> Result<R, E>,
    in_words: impl Fn(&R) -> String,
) -> Status {
    let mut status = Status::Done;
    for file in files {
        if stopping() {
            return Status::Failed;
        }
        match work(file) {
            Ok(report) if json => results.json(&report),
            Ok(report) => results.line(&in_words(&report)),
            Err(failure) => {
                status = Status::Failed;
                results.failure(file, &failure.to_string(), json);
            }
        }
    }
    status
}
