//! Sharpening by detail scales: each wavelet scale with a gain and a hold-back.
//!
//! Where a scale shows no more than its known noise, its coefficients are held back; where it
//! shows structure they pass, and the gain lifts them. The rule is smooth in place and in size
//! (no isolated survivors, so no worms): with the local mean `E` of the squared coefficients,
//! weighted by the kernel of the next scale, a coefficient is multiplied by
//! `max(0, 1 - ((k sigma)^2 / E)^3)`; `k` is the hold-back and `sigma` the noise of the scale at that brightness. The
//! power makes it rise fast: at twice the limit 7/8 pass. Without it (the local form of Wiener's estimate, shifted by `k`)
//! faint structure was weakened all over: stills of a low-contrast ground were off by 0.071, now by 0.067 (0.066 with nothing
//! held back); ground of D/r0 8 by 0.122, now 0.119; with `k` of 1 they are as near, and empty ground twice as noisy.

use super::atrous::{MOST_SCALES, ROWS_A_TASK, along_row, five, five_rows, mirrored, reach_px};
use super::noise::NoiseModel;
use super::wiener::{self, WienerSettings};
use multiversion::multiversion;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, Progress, Stage};

/// One detail scale: structure of about `2^(index + 1)` px, the finest first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DetailScale {
    /// How much stronger the scale comes out: 1 leaves it, 0 removes it, at most 20.
    pub gain: f32,
    /// How many standard deviations of its noise a coefficient's surroundings must exceed to
    /// pass; 0 holds nothing back, 1.5 keeps empty ground clean, at most 10.
    pub hold_back: f32,
}

impl Default for DetailScale {
    fn default() -> Self {
        DetailScale { gain: 1.0, hold_back: 0.0 }
    }
}

/// Sharpening by detail scales.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DetailSettings {
    /// The scales, finest first, at most 8. Scales that are not named stay as they are.
    pub scales: Vec<DetailScale>,
    /// Standard deviation of a Gaussian that the picture is smoothed with first, px, 0 to 4:
    /// takes off what lies beyond the optics' cut-off, where only noise can be.
    pub smooth_px: f32,
    /// A blur that is undone before (Wiener deconvolution); the scales then start from the
    /// deconvolved picture, and their noise is what is left of it there.
    pub undo: Option<WienerSettings>,
}

/// Largest gain of a scale.
pub const MOST_GAIN: f32 = 20.0;
/// Largest hold-back, in standard deviations.
pub const MOST_HOLD_BACK: f32 = 10.0;
/// Largest smoothing, px.
pub const MOST_SMOOTH_PX: f32 = 4.0;

impl DetailSettings {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        if self.scales.len() > MOST_SCALES {
            let found = self.scales.len();
            return Err(format!("{found} detail scales, expected at most {MOST_SCALES}"));
        }
        for (i, scale) in self.scales.iter().enumerate() {
            if !(0.0..=MOST_GAIN).contains(&scale.gain) {
                let gain = scale.gain;
                return Err(format!(
                    "detail scale {}: gain is {gain}, expected 0 to {MOST_GAIN}",
                    i + 1
                ));
            }
            if !(0.0..=MOST_HOLD_BACK).contains(&scale.hold_back) {
                return Err(format!(
                    "detail scale {}: hold_back is {}, expected 0 to {MOST_HOLD_BACK}",
                    i + 1,
                    scale.hold_back
                ));
            }
        }
        if !(0.0..=MOST_SMOOTH_PX).contains(&self.smooth_px) {
            let found = self.smooth_px;
            return Err(format!("smooth_px is {found}, expected 0 to {MOST_SMOOTH_PX}"));
        }
        self.undo.map_or(Ok(()), |u| u.check())
    }

    /// Scales that have to be computed: up to the last that changes anything.
    pub(crate) fn active(&self) -> usize {
        let changes = |s: &DetailScale| s.gain != 1.0 || s.hold_back > 0.0;
        self.scales.iter().rposition(changes).map_or(0, |i| i + 1)
    }

    /// How far around it a pixel looks, px: a crop with this margin comes out as in the whole
    /// (bit for bit without `undo`, nearly so with it).
    pub fn margin_px(&self) -> usize {
        let undone = if self.undo.is_some() { wiener::MARGIN_PX } else { 0 };
        let active = self.active();
        let energy = if active > 0 { 2 * energy_step(1 << (active - 1)) } else { 0 };
        reach_px(active) + energy + gaussian_kernel(self.smooth_px).len() / 2 + undone
    }
}

