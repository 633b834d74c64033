//! An open AVI file, and how one of its pictures becomes a frame.

use super::pixels::{Coding, Pixels};
use crate::bytes::{Bytes, no_such_frame, read_frame_part};
use crate::facts::Facts;
use crate::formats::Capture;
use crate::jpeg;
use crate::samples::{decode_u16, flip_rows, swap_red_and_blue};
use crate::time::Ticks;
use crate::yuv::Range255;
use stillwright_picture::{FrameError, FrameFormat, FrameSource, Layout, RawFrame, Samples};

/// An open AVI file.
pub(super) struct AviCapture {
    pub(super) bytes: Box<dyn Bytes>,
    pub(super) format: FrameFormat,
    pub(super) facts: Facts,
    pub(super) pixels: Pixels,
    /// Bytes from one row to the next.
    pub(super) pitch: usize,
    /// Where each frame's data begin, and how many there are.
    pub(super) pictures: Vec<(u64, u32)>,
    /// How luma runs, where there is any.
    pub(super) range: Range255,
    /// By how many bits samples of two bytes are moved down, and their full scale.
    pub(super) shift: u32,
    pub(super) white: u16,
}

impl FrameSource for AviCapture {
    fn format(&self) -> FrameFormat {
        self.format
    }

    fn frame_count(&self) -> usize {
        self.pictures.len()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        let Some(&(offset, size)) = self.pictures.get(index) else {
            return Err(no_such_frame(index, self.pictures.len()));
        };
        frame.reshape(self.format);
        let RawFrame { samples, bytes: stored, .. } = frame;
        let Pixels { width, height, .. } = self.pixels;
        let read = |stored: &mut [u8]| read_frame_part(&*self.bytes, index, offset, stored);
        match (&self.pixels.coding, samples) {
            (Coding::Bytes(greys), Samples::U8(samples)) => {
                self.read_rows(index, offset, samples, stored)?;
                if let Some(greys) = greys {
                    samples.iter_mut().for_each(|sample| *sample = greys[usize::from(*sample)]);
                }
                if self.pixels.layout == Layout::Bgr {
                    swap_red_and_blue(samples);
                }
            }
            (Coding::Palette(colours), Samples::U8(samples)) => {
                stored.resize(self.pitch * height, 0);
                read(stored)?;
                self.each_row(samples, stored, 3 * width, |out, row| {
                    for (pixel, number) in out.chunks_exact_mut(3).zip(row) {
                        pixel.copy_from_slice(&colours[usize::from(*number)]);
                    }
                });
            }
            (Coding::FourBytes, Samples::U8(samples)) => {
                stored.resize(self.pitch * height, 0);
                read(stored)?;
                let order = if self.pixels.layout == Layout::Bgr { [2, 1, 0] } else { [0, 1, 2] };
                self.each_row(samples, stored, 3 * width, |out, row| {
                    for (pixel, four) in out.chunks_exact_mut(3).zip(row.chunks_exact(4)) {
                        pixel.copy_from_slice(&order.map(|i| four[i]));
                    }
                });
            }
            (Coding::Words(order, _), Samples::U16(samples)) => {
                stored.resize(self.pitch * height, 0);
                read(stored)?;
                self.each_row(samples, stored, width, |out, row| {
                    decode_u16(row, *order, self.shift, self.white, out);
                });
            }
            (Coding::Yuv(packing), Samples::U16(samples)) => {
                stored.resize(packing.picture_bytes(width, height), 0);
                read(stored)?;
                if self.format.layout == Layout::Mono {
                    packing.light(self.range, stored, width, samples);
                } else {
                    packing.colour(self.range, stored, (width, height), samples);
                }
            }
            (Coding::Jpeg, Samples::U8(samples)) => {
                stored.resize(size as usize, 0);
                read(stored)?;
                jpeg::decode(stored, width, height, samples).map_err(|why| FrameError {
                    index,
                    reason: format!("the JPEG picture {why}; leave this frame out"),
                })?;
            }
            _ => {}
        }
        Ok(())
    }
}

impl AviCapture {
    /// Read rows of bytes straight into `samples`, or by way of `stored` where rows are padded.
    fn read_rows(
        &self,
        index: usize,
        offset: u64,
        samples: &mut [u8],
        stored: &mut Vec<u8>,
    ) -> Result<(), FrameError> {
        let row = self.pixels.row_bytes();
        if self.pitch == row {
            read_frame_part(&*self.bytes, index, offset, samples)?;
            if self.pixels.bottom_up {
                flip_rows(samples, row);
            }
        } else {
            stored.resize(self.pitch * self.pixels.height, 0);
            read_frame_part(&*self.bytes, index, offset, stored)?;
            self.each_row(samples, stored, row, |out, stored| out.copy_from_slice(stored));
        }
        Ok(())
    }

    /// Every row of `samples`, `len` long, with the stored row that it is made from.
    fn each_row<T>(
        &self,
        samples: &mut [T],
        stored: &[u8],
        len: usize,
        mut make: impl FnMut(&mut [T], &[u8]),
    ) {
        let row = self.pixels.row_bytes();
        let stored = stored.chunks_exact(self.pitch);
        let rows = samples.chunks_exact_mut(len);
        if self.pixels.bottom_up {
            rows.rev().zip(stored).for_each(|(out, from)| make(out, &from[..row]));
        } else {
            rows.zip(stored).for_each(|(out, from)| make(out, &from[..row]));
        }
    }
}

impl Capture for AviCapture {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, _index: usize) -> Option<Ticks> {
        None
    }
}
