//! How far a picture is from the truth, sharpening set aside.
//!
//! Two pictures of the same scene cannot be compared pixel by pixel: one is blurred, the other
//! sharpened, brighter, shifted by a third of a pixel. So the judge first gives the picture
//! under test every help that needs no knowledge of the scene: the best shift as a whole, the
//! best offset, and per ring of spatial frequency the best gain (which contains the best overall
//! gain and any isotropic sharpening). What is left is what the picture *does not know*: noise,
//! ripples, smear that no filter can undo.
//!
//! With `T` and `S` the spectra of truth and test under one smooth window, the best gain of a
//! ring is `H = Re sum T S* / sum |S|^2` (least squares), and
//! `error = sqrt(sum |T - H S|^2 / sum |T|^2)` over the rings from just above 0 up to the
//! optical cut-off: 0 is the truth itself, 1 is a picture that knows nothing. Beside it stands the
//! error with one gain for all rings, which tells how sharp the picture is as it stands.
//!
//! The gains make one filter, which is laid on the picture before the window is (`filter`): under
//! the window alone, a truth that was blurred evenly and holds no noise seemed to lack up to 0.026 of itself.

mod filter;
mod fourier;
mod held;
mod ringing;
mod rings;
mod straight;

pub use filter::even_part;
use filter::least_error;
use fourier::Fft2;
pub use held::{Held, held};
use ndarray::ArrayView2;
pub use ringing::{Ringing, ringing};
use rings::{Comparison, Rings, fade};
pub use rings::{RingCorrelation, ring_correlation};
use rustfft::num_complex::Complex64;
pub use straight::{Field, straighten};

/// What the judge is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgeSettings {
    /// Highest frequency that counts, cycles per px: the optical cut-off D / lambda.
    pub cutoff_cycles_per_px: f64,
    /// Border of the test picture that is left out on each side, px.
    pub border_px: usize,
    /// Where the test's first pixel lies in the truth (x, y), where about known; the search then
    /// stays within [`JudgeSettings::reach_px`] of it.
    pub near: Option<(f64, f64)>,
    /// How far from `near` to look, px.
    pub reach_px: f64,
}

impl JudgeSettings {
    /// No guess, a border of 16 px.
    pub fn new(cutoff_cycles_per_px: f64) -> JudgeSettings {
        JudgeSettings { cutoff_cycles_per_px, border_px: 16, near: None, reach_px: 20.0 }
    }
}

/// The verdict.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Judged {
    /// What the best filter leaves over: 0 (the truth itself) to 1 (knows nothing).
    pub error: f64,
    /// The same with gain and offset fitted only, as one looks at the picture: blur and noise
    /// beyond the cut-off count as well.
    pub error_as_it_is: f64,
    /// Where the test's pixel (0, 0) lies in the truth: x, px.
    pub x_px: f64,
    /// The same: y, px.
    pub y_px: f64,
    /// Period of the finest detail that is still true, px: where the correlation with the
    /// truth, ring by ring, first falls below one half; the cut-off's period where it never does.
    pub true_detail_px: f64,
}

/// Why there is no verdict.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JudgeError {
    /// The truth must cover the test.
    #[error(
        "the true picture ({truth:?} rows, columns) must be as large as the one under test ({test:?})"
    )]
    Size {
        /// Rows, columns of the truth.
        truth: (usize, usize),
        /// Rows, columns of the test.
        test: (usize, usize),
    },
    /// Nothing left to look at.
    #[error("at least 32 px a side must be left inside the border, and {0} x {1} are")]
    TooSmall(usize, usize),
    /// A picture without structure.
    #[error("the true picture shows nothing inside the border")]
    Empty,
}

