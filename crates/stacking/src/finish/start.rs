//! Starting values: what blur is left in the stack, and the sharpening that best undoes it.
//!
//! The target is the picture that the telescope alone would give, `scene x telescope`. The
//! signal power of the stack is modelled, per ring of spatial frequency `f`, as
//! `S(f) = A f^(-2 beta) M(f)^2 T(f)^2` with the telescope's transfer `M` (annular pupil) and the residual
//! blur `T` ([`ResidualBlur`]). For a given exponent `ln S` is linear in `ln A`, `beta` and
//! `scale^(-exponent)`, so a weighted least-squares fit over the rings with a signal-to-noise
//! ratio above 1 finds them. `beta` and the exponent have priors, since a steep scene and a
//! blurred one look alike over a short band.
//!
//! From the model and the measured noise `N` follows the best linear estimate,
//! `W(f) = S / (S + N) / T` (Wiener). The smooth model stands in for the measured curve there:
//! noise in a ring's correlation, divided by a small `T`, would come out as rings in the
//! picture (on two simulated captures the bare curve gave 1.4 to 5 times the error).

use super::detail::{DetailScale, DetailSettings, MOST_GAIN, passing_shares};
use super::grid::solve;
use super::noise::NoiseModel;
use super::transfer::{ResidualBlur, annular_mtf};
use super::wiener::{self, WienerSettings};
use crate::halves::HalfCorrelation;
use ndarray::ArrayView2;
use serde::Serialize;
use stillwright_picture::Silent;

/// Detail scales of the starting values: coarser ones hold no noise worth mentioning.
const SCALES: usize = 4;
/// Hold-back of the starting values, in standard deviations. At 1 empty sky keeps specks, at 2
/// faint detail goes; between them the error against the truth changes by 1 %.
const HOLD_BACK: f32 = 1.5;
/// Amplitude slope of scenes and its scatter: cratered ground and a lunar photograph gave 1.07
/// and 1.31 between 0.02 and 0.25 cycles per px. Larger takes blur for scene (too soft),
/// smaller the reverse (too hard).
const SLOPE: f64 = 1.1;
/// Amplitude slope of a disc on black sky, whose limb rules its spectrum: 1.5 for a sharp
/// even disc (Bessel function of the first order over f), 1.6 for a simulated planet with
/// darkened limb. With a close-up's slope the limb would be taken for blur, and come out with a
/// rim of 17 per cent.
const DISC_SLOPE: f64 = 1.6;
const SLOPE_SCATTER: f64 = 0.1;
/// Exponent of the blur and its scatter: between aligned stacks (1.25) and long exposures (5/3).
const EXPONENT: f64 = 1.4;
const EXPONENT_SCATTER: f64 = 0.1;
/// Exponents that are tried.
const EXPONENTS: std::ops::RangeInclusive<u32> = 20..=34;
/// Scatter of `ln S` in a ring about any such law, beyond counting noise.
const RING_SCATTER: f64 = 0.15;
/// How many rings' worth the measurement counts at most against the priors: scenes stray from
/// the law over many rings together. With 10 and more the priors lose their say and a scene
/// that bends is taken for blur (error up to 2.2 times the best filter's instead of 1.33, on
/// 20 simulated stacks).
const WORTH_RINGS: f64 = 5.0;
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

/// Amplitude slope to expect of the scene of `plane`: a disc on black sky has a border of
/// which 95 per cent is darker than a twentieth of the bright parts.
pub fn expected_slope(plane: ArrayView2<'_, f32>) -> f64 {
    let (height, width) = plane.dim();
    if height < 3 || width < 3 {
        return SLOPE;
    }
    let step = (plane.len() / 100_000).max(1);
    let mut sample: Vec<f32> =
        plane.iter().step_by(step).copied().filter(|v| v.is_finite()).collect();
    if sample.is_empty() {
        return SLOPE;
    }
    let rank = sample.len() * 99 / 100;
    let bright = *sample.select_nth_unstable_by(rank, f32::total_cmp).1;
    let ends = [plane.row(0), plane.row(height - 1), plane.column(0), plane.column(width - 1)];
    let dark = ends.iter().flatten().filter(|v| **v < 0.05 * bright).count();
    if bright > 0.0 && dark * 100 >= 95 * 2 * (height + width) { DISC_SLOPE } else { SLOPE }
}

