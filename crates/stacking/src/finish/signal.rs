//! The signal of a stack as a law: scene, telescope, pixel, and the blur that is left.
//!
//! The target is the picture that the telescope alone would give. The signal power of the stack is
//! modelled, at the spatial frequency `f`, as `S = A f^(-2 slope) M^2 P^2 T^2` with the transfers of
//! telescope `M` (annular pupil), pixel `P` and residual blur `T` ([`ResidualBlur`]). Only the
//! scene's slope and the blur's depth compete. They differ in shape (a scene falls by the same ratio from octave to octave, a blur falls
//! and then stays near its plateau), but hardly: where what the frames differ by tells the depth ([`Unrest`]), that
//! is believed, and the slope is free. Without it the priors of slope and depth decide.
//!
//! `ln S` is linear in `ln A`, slope and depth, once the reach of the blur (and the cut-off, where
//! the telescope is not known) is given; those are searched on a grid. Scenes stray from a power law
//! over many rings together, so the residuals are taken for a process correlated along `ln f`
//! (generalised least squares; Rasmussen & Williams, Gaussian Processes for Machine Learning,
//! 2006, section 2.7), not for independent scatter.

use super::air::{self, TOLD_AT, Told};
use super::grid::solve;
use super::transfer::{ResidualBlur, annular_mtf, pixel_mtf, relieved};
use crate::halves::HalfCorrelation;
use crate::unrest::Unrest;
use ndarray::ArrayView2;
use serde::Serialize;

/// Amplitude slope of scenes and its scatter: 1.03 to 1.22 were measured on the true pictures
/// of five grounds, one of them a lunar photograph, with the pixel's share in them. Larger
/// takes blur for scene (too soft), smaller the reverse (too hard).
const SLOPE: f64 = 1.0;
/// Amplitude slope of a disc on black sky, whose limb rules its spectrum: 1.5 for a sharp
/// even disc (Bessel function of the first order over f), 1.52 and 1.57 measured on the true pictures
/// of two planets. With a close-up's slope the limb would be taken for blur, and come out with a rim.
const DISC_SLOPE: f64 = 1.55;
const SLOPE_SCATTER: f64 = 0.12;
/// How far `ln` of a scene's amplitude strays from the law, and over what distance in `ln f`.
/// With 0.15 the fit believed a bend of the scene to be blur (error up to 2.0 times the best
/// filter's on eight captures with known truth, against 1.46); with 0.35 the priors rule.
const STRAY: f64 = 0.25;
const STRAY_REACH: f64 = 0.6;
/// Scatter of `ln S` from bin to bin beyond counting noise.
const BIN_SCATTER: f64 = 0.1;
/// Depth of the blur (see [`ResidualBlur::depth`]) and its scatter: stacks of eight captures with
/// D/r0 between 3 and 6.5 had 0.5 to 2.5.
const DEPTH: f64 = 1.7;
const DEPTH_SCATTER: f64 = 1.0;
/// Reach of the blur as a share of the cut-off, and its scatter: 0.24 to 0.34 on those
/// captures. It is the span over which the air's wavefront, without its tilt, is correlated in
/// the aperture, and so hardly depends on the night.
const REACH: f64 = 0.28;
const REACH_SCATTER: f64 = 0.035;
/// Reaches that are tried, in hundredths of the cut-off.
const REACHES: std::ops::RangeInclusive<u32> = 18..=40;
/// Scatter of the slope where the frames tell the depth of the blur: the scene is then free to be
/// what it is. With the narrow one, scenes of slope 1.35 came out with 1.3 times the best filter's error instead of 1.1.
const TOLD_SLOPE_SCATTER: f64 = 0.2;
/// Slope of a disc then: with 1.5 six discs come out at 1.27 times the best filter's error on the average, with 1.55 at 1.23, with 1.6 at 1.20.
const TOLD_DISC_SLOPE: f64 = 1.6;
/// The cut-off over the resolution (correlation 1/7) where the telescope is not known, and the
/// scatter of its logarithm: 1.02 (little noise) to 1.40 on those captures. With 0.2, grounds of slope 1.35 that show little at fine
/// frequencies came out with a cut-off 1.4 times too high and 1.9 times the best filter's error (1.3 so); others stay as they are.
const CUTOFF_OVER_RESOLUTION: f64 = 1.15;
const CUTOFF_LN_SCATTER: f64 = 0.14;
/// Ratios that are tried, in hundredths: first some steps apart, then those beside the best. (Four apart alone: a cut-off that is 3 % off made one of nine keeps of a ground 1.15
/// times the best filter's error instead of 1.05. The mean by misfit is too high where there is noise: the curve falls slowly there.)
const CUTOFF_RATIOS: std::ops::RangeInclusive<u32> = 102..=166;
const CUTOFF_STEP: u32 = 4;
/// Highest cut-off that is believed without knowing the telescope, cycles per px.
const HIGHEST_CUTOFF: f64 = 0.6;
/// Rings are pooled until a bin spans this ratio of frequencies.
const BIN_RATIO: f64 = 1.04;
/// Bins that a fit needs.
const FEWEST_BINS: usize = 5;

