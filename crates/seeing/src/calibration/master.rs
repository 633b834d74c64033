//! One quiet picture of what many frames have in common.

use crate::median::{median, median_of};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillwright_picture::{
    Cancelled, FrameFormat, FrameSource, Layout, Progress, RawFrame, Samples, Stage,
};

/// What a master is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MasterKind {
    /// Frames without light, exposed as the capture is.
    Dark,
    /// Frames of an even light.
    Flat,
    /// Frames without light, exposed as the flat is.
    DarkFlat,
}

impl MasterKind {
    /// All kinds.
    pub const ALL: [MasterKind; 3] = [MasterKind::Dark, MasterKind::Flat, MasterKind::DarkFlat];

    /// The name that files, recipes and messages use.
    pub fn name(self) -> &'static str {
        match self {
            MasterKind::Dark => "dark",
            MasterKind::Flat => "flat",
            MasterKind::DarkFlat => "dark-flat",
        }
    }
}

/// Most frames that go into a master, spread evenly over the capture: with them its noise is a
/// twentieth of one frame's; more would cost reading and change nothing that a stack shows.
const MOST_FRAMES: usize = 512;

/// Frames that are in memory at once.
const BATCH: usize = 8;

/// Fewest frames from which outliers can be told.
const FEWEST_TO_CLIP: usize = 5;

/// Values further from the mean than this many standard deviations are left out. Both are taken without
/// the lowest and the highest value, which makes the deviation up to a third too small for a handful of
/// frames: at 3, such masters would lose one good value in twenty; at 6, a cosmic ray twice as
/// strong as the noise allows would stay.
const CLIP_SIGMA: f32 = 4.0;

/// Whole frames whose mean lies further from the median of all than this many of their usual
/// deviations (and a thousandth of full scale) are left out: a lamp that flickered off, a cap that slipped.
const FRAME_SIGMA: f32 = 8.0;

/// A master: the mean of many frames, share of full scale, in the order of [`Samples`].
#[derive(Clone, Debug, PartialEq)]
pub struct Master {
    /// What it is for.
    pub kind: MasterKind,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Colour of the samples.
    pub layout: Layout,
    /// One value a sample; dark levels of a dark-flat taken off those of a flat.
    pub values: Vec<f32>,
    /// Frames that went in.
    pub frames: usize,
    /// Frames that did not: unlike the others, or unreadable.
    pub frames_left_out: usize,
    /// Values that were left out as outliers, share of all.
    pub clipped_share: f64,
    /// Noise of one value of one frame (median over the samples), share of full scale; 0 where one frame
    /// was all there was.
    pub frame_noise: f32,
}

/// Why no master could be made.
#[derive(Debug, thiserror::Error)]
pub enum MasterError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The frames do not serve.
    #[error("{0}")]
    Unfit(String),
}

/// What the samples of all frames come to, one entry a sample.
struct Sums {
    /// The first frame's values: what the others are told from, so that sums stay small and exact.
    pivot: Vec<f32>,
    sum: Vec<f32>,
    squares: Vec<f32>,
    low: Vec<f32>,
    high: Vec<f32>,
}

