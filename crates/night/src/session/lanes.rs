//! The job threads of a session: one a kind of work, so that looking at a frame never waits for a
//! stack.

use super::beside::BesideNews;
use super::effect::StillOutcome;
use super::entry::{Advance, CaptureId, Stacked, Still};
use super::figures::Measures;
use super::grading::SoFar;
use super::key::{CalibrationFiles, FileStamp};
use super::planning::Planning;
use super::preview::Ahead;
use super::sheets::PlaceList;
use super::shown::{PartialStack, RegionPreview, ShownFrame, Thumbnail};
use super::{Cancel, Graded, NamedRecipe};
use crate::calibration::{CalibrationReport, CalibrationSettings};
use crate::files::StillFiles;
use crate::inspect::InspectReport;
use crate::jobs::{Event, Job, Jobs, Outcome};
use crate::laid_map::LaidMap;
use crate::sheet::Findings;
use std::io;
use std::path::PathBuf;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};
use stillwright_capture::{Capture, Overrides};
use stillwright_picture::{Cancelled, Stage};
use stillwright_stacking::finish::Tone;

/// What comes out of a job.
pub(super) enum Output {
    /// Captures in the folders and files that were named; what could not be looked into.
    Found { files: Vec<PathBuf>, known: usize, troubles: Vec<String> },
    /// A capture is open.
    Opened { id: CaptureId, opened: Box<Opened> },
    /// Grades so far, while a capture is graded.
    Grading(Box<SoFar>),
    /// A capture is graded.
    Graded { id: CaptureId, graded: Arc<Graded>, order: Arc<[usize]>, best: Option<Arc<Thumbnail>> },
    /// A stack in the making.
    Partial(Arc<PartialStack>),
    /// A stack.
    Stacked { id: CaptureId, stacked: Arc<Stacked> },
    /// What was measured on a stack.
    Measured { id: CaptureId, measures: Arc<Measures> },
    /// A still, and the tone it came to.
    Finished { id: CaptureId, still: Arc<Still>, tone: Tone },
    /// A region's finish.
    Previewed(Arc<RegionPreview>),
    /// What the preview of a region starts from.
    Prepared { id: CaptureId, ahead: Arc<Ahead> },
    /// A frame.
    Frame(Arc<ShownFrame>),
    /// A frame that could not be had.
    NoFrame { words: String },
    /// Where the stills of an order go, or why they cannot.
    Planned { group: u64, plans: Vec<(CaptureId, Result<StillFiles, String>)> },
    /// What an earlier run kept of a capture was made from other bytes.
    Disowned { id: CaptureId },
    /// A still of an order, with what was made for it.
    Ordered { id: CaptureId, outcome: StillOutcome, made: Option<Box<OrderMade>> },
    /// How the captures and the files of their calibration are now.
    Looked(Vec<(CaptureId, Look, CalibrationFiles)>),
    /// A capture is not there.
    Gone(CaptureId),
    /// A capture could not be opened in this way.
    NotOpened {
        id: CaptureId,
        with: (Overrides, CalibrationSettings),
        calibration_files: CalibrationFiles,
        words: String,
    },
    /// The night file was written, or why not.
    Saved(Result<(), String>),
    /// A named recipe was written or forgotten, or why not.
    Named(Result<NamedChange, String>),
    /// What follows from a sheet.
    Findings { id: CaptureId, findings: Arc<Findings> },
    /// A list of places, or why there is none.
    Places(Result<PlaceList, String>),
    /// A table of measurements was written.
    MeasuredWritten { id: CaptureId, files: Vec<PathBuf> },
    /// News of a reference picture.
    Beside { id: CaptureId, news: Box<BesideNews> },
    /// A map of the stack `of`.
    Mapped { id: CaptureId, of: Arc<Stacked>, map: Arc<LaidMap> },
    /// The chances that a wish has.
    Planning(Box<Planning>),
    /// What the desk could not do.
    DeskTrouble { id: Option<CaptureId>, words: String },
    /// The work could not be done.
    Failed { id: CaptureId, words: String },
    /// Work nobody waits for is done.
    Nothing,
    /// Work that concerns no one capture could not be done.
    Trouble(String),
}

/// An open capture.
pub(super) struct Opened {
    pub stamp: FileStamp,
    pub with: (Overrides, CalibrationSettings),
    pub calibration_files: CalibrationFiles,
    pub calibration: Option<Arc<CalibrationReport>>,
    pub source: Arc<dyn Capture>,
    pub report: Arc<InspectReport>,
    pub thumbnail: Option<Arc<Thumbnail>>,
}

