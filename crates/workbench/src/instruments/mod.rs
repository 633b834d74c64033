//! Instruments on the still: what is in the person's hand, how marks are put and moved, and what
//! is drawn over the pictures.
//!
//! Marks and measurements live in the session's sheets; here is only what the window knows of them:
//! the instrument in the hand, the cross that keys move, the mark that is held.

mod hand;
mod overlay;
mod reference;
mod tool;

pub use hand::{px_of, work};
pub use overlay::draw;
pub use reference::{ReferenceLayer, caption, layer};
pub use tool::{TOOLS, Tool};

use crate::state::ViewState;
use std::collections::HashMap;
use stillwright_night::moon::fix::Px;
use stillwright_night::session::{CaptureId, Entry};

/// What the inspector is about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// The still and its recipe.
    #[default]
    Finish,
    /// Sky, fix, measurements.
    Measure,
    /// A reference picture beside the still.
    Compare,
}

impl Mode {
    /// All, with their names and what they are for.
    pub const ALL: [(Mode, &'static str, &'static str); 3] = [
        (Mode::Finish, "Finish", "How the still is made."),
        (
            Mode::Measure,
            "Measure",
            "Where the ground is, how large things on it are, and what the picture resolves.",
        ),
        (Mode::Compare, "Compare", "A reference picture of the same ground beside the still."),
    ];
}

/// A mark that can be held and moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Handle {
    /// A known place.
    Place(usize),
    /// A point of the limb.
    Limb(usize),
    /// A point of a measurement.
    Point(u32, usize),
    /// The still's mark of a pair.
    PairStill(usize),
    /// The reference's mark of a pair.
    PairReference(usize),
}

/// What the window knows of instruments.
#[derive(Default)]
pub struct MeasureState {
    /// What the inspector is about.
    pub mode: Mode,
    /// What is in the hand.
    pub tool: Option<Tool>,
    /// The measurement that is being marked, or looked at.
    pub current: Option<(CaptureId, u32)>,
    /// The cross that keys move, of each capture, px.
    pub cursor: HashMap<CaptureId, Px>,
    /// The mark that keys move.
    pub held: Option<(CaptureId, Handle)>,
    /// The mark that the pointer drags.
    pub dragged: Option<Handle>,
    /// One half of a pair: of the still, of the reference.
    pub half: (Option<Px>, Option<Px>),
    /// Whether meridians and parallels are drawn.
    pub graticule: bool,
    /// Whether named places are labelled.
    pub names: bool,
    /// What was typed and makes no sense: field and words.
    pub trouble: Option<(&'static str, String)>,
}

impl MeasureState {
    /// Whether the reference lies in the left lightbox.
    pub fn compares(&self, entry: &Entry) -> bool {
        self.mode == Mode::Compare && entry.beside.loaded.is_some()
    }

    /// Take an instrument, or put it away when it is in the hand already.
    pub fn take(&mut self, tool: Tool) {
        self.half = (None, None);
        self.held = None;
        self.current = None;
        self.tool = if self.tool == Some(tool) { None } else { Some(tool) };
        if self.tool.is_some() {
            self.mode = if tool == Tool::Pair { Mode::Compare } else { Mode::Measure };
        }
    }

    /// Put the instrument away.
    pub fn put_away(&mut self) {
        self.tool = None;
        self.held = None;
        self.half = (None, None);
    }

    /// Change what the inspector is about.
    pub fn turn_to(&mut self, mode: Mode) {
        if self.mode != mode {
            self.mode = mode;
            self.put_away();
        }
    }
}

/// What is to be marked next, in words; none without an instrument.
pub fn hint(view: &ViewState, entry: &Entry) -> Option<String> {
    let tool = view.measure.tool?;
    let words = match tool {
        Tool::Place => "Mark a place that you know, then say which it is".to_string(),
        Tool::Limb => match entry.sheet.limb.len() {
            0..3 => "Mark three points on the bright limb".to_string(),
            _ => "Mark more of the limb, or let it be found between the marks".to_string(),
        },
        Tool::Pair => match view.measure.half {
            (Some(_), None) => "Now the same place in the reference picture".to_string(),
            (None, Some(_)) => "Now the same place in the still".to_string(),
            _ => "Mark a place that both pictures show".to_string(),
        },
        Tool::Instrument(instrument) => {
            let points = current(view, entry).map_or(0, |m| m.points.len());
            instrument.wants(points).to_string()
        }
    };
    Some(format!("{}: {words}", tool.name()))
}

/// The measurement that is being marked: the current one, when it takes further points.
pub fn current<'a>(
    view: &ViewState,
    entry: &'a Entry,
) -> Option<&'a stillwright_night::sheet::Measurement> {
    let (id, number) = view.measure.current.filter(|(id, _)| *id == entry.id)?;
    debug_assert_eq!(id, entry.id);
    let found = entry.sheet.measurement(number)?;
    (view.measure.tool == Some(Tool::Instrument(found.instrument)) && !found.is_full())
        .then_some(found)
}
