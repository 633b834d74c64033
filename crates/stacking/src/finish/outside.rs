//! What a picture of a disc shows in the black sky around it, which tells the blur that is left.
//!
//! No scene throws light on its own sky: what is shown there, telescope and blur have carried. So the picture with both undone, up to a Gaussian
//! over frequency (which has no wings), must be black from a little way off on, whatever the disc looks like. Glow there says that the
//! blur is deeper than was thought, a dark rim that it is not so deep.
//!
//! What rings of sky show is told by rings of frequency, once; times the gains that undo a blur it is what they would show with that blur undone.

use super::fourier::{Fft2, quick_length};
use super::signal::{SignalModel, Sky};
use super::transfer::ResidualBlur;
use ndarray::ArrayView2;
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

/// Width of the Gaussian over frequency, share of the cut-off.
const BAND: f64 = 0.33;
/// What is brighter than this share of the disc is scene.
const SCENE_SHARE: f32 = 0.03;
/// Where light fades away, as along a terminator, sky begins nowhere: what is brighter than this other share must be no more than so many units farther off.
const BRIGHT_SHARE: f32 = 0.15;
const SOFT_UNITS: f64 = 5.0;
/// Sky begins so many widths of the Gaussian's picture beside the scene.
const BESIDE: f64 = 2.5;
/// Rings of sky: so many one unit wide, then so many of three (a unit is a px where the cut-off is 0.38 cycles per px).
const RINGS: (usize, usize) = (8, 4);
const UNIT_CYCLES: f64 = 0.38;
/// So many times as far around the disc as the last of them lies: light that was carried beyond is missed by all (a blur of depth 1.2 comes out at 1.37,
/// 1.14, 1.14 with 1, 2, 4 times).
const AROUND: usize = 4;
/// Fewest px of a ring, least share of it that is in the picture, and fewest rings.
const FEWEST_PX: usize = 60;
const LEAST_SHOWN: f64 = 0.7;
const FEWEST_RINGS: usize = 8;
/// Rings of frequency up to the cut-off.
const FREQUENCIES: usize = 64;
/// The picture fades over so many px at its edges.
const FADE_PX: usize = 10;
/// Gains are worked out at so many frequencies up to 1 cycle per px.
const GAINS: usize = 4096;
/// Sides of at most so many px are looked at.
const MOST_SIDE: usize = 1280;
/// Sky comes out as black as this, share of the disc's brightness: telescopes differ in their obstruction, limbs are soft.
const BLACK: f64 = 0.0015;
/// Noise of a px with the blur undone, likewise.
const NOISE: f64 = 0.02;
/// No transfer is undone below this.
const LEAST_TRANSFER: f64 = 0.02;

/// What the sky around a disc shows.
pub(super) struct Outside {
    /// For each ring of sky, from the disc outwards, its light by rings of frequency, in shares of the disc's brightness; and its weight.
    rings: Vec<(Vec<f64>, f64)>,
    /// Mean frequency of each ring, cycles per px.
    frequency: Vec<f64>,
    /// What the telescope undone gains there, times the Gaussian.
    gain: Vec<f64>,
}

