//! Tone: black and white point, and a bend if the person wants one.
//!
//! All of it works point by point and never turns the order of two brightnesses round. Without
//! a bend the tone is linear, so a still stays photometric.

use crate::halves::Region;
use serde::{Deserialize, Serialize};
use stillwright_picture::Picture;

/// A point of the tone curve.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// From the picture. Black: the level that one pixel in a thousand lies below, or lower where these few hold
    /// structure. White: the brightest pixel, so that no highlight is clipped.
    #[default]
    Auto,
    /// This level, in units of the camera's full scale.
    Level(f32),
}

/// How brightness between black and white is bent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bend {
    /// Not at all.
    #[default]
    Linear,
    /// `v^(1 / gamma)`, gamma 0.1 to 10; above 1 lifts the shadows.
    Gamma(f32),
    /// `asinh(k v) / asinh(k)`, k above 0 to 10000: lifts the shadows, spares the highlights.
    Asinh(f32),
}

/// Tone of the still.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Tone {
    /// The level that becomes 0.
    pub black: Point,
    /// The level that becomes 1.
    pub white: Point,
    /// The bend between them.
    pub bend: Bend,
}

/// Largest share of pixels below an automatic black point.
const BLACK_SHARE: f64 = 1e-3;

/// Largest root mean square of what an automatic black point takes off, as a share of the picture's contrast (its standard
/// deviation). Dark walls of a smooth plain, or the deepest holes of a steep ground, are few pixels and much of the contrast:
/// cut at a pixel in a thousand, stills were off by up to 0.11 of it more than they had to be, with 0.01 still by a
/// quarter where the air was calm.
const BLACK_LOSS: f64 = 0.002;

impl Tone {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        for (name, point) in [("black", self.black), ("white", self.white)] {
            if let Point::Level(level) = point
                && !(level.is_finite() && level.abs() <= 1e6)
            {
                return Err(format!("tone: {name} is {level}, expected -1e6 to 1e6"));
            }
        }
        if let (Point::Level(black), Point::Level(white)) = (self.black, self.white)
            && white <= black
        {
            return Err(format!("tone: white is {white}, expected above black ({black})"));
        }
        match self.bend {
            Bend::Gamma(gamma) if !(0.1..=10.0).contains(&gamma) => {
                Err(format!("tone: gamma is {gamma}, expected 0.1 to 10"))
            }
            Bend::Asinh(k) if !(k > 0.0 && k <= 1e4) => {
                Err(format!("tone: asinh is {k}, expected above 0 to 10000"))
            }
            _ => Ok(()),
        }
    }

    /// The tone with both points as levels, automatic ones taken from `picture`.
    pub fn resolve(&self, picture: &Picture) -> Tone {
        self.resolve_within(picture, None).0
    }

    /// The same with automatic points taken from one part of `picture` only (all of it where the part is
    /// empty or reaches beyond), and the tone as it would be with both points automatic.
    pub fn resolve_within(&self, picture: &Picture, part: Option<Region>) -> (Tone, Tone) {
        let rest = Tone { black: Point::Auto, white: Point::Auto, bend: self.bend };
        let (black, white) = automatic(picture, part);
        (self.with(black, white), rest.with(black, white))
    }

    /// Automatic points replaced by these levels.
    fn with(&self, black: f32, white: f32) -> Tone {
        let level = |point, automatic| match point {
            Point::Level(level) => level,
            Point::Auto => automatic,
        };
        let (black, white) = (level(self.black, black), level(self.white, white));
        // An even picture has no range of its own.
        let white = if white > black { white } else { black + 1.0 };
        Tone { black: Point::Level(black), white: Point::Level(white), bend: self.bend }
    }

    /// Apply the tone; points that are still automatic are taken from the picture itself. The
    /// result lies in 0 to 1; a sample that is not a number becomes 0.
    pub fn apply(&self, picture: &mut Picture) {
        let resolved = match (self.black, self.white) {
            (Point::Level(_), Point::Level(_)) => *self,
            _ => self.resolve(picture),
        };
        let (Point::Level(black), Point::Level(white)) = (resolved.black, resolved.white) else {
            return;
        };
        let scale = 1.0 / (white - black).max(f32::MIN_POSITIVE);
        let unit = move |v: f32| ((v - black) * scale).clamp(0.0, 1.0);
        let unit = move |v: f32| if v.is_nan() { 0.0 } else { unit(v) };
        match self.bend {
            Bend::Linear => picture.planes.par_mapv_inplace(unit),
            Bend::Gamma(gamma) => {
                picture.planes.par_mapv_inplace(|v| unit(v).powf(1.0 / gamma.clamp(0.1, 10.0)));
            }
            Bend::Asinh(k) => {
                let full = k.asinh().max(f32::MIN_POSITIVE);
                picture.planes.par_mapv_inplace(|v| (k * unit(v)).asinh() / full);
            }
        }
    }
}

