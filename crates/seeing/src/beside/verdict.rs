//! Which of two pictures shows more, and how fine the detail is that both share.
//!
//! Ring by ring of spatial frequency, on one grid: how far the two agree (their correlation), how much
//! stronger the one shows its detail, and where each sinks into its own noise. Where two halves of a
//! picture, which share no noise, told its signal from its noise, that counts; else what it shows at its own
//! finest detail is taken for noise. Light from another
//! direction makes the pictures agree less at every frequency alike; so what counts is where the
//! agreement falls to half of what it is for coarse detail.

use crate::raster::Raster;
use crate::rings::{RINGS, ring_sums};

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

/// A picture to compare.
#[derive(Clone, Copy)]
pub struct Compared<'a> {
    /// Its light on the common grid.
    pub light: &'a Raster,
    /// The shortest period that it can hold at all, px of the grid (2 where it was not enlarged).
    pub finest_px: f64,
    /// Share of its power that is signal, 0 to 1, at a frequency in cycles per px of the grid, where
    /// that is known from elsewhere: from two halves that share no noise. Filters change signal and
    /// noise alike, so it holds after sharpening and smoothing, too.
    pub signal_share: Option<&'a (dyn Fn(f64) -> f64 + Sync)>,
}

impl<'a> Compared<'a> {
    /// A picture of which nothing else is known.
    pub fn alone(light: &'a Raster, finest_px: f64) -> Compared<'a> {
        Compared { light, finest_px, signal_share: None }
    }

    /// Highest frequency that it can hold, cycles per px of the grid.
    fn nyquist(&self) -> f64 {
        (1.0 / self.finest_px.max(2.0)).min(0.5)
    }

    /// Signal and noise of `power` ring by ring.
    fn parted(&self, frequency: &[f64], power: &[f64]) -> Vec<Parted> {
        if let Some(share) = self.signal_share {
            let one = |(f, p): (&f64, &f64)| {
                let share = share(*f).clamp(0.0, 1.0);
                Parted { signal: p * share.max(LEAST_SIGNAL), drowned: share < 0.5 }
            };
            return frequency.iter().zip(power).map(one).collect();
        }
        let nyquist = self.nyquist();
        let band = frequency.iter().zip(power);
        let fine: Vec<f64> = band
            .filter(|(f, _)| (0.86 * nyquist..=nyquist).contains(*f))
            .map(|(_, p)| *p)
            .collect();
        let floor = fine.iter().sum::<f64>() / fine.len().max(1) as f64;
        let one = |p: &f64| Parted {
            signal: (p - floor).max(LEAST_SIGNAL * p),
            drowned: *p < 2.0 * floor,
        };
        power.iter().map(one).collect()
    }
}

/// Power of one ring.
struct Parted {
    signal: f64,
    /// Whether noise has more of it than signal.
    drowned: bool,
}

/// Signal is never taken for less than this share of a ring's power.
const LEAST_SIGNAL: f64 = 0.02;

/// Compare two pictures of the same size, pixel by pixel the same ground. `None` below 64 px a side.
pub fn compare(first: &Compared<'_>, second: &Compared<'_>) -> Option<Verdict> {
    let (width, height) = (first.light.width, first.light.height);
    if (second.light.width, second.light.height) != (width, height) || width.min(height) < 64 {
        return None;
    }
    let sums = ring_sums(first.light, second.light);
    let nyquist = [first.nyquist(), second.nyquist()];
    let parted =
        [first.parted(&sums.frequency, &sums.first), second.parted(&sums.frequency, &sums.second)];
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
    let strength = |k: usize| (parted[0][k].signal, parted[1][k].signal);
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
            let drowned = parted[of][*k].drowned;
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
