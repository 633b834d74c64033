//! What is wrong with the camera's pixels: some sampled frames, read once for stuck ones and noise.

use crate::hot::HotPixels;
use crate::noise::{NoiseMeter, NoiseModel};
use crate::survey::SeeingError;
use crate::workers::Pool;
use multiversion::multiversion;
use rayon::prelude::*;
use stillwright_picture::{FrameSource, Progress, RawFrame, Samples, Stage};

/// Sampled frames that are read side by side, and added up before they go to the mean.
const GROUP: usize = 8;

/// Samples that one piece of work adds up.
const PIECE: usize = 4096;

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
    let pool = Pool::<Option<RawFrame>>::default();
    for (round, indices) in sampled.chunks(GROUP).enumerate() {
        progress.advance(Stage::Sampling, round * GROUP, 2 * sampled.len())?;
        let read = |(i, index): (usize, &usize)| -> Result<_, String> {
            let mut frame = pool.take().unwrap_or_else(|| RawFrame::black(format));
            source.read_frame(*index, &mut frame).map_err(|error| error.to_string())?;
            let mut meter = NoiseMeter::default();
            // The noise of a few frames is that of all.
            if i % 4 == 0 {
                meter.add(&frame);
            }
            Ok((frame, meter))
        };
        let group: Vec<_> = indices.par_iter().enumerate().map(read).collect();
        let mut frames = Vec::with_capacity(group.len());
        for read in group {
            match read {
                Ok((frame, of_frame)) => {
                    meter.merge(of_frame);
                    frames.push(frame);
                }
                Err(trouble) => last_trouble = Some(trouble),
            }
        }
        count += frames.len();
        mean.par_chunks_mut(PIECE).enumerate().for_each(|(piece, mean)| {
            // Memory that is read before it is written is looked up twice, which stops all cores.
            if round == 0 {
                mean.fill(0.0);
            }
            add_piece(mean, &frames, piece * PIECE);
        });
        frames.into_iter().for_each(|frame| pool.give(Some(frame)));
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

/// Add the samples of `frames` from number `first` on to as many of `mean`: whole ones as whole numbers, exact in any order.
fn add_piece(mean: &mut [f32], frames: &[RawFrame], first: usize) {
    let (mut whole, mut float) = ([0u32; PIECE], [0.0f32; PIECE]);
    let span = first..first + mean.len();
    let (whole, float) = (&mut whole[..mean.len()], &mut float[..mean.len()]);
    let mut all_whole = true;
    for frame in frames {
        match &frame.samples {
            Samples::U8(v) => v.get(span.clone()).into_iter().for_each(|v| add_u8(whole, v)),
            Samples::U16(v) => v.get(span.clone()).into_iter().for_each(|v| add_u16(whole, v)),
            Samples::F32(v) => {
                all_whole = false;
                let some = v.get(span.clone()).unwrap_or_default();
                float.iter_mut().zip(some).for_each(|(sum, s)| *sum += s);
            }
        }
    }
    if all_whole {
        mean.iter_mut().zip(whole).for_each(|(m, s)| *m += *s as f32);
    } else {
        mean.iter_mut().zip(float).for_each(|(m, s)| *m += *s);
    }
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