/// Taps of a Gaussian, summing to 1; a single 1 where there is nothing to smooth.
fn gaussian_kernel(sigma_px: f32) -> Vec<f32> {
    if sigma_px.is_nan() || sigma_px <= 0.05 {
        return vec![1.0];
    }
    let sigma = f64::from(sigma_px.min(MOST_SMOOTH_PX));
    let reach = (4.0 * sigma).ceil() as isize;
    let taps: Vec<f64> =
        (-reach..=reach).map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp()).collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

/// Smooth `plane` (row-major of `width` columns) by a Gaussian, edges mirrored.
pub(crate) fn gaussian(plane: &[f32], width: usize, sigma_px: f32) -> Vec<f32> {
    let kernel = gaussian_kernel(sigma_px);
    if kernel.len() == 1 || plane.is_empty() {
        return plane.to_vec();
    }
    let (height, reach) = (plane.len() / width, kernel.len() / 2);
    let mut out = vec![0.0; plane.len()];
    out.par_chunks_mut(width * ROWS_A_TASK).enumerate().for_each_init(
        || vec![0.0f32; width + 2 * reach],
        |line, (task, rows)| {
            for (i, out) in rows.chunks_mut(width).enumerate() {
                let y = (task * ROWS_A_TASK + i) as isize - reach as isize;
                let middle = &mut line[reach..reach + width];
                middle.fill(0.0);
                for (tap, weight) in kernel.iter().enumerate() {
                    let row = mirrored(y + tap as isize, height);
                    let row = &plane[row * width..(row + 1) * width];
                    middle.iter_mut().zip(row).for_each(|(sum, v)| *sum += weight * v);
                }
                for x in 0..reach {
                    line[x] = line[reach + mirrored(x as isize - reach as isize, width)];
                    let beyond = width + x;
                    line[reach + beyond] = line[reach + mirrored(beyond as isize, width)];
                }
                out.fill(0.0);
                for (tap, weight) in kernel.iter().enumerate() {
                    let shifted = &line[tap..tap + width];
                    out.iter_mut().zip(shifted).for_each(|(sum, v)| *sum += weight * v);
                }
            }
        },
    );
    out
}

/// The noise of one scale as the shrinking rule needs it: `(k sigma)^2` is
/// `max(least, dark + slope * brightness)`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Threshold {
    least: f32,
    dark: f32,
    slope: f32,
}

impl Threshold {
    pub fn new(noise: &NoiseModel, share: f64, hold_back: f32) -> Threshold {
        let factor = share * f64::from(hold_back).powi(2);
        Threshold {
            least: (noise.least_variance * factor) as f32,
            dark: (noise.dark_variance * factor) as f32,
            slope: (noise.variance_per_brightness * factor) as f32,
        }
    }

    #[inline(always)]
    pub fn at(self, brightness: f32) -> f32 {
        (self.dark + self.slope * brightness).max(self.least)
    }
}

/// Share of a coefficient that passes.
#[inline(always)]
pub(super) fn passing(threshold: f32, energy: f32) -> f32 {
    // Also where both are 0.
    let share = if energy > threshold { threshold / energy } else { 1.0 };
    1.0 - share * share * share
}

/// Holes of the kernel that the energy of a scale with holes of `step` is averaged by: the next scale's, for the scale's own
/// averages hardly more than one coefficient, and noise strays over the limit.
pub(super) fn energy_step(step: usize) -> usize {
    2 * step
}