/// Automatic black and white of one part of a picture.
fn automatic(picture: &Picture, part: Option<Region>) -> (f32, f32) {
    let fits = |first: usize, len: usize, all: usize| len > 0 && first <= all && len <= all - first;
    let part = part.filter(|p| {
        fits(p.left, p.width, picture.width()) && fits(p.top, p.height, picture.height())
    });
    let part = part.unwrap_or(Region {
        left: 0,
        top: 0,
        width: picture.width(),
        height: picture.height(),
    });
    let (rows, columns) = (part.top..part.top + part.height, part.left..part.left + part.width);
    let seen = picture.planes.slice(ndarray::s![.., rows, columns]);
    let mut highest = f32::NEG_INFINITY;
    let mut values = Vec::new();
    let step = (seen.len() / 2_000_000).max(1);
    for (i, v) in seen.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        highest = highest.max(*v);
        if i % step == 0 {
            values.push(*v);
        }
    }
    let black = if values.is_empty() { 0.0 } else { automatic_black(&mut values) };
    (black, if highest.is_finite() { highest } else { 1.0 })
}

/// The highest level with no more than [`BLACK_SHARE`] of `values` (at least one) below it, and no more than [`BLACK_LOSS`] of
/// their contrast lost.
fn automatic_black(values: &mut [f32]) -> f32 {
    let n = values.len() as f64;
    let rank = (n * BLACK_SHARE) as usize;
    let mean = values.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let squares = values.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>();
    let most = BLACK_LOSS * BLACK_LOSS * squares;
    let (below, level, _) = values.select_nth_unstable_by(rank, f32::total_cmp);
    let level = *level;
    below.sort_unstable_by(f32::total_cmp);
    // Of `k` values below a level `L`, with sum `s` and sum of squares `q`, the loss is `k L^2 - 2 s L + q`.
    let (mut s, mut q) = (0.0, 0.0);
    for (k, value) in below.iter().chain([&level]).enumerate() {
        let (k, v) = (k as f64, f64::from(*value) - mean);
        if k * v * v - 2.0 * s * v + q > most {
            // Too much: the level lies between the value before and this one.
            let root = (s * s - k * (q - most)).max(0.0).sqrt();
            return (mean + (s + root) / k) as f32;
        }
        (s, q) = (s + v, q + v * v);
    }
    level
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Plane;

    fn ramp() -> Picture {
        let values = (0..4000).map(|i| 0.1 + i as f32 * 1e-4).collect();
        Picture::from_plane(Plane::from_shape_vec((40, 100), values).unwrap())
    }

    #[test]
    fn automatic_points_clip_a_thousandth_of_the_shadows_and_no_highlight() {
        let mut picture = ramp();
        let tone = Tone::default().resolve(&picture);
        assert_eq!(tone.black, Point::Level(0.1004));
        assert!(matches!(tone.white, Point::Level(w) if (w - 0.4999).abs() < 1e-6));
        tone.apply(&mut picture);
        let top = picture.planes.iter().filter(|v| **v >= 1.0).count();
        let bottom = picture.planes.iter().filter(|v| **v <= 0.0).count();
        assert_eq!((top, bottom), (1, 5));
    }

    #[test]
    fn a_few_dark_walls_are_kept_and_a_dead_pixel_is_not() {
        // An even plain with a little noise, 60 pixels of wall; or one dead pixel.
        let plain = |walls: usize, depth: f32| -> Vec<f32> {
            let wall =
                |i: usize| if i < walls { depth * (i + 1) as f32 / walls as f32 } else { 0.0 };
            (0..100_000).map(|i| 0.5 + 0.001 * ((i * 37 % 100) as f32 / 100.0) - wall(i)).collect()
        };
        let lost = |values: &[f32], black: f32| {
            let (n, mean) = (values.len() as f32, values.iter().sum::<f32>() / values.len() as f32);
            let contrast = values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n;
            let lost = values.iter().map(|v| (black - v).max(0.0).powi(2)).sum::<f32>() / n;
            (lost / contrast).sqrt()
        };
        let walls = plain(60, 0.4);
        let black = automatic_black(&mut walls.clone());
        let share = lost(&walls, black);
        assert!((share - 0.002).abs() < 2e-4, "{black} {share}");
        assert!(black < 0.12, "{black}");
        // 100 000 values: a single one counts from 0.63 standard deviations below the others on.
        let mut dead = plain(1, 0.00015);
        assert!(automatic_black(&mut dead) >= 0.5);
        assert_eq!(automatic_black(&mut [0.25; 7]), 0.25);
        assert_eq!(automatic_black(&mut [0.25]), 0.25);
    }

    #[test]
    fn automatic_points_leave_the_rims_out_and_are_known_beside_chosen_ones() {
        let mut picture = ramp();
        picture.planes.slice_mut(ndarray::s![.., .., ..3]).fill(-0.7);
        picture.planes.slice_mut(ndarray::s![.., 39, ..]).fill(3.0);
        let part = Region { left: 3, top: 0, width: 97, height: 39 };
        let chosen = Tone { white: Point::Level(0.6), ..Tone::default() };
        let (used, rest) = chosen.resolve_within(&picture, Some(part));
        assert_eq!(used.white, Point::Level(0.6));
        assert_eq!(used.black, rest.black);
        let level = |point| if let Point::Level(level) = point { level } else { f32::NAN };
        assert!((level(rest.black) - 0.1006).abs() < 1e-4, "{rest:?}");
        assert!((level(rest.white) - 0.4899).abs() < 1e-4, "{rest:?}");
        // A part that does not fit is no part.
        let beyond = Region { left: 90, top: 0, width: 97, height: 39 };
        let whole = Tone::default().resolve(&picture);
        assert_eq!(Tone::default().resolve_within(&picture, Some(beyond)).0, whole);
        assert_eq!(whole.white, Point::Level(3.0));
    }

    #[test]
    fn every_bend_is_monotone_and_ends_at_0_and_1() {
        for bend in [Bend::Linear, Bend::Gamma(2.2), Bend::Gamma(0.5), Bend::Asinh(30.0)] {
            let mut picture = ramp();
            Tone { bend, ..Tone::default() }.apply(&mut picture);
            let values: Vec<f32> = picture.planes.iter().copied().collect();
            assert!(values.windows(2).all(|w| w[0] <= w[1]), "{bend:?}");
            assert!(values[0] == 0.0 && (values[3999] - 1.0).abs() < 1e-6, "{bend:?}");
        }
    }

    #[test]
    fn even_and_broken_pictures_come_out_in_range() {
        for value in [0.0, 0.3, f32::NAN, f32::INFINITY] {
            let mut picture = Picture::black(1, 4, 4);
            picture.planes.fill(value);
            Tone::default().apply(&mut picture);
            assert!(picture.planes.iter().all(|v| (0.0..=1.0).contains(v)), "{value}");
        }
        let crossed =
            Tone { black: Point::Level(0.5), white: Point::Level(0.2), bend: Bend::Linear };
        assert!(crossed.check().is_err());
    }
}