/// Fit the signal model to what the halves tell; `None` where too little signal is there.
///
/// `cutoff` in cycles per px of the stack, where the optics are known; else it is guessed at
/// 1.8 times the resolution, as found on simulated stacks of D/r0 5.5 and 6.5, at most 0.5.
pub fn fit_signal(
    correlation: &HalfCorrelation,
    cutoff: Option<f64>,
    obstruction: f64,
    expected_slope: f64,
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
    let value = |k: usize| {
        let telescope = annular_mtf(frequency[k] / fc, obstruction).max(1e-9);
        correlation.signal_power[k].ln() - 2.0 * telescope.ln()
    };
    let bare_weight = |k: usize| {
        let counting = 2.0 / correlation.count[k].max(1.0) * (1.0 + 1.0 / correlation.ssnr[k]);
        1.0 / (counting + RING_SCATTER.powi(2))
    };
    let all: f64 = rings.iter().map(|k| bare_weight(*k)).sum();
    let thinned = (WORTH_RINGS * RING_SCATTER.powi(-2) / all).min(1.0);
    let points: Vec<Point> = rings
        .iter()
        .map(|&k| Point { f: frequency[k], value: value(k), weight: thinned * bare_weight(k) })
        .collect();
    let fits =
        EXPONENTS.filter_map(|step| fit_law(&points, 0.05 * f64::from(step), expected_slope));
    let law = fits.min_by(|p, q| p.misfit.total_cmp(&q.misfit))?;
    let blurred = law.blur > 1e-6;
    let scale =
        if blurred { law.blur.powf(-1.0 / law.exponent).clamp(0.005, 1000.0) } else { 1000.0 };
    let square: f64 = points.iter().map(|p| law.residual(p).powi(2)).sum();
    let scatter = (square / points.len() as f64).sqrt();
    let model = SignalModel {
        ln_power: law.ln_power,
        slope: law.slope,
        cutoff_cycles_per_px: fc,
        cutoff_known: known.is_some(),
        obstruction,
        blur: ResidualBlur { scale_cycles_per_px: scale, exponent: law.exponent },
        rings: rings.len(),
        scatter,
    };
    (model.ln_power.is_finite() && model.slope.is_finite() && scatter.is_finite()).then_some(model)
}

/// One ring of the fit: `value` is `ln S` without the telescope's share.
struct Point {
    f: f64,
    value: f64,
    weight: f64,
}

/// `ln S = ln_power - 2 slope ln f - 2 blur f^exponent`.
struct Law {
    ln_power: f64,
    slope: f64,
    blur: f64,
    exponent: f64,
    misfit: f64,
}

impl Law {
    fn row(f: f64, exponent: f64) -> [f64; 3] {
        [1.0, -2.0 * f.ln(), -2.0 * f.powf(exponent)]
    }

    fn residual(&self, point: &Point) -> f64 {
        let [a, b, c] = Law::row(point.f, self.exponent);
        point.value - a * self.ln_power - b * self.slope - c * self.blur
    }
}

/// Weighted least squares for one exponent, the slope's prior as one more observation.
fn fit_law(points: &[Point], exponent: f64, expected_slope: f64) -> Option<Law> {
    let solved = |free: usize| -> Option<Vec<f64>> {
        let mut matrix = vec![0.0; free * free];
        let mut right = vec![0.0; free];
        for point in points {
            let row = Law::row(point.f, exponent);
            for i in 0..free {
                for j in 0..free {
                    matrix[i * free + j] += point.weight * row[i] * row[j];
                }
                right[i] += point.weight * row[i] * point.value;
            }
        }
        matrix[free + 1] += SLOPE_SCATTER.powi(-2);
        right[1] += expected_slope * SLOPE_SCATTER.powi(-2);
        solve(&matrix, &right)
    };
    let mut found = solved(3)?;
    if found[2] <= 0.0 {
        found = solved(2)?;
        found.push(0.0);
    }
    let mut law =
        Law { ln_power: found[0], slope: found[1], blur: found[2], exponent, misfit: 0.0 };
    let rings: f64 = points.iter().map(|p| p.weight * law.residual(p).powi(2)).sum();
    law.misfit = rings
        + ((law.slope - expected_slope) / SLOPE_SCATTER).powi(2)
        + ((exponent - EXPONENT) / EXPONENT_SCATTER).powi(2);
    law.misfit.is_finite().then_some(law)
}

/// Starting values: the blur undone by Wiener's estimate, and on top of it detail scales that
/// hold back what is only noise, each lifted by what the hold-back takes from its structure.
///
/// `plane` is a representative part of the channel, on which that loss is measured. The linear
/// estimate is the best *on the whole*; on it, empty ground keeps amplified noise that crisp
/// ground hides. The hold-back adapts it from place to place. Detail scales without the
/// deconvolution, their gains fitted to Wiener's curve (with a Gaussian before them), were
/// tried and dropped: their octave-wide bands cannot follow the curve where it turns down at
/// the noise, and left 1.10 to 1.46 times the best filter's error on eight simulated stacks
/// where this leaves 1.01 to 1.29.
pub(crate) fn starting_values(
    model: &SignalModel,
    noise: &NoiseModel,
    plane: &[f32],
    width: usize,
) -> DetailSettings {
    let undo = WienerSettings { blur: Some(model.blur), ..WienerSettings::default() };
    let scale = DetailScale { gain: 1.0, hold_back: HOLD_BACK };
    let mut settings =
        DetailSettings { scales: vec![scale; SCALES], smooth_px: 0.0, undo: Some(undo) };
    let size = (plane.len() / width.max(1), width);
    let sharp = wiener::deconvolve(plane, size, &undo, model, noise, &Silent, (0, 1));
    let left = noise.filtered(|f| wiener::gain(&undo, model, noise, f));
    let passing = sharp.map(|sharp| passing_shares(&sharp, width, &settings, &left));
    for (scale, passing) in settings.scales.iter_mut().zip(passing.unwrap_or_default()) {
        // Below a third the scale is noise on the whole: nothing to make up for.
        let made_up = 1.0 / passing.max(1.0 / 3.0);
        scale.gain = ((made_up * 1000.0).round() as f32 / 1000.0).clamp(0.0, MOST_GAIN);
    }
    settings
}