/// The signal of a stack in numbers: scene, telescope, residual blur.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SignalModel {
    /// Natural logarithm of the signal power at 1 cycle per px, before telescope and blur.
    pub ln_power: f64,
    /// Slope of the scene: its amplitude falls as `f^(-slope)`.
    pub slope: f64,
    /// Cut-off of the telescope, cycles per px of the stack.
    pub cutoff_cycles_per_px: f64,
    /// Whether the cut-off comes from the optics (else the fit found it).
    pub cutoff_known: bool,
    /// Central obstruction, share of the aperture.
    pub obstruction: f64,
    /// Side of a capture pixel, px of the stack: it collects light over its area.
    pub pixel_px: f64,
    /// The blur that is left.
    pub blur: ResidualBlur,
    /// Rings that were fitted.
    pub rings: usize,
    /// Root mean square of the fit in `ln S`.
    pub scatter: f64,
}

impl SignalModel {
    /// Power of the target (scene x telescope x pixel) at `frequency`, per pixel.
    pub fn target_power(&self, frequency: f64) -> f64 {
        if frequency.is_nan() || frequency <= 0.0 {
            return 0.0;
        }
        let instrument = self.instrument(frequency);
        (self.ln_power - 2.0 * self.slope * frequency.ln()).min(600.0).exp() * instrument.powi(2)
    }

    /// What telescope and pixel pass of `frequency` (cycles per px of the stack), 0 to 1.
    pub(super) fn instrument(&self, frequency: f64) -> f64 {
        annular_mtf(frequency / self.cutoff_cycles_per_px, self.obstruction)
            * pixel_share(frequency * self.pixel_px)
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

/// Black sky around a disc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sky {
    /// Brightness of the sky (sensors add a pedestal, so it is not 0).
    pub level: f32,
    /// Brightness of the bright parts of the disc.
    pub bright: f32,
}

impl Sky {
    /// The sky of `plane`, if its border is, but for a few pixels, nearly as dark as its darkest parts (where a disc all but fills the frame,
    /// rough air lets it glow there with up to a twelfth of its brightness), and these no brighter than a pedestal: a bright crater on a smooth plain is no disc.
    pub fn around(plane: ArrayView2<'_, f32>) -> Option<Sky> {
        let (height, width) = plane.dim();
        if height < 3 || width < 3 {
            return None;
        }
        let step = (plane.len() / 100_000).max(1);
        let finite = |v: &f32| v.is_finite();
        let inside = plane.iter().step_by(step).copied().filter(finite).collect();
        let ends = [plane.row(0), plane.row(height - 1), plane.column(0), plane.column(width - 1)];
        let border: Vec<f32> = ends.iter().flatten().copied().filter(finite).collect();
        let bright = percentile(inside, 99)?;
        let level = percentile(border.clone(), 10)?;
        let limit = level + 0.1 * (bright - level);
        let as_dark = border.iter().filter(|v| **v <= limit).count();
        let black = level < 0.25 * bright;
        (bright > level && black && as_dark * 100 >= 95 * border.len())
            .then_some(Sky { level, bright })
    }
}

/// The value with `percent` of the others below it.
fn percentile(mut values: Vec<f32>, percent: usize) -> Option<f32> {
    let rank = values.len() * percent / 100;
    let at = rank.min(values.len().checked_sub(1)?);
    Some(*values.select_nth_unstable_by(at, f32::total_cmp).1)
}

/// Transfer of a pixel at `frequency` (cycles per pixel), for a direction between its sides and
/// its diagonals.
fn pixel_share(frequency: f64) -> f64 {
    let (sin, cos) = (std::f64::consts::PI / 8.0).sin_cos();
    pixel_mtf(frequency * cos, frequency * sin)
}

/// The instrument, as far as it is known.
#[derive(Clone, Copy, Debug)]
pub struct Instrument<'a> {
    /// Cut-off in cycles per px of the stack, where the optics are known.
    pub cutoff_cycles_per_px: Option<f64>,
    /// Central obstruction, share of the aperture.
    pub obstruction: f64,
    /// Side of a capture pixel, px of the stack.
    pub pixel_px: f64,
    /// How much the frames differ by the air, where that is known.
    pub unrest: Option<&'a Unrest>,
}

