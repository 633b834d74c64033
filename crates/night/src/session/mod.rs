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

mod absorb;
mod beside;
mod chart;
mod command;
mod effect;
mod entry;
mod figures;
mod gather;
mod grading;
mod ground;
mod history;
mod keeping;
mod key;
mod lanes;
mod laying;
mod look;
mod message;
mod named;
mod night_file;
mod orders;
mod places;
mod planning;
mod preview;
mod recipes;
mod schedule;
mod send;
mod setting;
mod sheets;
mod shown;
mod standing;
mod undone;
mod watch;
mod work;

pub use beside::{Beside, LoadedReference, verdict_words};
pub use chart::{Chart, Point};
pub use command::{Cancel, Command, ExportTarget, Setting};
pub use effect::{AllStills, Effect, StillOutcome, Written};
pub use entry::{Advance, CaptureId, CaptureState, Entry, Graded, Stacked, Still};
pub use figures::{Measures, OpticsFigures, Sampling, ScaleFigure};
pub use key::{CalibrationFiles, FileStamp, FinishKey, StackKey, SurveyKey};
pub use message::{Message, MessageId, Weight};
pub use places::{Places, SessionOptions};
pub use planning::{PlanWish, Planned, Planning};
pub use sheets::PlaceList;
pub use shown::{PartialStack, PictureId, RegionPreview, Shown, ShownFrame, Thumbnail};

pub use crate::laid_map::{LaidMap, MapKind};
use crate::recipe::Recipe;
use crate::saved_path::SavedPath;
use crate::sheet::Sheet;
pub(crate) use look::picture_of;

use ground::LastGround;
use history::History;
use keeping::Keeping;
use lanes::{Lanes, Signal};
use laying::Laying;
use message::Messages;
pub(crate) use night_file::night_again;
use night_file::{NightFile, SavedCapture};
use orders::Orders;
use planning::DeskWork;
use sheets::SheetPreview;
use std::collections::{HashSet, VecDeque};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use stillwright_stacking::halves::Region;
use undone::LastUndone;

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

/// How the saving of the night stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Saving {
    /// The night file has everything.
    Done,
    /// Something is about to be written.
    Soon,
    /// It could not be written; it is tried again.
    Failed,
    /// It may not be written: its folder cannot be used, or what is there must not be overwritten.
    Never,
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
        path: PathBuf,
    },
    /// The system gives no thread.
    #[error("the system gives no thread for the work: {0}\n  close other programs and try again")]
    Thread(#[from] std::io::Error),
}

/// A wish about the named recipes.
enum NameWish {
    Keep(String, Box<Recipe>),
    Forget(String),
}

/// A night at work.
pub struct Session {
    options: SessionOptions,
    entries: Vec<Entry>,
    selected: Option<CaptureId>,
    last_id: u64,
    last_seen: u64,
    frame: Option<Arc<ShownFrame>>,
    frame_trouble: Option<String>,
    place_list: Option<PlaceList>,
    /// The list that the night names, also while its file cannot be read.
    places_path: Option<PathBuf>,
    planning: Option<Arc<Planning>>,
    sheet_preview: Option<SheetPreview>,
    /// Small pieces of work that wait for the desk.
    to_desk: VecDeque<DeskWork>,
    /// The steps taken; words of previews not committed yet stand in `previewing`.
    history: History,
    previewing: Option<(CaptureId, String)>,
    messages: Messages,
    named: Vec<NamedRecipe>,
    effects: Vec<Effect>,
    last_all_stills: Option<Arc<AllStills>>,

    /// Files of the night's calibrations, as of the last scheduling.
    serving: HashSet<PathBuf>,

    /// What is wished for, and what the lanes are at.
    orders: Orders,
    to_gather: VecDeque<Vec<PathBuf>>,
    to_sample: VecDeque<PathBuf>,
    to_name: VecDeque<NameWish>,
    to_keep: VecDeque<Keeping>,
    frame_wish: Option<(CaptureId, usize)>,
    looked_at: Option<(CaptureId, Region)>,
    laying: Laying,
    /// What the preview thread was last given, and whether only to prepare it.
    previewed: Option<(CaptureId, Region, FinishKey)>,
    preparing: bool,
    /// Threads for what a slider waits for, and for whole stills: neither queues behind a stack, and a preview
    /// not behind a still, whose work its threads would take up while they wait for each other.
    quick: Arc<rayon::ThreadPool>,
    whole: Arc<rayon::ThreadPool>,
    grading: Option<SurveyKey>,
    stacking: Option<StackKey>,
    finishing: Option<FinishKey>,