/// What was made on the way to a still that was ordered.
pub(super) struct OrderMade {
    pub stacked: Arc<Stacked>,
    pub measures: Arc<Measures>,
    pub still: Arc<Still>,
    pub tone: Tone,
}

/// A change of the named recipes.
pub(super) enum NamedChange {
    Kept(NamedRecipe),
    Forgotten(String),
}

/// How a file is now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    There(FileStamp),
    Gone,
    /// The system would not tell; nothing follows from that.
    Unknown,
}

/// What runs on a lane.
pub(super) struct Running {
    pub capture: Option<CaptureId>,
    /// What it is, for the foot.
    pub words: String,
    pub cancel: Cancel,
    pub advance: Option<Advance>,
    /// Bytes that one frame takes in the file.
    pub frame_bytes: f64,
    /// The person or a newer wish stopped it: its end is waited for.
    pub stopping: bool,
    stage: Option<(Stage, Instant, usize)>,
}

impl Running {
    pub fn new(capture: Option<CaptureId>, words: String, cancel: Cancel) -> Running {
        Running {
            capture,
            words,
            cancel,
            advance: None,
            frame_bytes: 0.0,
            stopping: false,
            stage: None,
        }
    }

    /// Progress came.
    fn report(&mut self, stage: Stage, done: usize, total: usize) {
        let now = Instant::now();
        let last = self.advance.as_ref().map_or(0, |advance| advance.done);
        let (_, begun, first) = match self.stage {
            // A stage that begins again (a second pass) is timed anew.
            Some(known) if known.0 == stage && done >= last => known,
            _ => *self.stage.insert((stage, now, done)),
        };
        let seconds = now.duration_since(begun).as_secs_f64();
        let of_frames =
            matches!(stage, Stage::Grading | Stage::Reference | Stage::Advising | Stage::Stacking);
        let rate =
            (of_frames && seconds > 0.2 && done > first).then(|| (done - first) as f64 / seconds);
        self.advance = Some(Advance {
            stage,
            done,
            total,
            frames_per_s: rate,
            megabytes_per_s: rate.map(|r| r * self.frame_bytes * 1e-6).filter(|m| *m > 0.0),
            seconds_left: rate.map(|r| total.saturating_sub(done) as f64 / r),
        });
    }
}

/// One thread and what runs on it.
pub(super) struct Lane {
    /// None once closed.
    jobs: Option<Jobs<Output>>,
    pub running: Option<Running>,
}

impl Lane {
    fn new(name: &str, signal: &Arc<Signal>) -> io::Result<Lane> {
        let signal = Arc::clone(signal);
        Ok(Lane { jobs: Some(Jobs::new(name, move || signal.give())?), running: None })
    }

    /// Whether nothing runs.
    pub fn is_idle(&self) -> bool {
        self.running.is_none()
    }

    /// Whether something runs for `id` that nobody has stopped.
    pub fn works_on(&self, id: CaptureId) -> bool {
        self.running.as_ref().is_some_and(|r| r.capture == Some(id) && !r.stopping)
    }

