//! How noisy the camera's samples are, as a line over brightness.
//!
//! A sensor's noise variance is that of reading plus a share of the light (shot noise): a line,
//! the photon transfer curve. It is measured in single frames, from differences that the optics
//! cannot make.

use serde::{Deserialize, Serialize};
use stillwright_picture::{FrameFormat, RawFrame, Samples};

/// Noise variance of one sample, in squares of full scale: `read + gain x brightness`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Variance in the dark, rounding to whole steps included.
    pub read: f32,
    /// Variance gained per unit of brightness.
    pub gain: f32,
}

impl NoiseModel {
    /// Variance at a brightness (share of full scale).
    pub fn variance(&self, brightness: f32) -> f32 {
        self.read + self.gain * brightness.max(0.0)
    }

    /// Standard deviation at a brightness (share of full scale).
    pub fn sigma(&self, brightness: f32) -> f32 {
        self.variance(brightness).sqrt()
    }
}

/// Gathers blocks of frames and fits the line.
#[derive(Clone, Debug, Default)]
pub struct NoiseMeter {
    /// (brightness, variance) of each block.
    blocks: Vec<(f32, f32)>,
}

/// Side of a block, in samples of one colour.
const BLOCK: usize = 16;

impl NoiseMeter {
    /// Measure the blocks of one frame. Blocks that touch full scale or black are passed over.
    ///
    /// The variance of a block is the mean square of \[1 -2 1\] x \[1 -2 1\] over it, divided by
    /// 36 (Immerkær, Computer Vision and Image Understanding 64, 300, 1996): it responds to the
    /// corner of the spectrum that lies beyond the cut-off of any critically sampled picture.
    pub fn add(&mut self, frame: &RawFrame) {
        let format = frame.format;
        let planes = format.layout.samples_per_pixel();
        let step = if format.layout.is_mosaic() { 2 } else { 1 };
        let span = (BLOCK + 2) * step;
        if format.width < span || format.height < span {
            return;
        }
        // About 600 blocks of a frame are plenty.
        let total = (format.width / span) * (format.height / span);
        let every = total.div_ceil(600).max(1);
        let columns = format.width / span;
        for block in (0..total).step_by(every) {
            let (x, y) = ((block % columns) * span, (block / columns) * span);
            let plane = if planes == 3 { 1 } else { 0 };
            let measured = match &frame.samples {
                Samples::U8(v) => measure(v, &format, x, y, step, plane, f32::from),
                Samples::U16(v) => measure(v, &format, x, y, step, plane, f32::from),
                Samples::F32(v) => measure(v, &format, x, y, step, plane, |s| s),
            };
            self.blocks.extend(measured);
        }
    }

    /// Take over what another meter gathered.
    pub fn merge(&mut self, other: NoiseMeter) {
        self.blocks.extend(other.blocks);
    }

