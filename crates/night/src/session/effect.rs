//! What has just happened, for whoever wants to react once.

use super::entry::CaptureId;
use super::message::MessageId;
use crate::files::StillFiles;
use crate::record::Record;
use std::path::PathBuf;
use std::sync::Arc;

/// One thing that happened since the last [`super::Session::pump`]. The session's own state says
/// what *is*; effects only say what is *new*.
#[derive(Clone, Debug)]
pub enum Effect {
    /// Captures came into the night.
    Added(Vec<CaptureId>),
    /// A search for captures ended; so many were found that are not in the night already.
    Gathered(usize),
    /// A capture was opened: its facts are there.
    Opened(CaptureId),
    /// A capture was graded.
    Graded(CaptureId),
    /// A stack is there.
    Stacked(CaptureId),
    /// The whole still is there with its current finish.
    Finished(CaptureId),
    /// A region's preview is there.
    Previewed(CaptureId),
    /// A frame is there.
    FrameShown(CaptureId),
    /// Something could not be done; the words stand in a message.
    Failed(CaptureId),
    /// What follows from a sheet was found.
    Measured(CaptureId),
    /// Measurements were written to these files.
    MeasuredWritten(CaptureId, Vec<PathBuf>),
    /// There is news of the reference picture.
    SetBeside(CaptureId),
    /// A figure of the still beside a reference picture was written.
    FigureWritten(CaptureId, PathBuf),
    /// A map of the stack is there.
    Mapped(CaptureId),
    /// A still was written.
    Written(CaptureId, Arc<Written>),
    /// The queue of all stills has ended.
    AllStills(Arc<AllStills>),
    /// A message came.
    Told(MessageId),
    /// The night file was saved.
    Saved,
}

/// A still that was written.
#[derive(Clone, Debug)]
pub struct Written {
    /// Its files.
    pub files: StillFiles,
    /// How it was made.
    pub record: Record,
}

/// What came of "make all stills".
#[derive(Clone, Debug)]
pub struct AllStills {
    /// Each capture that was asked for, in order, and what came of it.
    pub outcomes: Vec<(CaptureId, StillOutcome)>,
    /// Whether the person stopped it before its end.
    pub stopped: bool,
    /// How long it took, s.
    pub seconds: f64,
}

/// What came of one still of the queue.
#[derive(Clone, Debug)]
pub enum StillOutcome {
    /// It was written.
    Written(Arc<Written>),
    /// It failed, with these words.
    Failed(String),
    /// It was not begun or not ended when the person stopped.
    Stopped,
}

impl AllStills {
    /// How many were written, failed, and were stopped.
    pub fn counts(&self) -> (usize, usize, usize) {
        let count = |f: fn(&StillOutcome) -> bool| self.outcomes.iter().filter(|o| f(&o.1)).count();
        (
            count(|o| matches!(o, StillOutcome::Written(_))),
            count(|o| matches!(o, StillOutcome::Failed(_))),
            count(|o| matches!(o, StillOutcome::Stopped)),
        )
    }

    /// The outcome in a sentence.
    pub fn words(&self) -> String {
        let (written, failed, stopped) = self.counts();
        let stills = if written == 1 { "still" } else { "stills" };
        let mut words = format!("{written} {stills} written");
        if failed > 0 {
            words.push_str(&format!(", {failed} failed"));
        }
        if stopped > 0 {
            words.push_str(&format!(", {stopped} not made because you stopped"));
        }
        words
    }
}