/// Compare `test` with `truth`, which shows the same scene at the same scale with some margin
/// (rows, columns; any unit of light).
///
/// Cost: about sixty FFTs of the size of the truth.
///
/// # Errors
/// When the truth is smaller than the test, or when too little of either is left.
pub fn straight_error(
    truth: ArrayView2<'_, f32>,
    test: ArrayView2<'_, f32>,
    settings: &JudgeSettings,
) -> Result<Judged, JudgeError> {
    let (rows, columns) = test.dim();
    if truth.nrows() < rows || truth.ncols() < columns {
        return Err(JudgeError::Size { truth: truth.dim(), test: test.dim() });
    }
    let border = settings.border_px;
    let (inner_rows, inner_columns) =
        (rows.saturating_sub(2 * border), columns.saturating_sub(2 * border));
    if inner_rows < 32 || inner_columns < 32 {
        return Err(JudgeError::TooSmall(inner_columns, inner_rows));
    }

    let canvas = Fft2::new(truth.ncols(), truth.nrows());
    let spectrum = canvas.of(&faded(truth, EDGE_PX));
    let (x0, y0) = coarse_place(&canvas, &spectrum, test, settings);

    let rings = Rings::new(test, border, settings.cutoff_cycles_per_px);
    let measure = |x: f64, y: f64| {
        let moved = canvas.shifted(&spectrum, x - x0 as f64, y - y0 as f64);
        let first = (y0 + border) * canvas.width + x0 + border;
        rings.compare(&moved[first..], canvas.width)
    };
    // A walk downhill with steps that are halved: the error is smooth and has one bottom
    // within a pixel or two of the whole-pixel place.
    let (mut x, mut y) = (x0 as f64, y0 as f64);
    let mut best = measure(x, y);
    let mut step = 0.5;
    while step > 0.01 {
        let mut moved = false;
        for (dx, dy) in [(-step, 0.0), (step, 0.0), (0.0, -step), (0.0, step)] {
            let (nx, ny) = (x + dx, y + dy);
            if (nx - x0 as f64).abs() > 3.0 || (ny - y0 as f64).abs() > 3.0 {
                continue;
            }
            let found = measure(nx, ny);
            if found.error < best.error {
                (x, y, best, moved) = (nx, ny, found, true);
            }
        }
        if !moved {
            step /= 2.0;
        }
    }
    if !best.error.is_finite() {
        return Err(JudgeError::Empty);
    }
    let Comparison { error_as_it_is, true_detail_px, .. } = best;
    let moved = canvas.shifted(&spectrum, x - x0 as f64, y - y0 as f64);
    let first = (y0 + border) * canvas.width + x0 + border;
    let truth = (&moved[first..], canvas.width);
    let error = least_error(test, border, settings.cutoff_cycles_per_px, truth);
    Ok(Judged { error, error_as_it_is, x_px: x, y_px: y, true_detail_px })
}

/// Edge of the truth that is faded out before it is shifted in the Fourier domain, so that its
/// two ends, which do not fit together, do not ring.
const EDGE_PX: usize = 8;

/// The truth without its mean, its outermost pixels faded to 0.
fn faded(truth: ArrayView2<'_, f32>, edge: usize) -> Vec<f64> {
    let (rows, columns) = truth.dim();
    let mean = truth.iter().map(|v| f64::from(*v)).sum::<f64>() / truth.len() as f64;
    let (wx, wy) = (fade(columns, edge), fade(rows, edge));
    truth.indexed_iter().map(|((y, x), v)| (f64::from(*v) - mean) * wx[x] * wy[y]).collect()
}

