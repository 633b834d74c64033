//! A frame's samples as padded float planes, ready to be sampled between pixels.

use stillwright_picture::{Layout, RawFrame, Samples};

/// Samples beyond the edge that interpolation may touch.
pub const PAD: usize = 4;

/// Planes of one frame with [`PAD`] mirrored samples on every side; full scale 1.0.
#[derive(Clone, Debug, Default)]
pub struct FramePlanes {
    /// Columns of the frame (without padding).
    pub width: usize,
    /// Rows of the frame (without padding).
    pub height: usize,
    /// Colours of a mosaic, if the one plane is one.
    pub mosaic: Option<Layout>,
    planes: Vec<Vec<f32>>,
}

impl FramePlanes {
    /// Samples in a padded row.
    pub fn stride(&self) -> usize {
        self.width + 2 * PAD
    }

    /// Number of planes: 1, or 3 for colour in the open.
    pub fn count(&self) -> usize {
        self.planes.len()
    }

    /// A padded plane; the sample of pixel (x, y) stands at `(y + PAD) * stride + x + PAD`.
    pub fn plane(&self, index: usize) -> &[f32] {
        self.planes.get(index).map_or(&[], |p| p)
    }

    /// Take over `frame`, dividing its light by `transparency`.
    pub fn load(&mut self, frame: &RawFrame, transparency: f32) {
        let format = &frame.format;
        let count = format.layout.samples_per_pixel();
        self.width = format.width;
        self.height = format.height;
        self.mosaic = format.layout.is_mosaic().then_some(format.layout);
        let len = self.stride() * (format.height + 2 * PAD);
        self.planes.resize_with(count, Vec::new);
        let scale = 1.0 / (format.white * transparency.max(1e-3));
        let (width, stride) = (self.width, self.stride());
        for (index, plane) in self.planes.iter_mut().enumerate() {
            plane.resize(len, 0.0);
            for y in 0..format.height {
                let out = &mut plane[(y + PAD) * stride + PAD..][..width];
                let span = y * width * count..(y + 1) * width * count;
                match &frame.samples {
                    Samples::U8(v) => pick(&v[span], count, index, out, |s| scale * f32::from(s)),
                    Samples::U16(v) => pick(&v[span], count, index, out, |s| scale * f32::from(s)),
                    Samples::F32(v) => pick(&v[span], count, index, out, |s| scale * s),
                }
            }
            pad(plane, width, format.height);
        }
    }
}

fn pick<T: Copy>(row: &[T], count: usize, index: usize, out: &mut [f32], f: impl Fn(T) -> f32) {
    if count == 1 {
        for (o, s) in out.iter_mut().zip(row) {
            *o = f(*s);
        }
    } else {
        for (o, pixel) in out.iter_mut().zip(row.chunks_exact(count)) {
            *o = f(pixel[index]);
        }
    }
}

/// Mirror about the edge samples (which keeps a mosaic's colours in step: -1 becomes 1).
fn pad(plane: &mut [f32], width: usize, height: usize) {
    let stride = width + 2 * PAD;
    for y in PAD..PAD + height {
        let row = &mut plane[y * stride..(y + 1) * stride];
        for k in 1..=PAD {
            row[PAD - k] = row[PAD + k.min(width - 1)];
            row[PAD + width - 1 + k] = row[PAD + width - 1 - k.min(width - 1)];
        }
    }
    for k in 1..=PAD {
        let inner = k.min(height - 1);
        plane.copy_within((PAD + inner) * stride..(PAD + inner + 1) * stride, (PAD - k) * stride);
        let last = PAD + height - 1;
        plane
            .copy_within((last - inner) * stride..(last - inner + 1) * stride, (last + k) * stride);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{FrameFormat, SampleType};

    #[test]
    fn planes_are_scaled_split_and_mirrored() {
        let format = FrameFormat {
            width: 8,
            height: 6,
            layout: Layout::Rgb,
            sample_type: SampleType::U8,
            white: 255.0,
        };
        let mut frame = RawFrame::black(format);
        if let Samples::U8(v) = &mut frame.samples {
            for (i, s) in v.iter_mut().enumerate() {
                *s = i as u8;
            }
        }
        let mut planes = FramePlanes::default();
        planes.load(&frame, 0.5);
        assert_eq!(planes.count(), 3);
        let at = |p: usize, x: isize, y: isize| {
            planes.plane(p)[((y + 4) * 16 + x + 4) as usize] * 255.0 * 0.5
        };
        assert!((at(1, 2, 3) - (3 * 8 + 2) as f32 * 3.0 - 1.0).abs() < 1e-3);
        assert_eq!(at(2, -1, 2), at(2, 1, 2));
        assert_eq!(at(0, 8, 5), at(0, 6, 5));
        assert_eq!(at(0, 3, -2), at(0, 3, 2));
        assert_eq!(at(0, -1, 7), at(0, 1, 3));
    }
}
