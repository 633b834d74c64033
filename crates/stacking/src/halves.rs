//! What two half stacks tell: signal and noise at each spatial frequency.
//!
//! Both halves show the same scene and share no frame, so what they have in common is signal
//! and what differs is noise. The Fourier ring correlation (Saxton & Baumeister, J. Microsc.
//! 127, 127, 1982) puts that in numbers: per ring of spatial frequency
//! `FRC = Re sum A B* / sqrt(sum |A|^2 sum |B|^2)`. From it the signal-to-noise power ratio of
//! the *whole* stack is `SSNR = 2 FRC / (1 - FRC)` (Frank & Al-Ali 1975; Penczek 2010).
//!
//! Two cautions are built in. A common window correlates the halves by itself (Penczek, IUCrJ
//! 7, 995, 2020): the mean is removed and the edges fade out over an eighth of each side, so
//! that leakage stays six powers of ten below the signal; no mask that follows the scene is
//! applied. And the halves share a sensor pattern and a reference, which correlate noise:
//! beyond the optical cut-off there can be no signal, so whatever correlation is found there
//! is the *floor*, and it is taken off everywhere (see [`HalfCorrelation::floor`]).

use crate::taper::TAPER;
use ndarray::ArrayView2;
use rings::{RingSums, ring_sums, ring_sums_of_pairs};
use serde::Serialize;
use stillwright_picture::{Cancelled, Progress, Silent};

mod rings;

/// Where a curve falls below a threshold, as a frequency and as a length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Resolution {
    /// Spatial frequency, cycles per px.
    pub crossing_cycles_per_px: f64,
    /// Length of one full period (a bright and a dark line together), px: 1 / frequency.
    pub detail_px: f64,
}

impl Resolution {
    fn at(frequency: f64) -> Resolution {
        Resolution { crossing_cycles_per_px: frequency, detail_px: 1.0 / frequency }
    }
}

/// A rectangle of pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Region {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// What the correlation is told.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HalvesSettings {
    /// Highest frequency that the optics pass, cycles per px of these pictures, where known.
    pub cutoff_cycles_per_px: Option<f64>,
    /// Look at this part only.
    pub region: Option<Region>,
}

/// Why two halves could not be compared.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HalvesError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The halves are of different size.
    #[error("the half stacks differ in size: {0:?} and {1:?} (rows, columns)")]
    Shape((usize, usize), (usize, usize)),
    /// Too few pixels for rings.
    #[error(
        "half stacks of {width} x {height} px are too small to compare: at least {} px a side",
        SMALLEST
    )]
    TooSmall {
        /// Columns found.
        width: usize,
        /// Rows found.
        height: usize,
    },
    /// The region reaches beyond the picture.
    #[error("the region {0:?} reaches beyond the picture of {1} x {2} px")]
    Region(Region, usize, usize),
}

/// Smallest side that can be looked at, px.
const SMALLEST: usize = 16;