/// Sharpen one channel. Returns the new channel.
///
/// # Errors
/// [`Cancelled`], asked for before each scale.
pub(crate) fn sharpen(
    plane: &[f32],
    width: usize,
    settings: &DetailSettings,
    noise: &NoiseModel,
    progress: &dyn Progress,
    step: (usize, usize),
) -> Result<Vec<f32>, Cancelled> {
    progress.advance(Stage::Finishing, step.0, step.1)?;
    let mut last = gaussian(plane, width, settings.smooth_px);
    let active = settings.active();
    if active == 0 || plane.is_empty() {
        return Ok(last);
    }
    let shares = noise.scale_shares(active, f64::from(settings.smooth_px));
    let mut next = vec![0.0; plane.len()];
    let mut out = vec![0.0; plane.len()];
    for (j, scale) in settings.scales.iter().take(active).enumerate() {
        progress.advance(Stage::Finishing, step.0, step.1)?;
        super::atrous::smooth(&last, &mut next, width, 1 << j);
        let threshold = Threshold::new(noise, shares[j], scale.hold_back);
        if scale.hold_back > 0.0 {
            progress.advance(Stage::Finishing, step.0, step.1)?;
            held_back((&last, &next), &mut out, width, 1 << j, (threshold, Some(scale.gain)));
        } else {
            let terms = out.par_iter_mut().zip(last.par_iter().zip(&next));
            terms.with_min_len(1 << 14).for_each(|(o, (a, b))| *o += scale.gain * (a - b));
        }
        std::mem::swap(&mut last, &mut next);
    }
    out.par_iter_mut().with_min_len(1 << 14).zip(&last).for_each(|(o, rest)| *o += rest);
    Ok(out)
}

/// Energy-weighted mean share of each scale that passes, 0 to 1: how much the hold-back
/// weakens a scale on the whole. A gain divided by it makes up for that.
pub(crate) fn passing_shares(
    plane: &[f32],
    width: usize,
    settings: &DetailSettings,
    noise: &NoiseModel,
) -> Vec<f64> {
    let shares = noise.scale_shares(settings.scales.len(), f64::from(settings.smooth_px));
    let mut last = gaussian(plane, width, settings.smooth_px);
    let mut next = vec![0.0; plane.len()];
    let mut passed = vec![0.0; plane.len()];
    let mut result = Vec::new();
    for (j, scale) in settings.scales.iter().enumerate() {
        super::atrous::smooth(&last, &mut next, width, 1 << j);
        let threshold = Threshold::new(noise, shares[j], scale.hold_back);
        let noise_energy = Threshold::new(noise, shares[j], 1.0);
        passed.fill(0.0);
        held_back((&last, &next), &mut passed, width, 1 << j, (threshold, None));
        // Weighted by the signal's share of the energy, so that empty ground has no say.
        let (mut all, mut through) = (0.0f64, 0.0f64);
        for ((fine, rest), passing) in last.iter().zip(&next).zip(&passed) {
            let energy = f64::from((fine - rest).powi(2) - noise_energy.at(*rest));
            all += energy;
            through += energy * f64::from(*passing);
        }
        result.push(if all > 0.0 { (through / all).clamp(0.0, 1.0) } else { 0.0 });
        std::mem::swap(&mut last, &mut next);
    }
    result
}

/// Add to every pixel of `out` its coefficient `fine - rest` times the gain and the share that passes; without
/// a gain, that share alone.
fn held_back(
    (fine, rest): (&[f32], &[f32]),
    out: &mut [f32],
    width: usize,
    step: usize,
    rule: (Threshold, Option<f32>),
) {
    let wide = energy_step(step);
    out.par_chunks_mut(width * ROWS_A_TASK).enumerate().for_each_init(
        || (vec![0.0; width], vec![0.0; width]),
        |(line, energy), (task, rows)| {
            for (i, out) in rows.chunks_mut(width).enumerate() {
                let y = task * ROWS_A_TASK + i;
                let (fine, rest) =
                    (five_rows(fine, width, y, wide), five_rows(rest, width, y, wide));
                squares(fine, rest, line);
                along_row(line, energy, wide);
                add_passing((fine[2], rest[2], energy), out, rule);
            }
        },
    );
}

