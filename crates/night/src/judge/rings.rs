//! Two pictures compared ring by ring of spatial frequency, under one smooth window.

use super::filter::least_error;
use super::fourier::Fft2;
use ndarray::ArrayView2;
use rustfft::num_complex::Complex64;

/// 1 inside, a half cosine to 0 over `edge` px at both ends.
pub(super) fn fade(length: usize, edge: usize) -> Vec<f64> {
    let edge = edge.min(length / 2);
    (0..length)
        .map(|i| {
            let inside = i.min(length - 1 - i);
            if inside >= edge {
                1.0
            } else {
                0.5 - 0.5 * (std::f64::consts::PI * (inside as f64 + 0.5) / edge as f64).cos()
            }
        })
        .collect()
}

/// The test picture, windowed and transformed once, ready to be compared again and again.
pub(super) struct Rings {
    fft: Fft2,
    window: Vec<f64>,
    test: Vec<Complex64>,
    /// Ring of each spectrum entry; `usize::MAX` where it does not count.
    ring: Vec<usize>,
    pub(super) ring_frequency: Vec<f64>,
}

/// Sums over rings: entries, `Re T S*`, `|S|^2`, `|T|^2`; power of the test beyond the rings.
pub(super) struct RingSums {
    pub count: Vec<f64>,
    pub cross: Vec<f64>,
    pub of_test: Vec<f64>,
    pub of_truth: Vec<f64>,
    pub beyond: f64,
}

impl RingSums {
    /// The best gain of each ring, not below 0; the mean was taken off, so the first ring takes its neighbour's.
    pub(super) fn gains(&self) -> Vec<f64> {
        let gain = |(cross, power): (&f64, &f64)| {
            if *power > 0.0 { (cross / power).max(0.0) } else { 0.0 }
        };
        let mut gains: Vec<f64> = self.cross.iter().zip(&self.of_test).map(gain).collect();
        if gains.len() > 1 {
            gains[0] = gains[1];
        }
        gains
    }

    /// What these gains leave over: sum |T - H S|^2 with the best H is sum |T|^2 - (Re sum T S*)^2 / sum |S|^2.
    pub(super) fn error(&self) -> f64 {
        let (mut unexplained, mut all) = (0.0, 0.0);
        for k in 1..self.cross.len() {
            let (cross, power) = (self.cross[k], self.of_test[k]);
            let explained = if power > 0.0 { cross * cross / power } else { 0.0 };
            unexplained += (self.of_truth[k] - explained).max(0.0);
            all += self.of_truth[k];
        }
        (unexplained / all).sqrt()
    }
}

/// What a comparison at one place comes to.
#[derive(Clone, Copy)]
pub(super) struct Comparison {
    pub error: f64,
    pub error_as_it_is: f64,
    pub true_detail_px: f64,
}

impl Rings {
    pub(super) fn new(test: ArrayView2<'_, f32>, border: usize, cutoff: f64) -> Rings {
        let (height, width) = (test.nrows() - 2 * border, test.ncols() - 2 * border);
        let fft = Fft2::new(width, height);
        let (wx, wy) = (fade(width, width * 15 / 100), fade(height, height * 15 / 100));
        let window: Vec<f64> =
            wy.iter().flat_map(|vertical| wx.iter().map(move |across| across * vertical)).collect();
        let rings_per_cycle = width.min(height) as f64;
        let mut ring = Vec::with_capacity(width * height);
        let mut last = 0;
        for i in 0..width * height {
            let (fx, fy) = fft.frequency(i);
            let f = fx.hypot(fy);
            let k = (f * rings_per_cycle).round() as usize;
            let counts = i != 0 && k > 0 && f <= cutoff;
            ring.push(if counts { k } else { usize::MAX });
            last = last.max(if counts { k } else { 0 });
        }
        let ring_frequency = (0..=last).map(|k| k as f64 / rings_per_cycle).collect();
        let inside = test.slice(ndarray::s![border..border + height, border..border + width]);
        let values: Vec<f64> = inside.iter().map(|v| f64::from(*v)).collect();
        let mut rings = Rings { fft, window, test: Vec::new(), ring, ring_frequency };
        rings.test = rings.windowed(&values, width);
        rings
    }

    /// Spectrum of what lies under the window, its windowed mean taken off.
    fn windowed(&self, values: &[f64], stride: usize) -> Vec<Complex64> {
        let (width, height) = (self.fft.width, self.fft.height);
        let row = |y: usize| &values[y * stride..y * stride + width];
        let mut sum = 0.0;
        for y in 0..height {
            let weights = &self.window[y * width..(y + 1) * width];
            sum += row(y).iter().zip(weights).map(|(v, w)| v * w).sum::<f64>();
        }
        let mean = sum / self.window.iter().sum::<f64>();
        let mut out = Vec::with_capacity(width * height);
        for y in 0..height {
            let weights = &self.window[y * width..(y + 1) * width];
            out.extend(row(y).iter().zip(weights).map(|(v, w)| (v - mean) * w));
        }
        self.fft.of(&out)
    }