/// Whole-pixel place of the test in the truth, by band-passed cross-correlation: the coarse
/// shading carries no place, and noise rules the fine end.
fn coarse_place(
    canvas: &Fft2,
    spectrum: &[Complex64],
    test: ArrayView2<'_, f32>,
    settings: &JudgeSettings,
) -> (usize, usize) {
    let (rows, columns) = test.dim();
    let mean = test.iter().map(|v| f64::from(*v)).sum::<f64>() / test.len() as f64;
    let (wx, wy) = (fade(columns, columns / 6), fade(rows, rows / 6));
    let mut padded = vec![0.0; canvas.width * canvas.height];
    for ((y, x), v) in test.indexed_iter() {
        padded[y * canvas.width + x] = (f64::from(*v) - mean) * wx[x] * wy[y];
    }
    let mut product = canvas.of(&padded);
    for (i, value) in product.iter_mut().enumerate() {
        let (fx, fy) = canvas.frequency(i);
        let f2 = fx * fx + fy * fy;
        let band = (-f2 / (0.12 * 0.12)).exp() - (-f2 / (0.02 * 0.02)).exp();
        *value = spectrum[i] * value.conj() * band * band;
    }
    canvas.back(&mut product);
    let (mut best, mut place) = (f64::NEG_INFINITY, (0, 0));
    for y in 0..=canvas.height - rows {
        for x in 0..=canvas.width - columns {
            if let Some((nx, ny)) = settings.near
                && ((x as f64 - nx).abs() > settings.reach_px
                    || (y as f64 - ny).abs() > settings.reach_px)
            {
                continue;
            }
            let value = product[y * canvas.width + x].re;
            if value > best {
                (best, place) = (value, (x, y));
            }
        }
    }
    place
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// A scene made of waves below the cut-off, so that it can be sampled anywhere exactly.
    fn scene(x: f64, y: f64) -> f64 {
        0.4 + waves(x, y, &|_| 0.02)
    }

    /// The waves, each with the amplitude that belongs to its frequency.
    fn waves(x: f64, y: f64, amplitude: &dyn Fn(f64) -> f64) -> f64 {
        let mut sum = 0.0;
        for i in 1..120u32 {
            // Fractions of multiples of irrational numbers are spread evenly and never repeat.
            let spread = |step: f64| (f64::from(i) * step).fract();
            let f = 0.02 + 0.25 * spread(0.618_033_988_749_895);
            let (sin, cos) = (std::f64::consts::TAU * spread(0.754_877_666_246_693)).sin_cos();
            let phase = f * (cos * x + sin * y) + spread(0.569_840_290_998_053);
            sum += amplitude(f) * (std::f64::consts::TAU * phase).cos();
        }
        sum
    }

    fn sampled(rows: usize, columns: usize, x0: f64, y0: f64) -> Array2<f32> {
        Array2::from_shape_fn((rows, columns), |(y, x)| scene(x as f64 + x0, y as f64 + y0) as f32)
    }

    /// Reproducible noise of unit variance: sums of twelve uniform numbers.
    fn noise(shape: (usize, usize), mut state: u64) -> Array2<f32> {
        Array2::from_shape_simple_fn(shape, || {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                sum += (state >> 40) as f32 / (1u32 << 24) as f32;
            }
            sum
        })
    }

    #[test]
    fn the_truth_itself_is_found_to_be_true_wherever_it_lies() {
        let truth = sampled(200, 220, 0.0, 0.0);
        for (x, y) in [(20.0, 30.0), (17.4, 25.8), (33.25, 12.5)] {
            let test = sampled(140, 150, x, y).mapv(|v| 0.3 * v + 0.1);
            let found =
                straight_error(truth.view(), test.view(), &JudgeSettings::new(0.4)).unwrap();
            assert!(found.error < 0.02, "{found:?}");
            assert!((found.x_px - x).abs() < 0.02 && (found.y_px - y).abs() < 0.02, "{found:?}");
        }
    }

    #[test]
    fn sharpening_and_blur_are_forgiven_noise_and_smear_are_not() {
        let truth = sampled(200, 220, 0.0, 0.0);
        let sharp = sampled(140, 150, 20.0, 30.0);
        let settings = JudgeSettings::new(0.4);
        let error = |test: &Array2<f32>| {
            straight_error(truth.view(), test.view(), &settings).unwrap().error
        };
        // An isotropic blur as the mean of four neighbours and itself (isotropic at the
        // wavelengths of the scene to some per cent).
        let blurred = Array2::from_shape_fn(sharp.dim(), |(y, x)| {
            let at = |dx: f64, dy: f64| scene(x as f64 + 20.0 + dx, y as f64 + 30.0 + dy);
            let ring: f64 = (0..12)
                .map(|i| {
                    let (s, c) = (f64::from(i) * std::f64::consts::TAU / 12.0).sin_cos();
                    at(0.8 * c, 0.8 * s)
                })
                .sum();
            (ring / 12.0) as f32
        });
        assert!(error(&blurred) < 0.03, "{}", error(&blurred));
        // Smear along one axis only cannot be undone by a gain per ring.
        let smeared = Array2::from_shape_fn(sharp.dim(), |(y, x)| {
            (-4..=4)
                .map(|k| scene(x as f64 + 20.0 + 0.7 * f64::from(k), y as f64 + 30.0))
                .sum::<f64>() as f32
        });
        assert!(error(&smeared) > 0.2, "{}", error(&smeared));
    }

    #[test]
    fn an_even_blur_costs_nothing_whatever_the_window_cuts() {
        // Coarse waves are the strongest, as in pictures; the blur is a core in a halo, known at each frequency.
        let blurred = |rows: usize, columns: usize, origin: (f64, f64), sigmas: [f64; 2]| {
            let gain = |f: f64| {
                let of = |s: f64| (-2.0 * (std::f64::consts::PI * s * f).powi(2)).exp();
                0.01 / f * 0.5 * (of(sigmas[0]) + of(sigmas[1]))
            };
            Array2::from_shape_fn((rows, columns), |(y, x)| {
                waves(x as f64 + origin.0, y as f64 + origin.1, &gain) as f32
            })
        };
        let truth = blurred(200, 220, (0.0, 0.0), [0.0, 0.0]);
        let test = blurred(140, 150, (20.0, 30.0), [1.0, 3.0]);
        let settings = JudgeSettings {
            border_px: 20,
            near: Some((20.0, 30.0)),
            reach_px: 3.0,
            ..JudgeSettings::new(0.3)
        };
        let found = straight_error(truth.view(), test.view(), &settings).unwrap();
        let values: Vec<f64> = truth.iter().map(|v| f64::from(*v)).collect();
        let rings = Rings::new(test.view(), 20, 0.3);
        let under_the_window = rings.compare(&values[50 * 220 + 40..], 220).error;
        // 0.0028; with gains under the window alone, 0.051.
        assert!(found.error < 0.004, "{found:?}");
        assert!(under_the_window > 0.04, "{under_the_window}");
    }

    #[test]
    fn white_noise_gives_the_error_of_the_least_error() {
        // Truth and noise both white: the best gain in every ring is s / (s + n) and leaves
        // error^2 = n / (s + n), by the definition of the least-squares gain.
        let truth = noise((300, 300), 7);
        let clean = truth.slice(ndarray::s![40..260, 30..250]).to_owned();
        for sigma in [0.1f32, 0.5, 2.0] {
            let test = &clean + &noise(clean.dim(), 11).mapv(|v| v * sigma);
            let settings = JudgeSettings {
                near: Some((30.0, 40.0)),
                reach_px: 4.0,
                ..JudgeSettings::new(0.5)
            };
            let found = straight_error(truth.view(), test.view(), &settings).unwrap();
            let expected = f64::from(sigma * sigma / (1.0 + sigma * sigma)).sqrt();
            // The gains are fitted to some hundred entries a ring, which takes about 1 % off.
            assert!((found.error / expected - 1.0).abs() < 0.03, "{found:?} {expected}");
            assert!((found.x_px - 30.0).abs() < 0.1 && (found.y_px - 40.0).abs() < 0.1);
        }
    }

    #[test]
    fn detail_ends_where_the_noise_begins_to_rule() {
        let truth = noise((200, 200), 3);
        let unrelated = noise((160, 160), 5);
        let settings =
            JudgeSettings { near: Some((20.0, 20.0)), reach_px: 1.0, ..JudgeSettings::new(0.5) };
        let nothing = straight_error(truth.view(), unrelated.view(), &settings).unwrap();
        assert!(nothing.error > 0.9 && nothing.true_detail_px > 10.0, "{nothing:?}");
        let same = truth.slice(ndarray::s![20..180, 20..180]);
        let all = straight_error(truth.view(), same, &settings).unwrap();
        assert!(all.error < 1e-6 && (all.true_detail_px - 2.0).abs() < 1e-9, "{all:?}");
    }

    #[test]
    fn what_cannot_be_compared_is_refused() {
        let settings = JudgeSettings::new(0.4);
        let small = Array2::<f32>::zeros((50, 80));
        let large = Array2::<f32>::zeros((100, 100));
        let judge =
            |a: &Array2<f32>, b: &Array2<f32>| straight_error(a.view(), b.view(), &settings);
        assert!(matches!(judge(&small, &large), Err(JudgeError::Size { .. })));
        assert!(matches!(judge(&large, &small), Err(JudgeError::TooSmall(48, 18))));
        assert_eq!(judge(&large, &large), Err(JudgeError::Empty));
    }
}
