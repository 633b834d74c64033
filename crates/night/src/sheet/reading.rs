//! What an instrument reads off the marks.

use super::measurement::{Instrument, Measurement};
use super::number::{plus_minus, rounded};
use std::sync::Arc;
use stillwright_moon::PlanetView;
use stillwright_moon::fix::{Fix, Measured, Px};
use stillwright_moon::measure::{
    Crater, Disc, DiscComparison, ProfilePoint, ShadowHeight, complex_depth_km, crater, disc,
    distance, distance_km, shadow_height, simple_depth_km,
};
use stillwright_picture::Plane;

/// Where the diameters of simple and complex craters part, km: where the two laws of depth cross
/// (Pike 1977).
const COMPLEX_FROM_KM: f64 = 10.58;

/// A value with everything that belongs to it.
#[derive(Clone, Debug, PartialEq)]
pub enum Reading {
    /// Between two points.
    Distance {
        /// In the picture, px.
        px: f64,
        /// In the sky, where the scale is known.
        arcsec: Option<f64>,
        /// Over the ground, where there is a fix.
        km: Option<Measured>,
    },
    /// A crater's rim.
    Crater(Crater),
    /// Brightness along a line.
    Profile {
        /// A point to the pixel of the still; `px` in pixels of the capture.
        points: Arc<Vec<ProfilePoint>>,
        /// Length over the ground, where there is a fix.
        km: Option<f64>,
    },
    /// A peak's height.
    Height(ShadowHeight),
    /// A planet's disc.
    Disc {
        /// As marked.
        disc: Disc,
        /// Beside the ephemeris, where the time and the planet are known.
        beside: Option<DiscComparison>,
    },
}

/// One line of a reading: a name and a value in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// What it is.
    pub name: &'static str,
    /// The value with its unit.
    pub value: String,
}

/// What a reading is made from besides the marks.
pub struct Ground<'a> {
    /// The fix, where there is one.
    pub fix: Option<&'a Fix>,
    /// The planet then and there.
    pub planet: Option<&'a PlanetView>,
    /// Scale of the capture.
    pub arcsec_per_px: Option<f64>,
    /// The light of the still, and its pixels per pixel of the capture.
    pub still: Option<(&'a Plane, f64)>,
    /// How well marks sit, px.
    pub sigma_px: f64,
}

/// Read a measurement.
///
/// # Errors
/// Why there is no value (yet), in words that say what to do.
pub fn read(measurement: &Measurement, ground: &Ground<'_>) -> Result<Reading, String> {
    let points = &measurement.points;
    let instrument = measurement.instrument;
    if points.len() < instrument.fewest() {
        return Err(format!("{}.", instrument.wants(points.len())));
    }
    let fix =
        || ground.fix.ok_or("This needs the picture’s fix on the Moon: mark known places first.");
    let words = |error: stillwright_moon::MoonError| error.to_string();
    let (a, b) = (points[0], points[points.len() - 1]);
    match instrument {
        Instrument::Distance => {
            let px = (b.x - a.x).hypot(b.y - a.y);
            let km = match ground.fix {
                Some(fix) => Some(distance(fix, a, b, ground.sigma_px).map_err(words)?),
                None => None,
            };
            let arcsec = ground.arcsec_per_px.map(|scale| scale * px);
            Ok(Reading::Distance { px, arcsec, km })
        }
        Instrument::Crater => {
            crater(fix()?, points, ground.sigma_px).map(Reading::Crater).map_err(words)
        }
        Instrument::Height => {
            shadow_height(fix()?, a, b, ground.sigma_px).map(Reading::Height).map_err(words)
        }
        Instrument::Profile => profile(a, b, ground),
        Instrument::Disc => {
            let disc = disc(points, ground.sigma_px).map_err(words)?;
            let beside = ground.planet.map(|view| disc.beside(view, ground.arcsec_per_px));
            Ok(Reading::Disc { disc, beside })
        }
    }
}

/// Most points of a profile.
const MOST_POINTS: f64 = 20_000.0;

fn profile(a: Px, b: Px, ground: &Ground<'_>) -> Result<Reading, String> {
    let (plane, scale) = ground.still.ok_or("The profile follows when the still is there.")?;
    let (height, width) = plane.dim();
    let (most_x, most_y) = (width as f64 - 1.0, height as f64 - 1.0);
    let on_still = |px: Px| Px { x: (px.x + 0.5) * scale - 0.5, y: (px.y + 0.5) * scale - 0.5 };
    let inside = |px: Px| {
        let q = on_still(px);
        (-0.5..=most_x + 0.5).contains(&q.x) && (-0.5..=most_y + 0.5).contains(&q.y)
    };
    if !(inside(a) && inside(b)) {
        return Err("The line leaves the picture: mark both ends within it.".into());
    }
    let place = |px: Px| ground.fix.and_then(|fix| fix.projection.place_at(px));
    let count = (scale * (b.x - a.x).hypot(b.y - a.y)).ceil().clamp(1.0, MOST_POINTS);
    let start = place(a);
    let points: Vec<ProfilePoint> = (0..=count as usize)
        .map(|i| {
            let share = i as f64 / count;
            let px = Px { x: a.x + share * (b.x - a.x), y: a.y + share * (b.y - a.y) };
            let here = place(px);
            let q = on_still(px);
            let at = Px { x: q.x.clamp(0.0, most_x), y: q.y.clamp(0.0, most_y) };
            ProfilePoint {
                px,
                place: here,
                distance_km: start.zip(here).map(|(a, b)| distance_km(a, b)),
                value: between(plane, at),
            }
        })
        .collect();
    let km = points.last().and_then(|last| last.distance_km);
    Ok(Reading::Profile { points: Arc::new(points), km })
}

