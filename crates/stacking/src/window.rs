//! A piece of a frame as floats, ready to be sampled between pixels.
//!
//! Frames stay as the camera gave them until a block of the output asks for the few rows and
//! columns it needs: converting these while they are in the cache is cheaper than a float copy
//! of every frame, and a frame of 8 bits takes a quarter of the memory.

use crate::spline;
use multiversion::multiversion;
use stillwright_picture::{RawFrame, Samples};
use stillwright_seeing::lanes::{widen_u8, widen_u16};
use stillwright_seeing::raster::mirror;
use stillwright_seeing::spline::SLACK;

/// Samples in a row of a window.
pub use stillwright_seeing::spline::STRIDE;

/// Part of one plane of a frame, mirrored beyond the frame's edges (which keeps a mosaic's
/// colours in step: -1 becomes 1), scaled.
#[derive(Clone, Debug, Default)]
pub struct Window {
    /// Column of the frame at which rows begin; may be negative.
    pub left: isize,
    /// Row of the frame that is the first; may be negative.
    pub top: isize,
    /// Rows of [`STRIDE`] samples, and some more.
    pub values: Vec<f32>,
}

impl Window {
    /// Take `columns` (at most [`STRIDE`]) by `rows` samples of colour `plane` of `frame` from
    /// (`left`, `top`) on, times `scale`. Samples of a row beyond `columns` mean nothing.
    pub fn load(
        &mut self,
        frame: &RawFrame,
        plane: usize,
        scale: f32,
        (left, top): (isize, isize),
        (columns, rows): (usize, usize),
    ) {
        self.begin((left, top), rows);
        let columns = columns.min(STRIDE);
        for (row, line) in self.values[..rows * STRIDE].chunks_exact_mut(STRIDE).enumerate() {
            take_row(frame, plane, scale, (left, top + row as isize), &mut line[..columns]);
        }
    }

    /// The same, filtered for [`spline::interpolate`].
    pub fn load_filtered(
        &mut self,
        frame: &RawFrame,
        plane: usize,
        scale: f32,
        (left, top): (isize, isize),
        (columns, rows): (usize, usize),
    ) {
        self.begin((left, top), rows);
        let columns = columns.min(STRIDE);
        let (first, above) = (left - spline::REACH as isize, top - spline::REACH as isize);
        let format = &frame.format;
        let (needed, width) = (columns + 2 * spline::REACH, format.width);
        let (Ok(x), Ok(y)) = (usize::try_from(first), usize::try_from(above)) else {
            return self.load_mirrored(frame, plane, scale, (first, above), (columns, rows));
        };
        let inside = x + needed <= width && y + rows + 2 * spline::REACH <= format.height;
        let (at, size) = (y * width + x, (columns, rows));
        match &frame.samples {
            Samples::U8(v) if inside && v.len() == width * format.height => {
                filtered(&v[at..], width, scale, size, &mut self.values);
            }
            Samples::U16(v) if inside && v.len() == width * format.height => {
                filtered(&v[at..], width, scale, size, &mut self.values);
            }
            _ => self.load_mirrored(frame, plane, scale, (first, above), size),
        }
    }

    /// The same where it reaches beyond the frame, or samples are not one beside the other; from the first that is filtered on.
    fn load_mirrored(
        &mut self,
        frame: &RawFrame,
        plane: usize,
        scale: f32,
        (first, above): (isize, isize),
        (columns, rows): (usize, usize),
    ) {
        let (mut line, line_end) = ([0.0; STRIDE + 2 * spline::REACH], columns + 2 * spline::REACH);
        // Rows that are filtered along, in turn.
        let mut along = [[0.0; STRIDE]; TURN];
        for row in 0..rows + 2 * spline::REACH {
            let at = (first, above + row as isize);
            take_row(frame, plane, scale, at, &mut line[..line_end]);
            spline::filter_along(&line[..line_end], &mut along[row % TURN][..columns]);
            if let Some(row) = row.checked_sub(2 * spline::REACH) {
                let near = std::array::from_fn(|k| &along[(row + k) % TURN][..columns]);
                spline::filter_down(near, &mut self.values[row * STRIDE..][..columns]);
            }
        }
    }

    fn begin(&mut self, (left, top): (isize, isize), rows: usize) {
        self.left = left;
        self.top = top;
        // A row is read past its end, as far as eight places together may look.
        self.values.resize(rows * STRIDE + SLACK, 0.0);
    }
}

/// Rows that are filtered together.
const TURN: usize = 2 * spline::REACH + 1;

/// A sample of a frame.
trait Sample: Copy {
    fn value(self) -> f32;
}

impl Sample for u8 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

impl Sample for u16 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

/// [`Window::load_filtered`] of `frame`, rows of `width` samples of which the first is the first that is filtered; all in one, for
/// rows are short.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn filtered<'a, T: Sample>(
    frame: &'a [T],
    width: usize,
    scale: f32,
    (columns, rows): (usize, usize),
    out: &mut [f32],
) {
    let needed = columns + 2 * spline::REACH;
    let row_at = |row: usize| frame.get(row * width..row * width + needed);
    // Rows lie far apart in memory: all are asked for before the first is waited for.
    let step = 64 / size_of::<T>();
    let asked = (0..rows + 2 * spline::REACH).filter_map(row_at).fold(0.0, |sum, row| {
        let last = row.last().map_or(0.0, |s| s.value());
        row.iter().step_by(step).fold(sum + last, |sum, s| sum + s.value())
    });
    std::hint::black_box(asked);
    let mut line = [0.0; STRIDE + 2 * spline::REACH];
    let mut along = [[0.0; STRIDE]; TURN];
    for row in 0..rows + 2 * spline::REACH {
        let Some(samples) = row_at(row) else { return };
        for (o, s) in line[..needed].iter_mut().zip(samples) {
            *o = scale * s.value();
        }
        let near = std::array::from_fn(|k| &line[k..k + columns]);
        spline::filter(near, &mut along[row % TURN][..columns]);
        if let Some(row) = row.checked_sub(2 * spline::REACH) {
            let near = std::array::from_fn(|k| &along[(row + k) % TURN][..columns]);
            spline::filter(near, &mut out[row * STRIDE..][..columns]);
        }
    }
}

