//! What is measured, and with which instrument.

use serde::{Deserialize, Serialize};
use stillwright_moon::fix::Px;

/// What marks are put for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Instrument {
    /// Way over the ground between two points.
    Distance,
    /// Diameter of a crater, from points along its rim.
    Crater,
    /// Brightness along a line.
    Profile,
    /// Height of a peak, from its summit and the end of its shadow.
    Height,
    /// Disc of a planet, from points along its limb.
    Disc,
}

impl Instrument {
    /// All.
    pub const ALL: [Instrument; 5] = [
        Instrument::Distance,
        Instrument::Crater,
        Instrument::Profile,
        Instrument::Height,
        Instrument::Disc,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Instrument::Distance => "Distance",
            Instrument::Crater => "Crater",
            Instrument::Profile => "Profile",
            Instrument::Height => "Height",
            Instrument::Disc => "Disc",
        }
    }

    /// What is to be marked next when `points` are there.
    pub fn wants(self, points: usize) -> &'static str {
        match (self, points) {
            (Instrument::Distance | Instrument::Profile, 0) => "Mark where it begins",
            (Instrument::Distance | Instrument::Profile, _) => "Mark where it ends",
            (Instrument::Crater, 0..3) => "Mark three points along the rim, better six",
            (Instrument::Crater, _) => "Mark more of the rim, or press Enter",
            (Instrument::Height, 0) => "Mark the summit that casts the shadow",
            (Instrument::Height, _) => "Mark where its shadow ends",
            (Instrument::Disc, 0..5) => "Mark five points along the bright limb, better ten",
            (Instrument::Disc, _) => "Mark more of the limb, or press Enter",
        }
    }

    /// Fewest points that give a value.
    pub fn fewest(self) -> usize {
        match self {
            Instrument::Crater => 3,
            Instrument::Disc => 5,
            _ => 2,
        }
    }

    /// Most points that it takes.
    pub fn most(self) -> usize {
        match self {
            Instrument::Crater | Instrument::Disc => super::MOST,
            _ => 2,
        }
    }
}

/// One measurement: what was marked. The value follows from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measurement {
    /// Tells it from the others of its sheet; never 0.
    pub number: u32,
    /// With what.
    pub instrument: Instrument,
    /// What it is called.
    pub name: String,
    /// What was marked, in order.
    pub points: Vec<Px>,
}

impl Measurement {
    /// Whether it takes no further point.
    pub fn is_full(&self) -> bool {
        self.points.len() >= self.instrument.most()
    }
}