/// Fit the signal model to what the halves tell; `None` where too little signal is there.
///
/// Where the cut-off is not known it is found by the fit, near the resolution of the stack.
pub fn fit_signal(
    correlation: &HalfCorrelation,
    instrument: &Instrument<'_>,
    sky: Option<Sky>,
) -> Option<SignalModel> {
    let bins = pooled(correlation);
    let known = instrument.cutoff_cycles_per_px.filter(|c| c.is_finite() && *c > 0.0);
    let fit_at = |cutoff: f64| {
        let expected = Expected::new(instrument, cutoff, sky);
        fit_with_cutoff(&bins, cutoff, instrument, &expected)
    };
    let (cutoff, law) = match known {
        Some(cutoff) => (cutoff, fit_at(cutoff)?),
        None => {
            let resolution = correlation.at_one_seventh?.crossing_cycles_per_px;
            let fit = |percent: u32| {
                let ratio = 0.01 * f64::from(percent);
                let cutoff = (ratio * resolution).min(HIGHEST_CUTOFF);
                let mut law = fit_at(cutoff)?;
                law.misfit += ((ratio / CUTOFF_OVER_RESOLUTION).ln() / CUTOFF_LN_SCATTER).powi(2);
                Some((percent, cutoff, law))
            };
            let best = |tried: Vec<u32>| {
                let all = tried.into_iter().filter_map(fit);
                all.min_by(|p, q| p.2.misfit.total_cmp(&q.2.misfit))
            };
            let (about, ..) = best(CUTOFF_RATIOS.step_by(CUTOFF_STEP as usize).collect())?;
            let beside = about.saturating_sub(CUTOFF_STEP - 1)..about + CUTOFF_STEP;
            let (_, cutoff, law) = best(beside.filter(|at| CUTOFF_RATIOS.contains(at)).collect())?;
            (cutoff, law)
        }
    };
    let model = SignalModel {
        ln_power: law.ln_power,
        slope: law.slope,
        cutoff_cycles_per_px: cutoff,
        cutoff_known: known.is_some(),
        obstruction: instrument.obstruction,
        pixel_px: instrument.pixel_px,
        blur: law.blur(cutoff),
        rings: law.rings,
        scatter: law.scatter,
    };
    (model.ln_power.is_finite() && model.slope.is_finite() && law.scatter.is_finite())
        .then_some(model)
}

mod black_sky;
pub(super) use black_sky::with_black_sky;

/// Rings pooled into a bin of `ln f`.
struct Bin {
    f: f64,
    ln_signal: f64,
    /// Counting variance of `ln_signal`.
    variance: f64,
    rings: usize,
}