/// One row of samples, from (`left`, `y`) of the frame on.
fn take_row(
    frame: &RawFrame,
    plane: usize,
    scale: f32,
    (left, y): (isize, isize),
    line: &mut [f32],
) {
    let format = &frame.format;
    let count = format.layout.samples_per_pixel();
    let (width, height) = (format.width, format.height);
    let columns = line.len();
    // Columns that lie in the frame; the others are mirrored one by one.
    let first = (-left).clamp(0, columns as isize) as usize;
    let last = (width as isize - left).clamp(first as isize, columns as isize) as usize;
    let y = mirror(y, height);
    let span = y * width * count..(y + 1) * width * count;
    let from = (left + first as isize) as usize * count;
    let inner = &mut line[first..last];
    match &frame.samples {
        Samples::U8(v) if count == 1 => widen_u8(&v[span][from..], scale, inner),
        Samples::U16(v) if count == 1 => widen_u16(&v[span][from..], scale, inner),
        Samples::F32(v) if count == 1 => widen_f32(&v[span][from..], scale, inner),
        Samples::U8(v) => pick(&v[span][from..], (count, plane), inner, |s| scale * f32::from(s)),
        Samples::U16(v) => pick(&v[span][from..], (count, plane), inner, |s| scale * f32::from(s)),
        Samples::F32(v) => pick(&v[span][from..], (count, plane), inner, |s| scale * s),
    }
    for x in (0..first).chain(last..columns) {
        let source = (y * width + mirror(left + x as isize, width)) * count + plane;
        line[x] = scale
            * match &frame.samples {
                Samples::U8(v) => f32::from(v[source]),
                Samples::U16(v) => f32::from(v[source]),
                Samples::F32(v) => v[source],
            };
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn widen_f32(row: &[f32], scale: f32, out: &mut [f32]) {
    for (o, s) in out.iter_mut().zip(row) {
        *o = scale * s;
    }
}

fn pick<T: Copy>(
    row: &[T],
    (count, plane): (usize, usize),
    out: &mut [f32],
    value: impl Fn(T) -> f32,
) {
    for (o, pixel) in out.iter_mut().zip(row.chunks_exact(count)) {
        *o = value(pixel[plane]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{FrameFormat, Layout, SampleType};

    #[test]
    fn windows_are_scaled_split_and_mirrored() {
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
        let mut window = Window::default();
        let mut at = |plane: usize, x: isize, y: isize| {
            window.load(&frame, plane, 2.0, (-4, -3), (16, 13));
            window.values[(y - window.top) as usize * STRIDE + (x - window.left) as usize] / 2.0
        };
        assert_eq!(at(1, 2, 3), ((3 * 8 + 2) * 3 + 1) as f32);
        assert_eq!(at(2, -1, 2), at(2, 1, 2));
        assert_eq!(at(0, 8, 5), at(0, 6, 5));
        assert_eq!(at(0, 3, -2), at(0, 3, 2));
        assert_eq!(at(0, -1, 7), at(0, 1, 3));
    }

    #[test]
    fn mono_windows_hold_every_type_of_sample() {
        for sample_type in [SampleType::U8, SampleType::U16, SampleType::F32] {
            let format =
                FrameFormat { width: 50, height: 9, layout: Layout::Mono, sample_type, white: 1.0 };
            let mut frame = RawFrame::black(format);
            for i in 0..450 {
                match &mut frame.samples {
                    Samples::U8(v) => v[i] = (i % 251) as u8,
                    Samples::U16(v) => v[i] = i as u16,
                    Samples::F32(v) => v[i] = i as f32,
                }
            }
            let mut window = Window::default();
            window.load(&frame, 0, 0.5, (33, 2), (17, 3));
            // Row 3, column 33 of 50: below 251, so the same for every type.
            assert_eq!(window.values[STRIDE], 0.5 * 183.0);
        }
    }

    #[test]
    fn windows_inside_a_frame_are_filtered_as_those_beyond_it_are() {
        for sample_type in [SampleType::U8, SampleType::U16, SampleType::F32] {
            let format = FrameFormat {
                width: 90,
                height: 61,
                layout: Layout::Mono,
                sample_type,
                white: 1.0,
            };
            let mut frame = RawFrame::black(format);
            for i in 0..90 * 61 {
                match &mut frame.samples {
                    Samples::U8(v) => v[i] = (i * 7919 % 251) as u8,
                    Samples::U16(v) => v[i] = (i * 7919 % 65_521) as u16,
                    Samples::F32(v) => v[i] = (i * 7919 % 251) as f32,
                }
            }
            for (corner, size) in [((2, 2), (86, 57)), ((40, 13), (9, 1)), ((0, 2), (7, 5))] {
                let (mut together, mut apart) = (Window::default(), Window::default());
                together.load_filtered(&frame, 0, 0.3, corner, size);
                apart.begin(corner, size.1);
                let first = (corner.0 - 2, corner.1 - 2);
                apart.load_mirrored(&frame, 0, 0.3, first, size);
                for row in 0..size.1 {
                    let span = row * STRIDE..row * STRIDE + size.0;
                    assert_eq!(together.values[span.clone()], apart.values[span], "{corner:?}");
                }
            }
        }
    }
}
