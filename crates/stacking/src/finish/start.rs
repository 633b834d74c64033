//! Starting values: what blur is left in the stack, and the sharpening that best undoes it.
//!
//! The target is the picture that the telescope alone would give, `scene x telescope`. The
//! signal power of the stack is modelled, per ring of spatial frequency `f`, as
//! `S(f) = A f^(-2 beta) M(f)^2 T(f)^2` with the telescope's transfer `M` (annular pupil) and the residual
//! blur `T` ([`ResidualBlur`]). `ln S` is linear in `ln A`, `beta` and `scale^(-exponent)`, so a weighted
//! least-squares fit over the rings with a signal-to-noise ratio above 1 finds them; `beta` has
//! a prior, since a steep scene and a blurred one look alike over a short band.
//!
//! From the model and the measured noise `N` follows the best linear estimate,
//! `W(f) = S / (S + N) / T` (Wiener). The smooth model stands in for the measured curve there:
//! noise in a ring's correlation, divided by a small `T`, would come out as rings in the
//! picture (on two simulated captures the bare curve gave 1.4 to 5 times the error).

use super::atrous::smoothing_transfer;
use super::detail::{DetailScale, DetailSettings, MOST_GAIN, passing_shares};
use super::grid::{GRID, grid_frequency, ring_value, solve};
use super::noise::{NoiseModel, gaussian_transfer};
use super::transfer::{ResidualBlur, annular_mtf};
use crate::halves::HalfCorrelation;
use serde::Serialize;

/// Detail scales of the starting values.
pub const SCALES: usize = 6;
/// Hold-back of the starting values, in standard deviations.
const HOLD_BACK: f32 = 1.5;
/// Amplitude slope of scenes: cratered ground and a lunar photograph gave 1.07 and 1.31.
/// Larger takes blur for scene (too soft), smaller the reverse (too hard).
const SLOPE: f64 = 1.2;
/// How sure that is.
const SLOPE_SCATTER: f64 = 0.15;
/// Scatter of `ln S` in a ring about any such law, beyond counting noise.
const RING_SCATTER: f64 = 0.15;
/// Rings that a fit needs.
const FEWEST_RINGS: usize = 5;

/// The signal of a stack in numbers: scene, telescope, residual blur.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SignalModel {
    /// Natural logarithm of the signal power at 1 cycle per px, before telescope and blur.
    pub ln_power: f64,
    /// Slope of the scene: its amplitude falls as `f^(-slope)`.
    pub slope: f64,
    /// Cut-off of the telescope, cycles per px of the stack.
    pub cutoff_cycles_per_px: f64,
    /// Whether the cut-off comes from the optics (else it is a guess from the resolution).
    pub cutoff_known: bool,
    /// Central obstruction, share of the aperture.
    pub obstruction: f64,
    /// The blur that is left.
    pub blur: ResidualBlur,
    /// Rings that were fitted.
    pub rings: usize,
    /// Root mean square of the fit in `ln S`.
    pub scatter: f64,
}

impl SignalModel {
    /// Power of the target (scene x telescope) at `frequency`, per pixel.
    pub fn target_power(&self, frequency: f64) -> f64 {
        if frequency.is_nan() || frequency <= 0.0 {
            return 0.0;
        }
        let telescope = annular_mtf(frequency / self.cutoff_cycles_per_px, self.obstruction);
        (self.ln_power - 2.0 * self.slope * frequency.ln()).min(600.0).exp() * telescope.powi(2)
    }

    /// Wiener's gain at `frequency` for noise power `noise` there, with another `blur` if the
    /// person chose one; `weight` scales the noise (1: least error; less: sharper, noisier).
    pub fn wiener_gain(&self, blur: &ResidualBlur, noise: f64, weight: f64, frequency: f64) -> f64 {
        if frequency.is_nan() || frequency <= 0.0 {
            return 1.0;
        }
        let (target, transfer) = (self.target_power(frequency), blur.transfer(frequency));
        let denominator = target * transfer * transfer + weight * noise;
        if denominator > 0.0 { (target * transfer / denominator).min(1e3) } else { 0.0 }
    }
}

