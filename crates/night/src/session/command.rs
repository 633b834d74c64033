//! What a person can ask of the session: everything, and nothing else changes it.

use super::entry::CaptureId;
use super::message::MessageId;
use super::planning::PlanWish;
use crate::atomic::Existing;
use crate::calibration::CalibrationSettings;
use crate::choice::FrameRange;
use crate::export::Format;
use crate::laid_map::MapKind;
use crate::recipe::Recipe;
use crate::sheet::SheetChange;
use std::path::PathBuf;
use stillwright_capture::Overrides;
use stillwright_seeing::SceneKind;
use stillwright_stacking::finish::{Bend, Colour, DetailScale, Optics, Point, Sharpening};
use stillwright_stacking::halves::Region;
use stillwright_stacking::{Keep, Pace, Resampling};

/// One wish. Sending one never waits: what takes time happens on job threads.
#[derive(Clone, Debug)]
pub enum Command {
    /// Take captures into the night; folders are walked for them.
    Add(Vec<PathBuf>),
    /// Take a capture off the night. Its file stays where it is.
    Remove(CaptureId),
    /// Look at this capture: it is stacked and finished before the others.
    Select(Option<CaptureId>),
    /// Simulate a small capture in this folder and take it into the night.
    MakeSampleNight {
        /// Where; made when needed.
        folder: PathBuf,
    },

    /// Change the recipe of a capture; one step for undo.
    Change {
        /// Of which capture.
        id: CaptureId,
        /// What to what.
        setting: Setting,
    },
    /// Change it while a slider is dragged: shown at once, no step for undo until
    /// [`Command::Commit`]. Stacks are made anew at the commit only.
    Preview {
        /// Of which capture.
        id: CaptureId,
        /// What to what.
        setting: Setting,
    },
    /// The slider was let go: all previews since the last commit become one step.
    Commit,
    /// Forget the previews since the last commit.
    Revert,
    /// Take the last step back.
    Undo,
    /// Take the last undone step again.
    Redo,
    /// Give other captures the recipe of one; their own frames left out, and what is known of
    /// their files (layout, byte order), stay.
    CopyRecipe {
        /// From this one.
        from: CaptureId,
        /// To these.
        to: Vec<CaptureId>,
    },
    /// Keep the recipe of a capture under a name; an older one of the same name is replaced.
    SaveRecipe {
        /// Whose.
        from: CaptureId,
        /// The name, as the person wrote it.
        name: String,
    },
    /// Give captures a recipe that was kept.
    UseRecipe {
        /// Its name.
        name: String,
        /// To these.
        to: Vec<CaptureId>,
    },
    /// Forget a recipe that was kept.
    ForgetRecipe {
        /// Its name.
        name: String,
    },

    /// Change the sheet of a capture (site, time, marks, measurements); one step for undo.
    Sheet {
        /// Of which capture.
        id: CaptureId,
        /// What to what.
        change: SheetChange,
    },
    /// Change it while a mark is dragged: shown at once, no step for undo until
    /// [`Command::Commit`].
    PreviewSheet {
        /// Of which capture.
        id: CaptureId,
        /// What to what.
        change: SheetChange,
    },
    /// Read a list of named places to label: `name,latitude,longitude[,diameter]`; an empty path puts
    /// the list away.
    LoadPlaces(PathBuf),
    /// Find the limb of the Moon in the still, from three marks on it or more.
    FindLimb(CaptureId),
    /// Find the end of a shadow in the still near where it was marked.
    FindShadowEnd {
        /// Of which capture.
        id: CaptureId,
        /// Which measurement.
        number: u32,
    },
    /// Write the measurements as a table, and drawn into a further picture.
    WriteMeasured {
        /// Of which capture.
        id: CaptureId,
        /// Where to.
        target: ExportTarget,
    },
    /// Match the reference picture anew: by its marks where four or more are there, else by itself.
    Match(CaptureId),
    /// Write a figure of still and reference picture beside each other.
    WriteFigure {
        /// Of which capture.
        id: CaptureId,
        /// Where to.
        target: ExportTarget,
    },
    /// Look for the coming chances of a wish; see [`super::Session::planning`].
    Plan(Box<PlanWish>),

