//! How fine the detail of a stack is, place by place.
//!
//! The halves are compared in overlapping windows ([`crate::halves`]); the detail of a window is the period at which
//! its ring correlation falls below the half-bit curve (van Heel & Schatz, J. Struct. Biol. 151, 250, 2005). A window has few
//! coefficients a ring, so chance alone would carry some rings above any fixed threshold and others below:
//! the curve rises where coefficients are few, and counts those that are independent under the window. Windows fade
//! out to their edges, or what crosses the edges would pass for detail; the correlation that is found where only noise
//! can be is that of the whole picture.

use crate::halves::{HalvesSettings, Region, correlate_while, correlate_window};
use ndarray::{Array2, Array3, ArrayView2};
use rayon::prelude::*;
use stillwright_picture::{Cancelled, Picture, Progress};

/// Side of a window, px of the capture: it fades out to its edges, so that about half of it counts. Smaller: rings hold too few
/// coefficients to tell the detail to 15 %; larger: places of unlike detail are thrown together.
const WINDOW_PX: f32 = 96.0;

/// Windows a window's side apart.
const OVERLAP: usize = 4;

/// Detail place by place.
#[derive(Clone, Debug)]
pub struct DetailMap {
    /// One channel of the stack's size: period of the finest detail that both halves show (a bright and a dark line
    /// together), px of the stack, at least 2; not a number where there is too little structure to tell.
    pub picture: Picture,
    /// Side of the windows, px of the stack.
    pub window_px: usize,
}

/// What the detail of the light of two half stacks is at each place; `None` where they are smaller than a window, or differ in
/// size. `scale` is px of the stack to the px of the capture.
///
/// # Errors
/// When cancelled.
pub fn detail_map(
    halves: [&Picture; 2],
    scale: f32,
    progress: &dyn Progress,
) -> Result<Option<DetailMap>, Cancelled> {
    let [a, b] = halves.map(Picture::luminance);
    let (height, width) = a.dim();
    let side = ((WINDOW_PX * scale / 2.0).round() as usize * 2).max(32);
    if a.dim() != b.dim() || side > height || side > width {
        return Ok(None);
    }
    progress.check()?;
    let whole = correlate_while(a.view(), b.view(), &HalvesSettings::default(), progress);
    let floor = whole.map_or(0.0, |halves| halves.floor);
    progress.check()?;
    let step = side / OVERLAP;
    let count = |n: usize| (n - side) / step + 1;
    // The last window ends with the picture.
    let first = |i: usize, n: usize| if i + 1 == count(n) { n - side } else { i * step };
    let (rows, columns) = (count(height), count(width));
    let periods: Vec<f32> = (0..rows * columns)
        .into_par_iter()
        .map(|window| {
            let (top, left) = (first(window / columns, height), first(window % columns, width));
            let region = Region { left, top, width: side, height: side };
            period(a.view(), b.view(), region, floor, progress)
        })
        .collect::<Result<_, Cancelled>>()?;
    let centre = |i: usize, n: usize| first(i, n) as f32 + (side as f32 - 1.0) / 2.0;
    let centres = |of: usize, n: usize| (0..of).map(|i| centre(i, n)).collect::<Vec<f32>>();
    let (across, down) = (centres(columns, width), centres(rows, height));
    let periods = Array2::from_shape_fn((rows, columns), |(j, i)| periods[j * columns + i]);
    let along: Vec<_> = (0..width).map(|x| between(&across, x as f32)).collect();
    let mut planes = Array3::zeros((1, height, width));
    planes.outer_iter_mut().for_each(|mut plane| {
        plane.outer_iter_mut().into_par_iter().enumerate().for_each(|(y, row)| {
            let vertical = between(&down, y as f32);
            row.into_iter().zip(&along).for_each(|(out, across)| {
                *out = blended(&periods, vertical, *across);
            });
        });
    });
    Ok(Some(DetailMap { picture: Picture { planes }, window_px: side }))
}

/// The detail of one window, px; not a number where it cannot be told.
fn period(
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    region: Region,
    floor: f64,
    progress: &dyn Progress,
) -> Result<f32, Cancelled> {
    let halves = correlate_window(a, b, region, floor, progress)?;
    let to_the_end = halves.frc_falling.last().is_some_and(|frc| *frc > 0.5);
    Ok(match halves.at_half_bit {
        Some(crossing) => crossing.detail_px as f32,
        // A correlation that never falls is signal up to the finest period of pixels.
        None if to_the_end => 2.0,
        None => f32::NAN,
    })
}

/// The two of ascending `centres` around `at`, and the share of the second.
fn between(centres: &[f32], at: f32) -> (usize, usize, f32) {
    let last = centres.len() - 1;
    let second = centres.partition_point(|centre| *centre <= at).clamp(1, last.max(1)).min(last);
    let first = second.saturating_sub(1);
    let width = centres[second] - centres[first];
    let share = if width > 0.0 { ((at - centres[first]) / width).clamp(0.0, 1.0) } else { 0.0 };
    (first, second, share)
}

