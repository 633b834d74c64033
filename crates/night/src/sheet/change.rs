//! Changes of a sheet: one at a time, each a step for undo.

use super::measurement::{Instrument, Measurement};
use super::{Body, PlaceMark, ReferenceChoice, SeenFrom, Sheet};
use std::path::PathBuf;
use stillwright_moon::fix::Px;
use stillwright_moon::{LunarPoint, Moment, Site};

/// One change of a sheet.
#[derive(Clone, Debug, PartialEq)]
pub enum SheetChange {
    /// What the capture shows.
    Body(Body),
    /// When it was taken; `None`: as the file says.
    Time(Option<Moment>),
    /// By how much the camera's clock was ahead, s.
    ClockAhead(f64),
    /// From where; holds for all captures of the night.
    Site(Option<Site>),
    /// Position angle of up, degrees.
    Up(Option<f64>),
    /// Whether the picture is a mirror image.
    Mirrored(Option<bool>),
    /// How well marks sit, px.
    MarkSigma(f64),
    /// Whether measurements are drawn into a further picture.
    DrawnOnExport(bool),
    /// Mark a place.
    AddPlace {
        /// Where.
        px: Px,
        /// What it is called; empty: "place 1" and so on.
        name: String,
        /// Which place it is.
        place: Option<LunarPoint>,
    },
    /// Say which place a mark shows.
    NamePlace {
        /// Which mark, from 0.
        index: usize,
        /// What it is called.
        name: String,
        /// Which place it is.
        place: Option<LunarPoint>,
    },
    /// Move a mark of a place.
    MovePlace {
        /// Which, from 0.
        index: usize,
        /// Where to.
        px: Px,
    },
    /// Take a mark of a place away.
    RemovePlace(usize),
    /// Mark a point of the limb.
    AddLimb(Px),
    /// Move a point of the limb.
    MoveLimb {
        /// Which, from 0.
        index: usize,
        /// Where to.
        px: Px,
    },
    /// All points of the limb at once.
    Limb(Vec<Px>),
    /// Begin a measurement; it gets [`Sheet::next_number`].
    Begin {
        /// With what.
        instrument: Instrument,
        /// Its first point.
        px: Px,
    },
    /// A further point.
    AddPoint {
        /// Of which measurement.
        number: u32,
        /// Where.
        px: Px,
    },
    /// Move a point.
    MovePoint {
        /// Of which measurement.
        number: u32,
        /// Which point, from 0.
        index: usize,
        /// Where to.
        px: Px,
    },
    /// Take a point away; with the last one the measurement goes.
    RemovePoint {
        /// Of which measurement.
        number: u32,
        /// Which point, from 0.
        index: usize,
    },
    /// Give a measurement a name.
    Rename {
        /// Which.
        number: u32,
        /// The name.
        name: String,
    },
    /// Take a measurement away.
    Remove(u32),
    /// A picture to set beside; `None` puts it away.
    Reference(Option<PathBuf>),
    /// From where the reference picture shows the Moon.
    ReferenceSeen(Option<SeenFrom>),
    /// Mark the same ground in capture and reference picture.
    AddPair([Px; 2]),
    /// Move a pair of marks.
    MovePair {
        /// Which, from 0.
        index: usize,
        /// Where to.
        pair: [Px; 2],
    },
    /// Take a pair of marks away.
    RemovePair(usize),
    /// Everything at once.
    Whole(Box<Sheet>),
}

