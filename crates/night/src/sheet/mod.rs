//! A capture's sheet: from where and when it was taken, what was marked in it, and what is
//! measured on it.
//!
//! The principal types are [`Sheet`], the data that the night keeps, and [`Findings`], what follows
//! from it: the fix on the Moon, every measurement with its uncertainty, graticule, labels, and the
//! resolution told plainly. Findings are computed on a job thread; what is asked of them for the
//! pixel under the pointer is a closed form.
//!
//! Positions are in pixels of the capture's reference frame, the middle of the first pixel at 0, 0,
//! whatever the scale of the still. Nothing here changes a picture.

mod air;
mod change;
mod drawn;
mod findings;
mod limits;
mod measurement;
mod number;
mod reading;
mod seen;
mod table;

pub use air::{Seeing, ripple_px2, seeing};
pub use change::SheetChange;
pub use drawn::{measured_picture, outlines};
pub use findings::{Findings, Label, Sighting, Source, find};
pub use limits::Limit;
pub use measurement::{Instrument, Measurement};
pub use number::{plus_minus, rounded};
pub use reading::{Line, Reading, read};
pub use seen::SeenFrom;
pub use table::csv;

use serde::{Deserialize, Serialize};
use stillwright_moon::fix::Px;
use stillwright_moon::{LunarPoint, Moment, Planet, Site};

/// What a capture shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Body {
    /// The Moon.
    #[default]
    Moon,
    /// Mars.
    Mars,
    /// Jupiter.
    Jupiter,
    /// Saturn.
    Saturn,
}

impl Body {
    /// All, with their names.
    pub const ALL: [(Body, &'static str); 4] = [
        (Body::Moon, "the Moon"),
        (Body::Mars, "Mars"),
        (Body::Jupiter, "Jupiter"),
        (Body::Saturn, "Saturn"),
    ];

    /// The planet, if it is one.
    pub fn planet(self) -> Option<Planet> {
        match self {
            Body::Moon => None,
            Body::Mars => Some(Planet::Mars),
            Body::Jupiter => Some(Planet::Jupiter),
            Body::Saturn => Some(Planet::Saturn),
        }
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        Body::ALL.iter().find(|(body, _)| *body == self).map_or("", |(_, name)| name)
    }
}

/// A place of the ground that was marked in the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceMark {
    /// What it is called.
    pub name: String,
    /// Where it is marked.
    pub px: Px,
    /// Which place it is; none while the person has not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<LunarPoint>,
}

/// A reference picture, and what ties it to the still.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReferenceChoice {
    /// The file.
    pub path: std::path::PathBuf,
    /// The same ground marked in both: in the capture, and in the reference picture (px, the middle
    /// of the first pixel at 0, 0).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pairs: Vec<[Px; 2]>,
    /// From where it shows the Moon, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<SeenFrom>,
}

/// Most marks of one kind, and most measurements: more than anyone sets, few enough to compute at
/// once.
pub const MOST: usize = 500;

/// How well a careful mark sits, px: common practice, no source.
const USUAL_SIGMA_PX: f64 = 1.0;

/// Everything that was said and marked of one capture. Empty at first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Sheet {
    /// What the capture shows.
    pub body: Body,
    /// When it was taken, its middle, where the person knows better than the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_utc: Option<Moment>,
    /// By how many seconds the camera's clock was ahead: 90 where it said 21:01:30 at 21:00:00.
    pub clock_ahead_s: f64,
    /// From where.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<Site>,
    /// Position angle of the picture's upward direction, degrees, where it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_deg: Option<f64>,
    /// Whether the picture is a mirror image, where that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mirrored: Option<bool>,
    /// How well marks sit, px, one standard deviation in each direction.
    pub mark_sigma_px: f64,
    /// Whether measurements are drawn into a further picture when the still is exported.
    pub drawn_on_export: bool,
    /// Points on the bright limb of the Moon.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub limb: Vec<Px>,
    /// Places that were marked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub places: Vec<PlaceMark>,
    /// What is measured.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub measurements: Vec<Measurement>,
    /// A picture of the same ground, to set beside.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<ReferenceChoice>,
}