impl Master {
    /// The sigma-clipped mean of the frames of `source`, with `offset` (a dark-flat's values) taken
    /// off each first. The frames of a flat are brought to one brightness, for lamps flicker and
    /// skies dim.
    ///
    /// Frames are read three times, eight at a time; memory is some 20 bytes a sample. The result
    /// does not depend on the number of threads.
    ///
    /// # Errors
    /// When no frame can be read, when the light is wrong for the kind, or when cancelled.
    pub fn build(
        source: &dyn FrameSource,
        kind: MasterKind,
        offset: Option<&[f32]>,
        progress: &dyn Progress,
    ) -> Result<Master, MasterError> {
        let format = source.format();
        let offset = offset.filter(|offset| offset.len() == format.sample_count());
        let count = source.frame_count();
        let wanted = count.min(MOST_FRAMES);
        let all: Vec<usize> = (0..wanted).map(|i| i * count / wanted.max(1)).collect();
        let mut means = Vec::with_capacity(wanted);
        each_batch(source, &all, 0, progress, |frames| {
            means.par_extend(frames.par_iter().map(|frame| frame.as_deref().map(mean_of)));
        })?;
        let offset_mean = offset.map_or(0.0, |o| sum_of(o) / o.len().max(1) as f64) as f32;
        let chosen = Chosen::among(&all, &means, kind, offset_mean)?;
        let value = |raw: &[f32], i: usize, scale: f32| {
            (raw[i] - offset.map_or(0.0, |offset| offset[i])) * scale
        };

        let n = format.sample_count();
        let zeros = || vec![0.0f32; n];
        let mut sums =
            Sums { pivot: zeros(), sum: zeros(), squares: zeros(), low: zeros(), high: zeros() };
        let mut scales = chosen.scales.iter();
        let (mut first, mut lost) = (true, 0);
        each_batch(source, &chosen.indices, 1, progress, |frames| {
            for frame in frames {
                let Some(scale) = scales.next().copied() else { return };
                let Some(raw) = frame else {
                    lost += 1;
                    continue;
                };
                if std::mem::take(&mut first) {
                    sums.pivot.par_iter_mut().enumerate().for_each(|(i, p)| {
                        *p = value(raw, i, scale);
                    });
                }
                let Sums { pivot, sum, squares, low, high } = &mut sums;
                (sum, squares, low, high).into_par_iter().enumerate().for_each(
                    |(i, (sum, squares, low, high))| {
                        let d = value(raw, i, scale) - pivot[i];
                        *sum += d;
                        *squares += d * d;
                        *low = low.min(d);
                        *high = high.max(d);
                    },
                );
            }
        })?;

        let frames = chosen.indices.len();
        let (mut middle, spread) = sums.trimmed(frames);
        let frame_noise = median_of(spread.iter().step_by(7).copied());
        let mut clipped = 0usize;
        if frames >= FEWEST_TO_CLIP {
            let mut sum = zeros();
            let mut kept = vec![0u16; n];
            let mut scales = chosen.scales.iter();
            // Where all values are alike, the step of the samples is the least that can differ.
            let step = 1.0 / format.white.max(1.0);
            each_batch(source, &chosen.indices, 2, progress, |frames| {
                for frame in frames {
                    let Some(scale) = scales.next().copied() else { return };
                    let Some(raw) = frame else {
                        lost += 1;
                        continue;
                    };
                    (&mut sum, &mut kept).into_par_iter().enumerate().for_each(
                        |(i, (sum, kept))| {
                            let d = value(raw, i, scale) - middle[i];
                            if d.abs() <= (CLIP_SIGMA * spread[i]).max(step) {
                                *sum += d;
                                *kept += 1;
                            }
                        },
                    );
                }
            })?;
            clipped = kept.par_iter().map(|kept| frames - usize::from(*kept).min(frames)).sum();
            middle.par_iter_mut().zip(&sum).zip(&kept).for_each(|((m, sum), kept)| {
                *m += sum / f32::from(*kept).max(1.0);
            });
        }
        if lost > 0 {
            return Err(MasterError::Unfit(
                "frames that could be read once could not be read again: the disk or its cable may be \
                 failing"
                    .into(),
            ));
        }
        Ok(Master {
            kind,
            width: format.width,
            height: format.height,
            layout: format.layout,
            values: middle,
            frames,
            frames_left_out: wanted - frames,
            clipped_share: clipped as f64 / (n * frames).max(1) as f64,
            frame_noise,
        })
    }

    /// Mean of all values, share of full scale.
    pub fn mean(&self) -> f32 {
        (sum_of(&self.values) / self.values.len().max(1) as f64) as f32
    }

    /// The format of a frame of these samples, as floats.
    pub fn format(&self) -> FrameFormat {
        FrameFormat {
            width: self.width,
            height: self.height,
            layout: self.layout,
            sample_type: stillwright_picture::SampleType::F32,
            white: 1.0,
        }
    }
}

impl Sums {
    /// Mean and standard deviation of each sample over `frames`, the lowest and the highest value
    /// left out where there are enough.
    fn trimmed(self, frames: usize) -> (Vec<f32>, Vec<f32>) {
        let trim = frames >= FEWEST_TO_CLIP;
        let n = (if trim { frames - 2 } else { frames }).max(1) as f32;
        let Sums { pivot, sum, squares, low, high } = self;
        let of = |i: usize| {
            let (mut s, mut q) = (sum[i], squares[i]);
            if trim {
                s -= low[i] + high[i];
                q -= low[i] * low[i] + high[i] * high[i];
            }
            let mean = s / n;
            let variance = if n > 1.0 { (q / n - mean * mean).max(0.0) } else { 0.0 };
            (pivot[i] + mean, variance.sqrt())
        };
        (0..pivot.len()).into_par_iter().map(of).unzip()
    }
}

/// The frames that take part, and what each is multiplied by.
struct Chosen {
    indices: Vec<usize>,
    scales: Vec<f32>,
}

