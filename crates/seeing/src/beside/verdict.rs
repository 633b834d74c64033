//! Which of two pictures shows more, and how fine the detail is that both share.
//!
//! Ring by ring of spatial frequency, on one grid: how far the two agree (their correlation), how much
//! stronger the one shows its detail, and where each sinks into its own noise. Light from another
//! direction makes the pictures agree less at every frequency alike; so what counts is where the
//! agreement falls to half of what it is for coarse detail.

use crate::fourier::{Fourier, FourierWork};
use crate::raster::Raster;
use rustfft::num_complex::Complex32;
use std::f32::consts::TAU;

/// Rings of frequency.
const RINGS: usize = 40;
/// Lowest ring that counts: below it stand the window and the shading.
const FIRST: usize = 3;
/// Finest details that must differ by more than this share before one is called sharper.
const ALIKE: f64 = 0.10;
/// Detail shown with less than this share of the other picture's contrast is not shown.
const LEAST_CONTRAST: f64 = 0.2;

/// Which picture shows finer detail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sharper {
    /// The first one.
    First,
    /// The second one.
    Second,
    /// Neither by a margin that means anything.
    Alike,
}

/// What the comparison came to. Lengths are periods, px of the common grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Middle of each ring, cycles per px.
    pub frequency: Vec<f64>,
    /// Correlation of the two, ring by ring, -1 to 1.
    pub correlation: Vec<f64>,
    /// Contrast of the first over that of the second, ring by ring, 1 for coarse detail.
    pub contrast: Vec<f64>,
    /// Agreement of coarse detail: 1 in the same light, less in another.
    pub coarse_correlation: f64,
    /// Finest detail that both share.
    pub shared_px: f64,
    /// Finest detail that the first shows.
    pub first_px: f64,
    /// Finest detail that the second shows.
    pub second_px: f64,
    /// Contrast of the finest shared detail, first over second.
    pub fine_contrast: f64,
    /// Which shows finer detail.
    pub sharper: Sharper,
}