    /// Start work; whatever runs is stopped, and what comes of it is dropped.
    pub fn start(
        &mut self,
        running: Running,
        work: impl FnOnce(&Job<'_, Output>) -> Result<Output, Cancelled> + Send + 'static,
    ) {
        if let Some(jobs) = &self.jobs {
            jobs.request(work);
            self.running = Some(running);
        }
    }

    /// Stop what runs; its end comes with the events.
    pub fn stop(&mut self) {
        if let Some(running) = self.running.as_mut().filter(|running| !running.stopping) {
            running.stopping = true;
            if let Some(jobs) = &self.jobs {
                jobs.cancel();
            }
        }
    }

    /// Stop what runs, wait for its end, and run nothing more.
    pub fn close(&mut self) {
        self.jobs = None;
        self.running = None;
    }

    /// Stop what runs for `id`.
    pub fn stop_for(&mut self, id: CaptureId) {
        if self.works_on(id) {
            self.stop();
        }
    }

    /// What came since the last call. What a stopped job still gives is dropped.
    pub fn poll(&mut self) -> Vec<News> {
        let mut news = Vec::new();
        for event in self.jobs.as_ref().map(Jobs::poll).unwrap_or_default() {
            let stopping = self.running.as_ref().is_some_and(|running| running.stopping);
            match event {
                Event::Begin(_) => {}
                Event::Report { stage, done, total, .. } => {
                    if let Some(running) = &mut self.running {
                        running.report(stage, done, total);
                        news.push(News::Progress);
                    }
                }
                Event::Partial { value, .. } if !stopping => news.push(News::Output(value)),
                Event::Partial { .. } => {}
                Event::End { outcome, .. } => {
                    let capture = self.running.take().and_then(|running| running.capture);
                    news.push(match outcome {
                        Outcome::Done(value) if !stopping => News::Output(value),
                        Outcome::Done(_) | Outcome::Cancelled => News::Ended,
                        Outcome::Broken(words) => News::Broken(capture, words),
                    });
                }
            }
        }
        news
    }
}

/// What a lane has to tell.
pub(super) enum News {
    Progress,
    Output(Output),
    Ended,
    Broken(Option<CaptureId>, String),
}

/// All threads of a session.
pub(super) struct Lanes {
    pub gather: Lane,
    pub open: Lane,
    pub grade: Lane,
    pub stack: Lane,
    pub finish: Lane,
    pub preview: Lane,
    pub frame: Lane,
    pub plan: Lane,
    pub named: Lane,
    pub save: Lane,
    pub watch: Lane,
    pub keep: Lane,
    pub measure: Lane,
    pub beside: Lane,
    pub desk: Lane,
    pub maps: Lane,
}

impl Lanes {
    pub fn new(signal: &Arc<Signal>) -> io::Result<Lanes> {
        let lane = |name: &str| Lane::new(name, signal);
        Ok(Lanes {
            gather: lane("gather captures")?,
            open: lane("open captures")?,
            grade: lane("grade")?,
            stack: lane("stack")?,
            finish: lane("finish")?,
            preview: lane("preview")?,
            frame: lane("fetch frames")?,
            plan: lane("plan stills")?,
            named: lane("named recipes")?,
            save: lane("save the night")?,
            watch: lane("watch the files")?,
            keep: lane("keep stacks")?,
            measure: lane("measure")?,
            beside: lane("set beside")?,
            desk: lane("desk")?,
            maps: lane("map stacks")?,
        })
    }

    pub fn all(&mut self) -> [&mut Lane; 16] {
        [
            &mut self.gather,
            &mut self.open,
            &mut self.grade,
            &mut self.stack,
            &mut self.finish,
            &mut self.preview,
            &mut self.frame,
            &mut self.plan,
            &mut self.named,
            &mut self.save,
            &mut self.watch,
            &mut self.keep,
            &mut self.measure,
            &mut self.beside,
            &mut self.desk,
            &mut self.maps,
        ]
    }

    /// The lanes whose work the person waits for, and may want to see and to stop.
    pub fn visible(&self) -> [&Lane; 10] {
        [
            &self.gather,
            &self.open,
            &self.grade,
            &self.stack,
            &self.finish,
            &self.plan,
            &self.named,
            &self.beside,
            &self.desk,
            &self.maps,
        ]
    }
}

/// Wakes whoever listens, and lets a thread wait for that.
pub(super) struct Signal {
    given: Mutex<u64>,
    changed: Condvar,
    wake: Box<dyn Fn() + Send + Sync>,
}

impl Signal {
    pub fn new(wake: impl Fn() + Send + Sync + 'static) -> Signal {
        Signal { given: Mutex::new(0), changed: Condvar::new(), wake: Box::new(wake) }
    }

    /// Something happened.
    pub fn give(&self) {
        *self.given.lock().unwrap_or_else(PoisonError::into_inner) += 1;
        self.changed.notify_all();
        (self.wake)();
    }

    /// How often something happened.
    pub fn count(&self) -> u64 {
        *self.given.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wait until something has happened more than `seen` times, up to `patience`.
    pub fn wait(&self, seen: u64, patience: Duration) {
        let given = self.given.lock().unwrap_or_else(PoisonError::into_inner);
        let _ = self.changed.wait_timeout_while(given, patience, |given| *given <= seen);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stage_that_begins_again_is_timed_anew() {
        let mut running = Running::new(None, "a still".into(), Cancel::Map);
        let begun = |running: &Running| running.stage.map(|(_, begun, ..)| begun);
        running.report(Stage::Reference, 0, 64);
        let first = begun(&running);
        running.report(Stage::Reference, 32, 64);
        assert_eq!(begun(&running), first);
        // The second pass begins at 0, as the first did.
        std::thread::sleep(Duration::from_millis(2));
        running.report(Stage::Reference, 0, 136);
        assert!(begun(&running) > first);
    }
}