impl Chosen {
    fn among(
        all: &[usize],
        means: &[Option<f32>],
        kind: MasterKind,
        offset: f32,
    ) -> Result<Chosen, MasterError> {
        let unfit = |words: String| Err(MasterError::Unfit(words));
        let typical = median_of(means.iter().flatten().copied());
        if means.iter().all(Option::is_none) {
            return unfit("not one frame can be read".into());
        }
        let name = kind.name();
        // Common practice, no source: a dark is a small share of full scale, a flat about half.
        if kind != MasterKind::Flat && typical > 0.35 {
            return unfit(format!(
                "frames without light were expected for a {name}, and these are lit: {:.0} % of full \
                 scale on average\n  record it with the cap on",
                100.0 * typical
            ));
        }
        let lit = typical - offset;
        if kind == MasterKind::Flat && !(lit > 0.05 && typical < 0.97) {
            return unfit(format!(
                "frames of an even light, about half of full scale, were expected for a flat, and these \
                 are at {:.1} % on average\n  expose it {}",
                100.0 * typical,
                if lit > 0.05 { "shorter" } else { "longer" }
            ));
        }
        let usual = 1.4826 * median_of(means.iter().flatten().map(|m| (m - typical).abs()));
        let mut limit = (FRAME_SIGMA * usual).max(0.001);
        if kind == MasterKind::Flat {
            // Brightness is evened out: only what is another scene altogether is left out.
            limit = limit.max(0.1 * typical);
        }
        let taken = all.iter().zip(means).filter_map(|(index, mean)| {
            let mean = (*mean).filter(|mean| (mean - typical).abs() <= limit)?;
            let scale = if kind == MasterKind::Flat { lit / (mean - offset) } else { 1.0 };
            Some((*index, scale))
        });
        let (indices, scales) = taken.unzip();
        Ok(Chosen { indices, scales })
    }
}

/// Read frames in order, some at a time, as shares of full scale; `None` for what cannot be read.
fn each_batch(
    source: &dyn FrameSource,
    indices: &[usize],
    pass: usize,
    progress: &dyn Progress,
    mut take: impl FnMut(&[Option<Vec<f32>>]),
) -> Result<(), Cancelled> {
    for (i, batch) in indices.chunks(BATCH).enumerate() {
        progress.advance(
            Stage::Calibrating,
            pass * indices.len() + i * BATCH,
            3 * indices.len(),
        )?;
        let read = |index: &usize| {
            let mut frame = RawFrame::black(source.format());
            source.read_frame(*index, &mut frame).ok()?;
            Some(shares(&frame))
        };
        let frames: Vec<Option<Vec<f32>>> = batch.par_iter().map(read).collect();
        take(&frames);
    }
    Ok(())
}

/// Samples as shares of full scale.
fn shares(frame: &RawFrame) -> Vec<f32> {
    let unit = 1.0 / frame.format.white;
    match &frame.samples {
        Samples::U8(v) => v.iter().map(|s| unit * f32::from(*s)).collect(),
        Samples::U16(v) => v.iter().map(|s| unit * f32::from(*s)).collect(),
        Samples::F32(v) => v.iter().map(|s| unit * s).collect(),
    }
}

fn sum_of(values: &[f32]) -> f64 {
    values.iter().map(|v| f64::from(*v)).sum()
}

fn mean_of(values: &[f32]) -> f32 {
    (sum_of(values) / values.len().max(1) as f64) as f32
}

/// Median of each colour of a mosaic's or a picture's samples; one value where there are no colours.
pub(super) fn level_of_colours(values: &[f32], format: &FrameFormat) -> Vec<f32> {
    let colours = colours(format.layout);
    let mut split: Vec<Vec<f32>> = vec![Vec::new(); colours];
    // A prime step that meets all columns and rows.
    for i in (0..values.len()).step_by(7) {
        split[colour_of(format, i)].push(values[i]);
    }
    split.iter_mut().map(|own| median(own)).collect()
}

/// Kinds of samples that may have levels of their own: the four places of a mosaic's cell, or the
/// colours of a pixel.
fn colours(layout: Layout) -> usize {
    if layout.is_mosaic() { 4 } else { layout.samples_per_pixel() }
}

/// Which of [`colours`] sample `i` is.
pub(super) fn colour_of(format: &FrameFormat, i: usize) -> usize {
    let planes = format.layout.samples_per_pixel();
    if format.layout.is_mosaic() {
        (i / format.width % 2) * 2 + i % format.width % 2
    } else {
        i % planes
    }
}