/// A value between four windows; those that tell nothing do not count, and nothing is told nearest to them.
fn blended(
    periods: &Array2<f32>,
    (top, below, fy): (usize, usize, f32),
    (left, right, fx): (usize, usize, f32),
) -> f32 {
    let corners = [
        (top, left, (1.0 - fx) * (1.0 - fy)),
        (top, right, fx * (1.0 - fy)),
        (below, left, (1.0 - fx) * fy),
        (below, right, fx * fy),
    ];
    let (mut sum, mut known) = (0.0, 0.0);
    for (j, i, share) in corners {
        let period = periods[[j, i]];
        if period.is_finite() {
            sum += share * period;
            known += share;
        }
    }
    if known > 0.5 { sum / known } else { f32::NAN }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finish::fourier::Fft2;
    use crate::halves::correlate_halves;
    use rustfft::num_complex::Complex;
    use stillwright_picture::Silent;

    const WIDTH: usize = 640;
    const HEIGHT: usize = 320;

    fn random(state: &mut u64) -> f64 {
        // The sum of four even numbers from SplitMix64: near enough to normal, of variance 1.
        let mut next = || {
            *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = *state;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        3f64.sqrt() * (0..4).map(|_| next()).sum::<f64>()
    }

    /// Ground whose amplitude falls as 1 / f, blurred by a Gaussian of `sigma_px`.
    fn ground(seed: u64, sigma_px: f64) -> Array2<f32> {
        let fft = Fft2::<f64>::new(HEIGHT, WIDTH);
        let mut state = seed;
        let mut samples: Vec<f64> = (0..WIDTH * HEIGHT).map(|_| random(&mut state)).collect();
        let mut spectrum = vec![Complex::new(0.0, 0.0); fft.spectrum_len()];
        fft.forward(&mut samples, &mut spectrum, &mut Vec::new(), &Silent).unwrap();
        for kx in 0..fft.half_width() {
            for ky in 0..HEIGHT {
                let f = fft.frequency(kx, ky);
                let blur = (-2.0 * (std::f64::consts::PI * sigma_px * f).powi(2)).exp();
                spectrum[kx * HEIGHT + ky] *= if f > 0.0 { 0.01 * blur / f } else { 0.0 };
            }
        }
        let mut out = vec![0.0; WIDTH * HEIGHT];
        fft.inverse(&mut spectrum, &mut out, &mut Vec::new(), &Silent).unwrap();
        Array2::from_shape_fn((HEIGHT, WIDTH), |(y, x)| 0.4 + out[y * WIDTH + x] as f32)
    }

    fn halves_of(ground: &Array2<f32>, sigma: f64, seed: u64) -> [Picture; 2] {
        [seed, seed + 1].map(|seed| {
            let mut state = seed;
            let noisy = ground.mapv(|v| v + (sigma * random(&mut state)) as f32);
            Picture { planes: noisy.insert_axis(ndarray::Axis(0)) }
        })
    }

    /// The left half of a picture blurred by 1 px, its right half by 3 px: the map tells both within 15 per cent of what the rings of
    /// the whole half, with forty times as many coefficients, say of each.
    #[test]
    fn the_half_that_is_blurred_more_has_the_coarser_detail() {
        for seed in [1, 2, 3] {
            let (sharp, soft) = (ground(seed, 1.0), ground(seed, 3.0));
            let mixed = Array2::from_shape_fn(sharp.dim(), |(y, x)| {
                if x < WIDTH / 2 { sharp[[y, x]] } else { soft[[y, x]] }
            });
            let [a, b] = halves_of(&mixed, 0.004, 100 + 10 * seed);
            let map = detail_map([&a, &b], 1.0, &Silent).unwrap().unwrap();
            let mut found = Vec::new();
            for (left, width) in [(0, WIDTH / 2), (WIDTH / 2, WIDTH / 2)] {
                let settings = HalvesSettings {
                    region: Some(Region { left, top: 0, width, height: HEIGHT }),
                    ..Default::default()
                };
                let whole = correlate_halves(a.plane(0), b.plane(0), &settings).unwrap();
                let whole = whole.at_half_bit.unwrap().detail_px;
                // A window's side away from the other half.
                let inner = ndarray::s![0, .., left + 64..left + width - 64];
                let values: Vec<f32> = map.picture.planes.slice(inner).iter().copied().collect();
                assert!(values.iter().all(|v| v.is_finite()));
                let mean = f64::from(values.iter().sum::<f32>()) / values.len() as f64;
                let off = values.iter().map(|v| (f64::from(*v) / whole - 1.0).powi(2));
                let rms = (off.sum::<f64>() / values.len() as f64).sqrt();
                println!(
                    "seed {seed}: {whole:.2} px by the whole half, {mean:.2} by windows, {rms:.3} rms"
                );
                assert!((mean / whole - 1.0).abs() < 0.15 && rms < 0.2, "{mean} {whole} {rms}");
                found.push(mean);
            }
            assert!(found[1] > 1.5 * found[0], "{found:?}");
        }
    }

    #[test]
    fn nothing_is_told_where_there_is_nothing_but_noise() {
        let [a, b] = halves_of(&Array2::from_elem((HEIGHT, WIDTH), 0.4), 0.004, 7);
        let map = detail_map([&a, &b], 1.0, &Silent).unwrap().unwrap();
        let told = map.picture.planes.iter().filter(|v| v.is_finite()).count();
        assert!(told * 20 < map.picture.planes.len(), "{told}");
        // Edges of the scene that cross a window are no detail: a steep slope without any.
        let slope = Array2::from_shape_fn((HEIGHT, WIDTH), |(y, x)| 0.001 * (x + y) as f32);
        let [a, b] = halves_of(&slope, 0.004, 9);
        let map = detail_map([&a, &b], 1.0, &Silent).unwrap().unwrap();
        let fine = map.picture.planes.iter().filter(|v| **v < 8.0).count();
        assert!(fine * 20 < map.picture.planes.len(), "{fine}");
        assert!(detail_map([&a, &Picture::black(1, 40, 40)], 1.0, &Silent).unwrap().is_none());
    }
}
