//! Reading AVI files: from the walk to an open capture.

use super::decode::AviCapture;
use super::header::Headers;
use super::look::Look;
use super::pixels::{Coding, Pixels};
use super::remarks::remarks;
use super::walk::{Chunk, Step, Walk, stream_of};
use crate::bytes::Bytes;
use crate::error::{CaptureError, Fault, grouped};
use crate::facts::{Facts, Overrides};
use crate::formats::Opened;
use crate::jpeg;
use crate::ser::decide::{Storage, decide_bits};
use crate::yuv;
use stillwright_picture::{FrameFormat, Layout, SampleType};

/// What the walk found.
#[derive(Default)]
pub(super) struct Found {
    pub(super) headers: Headers,
    /// How pictures are stored; known from the first `movi` list on.
    pub(super) pixels: Option<Pixels>,
    /// Where pictures begin, and their lengths: whole ones, long enough without row padding.
    pub(super) whole: Vec<(u64, u32)>,
    /// A picture that the file ends in.
    pub(super) cut: Option<Chunk>,
    pub(super) short: u64,
    pub(super) empty: u64,
    pub(super) others: u64,
    pub(super) parts: u64,
    pub(super) lost_at: Option<u64>,
    /// Bytes in the midst of pictures that made no sense and were stepped over.
    pub(super) stepped_over: u64,
}

/// Open an AVI file.
pub(super) fn open(bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    let mut found = walk(&*bytes, len, overrides.bit_depth.is_some_and(|depth| depth > 8))?;
    let Some(mut pixels) = found.pixels.clone() else {
        return Err(headless(len));
    };
    check_overrides(&pixels, overrides)?;
    if let Some(layout) = overrides.layout {
        pixels.set_layout(layout)?;
    }
    if let (Coding::Words(order, _), Some(wanted)) = (&mut pixels.coding, overrides.byte_order) {
        *order = wanted;
    }

    let row = pixels.row_bytes();
    let least = pixels.picture_bytes();
    let in_rows = least == row as u64 * pixels.height as u64;
    let padded = row.next_multiple_of(4);
    let long = |size: u32| !in_rows || u64::from(size) >= padded as u64 * pixels.height as u64;
    // Some writers leave the padding of rows out; the first picture tells.
    let pitch =
        if found.whole.first().is_some_and(|(_, size)| !long(*size)) { row } else { padded };
    let before = found.whole.len();
    found.whole.retain(|(_, size)| pitch == row || long(*size));
    found.short += (before - found.whole.len()) as u64;
    if found.whole.is_empty() {
        return Err(CaptureError::Damaged(Fault::new(
            format!("at least one picture of {} bytes", grouped(least)),
            format!("{} shorter or cut ones", found.short + u64::from(found.cut.is_some())),
            None,
            "nothing can be saved from this file; it was probably cut off at its first frame",
        )));
    }
    let pictures = std::mem::take(&mut found.whole);
    if pixels.coding == Coding::Jpeg {
        settle_size(&*bytes, &pictures, &mut pixels, overrides)?;
    }
    let seen = Look::at(&*bytes, &pictures, &pixels, pitch);
    if matches!(pixels.coding, Coding::Yuv(_) | Coding::Jpeg)
        && overrides.layout.is_none()
        && seen.colourless
    {
        pixels.layout = Layout::Mono;
    }
    let words = match pixels.coding {
        Coding::Words(_, bits) => Some(decide_bits(seen.bits, bits, false, overrides)),
        _ => None,
    };
    Ok(Box::new(capture(bytes, &found, pictures, pixels, pitch, seen, words, len)))
}

