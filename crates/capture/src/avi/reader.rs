//! Reading uncompressed AVI files.

use super::header::Headers;
use super::pixels::Pixels;
use super::walk::{Chunk, Step, Walk, stream_of};
use crate::bytes::{Bytes, no_such_frame, read_frame_part};
use crate::error::{CaptureError, Fault, grouped};
use crate::facts::{Facts, Overrides, Remark, RemarkCode};
use crate::formats::{Capture, Opened};
use crate::samples::{flip_rows, swap_red_and_blue};
use crate::time::Ticks;
use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Layout, RawFrame, SampleType, Samples,
};

/// An open AVI file.
struct AviCapture {
    bytes: Box<dyn Bytes>,
    format: FrameFormat,
    facts: Facts,
    pixels: Pixels,
    /// Bytes from one row to the next.
    pitch: usize,
    /// Where each frame's data begin.
    offsets: Vec<u64>,
}

/// What the walk found.
#[derive(Default)]
struct Found {
    headers: Headers,
    /// How pictures are stored; known from the first `movi` list on.
    pixels: Option<Pixels>,
    /// Where pictures begin, and their lengths: whole ones, long enough without row padding.
    whole: Vec<(u64, u32)>,
    /// A picture that the file ends in.
    cut: Option<Chunk>,
    short: u64,
    empty: u64,
    others: u64,
    parts: u64,
    lost_at: Option<u64>,
}

/// Open an AVI file.
pub(super) fn open(bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    let found = walk(&*bytes, len)?;
    let Some(mut pixels) = found.pixels.clone() else {
        return Err(headless(len));
    };
    if let Some(layout) = overrides.layout {
        pixels.set_layout(layout)?;
    }
    if overrides.bit_depth.is_some_and(|depth| depth != 8)
        || overrides.byte_order.is_some()
        || overrides.justification.is_some()
    {
        return Err(CaptureError::Parameter(Fault::new(
            "samples of 8 bits, which have no byte order and no justification",
            "settings for others",
            None,
            "leave bit depth, byte order and justification out for this capture",
        )));
    }

    let row = pixels.row_bytes();
    let padded = row.next_multiple_of(4);
    let rows = pixels.height as u64;
    // Some writers leave the padding of rows out; the first picture tells.
    let long = |size: u32| u64::from(size) >= padded as u64 * rows;
    let pitch =
        if found.whole.first().is_some_and(|(_, size)| !long(*size)) { row } else { padded };
    let fits = |size: u32| pitch == row || long(size);
    let offsets: Vec<u64> =
        found.whole.iter().filter(|(_, size)| fits(*size)).map(|(offset, _)| *offset).collect();
    let short = found.short + (found.whole.len() - offsets.len()) as u64;
    if offsets.is_empty() {
        return Err(CaptureError::Damaged(Fault::new(
            format!("at least one picture of {} bytes", grouped(pitch as u64 * rows)),
            format!("{} shorter or cut ones", short + u64::from(found.cut.is_some())),
            None,
            "nothing can be saved from this file; it was probably cut off at its first frame",
        )));
    }
    let frames = offsets.len();
    let (warnings, notes) = remarks(&found, frames as u64, short, len);
    let interval_s = found.headers.interval_s();
    let format = FrameFormat {
        width: pixels.width,
        height: pixels.height,
        layout: if pixels.layout == Layout::Bgr { Layout::Rgb } else { pixels.layout },
        sample_type: SampleType::U8,
        white: 255.0,
    };
    let facts = Facts {
        format: super::FORMAT.name,
        width: format.width,
        height: format.height,
        frames,
        declared_frames: Some(found.headers.declared().0),
        bit_depth: 8,
        layout: pixels.layout,
        byte_order: None,
        justification: None,
        duration_s: interval_s.map(|interval| interval * frames as f64),
        frame_rate_hz: interval_s.map(f64::recip),
        has_times: false,
        start_utc: None,
        start_local: None,
        observer: String::new(),
        instrument: String::new(),
        telescope: String::new(),
        warnings,
        notes,
    };
    Ok(Box::new(AviCapture { bytes, format, facts, pixels, pitch, offsets }))
}

fn walk(bytes: &dyn Bytes, len: u64) -> Result<Found, CaptureError> {
    let mut found = Found::default();
    let mut walk = Walk::new(bytes, len);
    let mut in_pictures = false;
    let (mut video, mut least) = (None, 0);
    while let Some(step) = walk.step().map_err(|e| CaptureError::reading(0, e))? {
        match step {
            Step::Into(form) => match &form {
                b"strl" if !in_pictures => found.headers.begin_stream(),
                b"movi" => {
                    in_pictures = true;
                    if let Some((number, stream)) = found.headers.video()
                        && let (None, Some(bitmap)) = (&found.pixels, &stream.bitmap)
                    {
                        let pixels = Pixels::new(bitmap)?;
                        video = Some(number);
                        least = pixels.row_bytes() as u64 * pixels.height as u64;
                        found.pixels = Some(pixels);
                    }
                }
                b"AVI " | b"AVIX" => {
                    found.parts += 1;
                    in_pictures = false;
                }
                _ => {}
            },
            Step::Over(chunk) if in_pictures => match stream_of(&chunk.id) {
                Some(number) if Some(number) == video && is_picture(&chunk) => {
                    if chunk.missing > 0 {
                        found.cut = Some(chunk);
                    } else if chunk.size == 0 {
                        found.empty += 1;
                    } else if chunk.size < least {
                        found.short += 1;
                    } else {
                        found.whole.push((chunk.offset, chunk.size as u32));
                    }
                }
                Some(_) => found.others += 1,
                None => {}
            },
            Step::Over(chunk) => found.headers.take(bytes, &chunk)?,
        }
    }
    found.lost_at = walk.lost_at;
    Ok(found)
}