    /// The line. Within a narrow range of brightness, the blocks with the least variance are
    /// those without structure: the lower quartile is taken, and divided by what the lower
    /// quartile of so many samples is of their mean.
    pub fn fit(mut self, format: &FrameFormat) -> NoiseModel {
        // Rounding to whole steps: a twelfth of a squared step.
        let rounding = match format.sample_type {
            stillwright_picture::SampleType::F32 => 1e-12,
            _ => 1.0 / (12.0 * format.white * format.white),
        };
        let floor = NoiseModel { read: rounding, gain: 0.0 };
        if self.blocks.len() < 8 {
            return floor;
        }
        self.blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
        let bins = (self.blocks.len() / 64).clamp(1, 12);
        let per_bin = self.blocks.len().div_ceil(bins);
        let mut points: Vec<(f64, f64)> = Vec::with_capacity(bins);
        for bin in self.blocks.chunks_mut(per_bin) {
            let brightness = bin[bin.len() / 2].0;
            let rank = bin.len() / 4;
            let variance = bin.select_nth_unstable_by(rank, |a, b| a.1.total_cmp(&b.1)).1.1;
            points.push((f64::from(brightness), f64::from(variance / QUARTILE)));
        }
        // Relative errors are alike in all bins: weigh by the inverse square of the variance.
        let (mut s, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (x, y) in &points {
            let w = 1.0 / (y * y).max(1e-30);
            s += w;
            sx += w * x;
            sy += w * y;
            sxx += w * x * x;
            sxy += w * x * y;
        }
        let det = s * sxx - sx * sx;
        let slope = if det > 1e-6 * s * sxx { (s * sxy - sx * sy) / det } else { 0.0 };
        let gain = slope.max(0.0);
        let read = (sy / s - gain * sx / s).max(f64::from(rounding));
        NoiseModel { read: read as f32, gain: gain as f32 }
    }
}

/// Lower quartile of a block's variance relative to its mean: the 256 products of a block are
/// correlated, which leaves about 90 independent ones and a scatter of 15 %; the quartile lies
/// 0.674 of that below the mean (normal approximation; checked by the test below).
const QUARTILE: f32 = 0.90;

fn measure<T: Copy>(
    samples: &[T],
    format: &FrameFormat,
    x0: usize,
    y0: usize,
    step: usize,
    plane: usize,
    value: impl Fn(T) -> f32,
) -> Option<(f32, f32)> {
    let planes = format.layout.samples_per_pixel();
    let at = |column: usize, row: usize| {
        let pixel = (y0 + row * step) * format.width + x0 + column * step;
        samples.get(pixel * planes + plane).map_or(0.0, |s| value(*s))
    };
    let (mut sum, mut squares) = (0.0f32, 0.0f32);
    let (mut low, mut high) = (f32::MAX, f32::MIN);
    for row in 1..=BLOCK {
        for column in 1..=BLOCK {
            let mut corner = 0.0;
            for (dy, wy) in [(-1isize, 1.0f32), (0, -2.0), (1, 1.0)] {
                for (dx, wx) in [(-1isize, 1.0f32), (0, -2.0), (1, 1.0)] {
                    let c = (column as isize + dx) as usize;
                    let r = (row as isize + dy) as usize;
                    corner += wx * wy * at(c, r);
                }
            }
            let here = at(column, row);
            sum += here;
            low = low.min(here);
            high = high.max(here);
            squares += corner * corner;
        }
    }
    let n = (BLOCK * BLOCK) as f32;
    let white = format.white;
    if high >= white || low <= 0.0 || !squares.is_finite() {
        return None;
    }
    Some((sum / n / white, squares / n / 36.0 / (white * white)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{Layout, SampleType};

    /// Standard normal numbers from a fixed linear congruential generator (Box and Muller 1958).
    fn normals(n: usize) -> Vec<f32> {
        let mut state = 12345u64;
        let mut uniform = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
        };
        (0..n)
            .map(|_| {
                let (a, b) = (uniform(), uniform());
                ((-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()) as f32
            })
            .collect()
    }

    #[test]
    fn the_line_of_read_and_shot_noise_comes_back_within_six_per_cent() {
        let format = FrameFormat {
            width: 400,
            height: 300,
            layout: Layout::Mono,
            sample_type: SampleType::U16,
            white: 4095.0,
        };
        let (read, gain) = (16.0f32, 0.5f32);
        let noise = normals(400 * 300 * 3);
        let mut meter = NoiseMeter::default();
        for frame_index in 0..3 {
            let mut frame = RawFrame::black(format);
            if let Samples::U16(v) = &mut frame.samples {
                for (i, s) in v.iter_mut().enumerate() {
                    let light = 200.0 + 3000.0 * (i % 400) as f32 / 400.0;
                    let sigma = (read + gain * light).sqrt();
                    *s = (light + sigma * noise[frame_index * 120_000 + i]).round() as u16;
                }
            }
            meter.add(&frame);
        }
        let model = meter.fit(&format);
        for light in [300.0f32, 1000.0, 3000.0] {
            let expected = (read + gain * light + 1.0 / 12.0) / (4095.0 * 4095.0);
            let ratio = model.variance(light / 4095.0) / expected;
            assert!((ratio - 1.0).abs() < 0.06, "at {light}: {ratio}");
        }
    }

    #[test]
    fn a_frame_without_noise_leaves_the_rounding() {
        let format = FrameFormat {
            width: 64,
            height: 64,
            layout: Layout::Mono,
            sample_type: SampleType::U8,
            white: 255.0,
        };
        let model = NoiseMeter::default().fit(&format);
        assert!((model.read - 1.0 / (12.0 * 255.0 * 255.0)).abs() < 1e-9);
        assert_eq!(model.gain, 0.0);
    }
}