    /// Grade now (again after a stop, a failure, or a change of the file).
    Grade(CaptureId),
    /// Stack and finish now (again after a stop or a failure).
    Stack(CaptureId),
    /// Show a frame; the newest request wins. See [`super::Session::frame`].
    ShowFrame {
        /// Of which capture.
        id: CaptureId,
        /// Which, from 0.
        index: usize,
    },
    /// This part of the still is being looked at (px of the still): its finish is previewed
    /// before the whole picture follows. `None`: nothing of it is seen.
    LookAt {
        /// Of which capture.
        id: CaptureId,
        /// Which part.
        region: Option<Region>,
    },

    /// Lay a map of the stack over the selected still, or none; see [`super::Session::laid`] and [`super::Entry::map`].
    Lay(Option<MapKind>),

    /// Write the still of one capture.
    Export {
        /// Of which capture.
        id: CaptureId,
        /// Where to.
        target: ExportTarget,
    },
    /// Make and write the stills of these captures, one after the other, unattended; all of the
    /// night's when empty. A bad capture costs the others nothing; at the end
    /// [`super::Effect::AllStills`] says what came out.
    MakeAll {
        /// Which captures.
        ids: Vec<CaptureId>,
        /// Where to.
        target: ExportTarget,
    },
    /// Stop.
    Cancel(Cancel),

    /// A message was read and may go.
    Read(MessageId),
    /// All messages were read.
    ReadAll,
}

/// One change of a recipe.
#[derive(Clone, Debug, PartialEq)]
pub enum Setting {
    /// Share of the best moments.
    Keep(Keep),
    /// Pixels of the still per pixel of the capture, 0.5 to 4.
    Scale(f32),
    /// How samples come to lie between pixels.
    Resampling(Resampling),
    /// How much time a frame is given.
    Pace(Pace),
    /// Side of the tiles, px; 0 decides.
    TilePx(usize),
    /// Leave out what one frame alone shows.
    RejectOutliers(bool),
    /// Layout, byte order, justification, bit depth; the capture is opened and graded anew.
    Overrides(Overrides),
    /// Darks, flats, bands.
    Calibration(CalibrationSettings),
    /// Ground or disc; the capture is graded anew.
    Scene(SceneKind),
    /// Telescope and camera.
    Optics(Option<Optics>),
    /// How the detail is brought back.
    Sharpening(Sharpening),
    /// One detail scale, 0 the finest. From [`Sharpening::Automatic`] the others stay at their
    /// rest positions; when all are back there, it is automatic again.
    DetailScale {
        /// Which, from 0.
        index: usize,
        /// Gain and hold-back.
        scale: DetailScale,
    },
    /// A detail scale back to its rest position.
    RestDetailScale(usize),
    /// Black point.
    Black(Point),
    /// White point.
    White(Point),
    /// The bend between them.
    Bend(Bend),
    /// Balance and saturation.
    Colour(Colour),
    /// Further formats of the still.
    Formats(Vec<Format>),
    /// Maps of the stack's noise and detail beside it.
    Maps(bool),
    /// Words of the person's own that travel inside the pictures.
    Caption(Option<String>),
    /// Leave frames out.
    Exclude(FrameRange),
    /// Take frames back in.
    Include(FrameRange),
    /// Everything at once.
    Whole(Box<Recipe>),
}

/// Where results go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExportTarget {
    /// The folder; none: `stills` beside each capture.
    pub folder: Option<PathBuf>,
    /// Whether files of the same names are replaced.
    pub existing: Existing,
}

impl Default for ExportTarget {
    fn default() -> Self {
        ExportTarget { folder: None, existing: Existing::Keep }
    }
}

/// What to stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cancel {
    /// Everything.
    All,
    /// What is done for one capture; nothing more is done for it unasked.
    Capture(CaptureId),
    /// The queue of all stills.
    MakeAll,
    /// The writing of a still.
    Export,
    /// The sample night, or the search of folders.
    Gathering,
    /// Plans, tables, figures, and the matching of reference pictures.
    Desk,
    /// The map that is being made; none is laid then.
    Map,
}
