//! One capture of the night: what it is, what was asked of it, and what has come of that.

use super::beside::Beside;
use super::chart::Chart;
use super::effect::Written;
use super::figures::{Measures, OpticsFigures, ScaleFigure};
use super::key::{CalibrationFiles, FileStamp, FinishKey, StackKey, SurveyKey};
use super::laying::Maps;
use super::preview::Ahead;
use super::sheets::FindingsKey;
use super::shown::{PartialStack, RegionPreview, Shown, Thumbnail};
use crate::calibration::{CalibrationReport, CalibrationSettings};
use crate::inspect::InspectReport;
use crate::recipe::Recipe;
use crate::sampling::Sampling;
use crate::sheet::{Findings, Sheet};
use std::path::PathBuf;
use std::sync::Arc;
use stillwright_capture::{Capture, Overrides};
use stillwright_picture::Stage;
use stillwright_seeing::Survey;
use stillwright_stacking::finish::{Finished, Tone};
use stillwright_stacking::{KeepAdvice, Stack};

/// Tells one capture of this session from another; never used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CaptureId(pub(crate) u64);

/// Where a capture stands. Results of an earlier recipe stay in view until the new ones are there.
#[derive(Clone, Debug, PartialEq)]
pub enum CaptureState {
    /// Its turn has not come yet.
    Waiting,
    /// It is being opened and looked into.
    Opening,
    /// Its frames are being graded.
    Grading(Advance),
    /// Its frames are graded; no stack of the present recipe is there.
    Graded,
    /// It is being stacked.
    Stacking(Advance),
    /// The stack is there; its finish is being worked out.
    Finishing,
    /// Stack and still of the present recipe are there.
    Done,
    /// The person stopped it; nothing more is done unasked.
    Stopped,
    /// It serves others of the night as a dark or flat, and is not graded unasked.
    Serving,
    /// The file is still being written: it is waited for.
    Growing,
    /// The file is no longer there.
    Gone,
    /// Something went wrong.
    Failed {
        /// What, and what to do.
        words: String,
    },
}

/// How far a piece of work is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advance {
    /// What is being done.
    pub stage: Stage,
    /// Steps done.
    pub done: usize,
    /// Steps in all; 0 when not known.
    pub total: usize,
    /// Frames a second, once known.
    pub frames_per_s: Option<f64>,
    /// Megabytes (10^6 bytes) a second, once known.
    pub megabytes_per_s: Option<f64>,
    /// Seconds left of this stage, once known.
    pub seconds_left: Option<f64>,
}

impl Advance {
    /// Share done, 0 to 1.
    pub fn share(&self) -> f32 {
        if self.total == 0 { 0.0 } else { (self.done as f32 / self.total as f32).min(1.0) }
    }
}

/// What the survey found, and what it was told.
#[derive(Debug)]
pub struct Graded {
    /// What it depends on.
    pub key: SurveyKey,
    /// Grades, shifts, cells: without regard to the frames that the person left out.
    pub survey: Arc<Survey>,
    /// SHA-256 of the capture it was made from, where it was kept from an earlier run that knew it.
    pub(crate) from: Option<String>,
}

/// A stack, and what it depends on.
#[derive(Debug)]
pub struct Stacked {
    /// What it depends on.
    pub key: StackKey,
    /// The stack.
    pub stack: Arc<Stack>,
    /// SHA-256 of the capture it was made from, where it was kept from an earlier run that knew it.
    pub(crate) from: Option<String>,
    /// How far places moved beside the whole frame: see [`crate::sheet::ripple_px2`].
    pub(crate) ripple_px2: Option<f64>,
}

/// A finished still, and what it depends on.
#[derive(Debug)]
pub struct Still {
    /// What it depends on.
    pub key: FinishKey,
    /// The picture for the screen: 0 is black, 1 is white.
    pub shown: Shown,
    /// The still with everything that was found on the way.
    pub finished: Arc<Finished>,
}

/// One capture of the night. The window reads it; commands change it.
#[derive(Debug)]
pub struct Entry {
    /// Its number.
    pub id: CaptureId,
    /// Its file.
    pub path: PathBuf,
    /// The file's name without its folder; of a sequence, once open, those of its first and last file.
    pub name: String,
    /// Where it stands.
    pub state: CaptureState,
    /// Length and time of change of the file, as last seen.
    pub stamp: Option<FileStamp>,
    /// What it holds and what is wrong with it, once opened. `warnings` are sentences.
    pub facts: Option<Arc<InspectReport>>,
    /// Its recipe, previews included.
    pub recipe: Arc<Recipe>,
    /// The best frame so far.
    pub thumbnail: Option<Arc<Thumbnail>>,
    /// Grades over time; of the first frames while the capture is being graded.
    pub chart: Option<Arc<Chart>>,
    /// The survey, once graded.
    pub graded: Option<Arc<Graded>>,
    /// The keep advice for the present survey and choice of frames, once known.
    pub advice: Option<Arc<KeepAdvice>>,
    /// The last stack; see [`Entry::stack_is_current`].
    pub stacked: Option<Arc<Stacked>>,
    /// While stacking: what has come together so far.
    pub partial: Option<Arc<PartialStack>>,
    /// Noise, resolution and rest positions of the last stack.
    pub measures: Option<Arc<Measures>>,
    /// The detail scales with their rest positions, for the sliders; empty before a stack.
    pub scales: Arc<[ScaleFigure]>,
    /// Scale, sampling and limit, where the optics are known.
    pub optics: Option<OpticsFigures>,
    /// The last whole still; see [`Entry::still_is_current`].
    pub still: Option<Arc<Still>>,
    /// The last preview of a region.
    pub preview: Option<Arc<RegionPreview>>,
    /// From where and when it is, what was marked, what is measured; previews included.
    pub sheet: Arc<Sheet>,
    /// What follows from the sheet; of the selected capture always up to date, or about to be.
    pub findings: Option<Arc<Findings>>,
    /// The reference picture beside it.
    pub beside: Beside,
    /// What was last written of it in this session.
    pub written: Option<Arc<Written>>,
    pub(crate) inner: Inner,
}