/// Curves over rings of spatial frequency, and what follows from them.
///
/// All vectors have one entry a ring; ring `k` collects the frequencies nearest to
/// `frequency[k]`, from 0 to 0.5 cycles per px. Powers are per pixel and normalised so that
/// white noise of variance `v` has power `v` in every ring.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HalfCorrelation {
    /// Centres of the rings, cycles per px.
    pub frequency: Vec<f64>,
    /// Fourier coefficients of the looked-at region in each ring (full plane, so each and its
    /// mirror).
    pub count: Vec<f64>,
    /// The correlation as measured, -1 to 1.
    pub frc: Vec<f64>,
    /// The correlation without its floor, made never-rising (weighted pool of neighbours), so
    /// that noise in the curve cannot cross a threshold twice; 0 where a pool lies within two
    /// standard errors of 0, else up to 1.
    pub frc_falling: Vec<f64>,
    /// Signal-to-noise power ratio of the whole stack, from `frc_falling`.
    pub ssnr: Vec<f64>,
    /// Power that both halves share, floor taken off; may scatter below 0.
    pub signal_power: Vec<f64>,
    /// Noise power of the whole stack (the mean of the halves), shared noise included.
    pub noise_power: Vec<f64>,
    /// Correlation where only noise can be, 0 to 1. Per half the noise has a shared part C and
    /// an own part U with `floor = C / (C + U)`; the ratio is taken to hold at all
    /// frequencies, since both pass the same resampling.
    pub floor: f64,
    /// Frequency from which on the floor was measured: the known cut-off, or where a plateau
    /// begins. `None` where the picture holds signal (or a slope) up to the last ring, in which case
    /// no floor is taken off.
    pub floor_from_cycles_per_px: Option<f64>,
    /// Where the correlation falls below 0.5.
    pub at_half: Option<Resolution>,
    /// Where it falls below 1/7: the whole stack's correlation with the truth is then 0.5
    /// (Rosenthal & Henderson 2003). This is the resolution to quote.
    pub at_one_seventh: Option<Resolution>,
    /// Where it falls below the half-bit curve (van Heel & Schatz, J. Struct. Biol. 151, 250,
    /// 2005).
    pub at_half_bit: Option<Resolution>,
    /// Noise of one pixel of the whole stack, robust (median absolute deviation of half the
    /// difference, times 1.482602), in the picture's units. Shared noise is not in it.
    pub noise_sigma: f64,
    /// Sum over rings of `count * log2(1 + SSNR)`: how much the stack holds.
    pub information_bits: f64,
}

/// The half-bit threshold for a ring of `n` coefficients (van Heel & Schatz 2005):
/// `(0.2071 + 1.9102 / sqrt n) / (1.2071 + 0.9102 / sqrt n)`.
pub fn half_bit_threshold(n: f64) -> f64 {
    let root = n.max(1.0).sqrt();
    (0.2071 + 1.9102 / root) / (1.2071 + 0.9102 / root)
}

/// Compare two half stacks of the same plane.
///
/// Samples that are not finite count as 0. Large pictures are looked at in up to 16 blocks
/// spread evenly, and the counts scaled to the whole. Rings reach to 0.5 cycles per px in
/// every direction, whatever the shape of the picture.
///
/// # Errors
/// When the shapes differ, the region does not fit, or a side is below 16 px.
pub fn correlate_halves(
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    settings: &HalvesSettings,
) -> Result<HalfCorrelation, HalvesError> {
    correlate_while(a, b, settings, &Silent)
}

/// [`correlate_halves`], which can be stopped.
pub(crate) fn correlate_while(
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    settings: &HalvesSettings,
    progress: &dyn Progress,
) -> Result<HalfCorrelation, HalvesError> {
    if a.dim() != b.dim() {
        return Err(HalvesError::Shape(a.dim(), b.dim()));
    }
    let (height, width) = a.dim();
    let region = settings.region.unwrap_or(Region { left: 0, top: 0, width, height });
    let fits = |first: usize, len: usize, all: usize| first <= all && len <= all - first;
    if !fits(region.left, region.width, width) || !fits(region.top, region.height, height) {
        return Err(HalvesError::Region(region, width, height));
    }
    if region.width < SMALLEST || region.height < SMALLEST {
        return Err(HalvesError::TooSmall { width: region.width, height: region.height });
    }
    let sums = ring_sums(a, b, region, TAPER, progress)?;
    progress.check()?;
    let cutoff = settings.cutoff_cycles_per_px;
    Ok(evaluate(&sums, a, b, region, |f, frc| floor(f, frc, &sums.count, cutoff, sums.independent)))
}