    last_ground: Arc<LastGround>,
    last_undone: Arc<LastUndone>,
    dirty: bool,
    may_save: bool,
    save_failed: bool,
    lanes: Lanes,
    signal: Arc<Signal>,
    seen_signal: u64,
    stale: bool,
    /// Held as long as the session lives.
    _lock: Option<File>,
}

impl Session {
    /// Open the night at `options.places`, as it was left. `wake` is called, from any thread, when
    /// there is something to [`Session::pump`].
    ///
    /// Reads the night file and the named recipes before it returns; captures are opened later, by
    /// the job threads.
    ///
    /// # Errors
    /// When another session has the night, or when the system gives no thread. A night file that
    /// cannot be read is set aside, with a message.
    pub fn open(
        options: SessionOptions,
        wake: impl Fn() + Send + Sync + 'static,
    ) -> Result<Session, OpenError> {
        let night = options.places.night.clone();
        let Some(opening) = night_file::open(&night) else {
            return Err(OpenError::Locked { path: night });
        };
        let signal = Arc::new(Signal::new(wake));
        let pool = |name: &'static str| {
            let pool = rayon::ThreadPoolBuilder::new()
                .thread_name(move |number| format!("{name} {number}"))
                .build();
            pool.map(Arc::new).map_err(std::io::Error::other)
        };
        let (quick, whole) = (pool("preview")?, pool("finish")?);
        let (named, named_troubles) = named::all(&options.places.recipes);
        let mut session = Session {
            options,
            entries: Vec::new(),
            selected: None,
            last_id: 0,
            last_seen: 0,
            frame: None,
            frame_trouble: None,
            history: History::default(),
            previewing: None,
            messages: Messages::default(),
            named,
            effects: Vec::new(),
            last_all_stills: None,
            place_list: None,
            places_path: None,
            planning: None,
            sheet_preview: None,
            to_desk: VecDeque::new(),
            serving: HashSet::new(),
            orders: Orders::default(),
            to_gather: VecDeque::new(),
            to_sample: VecDeque::new(),
            to_name: VecDeque::new(),
            to_keep: VecDeque::new(),
            frame_wish: None,
            looked_at: None,
            laying: Laying::default(),
            previewed: None,
            preparing: false,
            quick,
            whole,
            grading: None,
            stacking: None,
            finishing: None,
            last_ground: Arc::default(),
            last_undone: Arc::default(),
            dirty: false,
            may_save: opening.may_save,
            save_failed: false,
            lanes: Lanes::new(&signal)?,
            signal,
            seen_signal: 0,
            stale: true,
            _lock: opening.lock,
        };
        for words in opening.troubles.into_iter().chain(named_troubles) {
            session.tell(Weight::Trouble, None, words);
        }
        session.restore(opening.night);
        session.schedule();
        Ok(session)
    }

    /// Take in what the job threads have done and start what is to be done next. Cheap: call it
    /// at every frame, or when woken.
    pub fn pump(&mut self) -> Vec<Effect> {
        self.seen_signal = self.signal.count();
        if self.absorb_news() || std::mem::take(&mut self.stale) {
            self.schedule();
        }
        std::mem::take(&mut self.effects)
    }

    /// Wait up to `patience` for something to pump. For tests and programs without a window.
    pub fn wait(&self, patience: Duration) {
        self.signal.wait(self.seen_signal, patience);
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

    /// Why the frame last asked for is not there, if it could not be read.
    pub fn frame_trouble(&self) -> Option<&str> {
        self.frame_trouble.as_deref()
    }

    /// Messages that nobody has read yet, oldest first.
    pub fn messages(&self) -> &[Message] {
        &self.messages.unread
    }

    /// What is being done at this moment.
    pub fn activities(&self) -> Vec<Activity> {
        let running = self.lanes.visible().into_iter().filter_map(|lane| lane.running.as_ref());
        running
            .filter(|running| !running.stopping)
            .map(|running| Activity {
                capture: running.capture,
                words: running.words.clone(),
                advance: running.advance,
                cancel: running.cancel,
            })
            .collect()
    }

    /// How far "make all stills" is, while it runs.
    pub fn queue(&self) -> Option<QueueProgress> {
        self.orders.progress().map(|(done, total)| QueueProgress { done, total })
    }

    /// What came of the last "make all stills" of this session.
    pub fn last_all_stills(&self) -> Option<&Arc<AllStills>> {
        self.last_all_stills.as_ref()
    }

    /// What [`Command::Undo`] would take back, in a few words.
    pub fn undo_words(&self) -> Option<&str> {
        self.history.undo_words()
    }

    /// What [`Command::Redo`] would take again, in a few words.
    pub fn redo_words(&self) -> Option<&str> {
        self.history.redo_words()
    }

    /// The named places that are labelled.
    pub fn place_list(&self) -> Option<&PlaceList> {
        self.place_list.as_ref()
    }

    /// The file of the list that the night names, also while it cannot be read.
    pub fn places_path(&self) -> Option<&Path> {
        self.places_path.as_deref()
    }

    /// What came of the last [`Command::Plan`].
    pub fn planning(&self) -> Option<&Arc<Planning>> {
        self.planning.as_ref()
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
        let quiet = |lane: &lanes::Lane| lane.is_idle();
        self.lanes.visible().into_iter().all(quiet)
            && quiet(&self.lanes.preview)
            && quiet(&self.lanes.frame)
            && quiet(&self.lanes.measure)
            && self.to_desk.is_empty()
            && !self.stale
            && self.orders.progress().is_none()
    }

    /// Whether the night file has everything.
    pub fn is_saved(&self) -> bool {
        self.saving() == Saving::Done
    }

    /// How the saving of the night stands.
    pub fn saving(&self) -> Saving {
        if !self.may_save {
            Saving::Never
        } else if self.save_failed {
            Saving::Failed
        } else if self.dirty || !self.lanes.save.is_idle() {
            Saving::Soon
        } else {
            Saving::Done
        }
    }

    fn entry_mut(&mut self, id: CaptureId) -> Option<&mut Entry> {
        self.entries.iter_mut().find(|entry| entry.id == id)
    }

    /// A new capture at the end of the night.
    fn insert(&mut self, path: PathBuf) -> CaptureId {
        self.last_id += 1;
        let id = CaptureId(self.last_id);
        self.entries.push(Entry::new(id, path, Recipe::default()));
        id
    }

    /// The captures of a night file.
    fn restore(&mut self, night: NightFile) {
        if let Some(places) = night.places {
            self.places_path = Some(places.path());
            self.load_places(places.path());
        }
        for saved in night.capture {
            let id = self.insert(saved.path.path());
            if let Some(entry) = self.entry_mut(id) {
                entry.recipe = Arc::new(saved.recipe);
                entry.sheet = Arc::new(saved.sheet);
                entry.inner.saved_stamp = saved.stamp;
                entry.redraw();
            }
        }
        let selected = night.selected.and_then(|index| self.entries.get(index));
        self.selected = selected.or(self.entries.first()).map(|entry| entry.id);
    }

    /// The night as it is saved.
    fn snapshot(&self) -> NightFile {
        let saved = |entry: &Entry| SavedCapture {
            path: SavedPath::of(&entry.path),
            stamp: entry.stamp.or(entry.inner.saved_stamp),
            recipe: entry.settled().clone(),
            sheet: Sheet::clone(&entry.sheet),
        };
        let selected = self.entries.iter().position(|entry| Some(entry.id) == self.selected);
        let mut night = NightFile::new(selected, self.entries.iter().map(saved).collect());
        night.places = self.places_path.as_ref().map(|path| SavedPath::of(path));
        night
    }
}

impl Drop for Session {
    /// Saves what is not saved yet; all threads are stopped.
    fn drop(&mut self) {
        if self.may_save && !self.is_saved() {
            self.lanes.save.close();
            // Nobody is left to be told of a failure; the last saved night is untouched then.
            let _ = self.snapshot().write(&self.options.places.night);
        }
    }
}
