//! How frames are exposed, and what to do about it next time.

use crate::error::NightError;
use serde::Serialize;
use stillwright_capture::{Capture, Facts, RemarkCode};
use stillwright_picture::{FrameFormat, Progress, RawFrame, SampleType, Samples, Stage};
use stillwright_seeing::noise::NoiseMeter;

/// Frames, spread over the capture, that are looked at for the exposure.
const FRAMES_LOOKED_AT: usize = 24;

/// Share of clipped samples above which a capture counts as overexposed. A few stuck pixels, or the
/// glint of one peak, stay below it.
const CLIPPED_TOO_MUCH: f64 = 0.005;

/// Level that the brightest samples (all but one in a thousand) should reach at least, share of
/// full scale. Below it, more than three of the camera's bits are given away.
const TOO_DARK: f64 = 0.1;

/// Noise, in steps, that makes rounding to steps average out. Larger, and good captures are blamed;
/// smaller, and captures whose faint detail is lost go unblamed.
const ENOUGH_NOISE_STEPS: f64 = 0.5;

/// Side of a frame below which there are too few blocks to measure noise in.
const NARROWEST_FOR_NOISE: usize = 64;

/// How the frames are exposed, from some frames spread over the capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Exposure {
    /// Frames looked at.
    pub frames: usize,
    /// Mean brightness, share of full scale.
    pub mean: f64,
    /// Level that one sample in a thousand lies above, share of full scale.
    pub bright: f64,
    /// Share of samples at full scale.
    pub clipped_share: f64,
    /// Frames without any light.
    pub blank: usize,
    /// Frames that could not be read.
    pub unreadable: usize,
    /// Noise (standard deviation) of a sample at mean brightness, steps of the recording, rounding
    /// left out; 0 where there is none, `None` where it cannot be measured (floats, tiny frames).
    pub noise_steps: Option<f64>,
}

/// Look at some frames of `capture`.
///
/// # Errors
/// When the person asked to stop.
pub(crate) fn look_at_exposure(
    capture: &dyn Capture,
    progress: &dyn Progress,
) -> Result<Exposure, NightError> {
    let count = capture.frame_count();
    let looked_at = count.min(FRAMES_LOOKED_AT);
    let format = capture.format();
    let white = f64::from(format.white);
    let mut frame = RawFrame::black(format);
    // Levels in 1024 steps of full scale; the last bin is full scale itself.
    let mut levels = vec![0u64; 1025];
    let mut counts = match frame.samples {
        Samples::U8(_) => vec![0u32; 1 << 8],
        Samples::U16(_) => vec![0u32; 1 << 16],
        Samples::F32(_) => Vec::new(),
    };
    let (mut sum, mut samples) = (0.0, 0u64);
    let mut noise = NoiseMeter::default();
    let mut found = Exposure { frames: looked_at, ..Exposure::default() };
    for i in 0..looked_at {
        progress.advance(Stage::Sampling, i, looked_at)?;
        let index = i * count / looked_at;
        if capture.read_frame(index, &mut frame).is_err() {
            found.unreadable += 1;
            continue;
        }
        let mut brightest = 0.0f64;
        let mut darkest = f64::INFINITY;
        let mut take = |value: f64, times: u64| {
            let share = (value / white).clamp(0.0, 1.0);
            levels[(share * 1024.0) as usize] += times;
            sum += share * times as f64;
            samples += times;
            brightest = brightest.max(share);
            darkest = darkest.min(share);
        };
        // Whole numbers are counted first: each value is then looked at once.
        counts.fill(0);
        match &frame.samples {
            Samples::U8(values) => values.iter().for_each(|v| counts[usize::from(*v)] += 1),
            Samples::U16(values) => values.iter().for_each(|v| counts[usize::from(*v)] += 1),
            Samples::F32(values) => values.iter().for_each(|v| take(f64::from(*v), 1)),
        }
        for (value, times) in counts.iter().enumerate().filter(|(_, times)| **times > 0) {
            take(value as f64, u64::from(*times));
        }
        if brightest <= darkest {
            found.blank += 1;
        } else {
            noise.add(&frame);
        }
    }
    progress.advance(Stage::Sampling, looked_at, looked_at)?;
    if samples > 0 {
        found.mean = sum / samples as f64;
        found.clipped_share = levels[1024] as f64 / samples as f64;
        let mut above = 0;
        let allowed = samples / 1000;
        let bin = levels.iter().rposition(|n| {
            above += n;
            above > allowed
        });
        found.bright = bin.unwrap_or(0) as f64 / 1024.0;
        found.noise_steps = noise_in_steps(noise, &format, capture.facts(), found.mean);
    }
    Ok(found)
}