fn is_picture(chunk: &Chunk) -> bool {
    matches!(&chunk.id[2..], b"db" | b"dc")
}

fn headless(len: u64) -> CaptureError {
    CaptureError::Damaged(Fault::new(
        "headers that say how pictures are stored, and a list of pictures after them",
        format!("no such thing in {} bytes", grouped(len)),
        None,
        "nothing can be saved from this file; it was probably cut off before its first frame",
    ))
}

fn remarks(found: &Found, frames: u64, short: u64, len: u64) -> (Vec<Remark>, Vec<Remark>) {
    let (mut warnings, mut notes) = (Vec::new(), Vec::new());
    let (declared, of_all_parts) = found.headers.declared();
    let seen = frames + short + found.empty;
    let of = if declared > seen as i64 { format!(" of {declared}") } else { String::new() };
    if let Some(cut) = &found.cut {
        warnings.push(Remark::new(
            RemarkCode::Truncated,
            format!(
                "the capture ends inside frame {seen}{of} (needs {} more bytes at offset {}); \
                 {frames} whole frames can be used; the file was probably cut off while recording",
                grouped(cut.missing),
                grouped(len)
            ),
        ));
    } else if let Some(lost_at) = found.lost_at.filter(|_| declared > 0 && declared <= seen as i64)
    {
        notes.push(Remark::new(
            RemarkCode::StrayBytes,
            format!("{} bytes behind the last frame were not read", grouped(len - lost_at)),
        ));
    } else if let Some(lost_at) = found.lost_at {
        warnings.push(Remark::new(
            RemarkCode::BrokenChunk,
            format!(
                "expected a chunk or the end at offset {}, found other bytes; the {frames} whole \
                 frames before can be used, the {} bytes from there on were not read",
                grouped(lost_at),
                grouped(len - lost_at)
            ),
        ));
    } else if declared > seen as i64 {
        warnings.push(Remark::new(
            RemarkCode::Truncated,
            format!(
                "the capture ends before frame {seen}{of}; {frames} whole frames can be used; the \
                 file was probably cut off while recording"
            ),
        ));
    }
    if declared == 0 {
        warnings.push(Remark::new(
            RemarkCode::FrameCount,
            format!(
                "the header says 0 frames, but the file holds {frames} whole ones; all of them can \
                 be used; the recording was probably never closed"
            ),
        ));
    } else if declared < seen as i64 && (of_all_parts || found.parts <= 1) {
        notes.push(Remark::new(
            RemarkCode::FrameCount,
            format!("the header says {declared} frames, but the file holds {seen}; all were read"),
        ));
    }
    if short > 0 {
        warnings.push(Remark::new(
            RemarkCode::ShortFrames,
            format!("{short} frames are shorter than a picture and were left out"),
        ));
    }
    if found.empty > 0 {
        notes.push(Remark::new(
            RemarkCode::EmptyFrames,
            format!(
                "{} frames hold no data (the camera program had lost them) and were left out; \
                 frames after them are numbered on without a gap",
                found.empty
            ),
        ));
    }
    if found.others > 0 {
        notes.push(Remark::new(
            RemarkCode::OtherStreams,
            format!("{} chunks of sound or of other streams were not read", found.others),
        ));
    }
    (warnings, notes)
}

impl FrameSource for AviCapture {
    fn format(&self) -> FrameFormat {
        self.format
    }

    fn frame_count(&self) -> usize {
        self.offsets.len()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        let Some(&offset) = self.offsets.get(index) else {
            return Err(no_such_frame(index, self.offsets.len()));
        };
        frame.reshape(self.format);
        let Samples::U8(samples) = &mut frame.samples else { return Ok(()) };
        let row = self.pixels.row_bytes();
        if self.pitch == row {
            read_frame_part(&*self.bytes, index, offset, samples)?;
            if self.pixels.bottom_up {
                flip_rows(samples, row);
            }
        } else {
            frame.bytes.resize(self.pitch * self.pixels.height, 0);
            read_frame_part(&*self.bytes, index, offset, &mut frame.bytes)?;
            let stored = frame.bytes.chunks_exact(self.pitch);
            let rows = samples.chunks_exact_mut(row);
            if self.pixels.bottom_up {
                rows.rev().zip(stored).for_each(|(to, from)| to.copy_from_slice(&from[..row]));
            } else {
                rows.zip(stored).for_each(|(to, from)| to.copy_from_slice(&from[..row]));
            }
        }
        if let Some(greys) = &self.pixels.palette {
            samples.iter_mut().for_each(|sample| *sample = greys[usize::from(*sample)]);
        }
        if self.pixels.layout == Layout::Bgr {
            swap_red_and_blue(samples);
        }
        Ok(())
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