/// What only the session needs to know of a capture.
#[derive(Default)]
pub(crate) struct Inner {
    /// The recipe as of the last commit, while previews are being shown.
    pub committed: Option<Arc<Recipe>>,
    /// The person stopped the work on it.
    pub held: bool,
    /// Opening, grading, stacking or finishing failed; not tried again unasked.
    pub failed: Option<String>,
    /// The file grew between two looks, and has not been quiet since.
    pub growing: bool,
    /// The file is gone.
    pub gone: bool,
    /// To be opened (again).
    pub to_open: bool,
    /// To be stacked and finished although it is not selected, or although nothing is done unasked.
    pub wanted: bool,
    /// To be graded although nothing is done unasked.
    pub wanted_grades: bool,
    /// The open capture, its frames calibrated, and what it was opened with.
    pub source: Option<Arc<dyn Capture>>,
    pub calibration: Option<Arc<CalibrationReport>>,
    pub opened_with: (Overrides, CalibrationSettings),
    /// The files of its calibration as they were when it was opened.
    pub calibration_files: CalibrationFiles,
    /// The same as they were last looked at, while opening it has failed.
    pub tried_files: CalibrationFiles,
    /// The file as the night file remembers it, until it is opened.
    pub saved_stamp: Option<FileStamp>,
    /// Usable frames, sharpest first, without regard to the person's choice.
    pub order: Arc<[usize]>,
    /// What the last previewed region started from.
    pub ahead: Option<Arc<Ahead>>,
    /// The tone that the last whole still came to.
    pub tone: Option<Tone>,
    /// What was last written.
    pub written_key: Option<FinishKey>,
    /// What the findings follow from.
    pub findings_of: Option<FindingsKey>,
    /// Maps of the last stack.
    pub maps: Maps,
    /// When it was last selected; larger is later.
    pub seen: u64,
}

impl std::fmt::Debug for Inner {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Inner")
            .field("held", &self.held)
            .field("failed", &self.failed)
            .field("growing", &self.growing)
            .field("gone", &self.gone)
            .field("to_open", &self.to_open)
            .field("wanted", &self.wanted)
            .finish_non_exhaustive()
    }
}

impl Entry {
    /// A capture that nobody has looked into yet.
    pub(crate) fn new(id: CaptureId, path: PathBuf, recipe: Recipe) -> Entry {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        Entry {
            id,
            path,
            name,
            state: CaptureState::Waiting,
            stamp: None,
            facts: None,
            recipe: Arc::new(recipe),
            thumbnail: None,
            chart: None,
            graded: None,
            advice: None,
            stacked: None,
            partial: None,
            measures: None,
            scales: Arc::from([]),
            optics: None,
            still: None,
            preview: None,
            sheet: Arc::default(),
            findings: None,
            beside: Beside::default(),
            written: None,
            inner: Inner { to_open: true, ..Inner::default() },
        }
    }

    /// What a survey of the present file and recipe depends on; `None` before the file was seen.
    pub fn survey_key(&self) -> Option<SurveyKey> {
        let stamp = self.stamp?;
        Some(SurveyKey::new(stamp, self.inner.calibration_files.clone(), self.settled()))
    }

    /// What the present recipe says of opening it.
    pub(crate) fn to_be_opened_with(&self) -> (Overrides, CalibrationSettings) {
        let recipe = self.settled();
        (recipe.capture, recipe.calibration.clone())
    }

    /// Whether it is not open, or open in another way than the present recipe says.
    pub(crate) fn is_opened_otherwise(&self) -> bool {
        self.inner.source.is_none() || self.inner.opened_with != self.to_be_opened_with()
    }

    /// What to change about the sampling next time, by the optics, if anything.
    pub fn sampling_words(&self) -> Option<String> {
        let optics = self.recipe.finish.optics.as_ref().filter(|optics| optics.check().is_ok())?;
        Sampling::of(optics).words()
    }

    /// What its frames are calibrated with, once it is open; `None` where nothing was asked for.
    pub fn calibration(&self) -> Option<&CalibrationReport> {
        self.inner.calibration.as_deref()
    }

    /// The recipe as of the last commit.
    pub fn settled(&self) -> &Recipe {
        self.inner.committed.as_deref().unwrap_or(&self.recipe)
    }

    /// Whether the survey belongs to the present file and recipe.
    pub fn survey_is_current(&self) -> bool {
        self.graded.as_ref().is_some_and(|g| Some(&g.key) == self.survey_key().as_ref())
    }

    /// Whether the stack belongs to the present file and recipe.
    pub fn stack_is_current(&self) -> bool {
        let key = self.survey_key().map(|key| StackKey::new(key, self.settled()));
        self.stacked.as_ref().is_some_and(|s| Some(&s.key) == key.as_ref())
    }

    /// Whether the whole still belongs to the present file and recipe, previews included.
    pub fn still_is_current(&self) -> bool {
        let Some(still) = &self.still else { return false };
        let key = self.survey_key().map(|key| StackKey::new(key, self.settled()));
        Some(&still.key.stack) == key.as_ref() && still.key.finish == self.recipe.finish
    }
}