/// Bilinear; `px` lies within the plane.
fn between(plane: &Plane, px: Px) -> f32 {
    let (height, width) = plane.dim();
    let (x, y) = (px.x as usize, px.y as usize);
    let (fx, fy) = ((px.x - x as f64) as f32, (px.y - y as f64) as f32);
    let at = |y: usize, x: usize| plane[[y.min(height - 1), x.min(width - 1)]];
    let row = |y: usize| at(y, x) * (1.0 - fx) + at(y, x + 1) * fx;
    row(y) * (1.0 - fy) + row(y + 1) * fy
}

/// `12.3° N, 4.5° W`.
pub(crate) fn place_words(place: stillwright_moon::LunarPoint) -> String {
    let part = |deg: f64, plus: char, minus: char| {
        format!("{}°\u{2006}{}", rounded(deg.abs(), 2), if deg < 0.0 { minus } else { plus })
    };
    format!("{}, {}", part(place.lat_deg, 'N', 'S'), part(place.lon_deg, 'E', 'W'))
}

impl Reading {
    /// The value itself: `94.3 ± 1.2 km`.
    pub fn headline(&self) -> String {
        match self {
            Reading::Distance { km: Some(km), .. } => plus_minus(*km, "km"),
            Reading::Distance { arcsec: Some(arcsec), .. } => format!("{}″", rounded(*arcsec, 2)),
            Reading::Distance { px, .. } => format!("{}\u{2006}px", rounded(*px, 1)),
            Reading::Crater(crater) => plus_minus(crater.diameter_km, "km"),
            Reading::Profile { km: Some(km), .. } => format!("{}\u{2006}km long", rounded(*km, 1)),
            Reading::Profile { points, .. } => format!("{}\u{2006}points", points.len()),
            Reading::Height(height) => plus_minus(height.height_km, "km"),
            Reading::Disc { beside: Some(beside), disc } => match beside.equatorial_arcsec {
                Some(arcsec) => plus_minus(arcsec, "arcsec"),
                None => plus_minus(disc.equatorial_px, "px"),
            },
            Reading::Disc { disc, .. } => plus_minus(disc.equatorial_px, "px"),
        }
    }

    /// Everything that belongs to it, a line each.
    pub fn lines(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        let mut say = |name: &'static str, value: String| lines.push(Line { name, value });
        match self {
            Reading::Distance { px, arcsec, km } => {
                if let Some(km) = km {
                    say("Over the ground", plus_minus(*km, "km"));
                }
                if let Some(arcsec) = arcsec {
                    say("In the sky", format!("{}″", rounded(*arcsec, 2)));
                }
                say("In the picture", format!("{}\u{2006}px", rounded(*px, 1)));
            }
            Reading::Crater(crater) => {
                say("Diameter", plus_minus(crater.diameter_km, "km"));
                if let Some((long, short)) = crater.axes_km {
                    let axes = format!("{} × {}\u{2006}km", rounded(long, 1), rounded(short, 1));
                    say("Long and short", axes);
                }
                say("Middle", place_words(crater.centre));
                say(
                    "Marks off the rim",
                    format!("{}\u{2006}px rms", rounded(crater.residual_px, 2)),
                );
                say("Seen at", format!("{}° from overhead", rounded(crater.emission_deg, 1)));
                let km = crater.diameter_km.value;
                let depth =
                    if km < COMPLEX_FROM_KM { simple_depth_km(km) } else { complex_depth_km(km) };
                say("A fresh one is deep", format!("{}\u{2006}km (Pike 1977)", rounded(depth, 1)));
            }
            Reading::Profile { points, km } => {
                if let Some(km) = km {
                    say("Length", format!("{}\u{2006}km", rounded(*km, 1)));
                }
                let values = points.iter().map(|point| point.value);
                let low = values.clone().fold(f32::INFINITY, f32::min);
                let high = values.fold(f32::NEG_INFINITY, f32::max);
                say("Darkest, brightest", format!("{low:.3}, {high:.3}"));
            }
            Reading::Height(height) => {
                say("Height above the shadow’s end", plus_minus(height.height_km, "km"));
                let flat = format!("{}\u{2006}km", rounded(height.flat_height_km, 2));
                say("As if the Moon were flat", flat);
                let penumbra = format!("±\u{2006}{}\u{2006}km", rounded(height.penumbra_km, 2));
                say("Whole penumbra", penumbra);
                say("Sun at the summit", format!("{}°", rounded(height.sun_altitude_deg, 2)));
                say(
                    "Shadow over the ground",
                    format!("{}\u{2006}km", rounded(height.shadow_km, 1)),
                );
                say("Summit", place_words(height.summit));
                say(
                    "Marks beside the sunlight",
                    format!("{}\u{2006}px", rounded(height.beside_px, 1)),
                );
            }
            Reading::Disc { disc, beside } => {
                say("Across the equator", plus_minus(disc.equatorial_px, "px"));
                say("Across the poles", plus_minus(disc.polar_px, "px"));
                say("Flattening", plus_minus(disc.flattening, ""));
                if let Some(beside) = beside {
                    if let Some(arcsec) = beside.equatorial_arcsec {
                        say("Equator as measured", plus_minus(arcsec, "arcsec"));
                    }
                    let expected = format!("{}″", rounded(beside.expected_equatorial_arcsec, 2));
                    say("Equator by the ephemeris", expected);
                    say("Flattening by the ephemeris", rounded(beside.expected_flattening, 4));
                    say("Scale from this", plus_minus(beside.arcsec_per_px, "arcsec/px"));
                }
                say(
                    "Marks off the limb",
                    format!("{}\u{2006}px rms", rounded(disc.residual_px, 2)),
                );
            }
        }
        lines
    }
}