struct Sums {
    frequency: Vec<f64>,
    cross: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

/// Compare two pictures of the same size, pixel by pixel the same ground. `finest` are the shortest
/// periods that the two can hold at all, px of the grid (2 where a picture was not enlarged). `None`
/// below 64 px a side.
pub fn compare(first: &Raster, second: &Raster, finest: [f64; 2]) -> Option<Verdict> {
    let (width, height) = (first.width, first.height);
    if (second.width, second.height) != (width, height) || width.min(height) < 64 {
        return None;
    }
    let sums = sums(first, second);
    let nyquist = finest.map(|period| (1.0 / period.max(2.0)).min(0.5));
    // What a picture shows at its own finest detail is taken for its noise.
    let floor = |power: &[f64], nyquist: f64| {
        let band = sums.frequency.iter().zip(power);
        let fine: Vec<f64> = band
            .filter(|(f, _)| (0.86 * nyquist..=nyquist).contains(*f))
            .map(|(_, p)| *p)
            .collect();
        fine.iter().sum::<f64>() / fine.len().max(1) as f64
    };
    let floors = [floor(&sums.first, nyquist[0]), floor(&sums.second, nyquist[1])];
    let correlation: Vec<f64> = (0..RINGS)
        .map(|k| sums.cross[k] / (sums.first[k] * sums.second[k]).sqrt().max(f64::MIN_POSITIVE))
        .collect();
    let smooth = |k: usize| {
        let (low, high) = (k.saturating_sub(1), (k + 2).min(RINGS));
        correlation[low..high].iter().sum::<f64>() / (high - low) as f64
    };
    let coarse = (FIRST..RINGS / 2).map(smooth).fold(0.0, f64::max);
    // Chance agrees by about one over the root of the number of values in a ring.
    let end = (FIRST..RINGS)
        .find(|k| smooth(*k) < (0.5 * coarse).max(0.1))
        .unwrap_or(RINGS)
        .max(FIRST + 1);
    let shared = sums.frequency[(end - 1).min(RINGS - 1)].min(nyquist[0]).min(nyquist[1]);
    let strength = |k: usize| {
        let clean = |power: f64, floor: f64| (power - floor).max(0.02 * power);
        (clean(sums.first[k], floors[0]), clean(sums.second[k], floors[1]))
    };
    // Coarse detail sets the gain between the two.
    let base_rings = FIRST..(FIRST + (end - FIRST) / 3).clamp(FIRST + 2, RINGS);
    let gain = {
        let logs = base_rings.clone().map(|k| {
            let (a, b) = strength(k);
            (a / b).ln()
        });
        (logs.sum::<f64>() / base_rings.len() as f64).exp()
    };
    let contrast: Vec<f64> = (0..RINGS)
        .map(|k| {
            let (a, b) = strength(k);
            (a / b / gain).sqrt()
        })
        .collect();
    let fine_rings = (FIRST + 2 * (end - FIRST) / 3)..end;
    let fine_contrast = {
        let logs = fine_rings.clone().map(|k| contrast[k].ln());
        (logs.sum::<f64>() / fine_rings.len().max(1) as f64).exp()
    };
    let shows = |of: usize| {
        let until = (FIRST..RINGS).find(|k| {
            let (a, b) = strength(*k);
            let (own, other) = if of == 0 { (a, b * gain) } else { (b * gain, a) };
            let raw = if of == 0 { sums.first[*k] } else { sums.second[*k] };
            let drowned = raw < 2.0 * floors[of];
            let faint = own < LEAST_CONTRAST * LEAST_CONTRAST * other;
            drowned || faint || sums.frequency[*k] > nyquist[of]
        });
        let k = until.unwrap_or(RINGS).max(FIRST + 1) - 1;
        1.0 / sums.frequency[k].min(nyquist[of])
    };
    let (first_px, second_px) = (shows(0), shows(1));
    // Contrast does not decide: sharpening raises it and adds nothing.
    let lean = (second_px / first_px).ln();
    let margin = (1.0 + ALIKE).ln();
    let sharper = match lean {
        lean if lean > margin => Sharper::First,
        lean if lean < -margin => Sharper::Second,
        _ => Sharper::Alike,
    };
    Some(Verdict {
        frequency: sums.frequency,
        correlation,
        contrast,
        coarse_correlation: coarse,
        shared_px: 1.0 / shared,
        first_px,
        second_px,
        fine_contrast,
        sharper,
    })
}

fn sums(first: &Raster, second: &Raster) -> Sums {
    let (width, height) = (first.width, first.height);
    let fourier = Fourier::new(width, height);
    let mut work = FourierWork::default();
    let fade = |k: usize, n: usize| 0.5 - 0.5 * (TAU * (k as f32 + 0.5) / n as f32).cos();
    let mut spectrum_of = |raster: &Raster| {
        let mean = raster.mean();
        let mut values: Vec<f32> = raster.values.iter().map(|v| v - mean).collect();
        for (y, row) in values.chunks_mut(width).enumerate() {
            let down = fade(y, height);
            row.iter_mut().enumerate().for_each(|(x, v)| *v *= down * fade(x, width));
        }
        let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
        fourier.forward(&mut values, &mut spectrum, &mut work);
        spectrum
    };
    let (a, b) = (spectrum_of(first), spectrum_of(second));
    let mut out = Sums {
        frequency: (0..RINGS).map(|k| (k as f64 + 0.5) * 0.5 / RINGS as f64).collect(),
        cross: vec![0.0; RINGS],
        first: vec![0.0; RINGS],
        second: vec![0.0; RINGS],
    };
    let mut count = vec![0.0_f64; RINGS];
    for u in 0..fourier.columns() {
        for v in 0..height {
            let (fx, fy) = fourier.frequency(u, v);
            let ring = (f64::from(fx.hypot(fy)) * 2.0 * RINGS as f64) as usize;
            if ring >= RINGS {
                continue;
            }
            let (p, q) = (a[u * height + v], b[u * height + v]);
            out.cross[ring] += f64::from((p * q.conj()).re);
            out.first[ring] += f64::from(p.norm_sqr());
            out.second[ring] += f64::from(q.norm_sqr());
            count[ring] += 1.0;
        }
    }
    for (k, n) in count.iter().enumerate() {
        let n = n.max(1.0);
        out.cross[k] /= n;
        out.first[k] /= n;
        out.second[k] /= n;
    }
    out
}
