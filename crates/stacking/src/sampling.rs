//! Whether a capture's pixels are too coarse for what its frames hold, told from the frames.
//!
//! Two halves of some kept frames are stacked at the capture's own scale, over the part with the most structure. Where
//! they still agree just below the finest pattern that the pixels can hold (half a cycle per px), there is more beyond it, and
//! drops can show that. Of a capture that is sampled finely enough the telescope lets nothing
//! through there, so that only noise is left, which does not agree.
//!
//! Simulated ground, 12 bit, two pixels to the px; error against the truth (straightened), agreement of the halves at
//! the capture's scale:
//!
//! | sampling, D/r0 | keep, % | agreement | interpolated | pixfrac 1 | 0.7 | 0.5 | 0.35 | 0.2 |
//! |---|---|---|---|---|---|---|---|---|
//! | 0.53 of critical, 2.5 (0.6: 0.0299; 0.4: 0.0290) | 20 | 0.95 | 0.0343 | 0.0330 | | | | 0.0294 |
//! | 0.65, 3.5, 3000 electrons | 100 | 0.94 | 0.0356 | 0.0323 | 0.0319 | 0.0317 | 0.0319 | 0.0324 |
//! | | 20 | 0.87 | 0.0363 | 0.0349 | 0.0342 | 0.0340 | 0.0344 | 0.0356 |
//! | | 5 | 0.69 | 0.0476 | 0.0483 | 0.0475 | 0.0475 | 0.0487 | 0.0517 |
//! | 0.53, 4.5 | 100 | 0.83 | 0.0541 | 0.0571 | 0.0562 | 0.0560 | 0.0562 | 0.0570 |
//! | | 20 | 0.74 | 0.0574 | 0.0592 | 0.0594 | 0.0600 | 0.0604 | 0.0618 |
//! | 1.25, 2.5 | 20 | 0.0 | 0.0237 | 0.0232 | 0.0228 | 0.0239 | 0.0239 | 0.0242 |
//! | 0.88, 3.0 | 20 | 0.88 | 0.0264 | 0.0255 | 0.0251 | 0.0251 | 0.0253 | 0.0260 |
//! | 0.65, 2.5, 1500 electrons, 8 bit | 100 | 0.97 | 0.0296 | 0.0251 | 0.0243 | 0.0254 | 0.0254 | 0.0265 |
//! | mosaic (green), 0.53, 2.5 | 20 | | 0.0691 | 0.0623 | 0.0544 | 0.0513 | 0.0508 | 0.0522 |
//! | mosaic (green), 0.53, 4.5 | 20 | 0.35 | 0.1018 | 0.0967 | 0.0916 | 0.0898 | 0.0899 | 0.0919 |
//! | | 5 | 0.08 | 0.1164 | 0.1116 | 0.1073 | 0.1067 | 0.1090 | 0.1129 |
//! | mosaic (green), 1.31, 5.0, as large as the capture | 20 | 0.0 | 0.0599 | 0.0599 | 0.0611 | 0.0618 | 0.0626 | 0.0637 |
//!
//! So drops win where the halves agree well, and lose up to 4 % where the air leaves little at the finest pattern. A mosaic's
//! colours have every second or fourth sample only, and win wherever there is anything at all.

use crate::accumulate::Accumulator;
use crate::advice::{busiest_region, within};
use crate::align::{Bench, Chosen};
use crate::credible::Expected;
use crate::halves::{HalvesSettings, correlate_halves};
use crate::keep::{Ranks, Worth};
use crate::stack::StackError;
use stillwright_picture::{Layout, Progress, Stage};
use stillwright_seeing::ripple::Aligner;

/// Drops are used from this agreement on, of all kept frames. Lower: 4 % more error at D/r0 4.5; higher: up to
/// 13 % more on calm nights (table above).
const LEAST_AGREEMENT: f64 = 0.86;

/// The same for a mosaic: clear of what chance makes of a thousand coefficients. Higher: 8 % more error at D/r0 4.5; lower:
/// a mosaic that is sampled finely enough would be drizzled, for 2 to 3 % more error.
const LEAST_OF_MOSAIC: f64 = 0.06;

/// Frames that are tried, at most: that many tell the agreement to 0.02.
const FRAMES: usize = 96;

/// What counts as just below half a cycle per px.
const BAND: std::ops::Range<f64> = 0.44..0.5;

/// Whether more lies beyond the finest pattern of the capture's pixels than interpolation can show.
pub struct Sampling {
    /// Agreement of the two halves of all kept frames just below half a cycle per px, -1 to 1: estimated from some of
    /// them, of which each adds as much signal as the other.
    pub agreement: f64,
    mosaic: bool,
}

impl Sampling {
    /// Whether drops show more than interpolation.
    pub fn is_coarse(&self) -> bool {
        self.agreement >= if self.mosaic { LEAST_OF_MOSAIC } else { LEAST_AGREEMENT }
    }

    /// Try some of the frames of the first band of `ranks`; `None` where the picture is too small to tell.
    ///
    /// # Errors
    /// When cancelled.
    pub fn of(
        bench: &Bench<'_>,
        (worth, ranks): (&Worth<'_>, &Ranks<'_>),
        (aligner, expected): (&Aligner, Option<&Expected>),
        offsets: [(f32, f32); 3],
        progress: &dyn Progress,
    ) -> Result<Option<Sampling>, StackError> {
        let format = bench.source.format();
        let channels = format.layout.picture_channels();
        let region = busiest_region(bench.survey, format.width, format.height);
        let here = |index: usize| within(ranks.weights(index), worth, &region);
        let counts = |index: &usize| here(*index).iter().any(|w| *w > 0.0);
        let there: Vec<usize> = ranks.used().filter(counts).collect();
        let step = there.len().div_ceil(FRAMES).max(1);
        let tried: Vec<Chosen> = there
            .iter()
            .step_by(step)
            .enumerate()
            .map(|(i, index)| Chosen { index: *index, weights: vec![here(*index)], half: i % 2 })
            .collect();
        let mut sums = [Accumulator::over_region(channels, region, worth.cells, offsets)];
        let say = (Stage::Advising, progress);
        bench.add_all(&tried[..], aligner.into(), expected, &mut sums, say)?;
        let [a, b] = [0, 1].map(|half| sums[0].half(half, None));
        let channel = channels / 2;
        let settings = HalvesSettings::default();
        let Ok(halves) = correlate_halves(a.plane(channel), b.plane(channel), &settings) else {
            return Ok(None);
        };
        let (mut sum, mut count) = (0.0, 0.0);
        for ((f, frc), n) in halves.frequency.iter().zip(&halves.frc).zip(&halves.count) {
            if BAND.contains(f) {
                sum += n * frc;
                count += n;
            }
        }
        if count == 0.0 {
            return Ok(None);
        }
        // Signal over noise of a half, FRC / (1 - FRC), grows with the number of frames.
        let some = (sum / count).clamp(-1.0, 1.0 - 1e-6);
        let ratio = some / (1.0 - some) * there.len() as f64 / tried.len().max(1) as f64;
        let agreement = if some > 0.0 { ratio / (1.0 + ratio) } else { some };
        let mosaic = matches!(format.layout, Layout::Bayer(_));
        Ok(Some(Sampling { agreement, mosaic }))
    }
}
