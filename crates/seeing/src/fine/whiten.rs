//! A reference whose waves weigh alike as far as frames show them.

use crate::fourier::{Complex32, Fourier};
use crate::raster::Raster;
use crate::template::taper;
use rayon::prelude::*;

/// Waves of this many times the noise of a frame are halved, stronger ones in proportion to their power.
const HALVED_AT: f64 = 10.0;

/// Rings from 0 to the corners, the last of them beyond.
const RINGS: usize = 128;

/// Share of the length that fades out at either end before powers are told.
const FADE: f32 = 0.12;

/// Px of a picture whose powers are told from all of it; those of a larger one are told from parts of it, whose sides are
/// quick to transform.
const TOLD_WHOLE: usize = 4 << 20;

/// Sides of those parts, px. Larger: longer; smaller: the fading takes more of each.
const PART_PX: usize = 1024;

/// `light` with each wave times `1 / (1 + P / (10 N))`: `P` is the mean power of its waves of that frequency, `N` a frame's
/// `noise_variance`, both a px. (Waves are worth their power over what frame and reference differ by, which is noise and,
/// where waves are strong, a share of the wave.)
pub(super) fn whitened(light: &Raster, noise_variance: f32) -> Raster {
    let (width, height) = (light.width, light.height);
    let mut out = light.clone();
    if out.values.is_empty() {
        return out;
    }
    let mean = light.mean();
    let halved_at = HALVED_AT * f64::from(noise_variance).max(1e-18);
    let gains = gains(&powers(light, mean), halved_at);
    let fourier = Fourier::new(width, height);
    let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
    out.values.iter_mut().for_each(|v| *v -= mean);
    fourier.forward_wide(&mut out.values, &mut spectrum);
    spectrum.par_chunks_exact_mut(height).enumerate().for_each(|(u, column)| {
        for (v, wave) in column.iter_mut().enumerate() {
            let at = (ring(&fourier, u, v) - 0.5).clamp(0.0, (RINGS - 2) as f32);
            let (k, t) = (at as usize, at.fract());
            *wave *= gains[k] + t * (gains[k + 1] - gains[k]);
        }
    });
    fourier.inverse_wide(&mut spectrum, &mut out.values);
    out
}

/// Mean power a px in each ring, of all of a picture or, where that is large, of its four quarters' middles.
fn powers(light: &Raster, mean: f32) -> Vec<f64> {
    let (width, height) = (light.width, light.height);
    let whole = width * height <= TOLD_WHOLE;
    let size = if whole { (width, height) } else { (width.min(PART_PX), height.min(PART_PX)) };
    let corners = |n: usize, part: usize| {
        let far = n - part;
        if far == 0 { vec![0] } else { vec![far / 4, far - far / 4] }
    };
    let (lefts, tops) = (corners(width, size.0), corners(height, size.1));
    let fourier = Fourier::new(size.0, size.1);
    let (across, down) = (taper(size.0, FADE), taper(size.1, FADE));
    let squares = |fade: &[f32]| fade.iter().map(|f| f64::from(f * f)).sum::<f64>();
    let of_taper = squares(&across) * squares(&down);
    let mut rings = vec![(0.0f64, 0.0f64); RINGS];
    let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
    for (left, top) in tops.iter().flat_map(|top| lefts.iter().map(move |left| (*left, *top))) {
        let mut part = Vec::with_capacity(size.0 * size.1);
        for (y, down) in down.iter().enumerate() {
            let row = &light.row(top + y)[left..left + size.0];
            part.extend(row.iter().zip(&across).map(|(v, across)| (v - mean) * across * down));
        }
        fourier.forward_wide(&mut part, &mut spectrum);
        for u in 0..fourier.columns() {
            for v in 0..fourier.height {
                let (power, count) = &mut rings[(ring(&fourier, u, v) as usize).min(RINGS - 1)];
                *power += f64::from(spectrum[u * fourier.height + v].norm_sqr());
                *count += 1.0;
            }
        }
    }
    rings.into_iter().map(|(power, count)| power / count.max(1.0) / of_taper).collect()
}

/// Ring of a wave, whole numbers at their inner ends: half a cycle per px is at half of all.
fn ring(fourier: &Fourier, u: usize, v: usize) -> f32 {
    let (fx, fy) = fourier.frequency(u, v);
    fx.hypot(fy) * RINGS as f32
}

/// For each ring, `1 / (1 + power / halved_at)`.
fn gains(powers: &[f64], halved_at: f64) -> Vec<f32> {
    powers.iter().map(|power| (1.0 / (1.0 + power / halved_at)) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Waves of all directions, stronger the coarser they are, and noise.
    fn scene(width: usize, height: usize) -> Raster {
        let waves: Vec<(f32, f32, f32, f32)> = (1u8..40)
            .map(|k| {
                let (angle, cycles_per_px) = (f32::from(k) * 2.4, f32::from(k) / 100.0);
                let (sin, cos) = angle.sin_cos();
                let radians = std::f32::consts::TAU * cycles_per_px;
                (radians * cos, radians * sin, angle, 0.02 / f32::from(k))
            })
            .collect();
        let mut state = 5u64;
        let mut values = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let noise = (state >> 40) as f32 / (1u64 << 24) as f32 - 0.5;
                let sum = waves
                    .iter()
                    .map(|(a, b, phase, size)| size * (a * x as f32 + b * y as f32 + phase).sin());
                values.push(0.4 + sum.sum::<f32>() + 0.002 * noise);
            }
        }
        Raster { width, height, values }
    }

    #[test]
    fn parts_of_a_large_picture_tell_its_powers() {
        let large = scene(2300, 1900);
        assert!(large.values.len() > TOLD_WHOLE);
        let mean = large.mean();
        let told = powers(&large, mean);
        let (left, top) = (700, 500);
        let rows = (0..1024).flat_map(|y| large.row(top + y)[left..left + 1024].iter().copied());
        let middle = Raster { width: 1024, height: 1024, values: rows.collect() };
        let known = powers(&middle, mean);
        for (k, (told, known)) in told.iter().zip(&known).enumerate().take(RINGS / 2) {
            assert!((told / known).ln().abs() < 0.25, "{k}: {told} {known}");
        }
    }
}
