//! The noise of a stack: how strong at which brightness, and how it spreads over spatial
//! frequency.
//!
//! Both come from half the difference of the half stacks. Resampling makes noise smoother than
//! white, so the white-noise table of the wavelet scales would be wrong; with the measured
//! spectrum the noise of every scale follows exactly. Shot noise grows with brightness, so the
//! variance is a line over brightness, fitted robustly.

use super::atrous::{smooth, smoothing_transfer};
use super::grid::{GRID, grid_frequency, ring_value};
use crate::halves::{HalfCorrelation, sigma_of};
use ndarray::ArrayView2;
use serde::Serialize;

/// Noise of one channel of the stack (the mean of both halves).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoiseModel {
    /// Variance of a black pixel, in squared units of the picture.
    pub dark_variance: f64,
    /// Growth of the variance with brightness, in units of the picture.
    pub variance_per_brightness: f64,
    /// Lowest variance that was found anywhere; the line is not followed below it.
    pub least_variance: f64,
    /// Mean brightness of the channel.
    pub mean_brightness: f64,
    /// Ring centres, cycles per px.
    pub frequency: Vec<f64>,
    /// Noise power of each ring as a multiple of that of white noise of the same variance.
    pub spectrum: Vec<f64>,
}

/// Bins of equal numbers of pixels over brightness.
const BINS: usize = 32;
/// Pixels that the line is fitted to at most.
const SAMPLES: usize = 1_000_000;

impl NoiseModel {
    /// White noise of the given standard deviation, at every brightness.
    pub fn white(sigma: f64) -> NoiseModel {
        NoiseModel {
            dark_variance: sigma * sigma,
            variance_per_brightness: 0.0,
            least_variance: sigma * sigma,
            mean_brightness: 0.0,
            frequency: vec![0.0, 0.5],
            spectrum: vec![1.0, 1.0],
        }
    }

    /// Measure the noise of `mean` (one channel of the stack) from its halves.
    ///
    /// `correlation` gives the spectrum and the share of noise that the halves have in common,
    /// which half their difference cannot show.
    pub fn measure(
        mean: ArrayView2<'_, f32>,
        a: ArrayView2<'_, f32>,
        b: ArrayView2<'_, f32>,
        correlation: &HalfCorrelation,
    ) -> NoiseModel {
        let (bright, variance) = variance_over_brightness(mean, a, b);
        let shared = 1.0 + 2.0 * correlation.floor / (1.0 - correlation.floor);
        let variance: Vec<f64> = variance.iter().map(|v| v * shared).collect();
        let (dark, slope) = line(&bright, &variance);
        let least = variance.iter().copied().fold(f64::INFINITY, f64::min);
        let spectrum = smoothed(&correlation.noise_power, &correlation.count);
        let total = grid_mean(|f| ring_value(&correlation.frequency, &spectrum, f));
        let spectrum = spectrum.iter().map(|v| if total > 0.0 { v / total } else { 1.0 });
        NoiseModel {
            dark_variance: dark,
            variance_per_brightness: slope,
            least_variance: if least.is_finite() { least } else { 0.0 },
            mean_brightness: bright.iter().sum::<f64>() / bright.len().max(1) as f64,
            frequency: correlation.frequency.clone(),
            spectrum: spectrum.collect(),
        }
    }

    /// The noise after a linear filter of gain `gain(frequency)`: only the spectrum changes, so
    /// it is then relative to white noise of the variance *before* the filter.
    pub fn filtered(&self, gain: impl Fn(f64) -> f64) -> NoiseModel {
        // Rings of the model may be coarser than the filter's features: take enough of them.
        let rings = 256;
        let frequency: Vec<f64> =
            (0..=rings).map(|k| f64::from(k) * 0.75 / f64::from(rings)).collect();
        let power = |f: &f64| ring_value(&self.frequency, &self.spectrum, *f) * gain(*f).powi(2);
        let spectrum = frequency.iter().map(power).collect();
        NoiseModel { frequency, spectrum, ..self.clone() }
    }

    /// Variance of a pixel of the given brightness.
    pub fn variance(&self, brightness: f64) -> f64 {
        (self.dark_variance + self.variance_per_brightness * brightness).max(self.least_variance)
    }

    /// Variance of each of `scales` detail scales as a share of the pixel variance, for a
    /// picture that was first smoothed by a Gaussian of standard deviation `smooth_px`.
    pub fn scale_shares(&self, scales: usize, smooth_px: f64) -> Vec<f64> {
        let axis: Vec<Vec<f64>> = (0..=scales)
            .map(|j| {
                let transfer = |i| {
                    let f = grid_frequency(i);
                    smoothing_transfer(j, f) * gaussian_transfer(smooth_px, f)
                };
                (0..GRID).map(transfer).collect()
            })
            .collect();
        let mut shares = vec![0.0; scales];
        for y in 0..GRID {
            for x in 0..GRID {
                let f = grid_frequency(x).hypot(grid_frequency(y));
                let power = ring_value(&self.frequency, &self.spectrum, f);
                for (j, share) in shares.iter_mut().enumerate() {
                    let band = axis[j][x] * axis[j][y] - axis[j + 1][x] * axis[j + 1][y];
                    *share += power * band * band;
                }
            }
        }
        shares.iter().map(|s| s / (GRID * GRID) as f64).collect()
    }
}

