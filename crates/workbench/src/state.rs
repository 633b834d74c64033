//! What the window remembers of its own: nothing here changes a still.

use crate::chart::ChartState;
use crate::lightbox::GroundView;
use crate::lightbox::{Arrangement, BoxState, Readout};
use crate::slider::Moved;
use crate::theme::Light;
use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;
use stillwright_night::session::{AllStills, CaptureId, Command, Entry, Session, Setting};

/// A page over the bench.
#[derive(Clone, Debug, PartialEq)]
pub enum Page {
    /// Open captures: a path that is typed.
    Open,
    /// Keep a recipe: a name that is typed.
    SaveRecipe,
    /// The keys.
    Keys,
    /// The words.
    Words,
    /// What came of "make all stills".
    AllStills,
    /// The coming chances of a wish.
    Plan,
}

/// The view.
pub struct ViewState {
    /// Under which light.
    pub light: Light,
    /// Size of everything, 1 at first.
    pub text_scale: f32,
    /// Whether the shelf is open.
    pub shelf: bool,
    /// Whether the inspector is open.
    pub inspector: bool,
    /// How frame and still are set out.
    pub arrangement: Arrangement,
    /// Whether tiles are coloured by grade.
    pub tiles: bool,
    /// What part of the ground is seen, of each capture.
    pub ground: HashMap<CaptureId, GroundView>,
    /// The frame in the left lightbox, of each capture.
    pub frame: HashMap<CaptureId, usize>,
    /// The frame that was last asked for.
    pub asked: Option<(CaptureId, usize)>,
    /// The part of the still that the session was last told of.
    pub looked_at: Option<(CaptureId, Option<stillwright_night::stacking::halves::Region>)>,
    /// The chart's own.
    pub chart: ChartState,
    /// The lightboxes' own.
    pub boxes: BoxState,
    /// What is under the pointer.
    pub readout: Option<Readout>,
    /// The page that is open.
    pub page: Option<Page>,
    /// What is typed on it.
    pub typed: String,
    /// A recipe that was copied, and from which capture.
    pub copied: Option<CaptureId>,
    /// What came of the last queue.
    pub all_stills: Option<Arc<AllStills>>,
    /// Folder for exports, as typed; empty: beside the captures.
    pub export_folder: String,
    /// Whether exports replace files.
    pub replace: bool,
    /// Optics as they are being typed, of each capture.
    pub optics: HashMap<CaptureId, crate::inspector::OpticsDraft>,
    /// Instruments in the hand, and what the inspector is about.
    pub measure: crate::instruments::MeasureState,
    /// A plan as it is being typed.
    pub plan: crate::plan::PlanDraft,
    /// Whether files hang over the window.
    pub hovering: bool,
    /// Whether the list of messages is open.
    pub messages: bool,
    /// Where a sample night is made.
    pub sample_folder: PathBuf,
}

impl ViewState {
    /// As it is at first.
    pub fn new(sample_folder: PathBuf) -> ViewState {
        ViewState {
            light: Light::default(),
            text_scale: 1.0,
            shelf: true,
            inspector: true,
            arrangement: Arrangement::SideBySide,
            tiles: false,
            ground: HashMap::new(),
            frame: HashMap::new(),
            asked: None,
            looked_at: None,
            chart: ChartState::default(),
            boxes: BoxState::default(),
            readout: None,
            page: None,
            typed: String::new(),
            copied: None,
            all_stills: None,
            export_folder: String::new(),
            replace: false,
            optics: HashMap::new(),
            measure: crate::instruments::MeasureState::default(),
            plan: crate::plan::PlanDraft::default(),
            hovering: false,
            messages: false,
            sample_folder,
        }
    }

    /// The frame of `entry` that is looked at: chosen, or else the best.
    pub fn frame_of(&self, entry: &Entry) -> usize {
        let best = || entry.chart.as_ref().and_then(|chart| chart.sorted.first().copied());
        let seen = || entry.thumbnail.as_ref().map(|thumbnail| thumbnail.frame);
        self.frame.get(&entry.id).copied().or_else(best).or_else(seen).unwrap_or(0)
    }
}

/// What a panel is given: the session to read, and where to put its wishes.
pub struct Desk<'a> {
    /// The night.
    pub session: &'a Session,
    /// Commands, sent when the frame has been drawn.
    pub send: &'a mut Vec<Command>,
    /// Actions, done when the frame has been drawn.
    pub acts: &'a mut Vec<crate::actions::Act>,
}

impl Desk<'_> {
    /// Change a recipe: while it moves, and for undo when it is settled.
    pub fn change(&mut self, id: CaptureId, setting: Setting, settled: bool) {
        self.send.push(Command::Preview { id, setting });
        if settled {
            self.send.push(Command::Commit);
        }
    }

    /// Change a recipe as a slider says: nothing while it rests, and one step for undo when it is
    /// let go, also where it comes to rest where it was.
    pub fn slid(&mut self, id: CaptureId, moved: Moved, setting: impl FnOnce() -> Setting) {
        if moved.changed || moved.reset {
            self.change(id, setting(), moved.settled);
        } else if moved.settled {
            self.send.push(Command::Commit);
        }
    }
}