/// What the exposure should have been, a sentence each.
pub(crate) fn exposure_warnings(exposure: &Exposure, facts: &Facts) -> Vec<String> {
    let mut all = Vec::new();
    let read = exposure.frames - exposure.unreadable;
    if exposure.unreadable > 0 {
        all.push(format!(
            "{} of the {} frames looked at could not be read: check the disk and its cable",
            exposure.unreadable, exposure.frames
        ));
    }
    if read > 0 && exposure.blank == read {
        all.push("no light in any of the frames looked at: was the cap on?".to_string());
        return all;
    }
    if exposure.clipped_share > CLIPPED_TOO_MUCH {
        all.push(format!(
            "overexposed: {:.1} % of the samples are at full scale, and their detail is lost; \
             expose or amplify less",
            100.0 * exposure.clipped_share
        ));
    }
    if read > 0 && exposure.bright < TOO_DARK {
        all.push(format!(
            "very dark: all but one sample in a thousand stay below {:.0} % of full scale; expose or \
             amplify more",
            100.0 * (exposure.bright + 1.0 / 1024.0)
        ));
    }
    // Rounding to steps needs noise of half a step to average out: then the mean error that is left
    // is 2 exp(-2 pi^2 / 4) / (2 pi), some thousandths of a step (Widrow and Kollár, Quantization
    // Noise, 2008; from memory).
    if let Some(steps) = exposure.noise_steps
        && facts.bit_depth <= 8
        && steps < ENOUGH_NOISE_STEPS
        && !facts.notes.iter().any(|note| note.code == RemarkCode::Lossy)
    {
        all.push(format!(
            "the {}-bit steps are too coarse for this little noise ({steps:.2} steps): faint detail \
             between two steps is lost and does not come back by stacking; record 12 or 16 bits, or \
             amplify more",
            facts.bit_depth
        ));
    }
    all
}

/// Noise of a sample at a brightness, in steps of what was recorded.
fn noise_in_steps(
    meter: NoiseMeter,
    format: &FrameFormat,
    facts: &Facts,
    brightness: f64,
) -> Option<f64> {
    // What was converted from luma, or decoded, has other steps than those it was recorded in.
    let whole = format.sample_type != SampleType::F32
        && format.width.min(format.height) >= NARROWEST_FOR_NOISE
        && (format.white - ((1_u32 << facts.bit_depth) - 1) as f32).abs() < 0.5;
    if !whole {
        return None;
    }
    let variance = f64::from(meter.fit(format).variance(brightness as f32));
    let steps = variance * f64::from(format.white).powi(2) - 1.0 / 12.0;
    Some(steps.max(0.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;
    use stillwright_capture::{Overrides, SerOptions, SerWriter, open};
    use stillwright_picture::{Layout, Silent};

    /// A capture of 8-bit slopes with even noise of this many steps (standard deviation).
    fn slopes(noise: f64) -> Box<dyn Capture> {
        let options = SerOptions::new(96, 96, Layout::Mono, 8);
        let mut writer = SerWriter::create(Cursor::new(Vec::new()), options).unwrap();
        let mut state = 7_u64;
        for _ in 0..6 {
            let values = (0..96 * 96).map(|i| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let even = (state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5;
                (60.0 + f64::from(i % 96) * 0.7 + even * noise * 12_f64.sqrt()).round() as u8
            });
            writer.write_frame(&Samples::U8(values.collect()), None).unwrap();
        }
        open(Box::new(writer.finish().unwrap().into_inner()), &Overrides::default()).unwrap()
    }

    #[test]
    fn noise_is_measured_in_steps_and_too_little_is_said() {
        for (noise, warned) in [(3.0, false), (1.5, false), (0.1, true)] {
            let capture = slopes(noise);
            let found = look_at_exposure(&*capture, &Silent).unwrap();
            let steps = found.noise_steps.unwrap();
            let warnings = exposure_warnings(&found, capture.facts()).join("\n");
            assert_eq!(warnings.contains("steps are too coarse"), warned, "{steps} {warnings}");
            if !warned {
                assert!((steps / noise - 1.0).abs() < 0.1, "{steps} for {noise}");
            }
        }
    }
}