impl Outside {
    /// Of `plane`, which shows a disc on `sky`; `model` is what is thought of telescope and blur so far. `None` where too little sky is shown.
    ///
    /// # Errors
    /// When cancelled.
    pub fn of(
        plane: ArrayView2<'_, f32>,
        sky: Sky,
        model: &SignalModel,
        progress: &dyn Progress,
    ) -> Result<Option<Outside>, Cancelled> {
        let rings = rings(model.cutoff_cycles_per_px);
        let far_px = rings.last().map_or(0.0, |ring| ring.end) as usize + 1;
        if far_px > MOST_SIDE {
            return Ok(None);
        }
        let Some(shown) = Shown::of(plane, sky, far_px) else { return Ok(None) };
        let Shown { fft, mut light, rows, columns } = shown;
        let mut turn = Vec::new();
        let mut picture = vec![Complex::default(); fft.spectrum_len()];
        fft.forward(&mut light, &mut picture, &mut turn, progress)?;
        // Where there is scene, as far as is known.
        let mut spectrum = picture.clone();
        let frequencies = frequencies(&fft);
        let gains: Vec<f32> = (0..=GAINS).map(|k| undone(model, k as f64 / GAINS as f64)).collect();
        for (value, f) in spectrum.iter_mut().zip(&frequencies) {
            *value *= gains.get((f * GAINS as f32 + 0.5) as usize).copied().unwrap_or(0.0);
        }
        fft.inverse(&mut spectrum, &mut light, &mut turn, progress)?;
        let soft_px = (SOFT_UNITS * UNIT_CYCLES / model.cutoff_cycles_per_px) as f32;
        let beside = |share: f32| {
            let scene: Vec<bool> = light.iter().map(|v| *v > share).collect();
            distances_px(&scene, fft.width, far_px + soft_px as usize + 1)
        };
        let (distance_px, bright_px) = (beside(SCENE_SHARE), beside(BRIGHT_SHARE));
        let whole = |at: usize, side: &Range<usize>| {
            (side.start + FADE_PX..side.end - FADE_PX).contains(&at)
        };
        let to_ring = Pooled::new(&fft, &frequencies, model.cutoff_cycles_per_px);
        let mut found = Vec::new();
        for ring in rings {
            let (mut px, mut all) = (0, 0);
            for (at, v) in light.iter_mut().enumerate() {
                let within = ring.contains(&f64::from(distance_px[at]))
                    && bright_px[at] - distance_px[at] < soft_px;
                let shown =
                    within && whole(at / fft.width, &rows) && whole(at % fft.width, &columns);
                *v = f32::from(u8::from(shown));
                all += usize::from(within);
                px += usize::from(shown);
            }
            if px < FEWEST_PX || (px as f64) < LEAST_SHOWN * all as f64 {
                break;
            }
            fft.forward(&mut light, &mut spectrum, &mut turn, progress)?;
            let mean = to_ring.product(&picture, &spectrum, (fft.height * fft.width * px) as f64);
            found.push((mean, 1.0 / (BLACK.powi(2) + NOISE.powi(2) / px as f64)));
        }
        let frequency = to_ring.frequency;
        let gain = frequency.iter().map(|f| telescope_undone(model, *f)).collect();
        Ok((found.len() >= FEWEST_RINGS).then_some(Outside { rings: found, frequency, gain }))
    }

    /// How far from black the sky comes out with `blur` undone: squares over what is to be expected, added up over the rings; the sky's own level set
    /// aside.
    pub fn misfit(&self, blur: &ResidualBlur) -> f64 {
        let told = self.frequency.iter().zip(&self.gain);
        let gains: Vec<f64> =
            told.map(|(f, gain)| gain / blur.transfer(*f).max(LEAST_TRANSFER)).collect();
        let shown = |ring: &[f64]| ring.iter().zip(&gains).map(|(v, gain)| v * gain).sum::<f64>();
        let shown: Vec<(f64, f64)> = self.rings.iter().map(|(v, w)| (shown(v), *w)).collect();
        let level = shown.iter().map(|(v, w)| v * w).sum::<f64>()
            / shown.iter().map(|(_, w)| w).sum::<f64>();
        shown.iter().map(|(v, w)| w * (v - level).powi(2)).sum()
    }
}

/// A part of a picture, padded for transforms.
struct Shown {
    fft: Fft2<f32>,
    light: Vec<f32>,
    /// Where the picture lies there.
    rows: Range<usize>,
    columns: Range<usize>,
}

impl Shown {
    /// The disc and its surroundings up to `far_px`; its brightness is 1, that of the sky 0.
    fn of(plane: ArrayView2<'_, f32>, sky: Sky, far_px: usize) -> Option<Shown> {
        let (height, width) = plane.dim();
        let scale = 1.0 / (sky.bright - sky.level).max(f32::MIN_POSITIVE);
        let bright = |at: (usize, usize)| scale * (plane[at] - sky.level) > 0.25;
        let span = |n: usize, holds: &dyn Fn(usize) -> bool| {
            let first = (0..n).find(|k| holds(*k))?;
            let last = (0..n).rev().find(|k| holds(*k))?;
            let beside = AROUND * far_px + FADE_PX;
            Some(first.saturating_sub(beside)..(last + beside + 1).min(n))
        };
        let rows = span(height, &|y| (0..width).any(|x| bright((y, x))))?;
        let columns = span(width, &|x| (0..height).any(|y| bright((y, x))))?;
        let (height, width) = (rows.len(), columns.len());
        if height.max(width) > MOST_SIDE || height.min(width) < 4 * FADE_PX {
            return None;
        }
        let pad = 16;
        let fft = Fft2::new(quick_length(height + 2 * pad), quick_length(width + 2 * pad));
        let mut light = vec![0.0; fft.height * fft.width];
        for (y, row) in rows.enumerate() {
            for (x, column) in columns.clone().enumerate() {
                let value = scale * (plane[(row, column)] - sky.level);
                let faded = fade(y, height) * fade(x, width) * value;
                light[(y + pad) * fft.width + x + pad] =
                    if faded.is_finite() { faded } else { 0.0 };
            }
        }
        Some(Shown { fft, light, rows: pad..pad + height, columns: pad..pad + width })
    }
}

