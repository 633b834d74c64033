//! The best isotropic filter, applied before the window.
//!
//! A window over a blurred picture is not the blur of a window over the sharp one: a gain per ring, fitted
//! to spectra under a window, cannot undo even a blur that is the same everywhere, and what it leaves over passed
//! for smear. So the gains that are found are turned into one smooth filter, laid on the
//! whole picture, and the filtered picture is put under the window; a second and third round undo what the first
//! fit missed.

use super::fourier::Fft2;
use super::rings::{Rings, fade, inside};
use ndarray::{Array2, ArrayView2};

/// Filters that are tried, each on top of the one before. The error of a disc's stack, whose least over
/// all filters (least squares over 40 of them) is 0.0109: 0.0282 without, then 0.0156, 0.0129, 0.0119, 0.0114;
/// of a close-up's, least 0.0119: 0.0157, 0.0119, 0.0119.
const ROUNDS: usize = 4;

/// What the best filter on `test` leaves over of the truth, under the window: the least of all rounds.
///
/// `truth` is the part of the truth inside the border, rows `stride` apart.
pub(super) fn least_error(
    test: ArrayView2<'_, f32>,
    border: usize,
    cutoff: f64,
    (truth, stride): (&[f64], usize),
) -> f64 {
    let rings = Rings::new(test, border, cutoff);
    let mut sums = rings.sums(truth, stride);
    let whole = Whole::of(test, border, rings.ring_frequency.get(1).copied().unwrap_or(1.0));
    let mut gain = vec![1.0; rings.ring_frequency.len()];
    let mut least = sums.error();
    for _ in 0..ROUNDS {
        gain.iter_mut().zip(sums.gains()).for_each(|(all, step)| *all *= step);
        sums = Rings::new(whole.filtered(&gain).view(), border, cutoff).sums(truth, stride);
        // `min` passes over what is not a number.
        least = least.min(sums.error());
    }
    least
}

/// The part of `test` that is an isotropic filter on the truth, its mean taken off: what is left of a still when noise, and
/// all that its blur differs by from place to place, is taken away. Both have one grid; beyond the cut-off,
/// and in the `border_px` on each side, it fades to 0. `None` where less than 32 px a side are left or the sizes differ.
pub fn even_part(
    truth: ArrayView2<'_, f32>,
    test: ArrayView2<'_, f32>,
    cutoff_cycles_per_px: f64,
    border_px: usize,
) -> Option<Array2<f32>> {
    let (values, stride) = inside(test, truth, border_px)?;
    let sums = |picture: ArrayView2<'_, f32>| {
        Rings::new(picture, border_px, cutoff_cycles_per_px).sums(&values, stride)
    };
    let rings = Rings::new(truth, border_px, cutoff_cycles_per_px);
    let whole = Whole::of(truth, border_px, rings.ring_frequency.get(1).copied().unwrap_or(1.0));
    let mut gain = vec![1.0; rings.ring_frequency.len()];
    let mut part = truth.to_owned();
    for _ in 0..ROUNDS {
        gain.iter_mut().zip(sums(part.view()).gains()).for_each(|(all, step)| *all *= step);
        part = whole.filtered(&gain);
    }
    Some(part)
}

/// The whole picture's spectrum.
struct Whole {
    fft: Fft2,
    spectrum: Vec<rustfft::num_complex::Complex64>,
    /// Distance of the rings, cycles per px.
    step: f64,
}

impl Whole {
    /// Of `test` without its mean, the border faded out: what lies there is not looked at.
    fn of(test: ArrayView2<'_, f32>, border: usize, step: f64) -> Whole {
        let (height, width) = test.dim();
        let mean = test.iter().map(|v| f64::from(*v)).sum::<f64>() / test.len() as f64;
        let (wx, wy) = (fade(width, border), fade(height, border));
        let values: Vec<f64> =
            test.indexed_iter().map(|((y, x), v)| (f64::from(*v) - mean) * wx[x] * wy[y]).collect();
        let fft = Fft2::new(width, height);
        let spectrum = fft.of(&values);
        Whole { fft, spectrum, step }
    }

    /// The picture with a gain per ring on it, linear between their middles and 0 beyond the last.
    fn filtered(&self, gain: &[f64]) -> Array2<f32> {
        let last = gain.len().saturating_sub(1);
        let mut spectrum = self.spectrum.clone();
        for (i, value) in spectrum.iter_mut().enumerate() {
            let (fx, fy) = self.fft.frequency(i);
            let at = fx.hypot(fy) / self.step;
            let first = at.floor() as usize;
            let share = at - first as f64;
            *value *= if first < last {
                (1.0 - share) * gain[first] + share * gain[first + 1]
            } else if first == last && share < 0.5 {
                gain[last]
            } else {
                0.0
            };
        }
        self.fft.back(&mut spectrum);
        let width = self.fft.width;
        Array2::from_shape_fn((self.fft.height, width), |(y, x)| spectrum[y * width + x].re as f32)
    }
}
