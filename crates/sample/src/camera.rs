//! The camera: light to electrons to numbers.

use crate::random::{Purpose, Random};
use crate::settings::SampleSettings;
use stillwright_picture::{FrameFormat, Layout, RawFrame, SampleType, Samples};

/// What a sensor adds to the light, and how it writes it down.
pub(crate) struct Sensor {
    pub format: FrameFormat,
    seed: u64,
    electrons_at_white: f64,
    read_noise_e: f64,
    black_level: f64,
    /// Index of the sample and what it adds, share of full scale; in order of index.
    hot: Vec<(usize, f64)>,
}

impl Sensor {
    pub fn new(settings: &SampleSettings) -> Sensor {
        let camera = &settings.camera;
        let bytes = if camera.bit_depth == 8 { SampleType::U8 } else { SampleType::U16 };
        let format = FrameFormat {
            width: settings.width,
            height: settings.height,
            layout: camera.layout,
            sample_type: bytes,
            white: ((1u32 << camera.bit_depth) - 1) as f32,
        };
        let mut random = Random::stream(settings.seed, Purpose::Camera, 1);
        let count = settings.width * settings.height;
        let mut hot: Vec<(usize, f64)> = (0..camera.hot_pixels)
            .map(|_| (random.below(count), random.between(0.1, 0.9)))
            .collect();
        hot.sort_by_key(|(at, _)| *at);
        Sensor {
            format,
            seed: settings.seed,
            electrons_at_white: camera.electrons_at_white,
            read_noise_e: camera.read_noise_e,
            black_level: camera.black_level,
            hot,
        }
    }

    /// Write frame `index` down: planes of light (one, or red, green and blue; share of full
    /// scale above the black level), of which `light` arrives.
    pub fn record(&self, index: usize, planes: &[Vec<f32>], light: f64, frame: &mut RawFrame) {
        frame.reshape(self.format);
        let mut random = Random::stream(self.seed, Purpose::Noise, index as u64);
        let white = f64::from(self.format.white);
        let width = self.format.width;
        let mut hot = self.hot.iter().peekable();
        let mut number = |at: usize| {
            let channel = match self.format.layout {
                Layout::Bayer(order) => order.channel_at(at % width, at / width),
                _ => 0,
            };
            let arrived = f64::from(planes[channel][at]).max(0.0) * light;
            let mut share = random.poisson(arrived * self.electrons_at_white);
            share += self.read_noise_e * random.normal();
            share /= self.electrons_at_white;
            while let Some((_, extra)) = hot.next_if(|(hot, _)| *hot == at) {
                share += extra;
            }
            ((share + self.black_level) * white).round().clamp(0.0, white)
        };
        match &mut frame.samples {
            Samples::U8(to) => to.iter_mut().enumerate().for_each(|(i, v)| *v = number(i) as u8),
            Samples::U16(to) => to.iter_mut().enumerate().for_each(|(i, v)| *v = number(i) as u16),
            Samples::F32(to) => to.iter_mut().enumerate().for_each(|(i, v)| *v = number(i) as f32),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_shot_noise_and_read_noise() {
        let mut night = SampleSettings::small(3);
        (night.width, night.height, night.camera.bit_depth) = (256, 256, 12);
        let sensor = Sensor::new(&night);
        let mut frame = RawFrame::black(sensor.format);
        let (electrons, read) = (night.camera.electrons_at_white, night.camera.read_noise_e);
        for level in [0.001, 0.02, 0.5] {
            sensor.record(5, &[vec![level as f32; 65536]], 1.0, &mut frame);
            let Samples::U16(samples) = &frame.samples else { panic!("12 bits need two bytes") };
            let mean = samples.iter().map(|v| f64::from(*v)).sum::<f64>() / 65536.0;
            let square = samples.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>();
            let variance = square / 65536.0;
            let gain = 4095.0 / electrons;
            // Variance of the law, and of rounding (1/12).
            let expected = gain * gain * (level * electrons + read * read) + 1.0 / 12.0;
            let black = night.camera.black_level;
            assert!((mean - 4095.0 * (level + black)).abs() < 0.02 * expected.sqrt() + 0.02);
            assert!((variance / expected - 1.0).abs() < 0.03, "{level}: {variance} {expected}");
        }
    }
}