/// Fit the signal model to what the halves tell; `None` where too little signal is there.
///
/// `cutoff` in cycles per px of the stack, where the optics are known; else it is guessed at
/// 1.8 times the resolution, as found on simulated stacks of D/r0 5.5 and 6.5, at most 0.5.
pub fn fit_signal(
    correlation: &HalfCorrelation,
    cutoff: Option<f64>,
    obstruction: f64,
    exponent: f64,
) -> Option<SignalModel> {
    let frequency = &correlation.frequency;
    let known = cutoff.filter(|c| c.is_finite() && *c > 0.0);
    let fc = match known {
        Some(cutoff) => cutoff,
        None => (1.8 * correlation.at_one_seventh?.crossing_cycles_per_px).clamp(0.05, 0.5),
    };
    let end = (1..frequency.len())
        .find(|&k| correlation.ssnr[k] < 1.0 || frequency[k] > 0.95 * fc)
        .unwrap_or(frequency.len());
    let usable = |k: &usize| correlation.signal_power[*k] > 0.0;
    let rings: Vec<usize> = (2..end).filter(usable).collect();
    if rings.len() < FEWEST_RINGS {
        return None;
    }
    let row = |k: usize| [1.0, -2.0 * frequency[k].ln(), -2.0 * frequency[k].powf(exponent)];
    let value = |k: usize| {
        let telescope = annular_mtf(frequency[k] / fc, obstruction).max(1e-9);
        correlation.signal_power[k].ln() - 2.0 * telescope.ln()
    };
    let weight = |k: usize| {
        let counting = 2.0 / correlation.count[k].max(1.0) * (1.0 + 1.0 / correlation.ssnr[k]);
        1.0 / (counting + RING_SCATTER.powi(2))
    };
    let fit = |free: usize| -> Option<Vec<f64>> {
        let mut matrix = vec![0.0; free * free];
        let mut right = vec![0.0; free];
        for &k in &rings {
            let (row, weight, value) = (row(k), weight(k), value(k));
            for i in 0..free {
                for j in 0..free {
                    matrix[i * free + j] += weight * row[i] * row[j];
                }
                right[i] += weight * row[i] * value;
            }
        }
        // The prior counts as one more observation.
        matrix[free + 1] += SLOPE_SCATTER.powi(-2);
        right[1] += SLOPE * SLOPE_SCATTER.powi(-2);
        solve(&matrix, &right)
    };
    let mut found = fit(3)?;
    if found[2] <= 0.0 {
        found = fit(2)?;
        found.push(0.0);
    }
    let blurred = found[2] > 1e-6;
    let scale = if blurred { found[2].powf(-1.0 / exponent).clamp(0.005, 1000.0) } else { 1000.0 };
    let residual = |k: &usize| {
        let row = row(*k);
        (value(*k) - row.iter().zip(&found).map(|(a, b)| a * b).sum::<f64>()).powi(2)
    };
    let scatter = (rings.iter().map(residual).sum::<f64>() / rings.len() as f64).sqrt();
    let model = SignalModel {
        ln_power: found[0],
        slope: found[1],
        cutoff_cycles_per_px: fc,
        cutoff_known: known.is_some(),
        obstruction,
        blur: ResidualBlur { scale_cycles_per_px: scale, exponent },
        rings: rings.len(),
        scatter,
    };
    (model.ln_power.is_finite() && model.slope.is_finite() && scatter.is_finite()).then_some(model)
}

/// One cell of the frequency plane as the gains see it.
struct Cell {
    /// Transfer of each scale's band, then of the rest, before the smoothing.
    bands: [f64; SCALES + 1],
    axis: (f64, f64),
    target: f64,
    transfer: f64,
    noise: f64,
}

/// Detail scales that come nearest to Wiener's estimate: the gains and the smoothing that
/// leave the least expected error, `sum (1 - G T)^2 P + G^2 N` over the frequency plane, where
/// `G` is the transfer of the whole sharpening.
///
/// `plane` is a representative part of the channel: the hold-back's own weakening of each
/// scale is measured on it and made up for.
pub(crate) fn starting_scales(
    model: &SignalModel,
    correlation: &HalfCorrelation,
    noise: &NoiseModel,
    plane: &[f32],
    width: usize,
) -> DetailSettings {
    let cells = cells(model, correlation);
    let mut best: Option<(f64, f64, Vec<f64>)> = None;
    for i in 0..=25 {
        let smooth_px = 0.1 * f64::from(i);
        let Some((error, gains)) = best_gains(&cells, smooth_px) else { continue };
        if best.as_ref().is_none_or(|b| error < b.0) {
            best = Some((error, smooth_px, gains));
        }
    }
    let Some((_, smooth_px, gains)) = best else {
        return DetailSettings::default();
    };
    let scale = |gain: &f64| DetailScale { gain: *gain as f32, hold_back: HOLD_BACK };
    let mut settings = DetailSettings {
        scales: gains.iter().map(scale).collect(),
        smooth_px: (smooth_px * 100.0).round() as f32 / 100.0,
    };
    let passing = passing_shares(plane, width, &settings, noise);
    for (scale, passing) in settings.scales.iter_mut().zip(passing) {
        // Below a third the scale is noise on the whole: nothing to make up for.
        let made_up = f64::from(scale.gain) / passing.max(1.0 / 3.0);
        scale.gain = ((made_up * 1000.0).round() as f32 / 1000.0).clamp(0.0, MOST_GAIN);
    }
    settings
}