/// Squared coefficients `fine - rest`, smoothed down the columns of five rows.
#[multiversion(targets("x86_64+avx2+bmi2"))]
pub(super) fn squares<'a>(fine: [&'a [f32]; 5], rest: [&'a [f32]; 5], line: &mut [f32]) {
    let n = line.len();
    let [a, b, c, d, e] = fine;
    let (a, b, c, d, e) = (&a[..n], &b[..n], &c[..n], &d[..n], &e[..n]);
    let [p, q, r, s, t] = rest;
    let (p, q, r, s, t) = (&p[..n], &q[..n], &r[..n], &s[..n], &t[..n]);
    for x in 0..n {
        let (u, v, w) = (a[x] - p[x], b[x] - q[x], c[x] - r[x]);
        let (y, z) = (d[x] - s[x], e[x] - t[x]);
        line[x] = five(u * u, v * v, w * w, y * y, z * z);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn add_passing<'a>(
    (fine, rest, energy): (&'a [f32], &'a [f32], &'a [f32]),
    out: &mut [f32],
    (threshold, gain): (Threshold, Option<f32>),
) {
    let n = out.len();
    let (fine, rest, energy) = (&fine[..n], &rest[..n], &energy[..n]);
    match gain {
        Some(gain) => {
            for x in 0..n {
                let passing = passing(threshold.at(rest[x]), energy[x]);
                out[x] += gain * (fine[x] - rest[x]) * passing;
            }
        }
        None => {
            for x in 0..n {
                out[x] += passing(threshold.at(rest[x]), energy[x]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Silent;

    #[test]
    fn scales_left_as_they_are_change_nothing() {
        let plane: Vec<f32> = (0..600).map(|i| ((i * 37) % 101) as f32 / 101.0).collect();
        let noise = NoiseModel::white(0.01);
        let still =
            DetailSettings { scales: vec![DetailScale::default(); 6], smooth_px: 0.0, undo: None };
        assert_eq!(sharpen(&plane, 30, &still, &noise, &Silent, (0, 1)).unwrap(), plane);
        assert_eq!(still.margin_px(), 0);
        // Gain 1 computed the long way round is the picture too.
        let mut scales = vec![DetailScale::default(); 5];
        scales[4].gain = 1.000_001;
        let long = DetailSettings { scales, smooth_px: 0.0, undo: None };
        let out = sharpen(&plane, 30, &long, &noise, &Silent, (0, 1)).unwrap();
        assert!(out.iter().zip(&plane).all(|(a, b)| (a - b).abs() < 2e-6));
    }

    #[test]
    fn nothing_passes_at_the_limit_and_seven_eighths_at_twice_it() {
        assert_eq!([0.0, 0.5, 1.0].map(|energy| passing(1.0, energy)), [0.0; 3]);
        assert_eq!(passing(1.0, 2.0), 0.875);
        assert_eq!((passing(0.0, 0.0), passing(0.0, 1.0)), (0.0, 1.0));
        assert_eq!(passing(1.0, f32::NAN), 0.0);
    }

    #[test]
    fn settings_out_of_range_are_named() {
        let bad = DetailSettings {
            scales: vec![DetailScale { gain: f32::NAN, hold_back: 0.0 }],
            smooth_px: 0.0,
            undo: None,
        };
        assert!(bad.check().unwrap_err().contains("detail scale 1: gain"));
        let many =
            DetailSettings { scales: vec![DetailScale::default(); 9], smooth_px: 0.0, undo: None };
        assert!(many.check().is_err());
    }
}