    /// Sums over the rings of a part of the truth that is as large as the test.
    pub(super) fn sums(&self, truth: &[f64], stride: usize) -> RingSums {
        let truth = self.windowed(truth, stride);
        let rings = self.ring_frequency.len();
        let mut sums = RingSums {
            count: vec![0.0; rings],
            cross: vec![0.0; rings],
            of_test: vec![0.0; rings],
            of_truth: vec![0.0; rings],
            beyond: 0.0,
        };
        for ((t, s), &k) in truth.iter().zip(&self.test).zip(&self.ring) {
            if k < rings {
                sums.count[k] += 1.0;
                sums.cross[k] += t.re * s.re + t.im * s.im;
                sums.of_test[k] += s.norm_sqr();
                sums.of_truth[k] += t.norm_sqr();
            } else {
                sums.beyond += s.norm_sqr();
            }
        }
        sums
    }

    pub(super) fn compare(&self, truth: &[f64], stride: usize) -> Comparison {
        let sums = self.sums(truth, stride);
        let error = sums.error();
        let RingSums { cross, of_test, of_truth, beyond, .. } = sums;
        let mut true_until = None;
        for k in 4..self.ring_frequency.len() {
            let correlation = cross[k] / (of_test[k] * of_truth[k]).sqrt();
            // The first few rings hold a handful of entries and say little by themselves.
            if true_until.is_none() && (correlation.is_nan() || correlation < 0.5) {
                true_until = Some(self.ring_frequency[k]);
            }
        }
        let finest = true_until.or(self.ring_frequency.last().copied()).unwrap_or(0.0);
        let all: f64 = of_truth.iter().skip(1).sum();
        let (cross, of_test) = (cross.iter().sum::<f64>(), of_test.iter().sum::<f64>() + beyond);
        Comparison {
            error,
            error_as_it_is: (1.0 - cross * cross / (of_test * all)).max(0.0).sqrt(),
            true_detail_px: 1.0 / finest,
        }
    }
}

/// How a picture agrees with the truth at each spatial frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct RingCorrelation {
    /// Middle of each ring, cycles per px.
    pub frequency: Vec<f64>,
    /// Entries of the spectrum in each ring.
    pub count: Vec<f64>,
    /// Correlation with the truth, -1 to 1; 0 where either shows nothing.
    pub correlation: Vec<f64>,
    /// What the best filter leaves over, as [`Judged::error`](super::Judged::error).
    pub error: f64,
}

impl RingCorrelation {
    /// Sum over the rings of `n log2(1 + SSNR)` with `SSNR = c^2 / (1 - c^2)`: the bits that the
    /// picture holds of the truth (Shannon; correlation with a noiseless truth).
    pub fn information_bits(&self) -> f64 {
        let bits = |(c, n): (&f64, &f64)| -n * (1.0 - c.clamp(0.0, 0.999_999).powi(2)).log2();
        self.correlation.iter().zip(&self.count).skip(1).map(bits).sum()
    }

    /// First frequency from the fourth ring on with a lower correlation, cycles per px.
    pub fn falls_below(&self, threshold: f64) -> Option<f64> {
        let first = (4..self.correlation.len()).find(|k| self.correlation[*k] < threshold)?;
        Some(self.frequency[first])
    }
}

/// What `picture` shows inside the border, row by row, and its columns there. `None` where less than 32 px a side are left or
/// `other` has another size.
pub(super) fn inside(
    picture: ArrayView2<'_, f32>,
    other: ArrayView2<'_, f32>,
    border_px: usize,
) -> Option<(Vec<f64>, usize)> {
    let (rows, columns) = picture.dim();
    if other.dim() != picture.dim() || rows.min(columns) < 2 * border_px + 32 {
        return None;
    }
    let inner =
        picture.slice(ndarray::s![border_px..rows - border_px, border_px..columns - border_px]);
    Some((inner.iter().map(|v| f64::from(*v)).collect(), columns - 2 * border_px))
}

/// Compare a picture with the truth, which has the same size and shows the same scene pixel by
/// pixel; `border_px` are left out on each side. `None` where less than 32 px a side are left or the
/// sizes differ.
pub fn ring_correlation(
    truth: ArrayView2<'_, f32>,
    test: ArrayView2<'_, f32>,
    cutoff_cycles_per_px: f64,
    border_px: usize,
) -> Option<RingCorrelation> {
    let (values, stride) = inside(truth, test, border_px)?;
    let rings = Rings::new(test, border_px, cutoff_cycles_per_px);
    let sums = rings.sums(&values, stride);
    // The curve is that of the picture as it is: where the truth shows nothing, what the window spills of coarse
    // detail is alike in the truth and in a picture with the best filter on it, and would pass for fine detail.
    let correlation = |k: usize| {
        let power = (sums.of_test[k] * sums.of_truth[k]).sqrt();
        if power > 0.0 { sums.cross[k] / power } else { 0.0 }
    };
    let error = least_error(test, border_px, cutoff_cycles_per_px, (&values, stride));
    Some(RingCorrelation {
        correlation: (0..rings.ring_frequency.len()).map(correlation).collect(),
        frequency: rings.ring_frequency,
        count: sums.count,
        error,
    })
}
