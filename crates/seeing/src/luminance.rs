//! A frame's light as one plane, whatever its colours.

use crate::raster::{Kernel, Raster, reduce_piece, smooth};
use multiversion::multiversion;
use std::ops::Range;
use stillwright_picture::{Layout, RawFrame, Samples};

/// Turns raw frames into light, full scale at 1.0, reusing its buffers.
///
/// Mono frames are taken as they are. Red, green and blue are weighed 1 : 2 : 1. A mosaic is
/// smoothed with \[1 2 1\] x \[1 2 1\] / 16, which weighs its four samples equally at every
/// pixel, moves nothing, and leaves no checkerboard.
#[derive(Clone, Debug, Default)]
pub struct Luminance {
    mosaic: Raster,
    work: Raster,
    light: Raster,
}

impl Luminance {
    /// The light of `frame`, into `light`.
    pub fn of(&mut self, frame: &RawFrame, light: &mut Raster) {
        let format = &frame.format;
        if format.layout.is_mosaic() {
            samples_as_light(frame, &mut self.mosaic);
            smooth(&self.mosaic, &Kernel::binomial3(), &mut self.work, light);
        } else {
            samples_as_light(frame, light);
        }
    }
}

/// The light of a frame, row by row, full scale at 1.0.
#[derive(Clone, Copy, Debug)]
pub enum LightRows<'a> {
    /// Samples of one colour, the columns of a row, and what a sample is multiplied by.
    U8(&'a [u8], usize, f32),
    /// The same with two bytes a sample.
    U16(&'a [u16], usize, f32),
    /// Light that was worked out already.
    Light(&'a Raster),
}

impl LightRows<'_> {
    /// Columns and rows.
    pub fn size(&self) -> (usize, usize) {
        match self {
            LightRows::U8(v, width, _) => (*width, v.len() / (*width).max(1)),
            LightRows::U16(v, width, _) => (*width, v.len() / (*width).max(1)),
            LightRows::Light(light) => (light.width, light.height),
        }
    }

    /// Means over blocks of `factor` x `factor` px, 1 to 4, into `out` (see [`crate::raster::reduce`]): the columns and rows of blocks that
    /// `piece` tells. Samples are added up as they are stored, without a light of full size in between.
    pub fn reduced(&self, factor: usize, piece: (Range<usize>, Range<usize>), out: &mut Raster) {
        let corner = (piece.0.start, piece.1.start);
        out.reshape(piece.0.len(), piece.1.len());
        match self {
            LightRows::U8(v, width, unit) => blocks_u8(v, *width, factor, corner, *unit, out),
            LightRows::U16(v, width, unit) => blocks_u16(v, *width, factor, corner, *unit, out),
            LightRows::Light(light) => reduce_piece(light, factor, piece, out),
        }
    }
}

/// What is said of a frame as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Mean of the light, share of full scale.
    pub mean: f32,
    /// Share of samples at full scale.
    pub clipped_share: f32,
}

impl Luminance {
    /// The light of `frame` row by row: as stored where a sample is a pixel, worked out (and
    /// kept in here) where it is not.
    pub fn rows<'a>(&'a mut self, frame: &'a RawFrame) -> LightRows<'a> {
        let format = &frame.format;
        match &frame.samples {
            Samples::U8(v) if format.layout == Layout::Mono => {
                LightRows::U8(v, format.width, 1.0 / format.white)
            }
            Samples::U16(v) if format.layout == Layout::Mono => {
                LightRows::U16(v, format.width, 1.0 / format.white)
            }
            _ => {
                let mut light = std::mem::take(&mut self.light);
                self.of(frame, &mut light);
                self.light = light;
                LightRows::Light(&self.light)
            }
        }
    }