impl SheetChange {
    /// Change `sheet`. What does not exist is not changed.
    pub(crate) fn apply(self, sheet: &mut Sheet) {
        match self {
            SheetChange::Body(body) => sheet.body = body,
            SheetChange::Time(time) => sheet.time_utc = time,
            SheetChange::ClockAhead(seconds) => sheet.clock_ahead_s = seconds,
            SheetChange::Site(site) => sheet.site = site,
            SheetChange::Up(up) => sheet.up_deg = up,
            SheetChange::Mirrored(mirrored) => sheet.mirrored = mirrored,
            SheetChange::MarkSigma(px) => sheet.mark_sigma_px = px,
            SheetChange::DrawnOnExport(drawn) => sheet.drawn_on_export = drawn,
            SheetChange::AddPlace { px, name, place } => {
                let name = match name.trim() {
                    "" => format!("place {}", sheet.places.len() + 1),
                    name => name.into(),
                };
                sheet.places.push(PlaceMark { name, px, place });
            }
            SheetChange::NamePlace { index, name, place } => {
                if let Some(mark) = sheet.places.get_mut(index) {
                    (mark.name, mark.place) = (name, place);
                }
            }
            SheetChange::MovePlace { index, px } => {
                if let Some(mark) = sheet.places.get_mut(index) {
                    mark.px = px;
                }
            }
            SheetChange::RemovePlace(index) => remove(&mut sheet.places, index),
            SheetChange::AddLimb(px) => sheet.limb.push(px),
            SheetChange::MoveLimb { index, px } => {
                if let Some(point) = sheet.limb.get_mut(index) {
                    *point = px;
                }
            }
            SheetChange::Limb(points) => sheet.limb = points,
            SheetChange::Begin { instrument, px } => {
                let number = sheet.next_number();
                let name = format!("{} {number}", instrument.name());
                sheet.measurements.push(Measurement { number, instrument, name, points: vec![px] });
            }
            SheetChange::AddPoint { number, px } => {
                if let Some(found) = of(sheet, number).filter(|found| !found.is_full()) {
                    found.points.push(px);
                }
            }
            SheetChange::MovePoint { number, index, px } => {
                if let Some(point) = of(sheet, number).and_then(|found| found.points.get_mut(index))
                {
                    *point = px;
                }
            }
            SheetChange::RemovePoint { number, index } => {
                if let Some(found) = of(sheet, number) {
                    remove(&mut found.points, index);
                }
                sheet.measurements.retain(|found| !found.points.is_empty());
            }
            SheetChange::Rename { number, name } => {
                if let Some(found) = of(sheet, number) {
                    found.name = name;
                }
            }
            SheetChange::Remove(number) => sheet.measurements.retain(|m| m.number != number),
            SheetChange::Reference(path) => {
                sheet.reference =
                    path.map(|path| ReferenceChoice { path, pairs: Vec::new(), seen: None });
            }
            SheetChange::ReferenceSeen(seen) => {
                if let Some(reference) = &mut sheet.reference {
                    reference.seen = seen;
                }
            }
            SheetChange::AddPair(pair) => {
                if let Some(reference) = &mut sheet.reference {
                    reference.pairs.push(pair);
                }
            }
            SheetChange::MovePair { index, pair } => {
                let pairs = sheet.reference.as_mut().map(|reference| &mut reference.pairs);
                if let Some(slot) = pairs.and_then(|pairs| pairs.get_mut(index)) {
                    *slot = pair;
                }
            }
            SheetChange::RemovePair(index) => {
                if let Some(reference) = &mut sheet.reference {
                    remove(&mut reference.pairs, index);
                }
            }
            SheetChange::Whole(whole) => *sheet = *whole,
        }
    }

    /// What is changed, in a few words, for "Undo ...".
    pub(crate) fn words(&self) -> &'static str {
        match self {
            SheetChange::Body(_) => "what the capture shows",
            SheetChange::Time(_) => "time",
            SheetChange::ClockAhead(_) => "camera clock",
            SheetChange::Site(_) => "site",
            SheetChange::Up(_) => "direction of up",
            SheetChange::Mirrored(_) => "mirror image",
            SheetChange::MarkSigma(_) => "uncertainty of marks",
            SheetChange::DrawnOnExport(_) => "drawing of measurements",
            SheetChange::AddPlace { .. } | SheetChange::NamePlace { .. } => "known place",
            SheetChange::MovePlace { .. }
            | SheetChange::MoveLimb { .. }
            | SheetChange::MovePoint { .. }
            | SheetChange::MovePair { .. } => "moved mark",
            SheetChange::RemovePlace(_) => "removed place",
            SheetChange::AddLimb(_) | SheetChange::Limb(_) => "limb",
            SheetChange::Begin { .. } | SheetChange::AddPoint { .. } => "mark",
            SheetChange::RemovePoint { .. } => "removed mark",
            SheetChange::Rename { .. } => "name of a measurement",
            SheetChange::Remove(_) => "removed measurement",
            SheetChange::Reference(_) => "reference picture",
            SheetChange::ReferenceSeen(_) => "where the reference was taken from",
            SheetChange::AddPair(_) => "pair of marks",
            SheetChange::RemovePair(_) => "removed pair of marks",
            SheetChange::Whole(_) => "sheet",
        }
    }
}

fn of(sheet: &mut Sheet, number: u32) -> Option<&mut Measurement> {
    sheet.measurements.iter_mut().find(|m| m.number == number)
}

fn remove<T>(list: &mut Vec<T>, index: usize) {
    if index < list.len() {
        list.remove(index);
    }
}
