//! What is wrong with the camera's pixels: some sampled frames, read once for stuck ones and noise.

use crate::hot::HotPixels;
use crate::noise::{NoiseMeter, NoiseModel};
use crate::survey::SeeingError;
use multiversion::multiversion;
use rayon::prelude::*;
use stillwright_picture::{FrameSource, Progress, RawFrame, Samples, Stage};

/// Sampled frames that are added up as whole numbers before they go to the mean.
const GROUP: usize = 8;

/// One group of sampled frames.
struct Group {
    /// Sum of the samples of those that could be read.
    sum: Sum,
    count: usize,
    meter: NoiseMeter,
    trouble: Option<String>,
}

/// Sums of samples: whole numbers of 32 bits, exact in any order, or floats.
enum Sum {
    Whole(Vec<u32>),
    Float(Vec<f32>),
}

/// Read the sampled frames once for what is wrong with the pixels: stuck ones, noise.
pub(crate) fn stuck_and_noisy(
    source: &dyn FrameSource,
    sampled: &[usize],
    progress: &dyn Progress,
) -> Result<(HotPixels, NoiseModel), SeeingError> {
    let format = source.format();
    let mut mean = vec![0.0f32; format.sample_count()];
    let mut meter = NoiseMeter::default();
    let (mut count, mut last_trouble) = (0usize, None);
    // A few groups side by side: their sums take the memory of a few frames of floats.
    for (round, groups) in sampled.chunks(4 * GROUP).enumerate() {
        progress.advance(Stage::Sampling, round * 4 * GROUP, 2 * sampled.len())?;
        let done: Vec<Group> =
            groups.par_chunks(GROUP).map(|indices| add_group(source, indices)).collect();
        for group in done {
            count += group.count;
            meter.merge(group.meter);
            last_trouble = group.trouble.or(last_trouble);
            match &group.sum {
                Sum::Whole(sum) => mean.iter_mut().zip(sum).for_each(|(m, s)| *m += *s as f32),
                Sum::Float(sum) => mean.iter_mut().zip(sum).for_each(|(m, s)| *m += s),
            }
        }
    }
    if count == 0 {
        let why = last_trouble.map_or(String::new(), |e| format!(": {e}"));
        return Err(SeeingError::NoUsableFrames(format!("no frame can be read{why}")));
    }
    let unit = 1.0 / (format.white * count as f32);
    mean.iter_mut().for_each(|m| *m *= unit);
    // From a handful of frames a stuck pixel cannot be told from detail of the scene.
    let hot = if count >= 8 { HotPixels::find(&mean, &format) } else { HotPixels::default() };
    Ok((hot, meter.fit(&format)))
}

fn add_group(source: &dyn FrameSource, indices: &[usize]) -> Group {
    let format = source.format();
    let n = format.sample_count();
    let mut frame = RawFrame::black(format);
    let sum = match &frame.samples {
        Samples::F32(_) => Sum::Float(vec![0.0; n]),
        _ => Sum::Whole(vec![0; n]),
    };
    let mut group = Group { sum, count: 0, meter: NoiseMeter::default(), trouble: None };
    for (i, index) in indices.iter().enumerate() {
        if let Err(error) = source.read_frame(*index, &mut frame) {
            group.trouble = Some(error.to_string());
            continue;
        }
        group.count += 1;
        match (&frame.samples, &mut group.sum) {
            (Samples::U8(v), Sum::Whole(sum)) => add_u8(sum, v),
            (Samples::U16(v), Sum::Whole(sum)) => add_u16(sum, v),
            (Samples::F32(v), Sum::Float(sum)) => {
                sum.iter_mut().zip(v).for_each(|(sum, s)| *sum += s);
            }
            _ => {}
        }
        // The noise of a few frames is that of all.
        if i % 4 == 0 {
            group.meter.add(&frame);
        }
    }
    group
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn add_u8(sum: &mut [u32], samples: &[u8]) {
    for (sum, s) in sum.iter_mut().zip(samples) {
        *sum += u32::from(*s);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn add_u16(sum: &mut [u32], samples: &[u16]) {
    for (sum, s) in sum.iter_mut().zip(samples) {
        *sum += u32::from(*s);
    }
}