/// The rings from the third on (the window blends the first two with the mean) up to the first
/// with less signal than noise.
fn pooled(correlation: &HalfCorrelation) -> Vec<Bin> {
    let HalfCorrelation { frequency, count, ssnr, signal_power, .. } = correlation;
    let end = (1..frequency.len()).find(|&k| ssnr[k] < 1.0).unwrap_or(frequency.len());
    let mut bins = Vec::new();
    let mut first = 2;
    while first < end {
        let limit = frequency[first] * BIN_RATIO;
        let last = (first + 1..end).find(|&k| frequency[k] > limit).unwrap_or(end);
        let (mut n, mut signal, mut ln_f, mut ratio) = (0.0, 0.0, 0.0, 0.0);
        for k in first..last {
            n += count[k];
            signal += count[k] * signal_power[k];
            ln_f += count[k] * frequency[k].ln();
            ratio += count[k] * ssnr[k];
        }
        if n > 0.0 && signal > 0.0 {
            let variance = 2.0 / n.max(1.0) * (1.0 + n / ratio.max(1e-9));
            let f = (ln_f / n).exp();
            bins.push(Bin { f, ln_signal: (signal / n).ln(), variance, rings: last - first });
        }
        first = last;
    }
    bins
}

/// The bins that a fit goes by, and what is linear in it; "whitened" is what is left independent of how scenes stray.
struct Spectrum<'a> {
    bins: Vec<&'a Bin>,
    root: Vec<Vec<f64>>,
    /// `ln` of the signal without telescope and pixel.
    values: Vec<f64>,
    flat: Vec<f64>,
    steep: Vec<f64>,
    whitened: Vec<f64>,
    ones: Vec<f64>,
    slopes: Vec<f64>,
}

impl<'a> Spectrum<'a> {
    /// Of the `bins` below `cutoff` (cycles per px of the stack); `None` where they are too few.
    fn new(bins: &'a [Bin], cutoff: f64, instrument: &Instrument<'_>) -> Option<Spectrum<'a>> {
        let bins: Vec<&Bin> = bins.iter().take_while(|bin| bin.f <= 0.95 * cutoff).collect();
        if bins.len() < FEWEST_BINS {
            return None;
        }
        let ln_f: Vec<f64> = bins.iter().map(|bin| bin.f.ln()).collect();
        let root = cholesky(bins.len(), |i, j| {
            let stray = 4.0 * STRAY.powi(2) * (-(ln_f[i] - ln_f[j]).abs() / STRAY_REACH).exp();
            if i == j { stray + bins[i].variance + BIN_SCATTER.powi(2) } else { stray }
        })?;
        let value = |bin: &&Bin| {
            let telescope = annular_mtf(bin.f / cutoff, instrument.obstruction).max(1e-9);
            let pixel = pixel_share(bin.f * instrument.pixel_px).max(1e-9);
            bin.ln_signal - 2.0 * (telescope * pixel).ln()
        };
        let values: Vec<f64> = bins.iter().map(value).collect();
        let flat = vec![1.0; bins.len()];
        let steep: Vec<f64> = ln_f.iter().map(|l| -2.0 * l).collect();
        let [whitened, ones, slopes] =
            [&values, &flat, &steep].map(|column| forward(&root, column.clone()));
        Some(Spectrum { bins, root, values, flat, steep, whitened, ones, slopes })
    }

    /// What a blur of this reach takes off `ln S` for a depth of 1: as it is, and whitened.
    fn fallen(&self, cutoff: f64, expected: &Expected, reach: f64) -> [Vec<f64>; 2] {
        let fallen = |bin: &&Bin| -2.0 * expected.fallen(bin.f / cutoff, reach);
        let bare: Vec<f64> = self.bins.iter().map(fallen).collect();
        [bare.clone(), forward(&self.root, bare)]
    }

    /// The law of this level, slope and depth, and how far it is from the spectrum and from what is expected.
    fn law(
        &self,
        found: [f64; 3],
        [bare, blurs]: &[Vec<f64>; 2],
        expected: &Expected,
        reach: f64,
    ) -> Law {
        let squares = |columns: [&[f64]; 3], values: &[f64]| -> f64 {
            let fitted = |i: usize| (0..3).map(|k| columns[k][i] * found[k]).sum::<f64>();
            values.iter().enumerate().map(|(i, value)| (value - fitted(i)).powi(2)).sum()
        };
        let (expected_depth, depth_scatter) = expected.depth(reach);
        let [ln_power, slope, depth] = found;
        let misfit = squares([&self.ones, &self.slopes, blurs], &self.whitened)
            + ((slope - expected.slope) / expected.slope_scatter).powi(2)
            + ((depth - expected_depth) / depth_scatter).powi(2);
        let plain = squares([&self.flat, &self.steep, bare], &self.values);
        let scatter = (plain / self.bins.len() as f64).sqrt();
        let rings = self.bins.iter().map(|bin| bin.rings).sum();
        let (exponent, relief) = (expected.exponent, expected.relief);
        Law { ln_power, slope, depth, reach, exponent, relief, misfit, scatter, rings }
    }
}