impl Default for Sheet {
    fn default() -> Sheet {
        Sheet {
            body: Body::Moon,
            time_utc: None,
            clock_ahead_s: 0.0,
            site: None,
            up_deg: None,
            mirrored: None,
            mark_sigma_px: USUAL_SIGMA_PX,
            drawn_on_export: false,
            limb: Vec::new(),
            places: Vec::new(),
            measurements: Vec::new(),
            reference: None,
        }
    }
}

impl Sheet {
    /// Whether nothing was said or marked.
    pub fn is_empty(&self) -> bool {
        *self == Sheet::default()
    }

    /// Whether all values are in their ranges.
    ///
    /// # Errors
    /// The first that is not, in words.
    pub fn check(&self) -> Result<(), String> {
        let within = |what: &str, expected: &str, value: f64, low: f64, high: f64| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(format!("{what}: expected {expected}, found {value}"))
            }
        };
        within("clock ahead", "-1e9 to 1e9 s", self.clock_ahead_s, -1e9, 1e9)?;
        within("uncertainty of a mark", "0.01 to 100 px", self.mark_sigma_px, 0.01, 100.0)?;
        if let Some(up) = self.up_deg {
            within("position angle of up", "-360 to 360 degrees", up, -360.0, 360.0)?;
        }
        for (what, count) in [
            ("limb points", self.limb.len()),
            ("places", self.places.len()),
            ("measurements", self.measurements.len()),
            ("points of a measurement", self.most_points()),
            ("pairs of marks", self.reference.as_ref().map_or(0, |r| r.pairs.len())),
        ] {
            if count > MOST {
                return Err(format!("{what}: expected at most {MOST}, found {count}"));
            }
        }
        let pairs = self.reference.iter().flat_map(|r| r.pairs.iter().flatten());
        let points = self.measurements.iter().flat_map(|m| &m.points);
        let marks = self.places.iter().map(|mark| &mark.px);
        if let Some(bad) =
            self.limb.iter().chain(points).chain(marks).chain(pairs).find(|px| !in_reach(**px))
        {
            return Err(format!("a mark: expected a position in px, found {}, {}", bad.x, bad.y));
        }
        for mark in &self.places {
            if let Some(place) = mark.place {
                let what = format!("latitude of {}", mark.name);
                within(&what, "-90 to 90 degrees", place.lat_deg, -90.0, 90.0)?;
                let what = format!("longitude of {}", mark.name);
                within(&what, "-180 to 180 degrees", place.lon_deg, -180.0, 180.0)?;
            }
        }
        if let Some(seen) = self.reference.as_ref().and_then(|r| r.seen) {
            seen.check()?;
        }
        let mut numbers: Vec<u32> = self.measurements.iter().map(|m| m.number).collect();
        numbers.sort_unstable();
        if numbers.windows(2).any(|pair| pair[0] == pair[1]) {
            return Err("two measurements have the same number".into());
        }
        Ok(())
    }

    fn most_points(&self) -> usize {
        self.measurements.iter().map(|m| m.points.len()).max().unwrap_or(0)
    }

    /// The measurement of a number.
    pub fn measurement(&self, number: u32) -> Option<&Measurement> {
        self.measurements.iter().find(|m| m.number == number)
    }

    /// The number that a new measurement gets.
    pub fn next_number(&self) -> u32 {
        self.measurements.iter().map(|m| m.number).max().map_or(1, |most| most.saturating_add(1))
    }

    /// The moment that counts: what the person said, or `stamp` with the clock put right.
    pub fn moment(&self, stamp: Option<Moment>) -> Option<Moment> {
        self.time_utc.or_else(|| stamp?.plus_seconds(-self.clock_ahead_s).ok())
    }
}

/// Whether a position can be one in a picture or a little beside it.
pub(crate) fn in_reach(px: Px) -> bool {
    px.x.abs() < 1e6 && px.y.abs() < 1e6
}

#[cfg(test)]
mod tests;
