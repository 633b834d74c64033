//! The noise of each sample of a stack, against the noise that is in it: red and blue show the same scene with
//! noise of their own, so that their difference is noise and nothing else.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Layout, RawFrame, SampleType, Samples, Silent,
};
use stillwright_seeing::{SurveySettings, survey};
use stillwright_stacking::{Keep, Resampling, Stack, StackSettings, stack};

const WIDTH: usize = 192;
const HEIGHT: usize = 128;
const FRAMES: usize = 48;
/// How far the scene drifts to the right, px in all: the rims are seen by few frames.
const DRIFT_PX: f32 = 60.0;

/// Grey ground of waves of 6 to 40 px that drifts through the field of a colour camera; darker to the right, and noisier
/// where it is brighter.
struct Drifting;

fn shift(frame: usize) -> (f32, f32) {
    let t = frame as f32 / (FRAMES - 1) as f32;
    (DRIFT_PX * (t - 0.5), 2.0 * (7.0 * t).sin())
}

fn ground(x: f32, y: f32) -> f32 {
    let mut v = 0.5 - 0.0012 * x;
    for k in 0..30u32 {
        let angle = k as f32 * 2.399;
        let length = 6.0 + 34.0 * ((k * 11 % 30) as f32 / 30.0);
        let along = x * angle.cos() + y * angle.sin();
        v += 0.012 * (std::f32::consts::TAU * along / length + k as f32 * 1.7).sin();
    }
    v
}

/// Sum of four even numbers from SplitMix64, near enough to normal, of variance 1.
fn noise(mut state: u64) -> f32 {
    let mut next = || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32 - 0.5
    };
    3f32.sqrt() * (next() + next() + next() + next())
}

impl FrameSource for Drifting {
    fn format(&self) -> FrameFormat {
        let (width, height, white) = (WIDTH, HEIGHT, 4095.0);
        FrameFormat { width, height, layout: Layout::Rgb, sample_type: SampleType::U16, white }
    }

    fn frame_count(&self) -> usize {
        FRAMES
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        frame.reshape(self.format());
        let Samples::U16(samples) = &mut frame.samples else { return Ok(()) };
        let (dx, dy) = shift(index);
        for (at, sample) in samples.iter_mut().enumerate() {
            let (x, y) = ((at / 3 % WIDTH) as f32, (at / 3 / WIDTH) as f32);
            let light = ground(x - dx, y - dy);
            let which = ((index as u64) << 20) + at as u64;
            let light = light + (1e-4 + 4e-4 * light.max(0.0)).sqrt() * noise(which << 3);
            *sample = (light * 4095.0).clamp(0.0, 4095.0).round() as u16;
        }
        Ok(())
    }
}

fn made(scale: f32, resampling: Resampling) -> (usize, Stack) {
    let survey = survey(&Drifting, &SurveySettings::default(), &Silent).unwrap();
    let keep = Keep::Percent(100.0);
    let settings = StackSettings { keep, scale, resampling, ..StackSettings::default() };
    (survey.reference_index, stack(&Drifting, &survey, &settings, &Silent).unwrap())
}

#[test]
fn the_map_tells_the_noise_of_middle_and_rims() {
    for (scale, resampling) in [(1.0, Resampling::Interpolation), (2.0, Resampling::Drizzle(0.5))] {
        let (reference, stack) = made(scale, resampling);
        let (width, height) = (stack.picture.width(), stack.picture.height());
        let mut sums: Vec<[f64; 3]> = vec![[0.0; 3]; 4];
        for x in 0..width {
            // Frames that show this column, and do not fade out there.
            let u = (x as f32 + 0.5) / scale - 0.5 - shift(reference).0;
            let inside = 12.0..(WIDTH - 13) as f32;
            let shown = (0..FRAMES).filter(|i| inside.contains(&(u + shift(*i).0))).count();
            let zone = match shown as f32 / FRAMES as f32 {
                s if s > 0.95 => 0,
                s if s > 0.7 => 1,
                s if s > 0.4 => 2,
                s if s > 0.15 => 3,
                _ => continue,
            };
            let rim = (20.0 * scale) as usize;
            for y in rim..height - rim {
                let at = |channel: usize| f64::from(stack.picture.planes[[channel, y, x]]);
                let told = |channel: usize| f64::from(stack.noise.planes[[channel, y, x]]).powi(2);
                assert!(told(0) > 0.0 && told(2) > 0.0, "{x} {y}");
                let sum = &mut sums[zone];
                let truth = 0.5 * (at(0) - at(2)).powi(2);
                *sum = [sum[0] + truth, sum[1] + 0.5 * (told(0) + told(2)), sum[2] + 1.0];
            }
        }
        let mut rms = Vec::new();
        for (zone, [truth, told, count]) in sums.iter().enumerate() {
            assert!(*count > 500.0, "zone {zone}: {count} samples");
            let (truth, told) = ((truth / count).sqrt(), (told / count).sqrt());
            println!(
                "scale {scale}, zone {zone}: noise {truth:.5}, told {told:.5}, {count} samples"
            );
            assert!((told / truth - 1.0).abs() < 0.1, "zone {zone}: {told} {truth}");
            rms.push(truth);
        }
        // Uneven indeed: a rim is noisier by a third at least.
        assert!(rms[3] > 1.33 * rms[0], "{rms:?}");
    }
}