#[expect(clippy::too_many_arguments, reason = "everything that opening found out, put together")]
fn capture(
    bytes: Box<dyn Bytes>,
    found: &Found,
    pictures: Vec<(u64, u32)>,
    pixels: Pixels,
    pitch: usize,
    seen: Look,
    words: Option<Storage>,
    len: u64,
) -> AviCapture {
    let frames = pictures.len();
    let (mut warnings, mut notes) = remarks(found, frames as u64, len);
    notes.extend(seen.notes(&pixels));
    let interval_s = found.headers.interval_s();
    let (sample_type, white) = match (&pixels.coding, &words) {
        (_, Some(words)) => (SampleType::U16, words.white()),
        (Coding::Yuv(_), _) => (SampleType::U16, yuv::WHITE),
        _ => (SampleType::U8, u16::from(u8::MAX)),
    };
    let format = FrameFormat {
        width: pixels.width,
        height: pixels.height,
        layout: if pixels.layout == Layout::Bgr { Layout::Rgb } else { pixels.layout },
        sample_type,
        white: f32::from(white),
    };
    let order = match pixels.coding {
        Coding::Words(order, _) => Some(order),
        _ => None,
    };
    let (bit_depth, shift) = words.as_ref().map_or((8, 0), |words| (words.depth, words.shift()));
    let justification = words.as_ref().map(|words| words.justification);
    if let Some(words) = words {
        warnings.extend(words.warnings);
        notes.extend(words.notes);
    }
    let facts = Facts {
        format: super::FORMAT.name,
        width: format.width,
        height: format.height,
        frames,
        declared_frames: Some(found.headers.declared().0),
        bit_depth,
        layout: pixels.layout,
        byte_order: order,
        justification,
        duration_s: interval_s.map(|interval| interval * frames as f64),
        frame_rate_hz: interval_s.map(f64::recip),
        has_times: false,
        start_utc: None,
        start_local: None,
        observer: String::new(),
        instrument: String::new(),
        telescope: String::new(),
        exposure_s: None,
        gain: None,
        warnings,
        notes,
    };
    AviCapture { bytes, format, facts, pixels, pitch, pictures, range: seen.range, shift, white }
}

/// Refuse settings that mean nothing for what is stored.
fn check_overrides(pixels: &Pixels, overrides: &Overrides) -> Result<(), CaptureError> {
    let wide = matches!(pixels.coding, Coding::Words(..));
    let fits = if wide {
        overrides.bit_depth.is_none_or(|depth| depth > 8)
    } else {
        overrides.bit_depth.is_none_or(|depth| depth == 8)
            && overrides.byte_order.is_none()
            && overrides.justification.is_none()
    };
    if fits {
        return Ok(());
    }
    Err(CaptureError::Parameter(Fault::new(
        if wide {
            "samples of two bytes, 9 to 16 bits"
        } else {
            "samples of 8 bits, which have no byte order and no justification"
        },
        "settings for others",
        None,
        "leave bit depth, byte order and justification out for this capture",
    )))
}

/// The size of JPEG pictures is what the first sound one says, not the header.
fn settle_size(
    bytes: &dyn Bytes,
    pictures: &[(u64, u32)],
    pixels: &mut Pixels,
    overrides: &Overrides,
) -> Result<(), CaptureError> {
    let mut picture = Vec::new();
    let mut why = String::new();
    for &(offset, size) in pictures.iter().take(16) {
        picture.resize(size as usize, 0);
        if crate::bytes::read_up_to(bytes, offset, &mut picture).ok() != Some(picture.len()) {
            continue;
        }
        match jpeg::head(&picture) {
            Ok(head) => {
                (pixels.width, pixels.height) = (head.width, head.height);
                if !head.colour && overrides.layout.is_none() {
                    pixels.layout = Layout::Mono;
                }
                return Ok(());
            }
            Err(reason) => why = reason,
        }
    }
    Err(CaptureError::Damaged(Fault::new(
        "a sound JPEG picture among the first 16 frames",
        format!("none; the last one {why}"),
        pictures.first().map(|(offset, _)| *offset),
        "if a copy of the file exists elsewhere, use that",
    )))
}

fn walk(bytes: &dyn Bytes, len: u64, wide: bool) -> Result<Found, CaptureError> {
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
                        let pixels = Pixels::new(bitmap, wide)?;
                        video = Some(number);
                        least = pixels.picture_bytes();
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
    found.stepped_over = walk.stepped_over;
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