/// `ln S = ln_power - 2 slope ln f + 2 ln (M P) - 2 depth (1 - relief f / cutoff) (1 - exp(-(f / (reach cutoff))^exponent))`.
struct Law {
    ln_power: f64,
    slope: f64,
    depth: f64,
    reach: f64,
    exponent: f64,
    relief: f64,
    misfit: f64,
    scatter: f64,
    rings: usize,
}

impl Law {
    /// The blur, for a telescope of this cut-off (cycles per px of the stack).
    fn blur(&self, cutoff: f64) -> ResidualBlur {
        ResidualBlur::with_depth(self.depth, self.reach * cutoff, self.exponent)
            .with_relief(self.relief, cutoff)
    }
}

fn fit_with_cutoff(
    bins: &[Bin],
    cutoff: f64,
    instrument: &Instrument<'_>,
    expected: &Expected,
) -> Option<Law> {
    let spectrum = Spectrum::new(bins, cutoff, instrument)?;
    let fit = |(reach, cost): (f64, f64)| {
        let fallen = spectrum.fallen(cutoff, expected, reach);
        let found = least_squares(&spectrum, &fallen, expected, reach)?;
        let law = spectrum.law(found, &fallen, expected, reach);
        let law = Law { misfit: law.misfit + cost, ..law };
        law.misfit.is_finite().then_some(law)
    };
    expected.reaches().into_iter().filter_map(fit).min_by(|p, q| p.misfit.total_cmp(&q.misfit))
}

/// What is expected before the spectrum is looked at.
struct Expected {
    slope: f64,
    slope_scatter: f64,
    exponent: f64,
    /// Share of the fall that is gone at the cut-off.
    relief: f64,
    /// What the frames tell of the blur, if anything.
    told: Option<Told>,
}

impl Expected {
    fn new(instrument: &Instrument<'_>, cutoff: f64, sky: Option<Sky>) -> Expected {
        // A capture pixel is so many px of the stack.
        let cutoff_px = cutoff * instrument.pixel_px;
        let disc = sky.is_some();
        let law = if disc { air::DISC } else { air::GROUND };
        let told = |unrest: &Unrest| air::told(unrest, cutoff_px, law);
        let told = instrument.unrest.and_then(told);
        let (slope, slope_scatter) = match (disc, told) {
            (true, Some(_)) => (TOLD_DISC_SLOPE, TOLD_SLOPE_SCATTER),
            (true, None) => (DISC_SLOPE, SLOPE_SCATTER),
            (false, Some(_)) => (SLOPE, TOLD_SLOPE_SCATTER),
            (false, None) => (SLOPE, SLOPE_SCATTER),
        };
        let (exponent, relief) =
            told.map_or((ResidualBlur::STACK_EXPONENT, 0.0), |told| (told.exponent, told.relief));
        Expected { slope, slope_scatter, exponent, relief, told }
    }