    /// The light of `frame` reduced by `factor` (see [`crate::raster::reduce`]), into `reduced`. Samples of one
    /// colour are added up as they are stored, without a light of full size in between.
    pub fn reduced(&mut self, frame: &RawFrame, factor: usize, reduced: &mut Raster) {
        let all = (0..frame.format.width / factor, 0..frame.format.height / factor);
        self.rows(frame).reduced(factor, all, reduced);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn blocks_u8(
    v: &[u8],
    width: usize,
    factor: usize,
    corner: (usize, usize),
    unit: f32,
    out: &mut Raster,
) {
    blocks(v, width, factor, corner, unit, out);
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn blocks_u16(
    v: &[u16],
    width: usize,
    factor: usize,
    corner: (usize, usize),
    unit: f32,
    out: &mut Raster,
) {
    blocks(v, width, factor, corner, unit, out);
}

#[inline(always)]
fn blocks<T: Copy + Into<u32>>(
    samples: &[T],
    width: usize,
    factor: usize,
    corner: (usize, usize),
    unit: f32,
    out: &mut Raster,
) {
    match factor {
        1 => blocks_by::<T, 1>(samples, width, corner, unit, out),
        2 => blocks_by::<T, 2>(samples, width, corner, unit, out),
        3 => blocks_by::<T, 3>(samples, width, corner, unit, out),
        _ => blocks_by::<T, 4>(samples, width, corner, unit, out),
    }
}

#[inline(always)]
fn blocks_by<T: Copy + Into<u32>, const N: usize>(
    samples: &[T],
    width: usize,
    (left, top): (usize, usize),
    unit: f32,
    out: &mut Raster,
) {
    let scale = unit / (N * N) as f32;
    let columns = out.width;
    if columns == 0 {
        return;
    }
    for (y, line) in out.values.chunks_exact_mut(columns).enumerate() {
        let row = |k: usize| {
            let from = ((top + y) * N + k) * width + left * N;
            samples[from..from + columns * N].as_chunks::<N>().0
        };
        let rows: [&[[T; N]]; N] = std::array::from_fn(row);
        for (x, o) in line.iter_mut().enumerate() {
            let mut sum = 0u32;
            for row in &rows {
                for sample in row[x] {
                    sum += sample.into();
                }
            }
            *o = scale * sum as f32;
        }
    }
}

/// Scale samples to full scale 1.0, one value a pixel, without looking at a mosaic's colours.
fn samples_as_light(frame: &RawFrame, light: &mut Raster) {
    let format = &frame.format;
    light.reshape(format.width, format.height);
    let scale = 1.0 / format.white;
    if matches!(format.layout, Layout::Rgb | Layout::Bgr) {
        let quarter = 0.25 * scale;
        let weigh = |r: f32, g: f32, b: f32| quarter * (r + 2.0 * g + b);
        match &frame.samples {
            Samples::U8(v) => triples(v, &mut light.values, |c| {
                weigh(f32::from(c[0]), f32::from(c[1]), f32::from(c[2]))
            }),
            Samples::U16(v) => triples(v, &mut light.values, |c| {
                weigh(f32::from(c[0]), f32::from(c[1]), f32::from(c[2]))
            }),
            Samples::F32(v) => triples(v, &mut light.values, |c| weigh(c[0], c[1], c[2])),
        }
    } else {
        match &frame.samples {
            Samples::U8(v) => singles(v, &mut light.values, |s| scale * f32::from(s)),
            Samples::U16(v) => singles(v, &mut light.values, |s| scale * f32::from(s)),
            Samples::F32(v) => singles(v, &mut light.values, |s| scale * s),
        }
    }
}

fn singles<T: Copy>(samples: &[T], light: &mut [f32], value: impl Fn(T) -> f32) {
    for (l, s) in light.iter_mut().zip(samples) {
        *l = value(*s);
    }
}

fn triples<T>(samples: &[T], light: &mut [f32], value: impl Fn(&[T]) -> f32) {
    for (l, s) in light.iter_mut().zip(samples.chunks_exact(3)) {
        *l = value(s);
    }
}

/// Mean and clipping of a frame whose light is `rows`.
pub fn level(frame: &RawFrame, rows: &LightRows<'_>) -> Level {
    let white = frame.format.white;
    let (sum, clipped) = match &frame.samples {
        Samples::U8(v) => level_u8(v, white.ceil().min(255.0) as u8),
        Samples::U16(v) => level_u16(v, white.ceil().min(65535.0) as u16),
        Samples::F32(v) => (0, v.iter().filter(|s| **s >= white).count() as u64),
    };
    let n = frame.samples.len().max(1) as f64;
    let mean = match rows {
        LightRows::Light(light) => light.mean(),
        _ => (sum as f64 / (n * f64::from(white))) as f32,
    };
    Level { mean, clipped_share: (clipped as f64 / n) as f32 }
}

/// Lanes of the sums of samples.
const LANES: usize = 32;

/// Sum of samples of one byte and how many are at least `white`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn level_u8(samples: &[u8], white: u8) -> (u64, u64) {
    let (mut total, mut at_white) = (0u64, 0u64);
    let (blocks, rest) = samples.as_chunks::<LANES>();
    // 255 samples of one byte fit into 16 bits, 255 ones into 8.
    for many in blocks.chunks(255) {
        let (mut sums, mut clipped) = ([0u16; LANES], [0u8; LANES]);
        for block in many {
            for l in 0..LANES {
                sums[l] = sums[l].wrapping_add(u16::from(block[l]));
                clipped[l] = clipped[l].wrapping_add(u8::from(block[l] >= white));
            }
        }
        total += sums.iter().map(|s| u64::from(*s)).sum::<u64>();
        at_white += clipped.iter().map(|s| u64::from(*s)).sum::<u64>();
    }
    let (sum, clipped) = level_of(rest, white);
    (total + sum, at_white + clipped)
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn level_u16(samples: &[u16], white: u16) -> (u64, u64) {
    level_of(samples, white)
}

/// Sum of whole numbers and how many are at least `white`.
#[inline(always)]
fn level_of<T: Copy + Into<u32> + PartialOrd>(samples: &[T], white: T) -> (u64, u64) {
    let (mut total, mut at_white) = (0u64, 0u64);
    // 32-bit sums of 2^14 samples of 16 bits cannot overflow.
    for block in samples.chunks(1 << 14) {
        let (mut sum, mut clipped) = (0u32, 0u32);
        for s in block {
            sum += (*s).into();
            clipped += u32::from(*s >= white);
        }
        total += u64::from(sum);
        at_white += u64::from(clipped);
    }
    (total, at_white)
}

/// The smoothing that [`Luminance`] itself applies to a layout, as a kernel along each axis.
pub fn own_smoothing(layout: Layout) -> Vec<f32> {
    if layout.is_mosaic() { Kernel::binomial3().full() } else { vec![1.0] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::reduce;
    use stillwright_picture::{BayerOrder, FrameFormat, SampleType};

    #[test]
    fn reducing_stored_samples_agrees_with_reducing_light() {
        for sample_type in [SampleType::U8, SampleType::U16] {
            let format = FrameFormat {
                width: 71,
                height: 34,
                layout: Layout::Mono,
                sample_type,
                white: if sample_type == SampleType::U8 { 255.0 } else { 4095.0 },
            };
            let mut frame = RawFrame::black(format);
            match &mut frame.samples {
                Samples::U8(v) => v.iter_mut().enumerate().for_each(|(i, s)| *s = (i * 37) as u8),
                Samples::U16(v) => {
                    v.iter_mut().enumerate().for_each(|(i, s)| *s = (i * 37 % 4096) as u16);
                }
                Samples::F32(_) => {}
            }
            let (mut light, mut plain) = (Raster::default(), Raster::default());
            let mut quick = Raster::default();
            Luminance::default().of(&frame, &mut light);
            for factor in [1, 2, 3, 4] {
                reduce(&light, factor, &mut plain);
                Luminance::default().reduced(&frame, factor, &mut quick);
                assert_eq!((plain.width, plain.height), (quick.width, quick.height));
                for (a, b) in plain.values.iter().zip(&quick.values) {
                    assert!((a - b).abs() < 1e-6, "{a} {b}");
                }
            }
        }
    }

    #[test]
    fn sums_and_clipping_in_lanes_are_those_one_by_one() {
        for n in [0, 1, 31, 32, 255 * 32, 255 * 32 + 45, 30_000] {
            for step in [0, 1, 7919] {
                let samples: Vec<u8> = (0..n).map(|i| (255 - i * step % 256) as u8).collect();
                for white in [255, 250, 100] {
                    let sum = samples.iter().map(|s| u64::from(*s)).sum();
                    let clipped = samples.iter().filter(|s| **s >= white).count() as u64;
                    assert_eq!(level_u8(&samples, white), (sum, clipped));
                }
            }
        }
    }

    #[test]
    fn a_flat_mosaic_gives_flat_light_with_each_sample_of_the_cell_counted_once() {
        let format = FrameFormat {
            width: 12,
            height: 10,
            layout: Layout::Bayer(BayerOrder::Grbg),
            sample_type: SampleType::U8,
            white: 255.0,
        };
        let mut frame = RawFrame::black(format);
        if let Samples::U8(v) = &mut frame.samples {
            for (i, s) in v.iter_mut().enumerate() {
                *s = [40, 80, 160][BayerOrder::Grbg.channel_at(i % 12, i / 12)];
            }
        }
        let mut light = Raster::default();
        Luminance::default().of(&frame, &mut light);
        let expected = (40.0 + 2.0 * 80.0 + 160.0) / 4.0 / 255.0;
        for y in 1..9 {
            for x in 1..11 {
                assert!((light.row(y)[x] - expected).abs() < 1e-6);
            }
        }
    }
}