/// [`correlate_halves`] of one window of a picture whose [`HalfCorrelation::floor`] is known. The window fades out from its
/// middle to its edges (Hann), or what lies across its edges would pass for detail that both halves share: with edges
/// that fade over an eighth, a contrast of 0.1 leaks into fine rings with a third of the noise of 0.002.
pub(crate) fn correlate_window(
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    region: Region,
    known_floor: f64,
    progress: &dyn Progress,
) -> Result<HalfCorrelation, Cancelled> {
    let sums = ring_sums(a, b, region, 0.5, progress)?;
    Ok(evaluate(&sums, a, b, region, |_, _| Some((known_floor, 0.0))))
}

/// What two halves have in common and what they differ by, ring by ring: the entries of [`HalfCorrelation`] of these names, and one more.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Powers {
    pub frequency: Vec<f64>,
    pub count: Vec<f64>,
    pub signal_power: Vec<f64>,
    pub noise_power: Vec<f64>,
    /// `noise_power` without what both halves show alike but for a factor of the ring, as when one has the sharper frames.
    pub unlike_power: Vec<f64>,
    pub floor: f64,
}

/// Compare some of `planes`, all of one size, by twos (the indices of both): as [`correlate_halves`] does planes of up to 1024 px a
/// side, but each is transformed only once. Without `shared`, halves are taken to share no noise.
///
/// # Errors
/// As for [`correlate_halves`], and when cancelled.
pub(crate) fn powers_of_pairs(
    planes: &[ArrayView2<'_, f32>],
    pairs: &[(usize, usize)],
    shared: bool,
    progress: &dyn Progress,
) -> Result<Vec<Powers>, HalvesError> {
    let Some(first) = planes.first() else { return Ok(Vec::new()) };
    if let Some(other) = planes.iter().find(|plane| plane.dim() != first.dim()) {
        return Err(HalvesError::Shape(first.dim(), other.dim()));
    }
    let (height, width) = first.dim();
    if width < SMALLEST || height < SMALLEST {
        return Err(HalvesError::TooSmall { width, height });
    }
    let sums = ring_sums_of_pairs(planes, pairs, progress)?;
    let told = |sums: &RingSums| {
        let told = |f: &[f64], frc: &[f64]| floor(f, frc, &sums.count, None, sums.independent);
        powers(sums, |f, frc| if shared { told(f, frc) } else { None }).0
    };
    Ok(sums.iter().map(told).collect())
}

/// The powers, the correlation and the frequency from which on its floor was measured.
fn powers(
    sums: &RingSums,
    floor: impl Fn(&[f64], &[f64]) -> Option<(f64, f64)>,
) -> (Powers, Vec<f64>, Option<f64>) {
    let rings = sums.count.len();
    let frequency: Vec<f64> = (0..rings).map(|k| k as f64 * sums.ring_width).collect();
    let frc: Vec<f64> = (0..rings)
        .map(|k| ratio(sums.cross[k], (sums.power_a[k] * sums.power_b[k]).sqrt()).clamp(-1.0, 1.0))
        .collect();
    let found = floor(&frequency, &frc);
    let (floor, floor_from) = found.map_or((0.0, None), |(value, from)| (value, Some(from)));
    // Shared noise of a half, as a multiple of its own noise.
    let shared = floor / (1.0 - floor);
    let mut signal_power = Vec::with_capacity(rings);
    let mut noise_power = Vec::with_capacity(rings);
    let mut unlike_power = Vec::with_capacity(rings);
    for k in 0..rings {
        let n = sums.count[k].max(1.0);
        let auto = 0.5 * (sums.power_a[k] + sums.power_b[k]) / n;
        let cross = sums.cross[k] / n;
        let own = (auto - cross).max(0.0);
        signal_power.push(cross - shared * own);
        noise_power.push(own * (0.5 + shared));
        // Half the difference, along the mean: a fit of one number, which takes its share of white noise with it (and somewhat more of
        // speckle that is alike all over the ring).
        let (along, mean) = (sums.power_a[k] - sums.power_b[k], auto + cross);
        let alike = ratio((0.25 * along / n).powi(2), 0.5 * mean);
        let independent = (sums.independent * n).max(2.0);
        let left = (0.5 * own - alike).max(0.0) * (1.0 + 2.0 * shared);
        unlike_power.push(left * independent / (independent - 1.0));
    }
    let count = sums.count.clone();
    let powers = Powers { frequency, count, signal_power, noise_power, unlike_power, floor };
    (powers, frc, floor_from)
}

fn ratio(top: f64, bottom: f64) -> f64 {
    if bottom > 0.0 { top / bottom } else { 0.0 }
}

fn evaluate(
    sums: &RingSums,
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    region: Region,
    floor: impl Fn(&[f64], &[f64]) -> Option<(f64, f64)>,
) -> HalfCorrelation {
    let rings = sums.count.len();
    let (powers, frc, floor_from) = powers(sums, floor);
    let Powers { frequency, count, signal_power, noise_power, floor, .. } = powers;
    // The correlation that halves with the same SSNR but no shared noise would have:
    // SSNR = S / (U / 2 + C), FRC = SSNR / (2 + SSNR).
    let falling = signal_power.iter().zip(&noise_power);
    let mut cleaned: Vec<f64> =
        falling.map(|(s, noise)| ratio(*s, 2.0 * noise + s.max(0.0)).clamp(-1.0, 1.0)).collect();
    // The mean was removed, so the first ring knows nothing; it takes its neighbour's value.
    if rings > 1 {
        cleaned[0] = cleaned[1];
    }
    let significant = |(value, count): (f64, f64)| {
        // Standard error of a correlation; half of the coefficients are mirrors of the others.
        let scatter = (1.0 - value * value) / (0.5 * sums.independent * count).max(1.0).sqrt();
        if value > 2.0 * scatter { value.min(1.0 - 1e-9) } else { 0.0 }
    };
    let frc_falling: Vec<f64> =
        never_rising(&cleaned, &sums.count).into_iter().map(significant).collect();
    let ssnr: Vec<f64> = frc_falling.iter().map(|f| 2.0 * f / (1.0 - f)).collect();
    let information_bits = (1..rings).map(|k| sums.count[k] * (1.0 + ssnr[k]).log2()).sum::<f64>();
    let crossing = |threshold: &dyn Fn(usize) -> f64| -> Option<Resolution> {
        let below = (1..rings).find(|&k| frc_falling[k] < threshold(k))?;
        // A few coarse rings may correlate by chance.
        let count: f64 = sums.count[1..below].iter().sum();
        let sum: f64 = (1..below).map(|k| sums.count[k] * cleaned[k]).sum();
        if below <= 2 || sum < 4.0 * (2.0 * count / sums.independent).sqrt() {
            return None;
        }
        let (high, low) =
            (frc_falling[below - 1] - threshold(below - 1), frc_falling[below] - threshold(below));
        let step = if high - low > 0.0 { (high / (high - low)).clamp(0.0, 1.0) } else { 1.0 };
        Some(Resolution::at(frequency[below - 1] + step * sums.ring_width))
    };
    HalfCorrelation {
        at_half: crossing(&|_| 0.5),
        at_one_seventh: crossing(&|_| 1.0 / 7.0),
        at_half_bit: crossing(&|k| half_bit_threshold(sums.count[k] * sums.independent)),
        noise_sigma: robust_sigma(a, b, region),
        frequency,
        count,
        frc,
        frc_falling,
        ssnr,
        signal_power,
        noise_power,
        floor,
        floor_from_cycles_per_px: floor_from,
        information_bits,
    }
}

/// The correlation where only noise can be, and the frequency from which on that is so.
///
/// With a known cut-off: the weighted mean beyond it (two rings of leakage left out), if at
/// least three rings lie there. Without: the last fifth of the rings is a plateau if its two
/// halves agree within three standard errors; it is followed downwards as long as rings stay
/// within three standard errors of it. A plateau above 0.5 is believed to be signal.
fn floor(
    frequency: &[f64],
    frc: &[f64],
    count: &[f64],
    cutoff: Option<f64>,
    independent: f64,
) -> Option<(f64, f64)> {
    let rings = frc.len();
    let mean = |range: std::ops::Range<usize>| -> (f64, f64) {
        let n: f64 = count[range.clone()].iter().sum();
        let sum: f64 = range.map(|k| count[k] * frc[k]).sum();
        // Half of the coefficients are mirrors of the others.
        (sum / n.max(1.0), (0.5 * independent * n).max(1.0).sqrt().recip())
    };
    if let Some(cutoff) = cutoff.filter(|c| c.is_finite() && *c > 0.0) {
        let first = frequency.iter().position(|f| *f > cutoff)? + 2;
        if first + 3 <= rings {
            let (value, _) = mean(first..rings);
            return Some((value.clamp(0.0, 0.9), frequency[first]));
        }
        return None;
    }
    let tail = (rings / 5).max(4);
    if tail * 2 > rings {
        return None;
    }
    let (start, middle) = (rings - tail, rings - tail / 2);
    let (low, low_error) = mean(start..middle);
    let (high, high_error) = mean(middle..rings);
    if (low - high).abs() > 3.0 * low_error.hypot(high_error) + 0.02 || low.max(high) > 0.5 {
        return None;
    }
    let (value, _) = mean(start..rings);
    let stays = |k: usize| frc[k] - value < 3.0 * mean(k..k + 1).1 + 0.02;
    let mut from = start;
    while from > 2 && (stays(from - 1) || stays(from - 2)) {
        from -= 1;
    }
    Some((value.clamp(0.0, 0.9), frequency[from]))
}

/// Weighted least-squares fit of a curve that never rises (pool adjacent violators): for each
/// value the mean of its pool and the pool's weight.
fn never_rising(values: &[f64], weights: &[f64]) -> Vec<(f64, f64)> {
    let mut pools: Vec<(f64, f64, usize)> = Vec::with_capacity(values.len());
    for (value, weight) in values.iter().zip(weights) {
        let mut pool = (*value, weight.max(1e-12), 1);
        while let Some(last) = pools.last().copied().filter(|last| last.0 < pool.0) {
            let weight = last.1 + pool.1;
            pool = ((last.0 * last.1 + pool.0 * pool.1) / weight, weight, last.2 + pool.2);
            pools.pop();
        }
        pools.push(pool);
    }
    let spread =
        |(value, weight, len): &(f64, f64, usize)| std::iter::repeat_n((*value, *weight), *len);
    pools.iter().flat_map(spread).collect()
}

/// Robust noise of the mean of both halves, from half their difference.
fn robust_sigma(a: ArrayView2<'_, f32>, b: ArrayView2<'_, f32>, region: Region) -> f64 {
    // A million samples know the median to a thousandth of sigma.
    let step = ((region.width * region.height) as f64 / 1e6).sqrt().ceil().max(1.0) as usize;
    let mut half_difference = Vec::new();
    for y in (region.top..region.top + region.height).step_by(step) {
        for x in (region.left..region.left + region.width).step_by(step) {
            half_difference
                .push((0.5 * (rings::finite(a[[y, x]]) - rings::finite(b[[y, x]]))) as f32);
        }
    }
    f64::from(sigma_of(&mut half_difference))
}

/// Standard deviation by the median absolute deviation (factor 1.482602, Rousseeuw & Croux
/// 1993); 0 for no samples. Reorders and overwrites the samples.
pub(crate) fn sigma_of(samples: &mut [f32]) -> f32 {
    if samples.is_empty() {
        return 0.0;
    }
    let middle = samples.len() / 2;
    let centre = *samples.select_nth_unstable_by(middle, f32::total_cmp).1;
    samples.iter_mut().for_each(|v| *v = (*v - centre).abs());
    1.482_602 * *samples.select_nth_unstable_by(middle, f32::total_cmp).1
}

#[cfg(test)]
mod tests;
