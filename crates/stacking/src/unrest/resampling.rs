//! What resampling leaves of white noise.

use crate::spline::taps;
use std::f64::consts::PI;

/// Mean of `along(fx) along(fy)` over the directions.
pub(super) fn around(frequency: f64, along: fn(f64) -> f64) -> f64 {
    const DIRECTIONS: u32 = 8;
    let at = |k: u32| {
        let (sin, cos) = ((f64::from(k) + 0.5) * PI / 2.0 / f64::from(DIRECTIONS)).sin_cos();
        along(frequency * cos) * along(frequency * sin)
    };
    (0..DIRECTIONS).map(at).sum::<f64>() / f64::from(DIRECTIONS)
}

/// Share of white noise that interpolation leaves, along one axis: mean over all places between samples.
pub(super) fn spline(frequency: f64) -> f64 {
    const PHASES: u8 = 16;
    let power = |phase: u8| {
        let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
        for (k, tap) in (0_u8..).zip(taps((f32::from(phase) + 0.5) / f32::from(PHASES))) {
            let (sin, cos) = (2.0 * PI * frequency * f64::from(k)).sin_cos();
            let tap = f64::from(tap);
            (re, im, sum) = (re + tap * cos, im + tap * sin, sum + tap);
        }
        (re * re + im * im) / (sum * sum)
    };
    (0..PHASES).map(power).sum::<f64>() / f64::from(PHASES)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resampling_leaves_coarse_noise_and_takes_fine() {
        assert!((spline(0.0) - 1.0).abs() < 1e-12);
        assert!((around(0.0, spline) - 1.0).abs() < 1e-12);
        // A place on a sample keeps the finest wave, one between two of them has none of it.
        assert!(spline(0.1) > 0.85 && spline(0.5) < 0.51);
        // Over all frequencies: the mean of the sum of squared taps, which the noise of drizzled and interpolated pixels is told by.
        let mean = (0..400).map(|k| spline((f64::from(k) + 0.5) / 800.0)).sum::<f64>() / 400.0;
        let squares = f64::from(crate::drizzle::noise_ratio(None, 4.0)) / 4.0;
        assert!((mean * squares - 1.0).abs() < 2e-3, "{mean} {squares}");
    }
}
