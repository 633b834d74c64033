//! A frame's light as one plane, whatever its colours.

use crate::raster::{Kernel, Raster, smooth};
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

/// Share of samples at full scale.
pub fn clipped_share(frame: &RawFrame) -> f32 {
    let white = frame.format.white;
    let (clipped, n) = match &frame.samples {
        Samples::U8(v) => (v.iter().filter(|s| f32::from(**s) >= white).count(), v.len()),
        Samples::U16(v) => (v.iter().filter(|s| f32::from(**s) >= white).count(), v.len()),
        Samples::F32(v) => (v.iter().filter(|s| **s >= white).count(), v.len()),
    };
    if n == 0 { 0.0 } else { clipped as f32 / n as f32 }
}

/// The smoothing that [`Luminance`] itself applies to a layout, as a kernel along each axis.
pub fn own_smoothing(layout: Layout) -> Vec<f32> {
    if layout.is_mosaic() { Kernel::binomial3().full() } else { vec![1.0] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{BayerOrder, FrameFormat, SampleType};

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