/// Frequency of each coefficient, cycles per px.
fn frequencies(fft: &Fft2<f32>) -> Vec<f32> {
    let all = (0..fft.half_width()).flat_map(|kx| (0..fft.height).map(move |ky| (kx, ky)));
    all.map(|(kx, ky)| fft.frequency(kx, ky) as f32).collect()
}

/// Spectra pooled by rings.
struct Pooled {
    /// The ring of each coefficient, if any, and how often it stands for itself and its mirror.
    ring: Vec<Option<(usize, f64)>>,
    /// Mean frequency of each ring.
    frequency: Vec<f64>,
}

impl Pooled {
    fn new(fft: &Fft2<f32>, frequencies: &[f32], cutoff_cycles_per_px: f64) -> Pooled {
        let (mut sum, mut count) = ([0.0; FREQUENCIES], [0.0; FREQUENCIES]);
        let ring = frequencies.iter().enumerate().map(|(at, f)| {
            let f = f64::from(*f);
            let ring = (f / cutoff_cycles_per_px * FREQUENCIES as f64) as usize;
            let twice = fft.stands_for(at / fft.height);
            (ring < FREQUENCIES).then(|| {
                sum[ring] += twice * f;
                count[ring] += twice;
                (ring, twice)
            })
        });
        let ring = ring.collect();
        let frequency = sum.iter().zip(&count).map(|(s, n)| s / f64::max(*n, 1.0)).collect();
        Pooled { ring, frequency }
    }

    /// Sum of the product of two planes over all px, by rings of their spectra `a` and `b`, over `count`.
    fn product(&self, a: &[Complex<f32>], b: &[Complex<f32>], count: f64) -> Vec<f64> {
        let mut sums = vec![0.0; FREQUENCIES];
        for ((ring, a), b) in self.ring.iter().zip(a).zip(b) {
            if let Some((ring, twice)) = ring {
                sums[*ring] += twice * f64::from(a.re * b.re + a.im * b.im) / count;
            }
        }
        sums
    }
}

/// What undoing telescope, pixel and the blur of `model` gains, times the Gaussian.
fn undone(model: &SignalModel, frequency: f64) -> f32 {
    (telescope_undone(model, frequency) / model.blur.transfer(frequency).max(LEAST_TRANSFER)) as f32
}

/// The same of telescope and pixel.
fn telescope_undone(model: &SignalModel, frequency: f64) -> f64 {
    let share = frequency / model.cutoff_cycles_per_px;
    if share >= 0.9 {
        return 0.0;
    }
    (-0.5 * (share / BAND).powi(2)).exp() / model.instrument(frequency).max(LEAST_TRANSFER)
}

/// Distances from the scene between which rings of sky lie, px.
fn rings(cutoff_cycles_per_px: f64) -> Vec<Range<f64>> {
    let unit_px = UNIT_CYCLES / cutoff_cycles_per_px;
    let mut begin = BESIDE / (2.0 * PI * BAND * cutoff_cycles_per_px);
    let widths = [(RINGS.0, 1.0), (RINGS.1, 3.0)];
    let widths = widths.into_iter().flat_map(|(n, units)| std::iter::repeat_n(units * unit_px, n));
    let ring = |width: f64| {
        let ring = begin..begin + width;
        begin = ring.end;
        ring
    };
    widths.map(ring).collect()
}