/// Transfer of a Gaussian of standard deviation `sigma_px` along one axis.
pub(crate) fn gaussian_transfer(sigma_px: f64, frequency: f64) -> f64 {
    (-2.0 * (std::f64::consts::PI * sigma_px * frequency).powi(2)).exp()
}

fn grid_mean(value: impl Fn(f64) -> f64) -> f64 {
    let mut sum = 0.0;
    for y in 0..GRID {
        for x in 0..GRID {
            sum += value(grid_frequency(x).hypot(grid_frequency(y)));
        }
    }
    sum / (GRID * GRID) as f64
}

/// Mean over seven rings, weighted by their counts.
pub(crate) fn smoothed(values: &[f64], counts: &[f64]) -> Vec<f64> {
    let window = |k: usize| k.saturating_sub(3)..(k + 4).min(values.len());
    let mean = |k: usize| {
        let weight: f64 = window(k).map(|i| counts[i]).sum();
        window(k).map(|i| counts[i] * values[i]).sum::<f64>() / weight.max(1e-12)
    };
    (0..values.len()).map(mean).collect()
}

/// Brightness and robust variance of half the difference, in bins of equal numbers of pixels.
fn variance_over_brightness(
    mean: ArrayView2<'_, f32>,
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
) -> (Vec<f64>, Vec<f64>) {
    let (height, width) = mean.dim();
    if height == 0 || width == 0 {
        return (Vec::new(), Vec::new());
    }
    // The noise of the pixel itself must not choose its bin: brightness is smoothed first.
    let clean = |v: f32| if v.is_finite() { v } else { 0.0 };
    let mut first: Vec<f32> = mean.iter().map(|v| clean(*v)).collect();
    let mut second = vec![0.0; first.len()];
    smooth(&first, &mut second, width, 1);
    smooth(&second, &mut first, width, 2);
    let step = ((height * width) as f64 / SAMPLES as f64).sqrt().ceil().max(1.0) as usize;
    let mut pairs = Vec::with_capacity((height / step + 1) * (width / step + 1));
    for y in (0..height).step_by(step) {
        for x in (0..width).step_by(step) {
            let difference = 0.5 * (clean(a[[y, x]]) - clean(b[[y, x]]));
            pairs.push((first[y * width + x], difference));
        }
    }
    pairs.sort_by(|p, q| p.0.total_cmp(&q.0));
    let bins = BINS.min(pairs.len() / 64).max(1);
    let mut bright = Vec::with_capacity(bins);
    let mut variance = Vec::with_capacity(bins);
    for bin in 0..bins {
        let part = &pairs[bin * pairs.len() / bins..(bin + 1) * pairs.len() / bins];
        let centre = part.iter().map(|p| f64::from(p.0)).sum::<f64>() / part.len() as f64;
        let mut differences: Vec<f32> = part.iter().map(|p| p.1).collect();
        bright.push(centre);
        variance.push(f64::from(sigma_of(&mut differences)).powi(2));
    }
    (bright, variance)
}

/// Line of variance over brightness, neither part below 0; relative errors count alike.
fn line(bright: &[f64], variance: &[f64]) -> (f64, f64) {
    let typical = variance.iter().sum::<f64>() / variance.len().max(1) as f64;
    if typical.is_nan() || typical <= 0.0 {
        return (0.0, 0.0);
    }
    let (mut w, mut wx, mut wxx, mut wy, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y) in bright.iter().zip(variance) {
        let weight = 1.0 / (y + 0.1 * typical).powi(2);
        w += weight;
        wx += weight * x;
        wxx += weight * x * x;
        wy += weight * y;
        wxy += weight * x * y;
    }
    let determinant = w * wxx - wx * wx;
    if determinant > 1e-9 * w * wxx {
        let slope = (w * wxy - wx * wy) / determinant;
        let dark = (wy - slope * wx) / w;
        if slope >= 0.0 && dark >= 0.0 {
            return (dark, slope);
        }
        if slope > 0.0 && wxx > 0.0 {
            return (0.0, (wxy / wxx).max(0.0));
        }
    }
    (wy / w, 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finish::atrous::noise_table;

    #[test]
    fn white_noise_has_the_shares_of_the_table() {
        let shares = NoiseModel::white(0.01).scale_shares(6, 0.0);
        for (share, sigma) in shares.iter().zip(noise_table(6)) {
            assert!((share.sqrt() / sigma - 1.0).abs() < 1e-9, "{share} {sigma}");
        }
    }

    #[test]
    fn a_line_is_found_and_kept_above_zero() {
        let bright: Vec<f64> = (0..20).map(|i| i as f64 * 0.05).collect();
        let variance: Vec<f64> = bright.iter().map(|b| 2e-6 + 3e-6 * b).collect();
        let (dark, slope) = line(&bright, &variance);
        assert!((dark / 2e-6 - 1.0).abs() < 1e-9 && (slope / 3e-6 - 1.0).abs() < 1e-9);
        let falling: Vec<f64> = bright.iter().map(|b| 2e-6 - 1e-6 * b).collect();
        let (dark, slope) = line(&bright, &falling);
        assert!(dark > 0.0 && slope == 0.0);
        assert_eq!(line(&[], &[]), (0.0, 0.0));
        assert_eq!(line(&[0.1], &[0.0]), (0.0, 0.0));
    }
}
