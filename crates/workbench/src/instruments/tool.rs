//! What can be taken into the hand.

use stillwright_night::sheet::Instrument;

/// An instrument, or a kind of mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Tool {
    /// Marks a known place.
    Place,
    /// Marks the limb.
    Limb,
    /// Marks the same ground in still and reference.
    Pair,
    /// Measures.
    Instrument(Instrument),
}

/// Those that stand in the measuring sections, with what they are for.
pub const TOOLS: [(Tool, &str); 5] = [
    (
        Tool::Instrument(Instrument::Distance),
        "Way over the ground from one mark to another, km; in arcsec and px too.",
    ),
    (
        Tool::Instrument(Instrument::Crater),
        "Diameter of a crater from marks along its rim, foreshortening undone. Part of the rim will do.",
    ),
    (
        Tool::Instrument(Instrument::Height),
        "Height of a peak from its summit and the end of its shadow, the Moon's roundness included.",
    ),
    (Tool::Instrument(Instrument::Profile), "Brightness of the still along a line."),
    (
        Tool::Instrument(Instrument::Disc),
        "A planet's disc from marks along its bright limb, beside what the ephemeris says.",
    ),
];

impl Tool {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Tool::Place => "Known place",
            Tool::Limb => "Limb",
            Tool::Pair => "Pair of marks",
            Tool::Instrument(instrument) => instrument.name(),
        }
    }
}