fn cells(model: &SignalModel, correlation: &HalfCorrelation) -> Vec<Cell> {
    // Every fourth cell near the origin would miss the coarse scales: go by octaves' worth,
    // fine below 1/16 of the grid and coarse above.
    let steps: Vec<(usize, f64)> = (0..GRID / 8)
        .map(|i| (i, 1.0))
        .chain((GRID / 8..GRID).step_by(4).map(|i| (i + 1, 4.0)))
        .collect();
    let transfers: Vec<[f64; SCALES + 1]> = steps
        .iter()
        .map(|(i, _)| std::array::from_fn(|j| smoothing_transfer(j, grid_frequency(*i))))
        .collect();
    let mut cells = Vec::with_capacity(steps.len() * steps.len());
    for (y, (iy, wy)) in steps.iter().enumerate() {
        for (x, (ix, wx)) in steps.iter().enumerate() {
            let (fx, fy) = (grid_frequency(*ix), grid_frequency(*iy));
            let f = fx.hypot(fy);
            let (tx, ty) = (&transfers[x], &transfers[y]);
            let bands = std::array::from_fn(|j| {
                let here = tx[j] * ty[j];
                if j < SCALES { here - tx[j + 1] * ty[j + 1] } else { here }
            });
            let area = wx * wy;
            cells.push(Cell {
                bands,
                axis: (fx, fy),
                target: area * model.target_power(f),
                transfer: model.blur.transfer(f),
                noise: area * ring_value(&correlation.frequency, &correlation.noise_power, f),
            });
        }
    }
    cells
}

/// The gains of least expected error for one smoothing, each within its limits, and that error.
fn best_gains(cells: &[Cell], smooth_px: f64) -> Option<(f64, Vec<f64>)> {
    let mut matrix = [0.0; SCALES * SCALES];
    let mut right = [0.0; SCALES];
    let mut constant = 0.0;
    for cell in cells {
        let smooth =
            gaussian_transfer(smooth_px, cell.axis.0) * gaussian_transfer(smooth_px, cell.axis.1);
        let rest = smooth * cell.bands[SCALES];
        let total = cell.target * cell.transfer * cell.transfer + cell.noise;
        let wanted = cell.target * cell.transfer;
        constant += cell.target - 2.0 * wanted * rest + total * rest * rest;
        for i in 0..SCALES {
            let band = smooth * cell.bands[i];
            right[i] += band * (wanted - total * rest);
            for j in 0..=i {
                matrix[i * SCALES + j] += total * band * smooth * cell.bands[j];
            }
        }
    }
    for i in 0..SCALES {
        for j in 0..i {
            matrix[j * SCALES + i] = matrix[i * SCALES + j];
        }
        if !(matrix[i * SCALES + i] > 0.0 && right[i].is_finite()) {
            return None;
        }
    }
    // Coordinate descent within the limits; the problem is convex and small.
    let mut gains = vec![1.0; SCALES];
    for _ in 0..2000 {
        let mut moved = 0.0f64;
        for i in 0..SCALES {
            let others: f64 =
                (0..SCALES).filter(|j| *j != i).map(|j| matrix[i * SCALES + j] * gains[j]).sum();
            let gain = (right[i] - others) / matrix[i * SCALES + i];
            let gain = gain.clamp(0.0, f64::from(MOST_GAIN));
            moved = moved.max((gain - gains[i]).abs());
            gains[i] = gain;
        }
        if moved < 1e-6 {
            break;
        }
    }
    let mut error = constant;
    for i in 0..SCALES {
        error -= 2.0 * right[i] * gains[i];
        for j in 0..SCALES {
            error += matrix[i * SCALES + j] * gains[i] * gains[j];
        }
    }
    (error.is_finite() && gains.iter().all(|g| g.is_finite())).then_some((error, gains))
}