    /// How far the blur has fallen, 0 to 1, at a share of the cut-off.
    fn fallen(&self, share: f64, reach: f64) -> f64 {
        relieved(self.relief * share) * (1.0 - (-(share / reach).powf(self.exponent)).exp())
    }

    /// The slope, and how much weight that has.
    fn slope(&self) -> (f64, f64) {
        (self.slope, self.slope_scatter.powi(-2))
    }

    /// Depth of a blur of that reach, and its scatter.
    fn depth(&self, reach: f64) -> (f64, f64) {
        self.told.map_or((DEPTH, DEPTH_SCATTER), |told| {
            let fallen = self.fallen(TOLD_AT, reach);
            (told.depth / fallen, told.scatter / fallen)
        })
    }

    /// The reaches to be tried, and what each costs.
    fn reaches(&self) -> Vec<(f64, f64)> {
        let cost = |reach: f64| ((reach - REACH) / REACH_SCATTER).powi(2);
        let all = REACHES.step_by(2).map(|percent| 0.01 * f64::from(percent));
        self.told
            .map_or_else(|| all.map(|reach| (reach, cost(reach))).collect(), |told| told.reaches())
    }
}

/// Level, slope and depth by least squares, with the priors of slope and depth; the depth not
/// below 0.
fn least_squares(
    spectrum: &Spectrum<'_>,
    [_, blurs]: &[Vec<f64>; 2],
    expected: &Expected,
    reach: f64,
) -> Option<[f64; 3]> {
    let Spectrum { whitened, ones, slopes, .. } = spectrum;
    let (depth, depth_scatter) = expected.depth(reach);
    let depth = (depth, depth_scatter.powi(-2));
    let found = solved(&[ones, slopes, blurs], whitened, &[expected.slope(), depth])?;
    if found[2] > 0.0 {
        return Some([found[0], found[1], found[2]]);
    }
    let found = solved(&[ones, slopes], whitened, &[expected.slope()])?;
    Some([found[0], found[1], 0.0])
}

/// What of each of `columns` makes up `values` by least squares; `priors` are mean and weight of all but the first.
fn solved(columns: &[&Vec<f64>], values: &[f64], priors: &[(f64, f64)]) -> Option<Vec<f64>> {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let free = columns.len();
    let products = columns.iter().flat_map(|a| columns.iter().map(|b| dot(a, b)));
    let mut matrix: Vec<f64> = products.collect();
    let mut right: Vec<f64> = columns.iter().map(|column| dot(column, values)).collect();
    for (k, (mean, weight)) in (1..free).zip(priors) {
        matrix[k * free + k] += weight;
        right[k] += mean * weight;
    }
    solve(&matrix, &right)
}

/// Lower triangular root of a symmetric positive definite matrix, row by row.
fn cholesky(n: usize, matrix: impl Fn(usize, usize) -> f64) -> Option<Vec<Vec<f64>>> {
    let mut root: Vec<Vec<f64>> = Vec::with_capacity(n);
    for i in 0..n {
        let mut row = Vec::with_capacity(i + 1);
        for (j, above) in root.iter().enumerate() {
            let known: f64 = row.iter().zip(above).map(|(a, b): (&f64, &f64)| a * b).sum();
            row.push((matrix(i, j) - known) / above[j]);
        }
        let rest = matrix(i, i) - row.iter().map(|v| v * v).sum::<f64>();
        if rest.is_nan() || rest <= 0.0 {
            return None;
        }
        row.push(rest.sqrt());
        root.push(row);
    }
    Some(root)
}

/// Solve `root x = values`.
fn forward(root: &[Vec<f64>], mut values: Vec<f64>) -> Vec<f64> {
    for (i, row) in root.iter().enumerate() {
        let known: f64 = row[..i].iter().zip(&values).map(|(r, v)| r * v).sum();
        values[i] = (values[i] - known) / row[i];
    }
    values
}
