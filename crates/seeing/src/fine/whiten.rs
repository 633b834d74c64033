//! A reference whose waves weigh alike as far as frames show them.

use crate::fourier::{Complex32, Fourier, FourierWork};
use crate::raster::Raster;
use crate::template::taper;

/// Waves of this many times the noise of a frame are halved, stronger ones in proportion to their power.
const HALVED_AT: f64 = 10.0;

/// Rings from 0 to the corners, the last of them beyond.
const RINGS: usize = 128;

/// Share of the length that fades out at either end before powers are told.
const FADE: f32 = 0.12;

/// `light` with each wave times `1 / (1 + P / (10 N))`: `P` is the mean power of its waves of that frequency, `N` a frame's
/// `noise_variance`, both a px. (Waves are worth their power over what frame and reference differ by, which is noise and,
/// where waves are strong, a share of the wave.)
pub(super) fn whitened(light: &Raster, noise_variance: f32) -> Raster {
    let (width, height) = (light.width, light.height);
    let mut out = light.clone();
    if out.values.is_empty() {
        return out;
    }
    let fourier = Fourier::new(width, height);
    let mut work = FourierWork::default();
    let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
    let mean = light.mean();
    let (across, down) = (taper(width, FADE), taper(height, FADE));
    for (row, down) in out.values.chunks_exact_mut(width).zip(&down) {
        row.iter_mut().zip(&across).for_each(|(v, across)| *v = (*v - mean) * across * down);
    }
    fourier.forward(&mut out.values, &mut spectrum, &mut work);
    let squares = |fade: &[f32]| fade.iter().map(|f| f64::from(f * f)).sum::<f64>();
    let gains = gains(
        &fourier,
        &spectrum,
        squares(&across) * squares(&down) * HALVED_AT * f64::from(noise_variance).max(1e-18),
    );
    out.values.iter_mut().zip(&light.values).for_each(|(out, light)| *out = light - mean);
    fourier.forward(&mut out.values, &mut spectrum, &mut work);
    for u in 0..fourier.columns() {
        for v in 0..height {
            let at = (ring(&fourier, u, v) - 0.5).clamp(0.0, (RINGS - 2) as f32);
            let (k, t) = (at as usize, at.fract());
            spectrum[u * height + v] *= gains[k] + t * (gains[k + 1] - gains[k]);
        }
    }
    fourier.inverse(&mut spectrum, &mut out.values, &mut work);
    out
}

/// Ring of a wave, whole numbers at their inner ends: half a cycle per px is at half of all.
fn ring(fourier: &Fourier, u: usize, v: usize) -> f32 {
    let (fx, fy) = fourier.frequency(u, v);
    fx.hypot(fy) * RINGS as f32
}

/// For each ring, `1 / (1 + power / halved_at)`.
fn gains(fourier: &Fourier, spectrum: &[Complex32], halved_at: f64) -> Vec<f32> {
    let mut rings = vec![(0.0f64, 0.0f64); RINGS];
    for u in 0..fourier.columns() {
        for v in 0..fourier.height {
            let (power, count) = &mut rings[(ring(fourier, u, v) as usize).min(RINGS - 1)];
            *power += f64::from(spectrum[u * fourier.height + v].norm_sqr());
            *count += 1.0;
        }
    }
    let gain = |(power, count): (f64, f64)| 1.0 / (1.0 + power / count.max(1.0) / halved_at);
    rings.into_iter().map(|r| gain(r) as f32).collect()
}
