//! A frame calibrated.

use super::master::{Master, colour_of, level_of_colours};
use super::{dead_in_flat, hot_in_dark};
use crate::hot::HotPixels;
use stillwright_picture::{FrameFormat, RawFrame, SampleType, Samples};

/// What is done to every frame of a capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// What each sample reads without light, share of full scale; empty where there is no dark.
    pub offset: Vec<f32>,
    /// What each sample is multiplied by; empty where there is no flat. 1 on the whole for each colour,
    /// so that brightness and colour stay.
    pub gain: Vec<f32>,
    /// Samples that are replaced by their neighbours.
    pub bad: HotPixels,
    /// Samples found hot in the dark.
    pub hot: usize,
    /// Samples found dead in the flat.
    pub dead: usize,
    /// What each row reads too much, share of full scale; empty where bands are left alone.
    pub rows: Vec<f32>,
    /// What each column reads too much.
    pub columns: Vec<f32>,
}

impl Calibration {
    /// From the masters that are there; they must be of the capture's size and kind of samples.
    pub fn from_masters(dark: Option<&Master>, flat: Option<&Master>) -> Calibration {
        let hot = dark.map(hot_in_dark).unwrap_or_default();
        let dead = flat.map(dead_in_flat).unwrap_or_default();
        let mut samples: Vec<usize> = hot.iter().chain(&dead).copied().collect();
        samples.sort_unstable();
        samples.dedup();
        Calibration {
            offset: dark.map(|dark| dark.values.clone()).unwrap_or_default(),
            gain: flat.map(gain_of).unwrap_or_default(),
            bad: HotPixels { samples },
            hot: hot.len(),
            dead: dead.len(),
            ..Calibration::default()
        }
    }

    /// Whether it changes nothing.
    pub fn is_empty(&self) -> bool {
        self.offset.is_empty()
            && self.gain.is_empty()
            && self.bad.samples.is_empty()
            && self.rows.is_empty()
            && self.columns.is_empty()
    }

    /// The format of calibrated frames: floats, full scale at 1.
    pub fn format(&self, raw: FrameFormat) -> FrameFormat {
        FrameFormat { sample_type: SampleType::F32, white: 1.0, ..raw }
    }

    /// Calibrate `raw` into `frame`: `(sample - dark - bands) x gain` as shares of full scale, which may be
    /// a little below 0 where there is no light. Samples at full scale stay at least there, so that
    /// clipping is still seen.
    pub fn apply(&self, raw: &RawFrame, frame: &mut RawFrame) {
        let format = raw.format;
        frame.reshape(self.format(format));
        let planes = format.layout.samples_per_pixel();
        let width = format.width * planes;
        let Samples::F32(out) = &mut frame.samples else { return };
        let unit = 1.0 / format.white;
        for (y, line) in out.chunks_exact_mut(width.max(1)).enumerate() {
            let span = y * width..(y + 1) * width;
            match &raw.samples {
                Samples::U8(v) => widen(&v[span.clone()], line, |s| unit * f32::from(s)),
                Samples::U16(v) => widen(&v[span.clone()], line, |s| unit * f32::from(s)),
                Samples::F32(v) => widen(&v[span.clone()], line, |s| unit * s),
            }
            let row = self.rows.get(y).copied().unwrap_or(0.0);
            let offset = self.offset.get(span.clone());
            let gain = self.gain.get(span);
            for (x, value) in line.iter_mut().enumerate() {
                let stored = *value;
                let mut v = stored - row;
                if let Some(offset) = offset {
                    v -= offset[x];
                }
                if let Some(column) = self.columns.get(x / planes) {
                    v -= column;
                }
                if let Some(gain) = gain {
                    v *= gain[x];
                }
                *value = if stored >= 1.0 { v.max(1.0) } else { v };
            }
        }
        self.bad.mend(frame);
    }
}

fn widen<T: Copy>(samples: &[T], line: &mut [f32], value: impl Fn(T) -> f32) {
    for (out, sample) in line.iter_mut().zip(samples) {
        *out = value(*sample);
    }
}

/// Gains from a flat: the median of each colour over the sample. Dead samples are mended, not
/// brightened: their gain is 1.
fn gain_of(flat: &Master) -> Vec<f32> {
    let format = flat.format();
    let levels = level_of_colours(&flat.values, &format);
    let gain = |(i, value): (usize, &f32)| {
        let share = value / levels[colour_of(&format, i)].max(1e-6);
        if share > 0.05 { 1.0 / share } else { 1.0 }
    };
    flat.values.iter().enumerate().map(gain).collect()
}