/// From 0 to 1 over the first px of a side, and back over the last.
fn fade(at: usize, n: usize) -> f32 {
    (at.min(n - 1 - at) as f32 / FADE_PX as f32).min(1.0)
}

/// Distance of each px of rows of `width` to the nearest one of `scene`, px; `far_px` where it is as far or farther.
fn distances_px(scene: &[bool], width: usize, far_px: usize) -> Vec<f32> {
    let height = scene.len() / width.max(1);
    let most = far_px as u32;
    let far = most * most;
    // Along the columns first, then the nearest of all columns.
    let mut down = vec![most; scene.len()];
    for x in 0..width {
        let mut pass = |rows: &mut dyn Iterator<Item = usize>| {
            let mut since = most;
            for at in rows.map(|y| y * width + x) {
                since = if scene[at] { 0 } else { (since + 1).min(most) };
                down[at] = down[at].min(since);
            }
        };
        pass(&mut (0..height));
        pass(&mut (0..height).rev());
    }
    let mut out = vec![0.0; scene.len()];
    out.par_chunks_mut(width.max(1)).zip(down.par_chunks(width.max(1))).for_each(|(row, down)| {
        for (x, v) in row.iter_mut().enumerate() {
            let first = x.saturating_sub(far_px);
            let beside = down[first..(x + far_px + 1).min(width)].iter().enumerate();
            let squared = beside.map(|(k, d)| d * d + (first + k).abs_diff(x).pow(2) as u32).min();
            *v = (squared.unwrap_or(far).min(far) as f32).sqrt();
        }
    });
    out
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use ndarray::Array2;
    use stillwright_picture::Silent;

    const CUTOFF: f64 = 0.38;

    pub fn model(depth: f64) -> SignalModel {
        SignalModel {
            ln_power: 0.0,
            slope: 1.5,
            cutoff_cycles_per_px: CUTOFF,
            cutoff_known: true,
            obstruction: 0.3,
            pixel_px: 1.0,
            blur: ResidualBlur::with_depth(depth, 0.215 * CUTOFF * depth.powf(-0.2), 1.6),
            rings: 0,
            scatter: 0.0,
        }
    }

    /// A disc with a dark limb, a belt, a shaded side and a moon, on sky of 0.02, as `model` says telescope and air show it.
    pub fn disc(model: &SignalModel, radius_px: f64) -> Array2<f32> {
        shown(model, |x, y| {
            let r = x.hypot(y / 0.95) / radius_px;
            let belt = 1.0 - 0.3 * (-(y / 5.0).powi(2)).exp();
            let side = (0.8 + 0.6 * (1.0 - r * r).max(0.0).sqrt() + 0.2 * x / radius_px).min(1.0);
            let moon = (x + 1.7 * radius_px).hypot(y) < 2.5;
            if moon { 0.6 } else { (1.0 - r * r).max(0.0).powf(0.45) * belt * side }
        })
    }

    /// What is at (x, y) px off the middle, on sky of 0.02, as `model` says telescope and air show it.
    fn shown(model: &SignalModel, scene: impl Fn(f64, f64) -> f64) -> Array2<f32> {
        let n = 512;
        let fft = Fft2::<f32>::new(n, n);
        let at = |k: usize| scene((k % n) as f64 - 256.3, (k / n) as f64 - 255.6) as f32;
        let mut plane: Vec<f32> = (0..n * n).map(at).collect();
        let mut spectrum = vec![Complex::default(); fft.spectrum_len()];
        let mut turn = Vec::new();
        fft.forward(&mut plane, &mut spectrum, &mut turn, &Silent).unwrap();
        for (at, v) in spectrum.iter_mut().enumerate() {
            let f = fft.frequency(at / n, at % n);
            *v *= (model.instrument(f) * model.blur.transfer(f)) as f32;
        }
        fft.inverse(&mut spectrum, &mut plane, &mut turn, &Silent).unwrap();
        let corner = (n - 220) / 2;
        Array2::from_shape_fn((220, 220), |(y, x)| 0.02 + plane[(y + corner) * n + x + corner])
    }

    #[test]
    fn the_sky_is_black_with_the_right_blur_undone() {
        for (depth, thought, radius) in [(0.4, 0.6, 52.0), (1.2, 0.9, 52.0), (2.2, 1.6, 40.0)] {
            let picture = disc(&model(depth), radius);
            let sky = Sky::around(picture.view()).unwrap();
            let outside =
                Outside::of(picture.view(), sky, &model(thought), &Silent).unwrap().unwrap();
            let misfit = |depth: f64| outside.misfit(&model(depth).blur);
            let tried = (0..200).map(|k| 0.1 * 1.02f64.powi(k));
            let found = tried.min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap();
            assert!((found / depth - 1.0).abs() < 0.06, "{found} for {depth}");
            // Softer by a quarter glows, harder has a dark rim.
            assert!(misfit(0.75 * depth) > 4.0 * misfit(found) + 0.1, "{depth}");
            assert!(misfit(1.25 * depth) > 4.0 * misfit(found) + 0.1, "{depth}");
        }
    }

    /// A disc half in shadow: light fades away along its terminator.
    fn half_lit(model: &SignalModel) -> Array2<f32> {
        shown(model, |x, y| {
            let (u, v) = (x / 60.0, y / 60.0);
            let w = (1.0 - u * u - v * v).max(0.0).sqrt();
            let lit = (0.95 * u + 0.3 * w).max(0.0);
            if u * u + v * v < 1.0 { 0.9 * lit.powi(4) } else { 0.0 }
        })
    }

    #[test]
    fn light_that_fades_along_a_terminator_is_no_glow() {
        for depth in [0.5, 1.2] {
            let picture = half_lit(&model(depth));
            let sky = Sky::around(picture.view()).unwrap();
            let outside = Outside::of(picture.view(), sky, &model(0.9), &Silent).unwrap().unwrap();
            let misfit = |depth: f64| outside.misfit(&model(depth).blur);
            let tried = (0..200).map(|k| 0.1 * 1.02f64.powi(k));
            let found = tried.min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap();
            assert!((found / depth - 1.0).abs() < 0.12, "{found} for {depth}");
        }
    }

    #[test]
    fn a_disc_that_fills_the_frame_shows_too_little_sky() {
        let picture = disc(&model(1.0), 104.0);
        let sky = Sky { level: 0.02, bright: 1.0 };
        assert!(Outside::of(picture.view(), sky, &model(1.0), &Silent).unwrap().is_none());
        let dark = Array2::from_elem((220, 220), 0.02);
        assert!(Outside::of(dark.view(), sky, &model(1.0), &Silent).unwrap().is_none());
        let small = Array2::from_elem((20, 20), 1.0);
        assert!(Outside::of(small.view(), sky, &model(1.0), &Silent).unwrap().is_none());
    }

    #[test]
    fn samples_that_are_no_numbers_and_odd_telescopes_do_no_harm() {
        let mut picture = disc(&model(1.0), 52.0);
        let sky = Sky::around(picture.view()).unwrap();
        picture[(3, 3)] = f32::NAN;
        let outside = Outside::of(picture.view(), sky, &model(1.0), &Silent).unwrap().unwrap();
        assert!(outside.misfit(&model(1.0).blur).is_finite());
        for cutoff in [1e-4, 5.0] {
            let odd = SignalModel { cutoff_cycles_per_px: cutoff, ..model(1.0) };
            let told = Outside::of(picture.view(), sky, &odd, &Silent).unwrap();
            assert!(told.is_none_or(|told| told.misfit(&odd.blur).is_finite()), "{cutoff}");
        }
    }

    #[test]
    fn distances_are_those_to_the_nearest_px_of_scene() {
        let (width, height, far) = (23, 17, 9);
        let scene: Vec<bool> = (0..width * height).map(|k| k % 97 == 13 || k == 380).collect();
        let found = distances_px(&scene, width, far);
        for (at, found) in found.iter().enumerate() {
            let of = |other: usize| {
                let (dx, dy) =
                    ((at % width).abs_diff(other % width), (at / width).abs_diff(other / width));
                ((dx * dx + dy * dy) as f32).sqrt()
            };
            let nearest = (0..scene.len()).filter(|k| scene[*k]).map(of);
            let nearest = nearest.fold(far as f32, f32::min);
            assert_eq!(*found, nearest, "{at}");
        }
        assert_eq!(distances_px(&[false; 6], 3, 4), [4.0; 6]);
    }
}
