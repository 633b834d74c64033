//! TIFF, by the crate `tiff` (Adobe TIFF 6.0, BigTIFF): 8 and 16-bit integers, 32-bit integers and
//! floats; uncompressed, LZW, deflate, run lengths. Of several pages the first is read.

use super::{Decoded, Reader, Shape, damaged, without_alpha};
use crate::bytes::Bytes;
use crate::error::{CaptureError, Fault};
use std::io::BufReader;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use stillwright_picture::{SampleType, Samples};
use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

pub(super) fn decode(
    bytes: &Arc<dyn Bytes>,
    expected: Option<Shape>,
) -> Result<Decoded, CaptureError> {
    // A decoder of others: should it break off, one picture is lost and nothing else.
    catch_unwind(AssertUnwindSafe(|| decode_sound(bytes, expected)))
        .unwrap_or_else(|_| Err(damaged("TIFF", &"broke the decoder off")))
}

fn decode_sound(bytes: &Arc<dyn Bytes>, expected: Option<Shape>) -> Result<Decoded, CaptureError> {
    let input = Reader::new(bytes)?;
    let len = input.len;
    if !super::directory::is_honest(&**bytes, len) {
        return Err(damaged("TIFF", &"promises more values than the file has bytes"));
    }
    let wrong = |error: tiff::TiffError| damaged("TIFF", &format!("cannot be decoded ({error})"));
    let mut decoder = Decoder::new(BufReader::new(input)).map_err(wrong)?;
    let (width, height) = decoder.dimensions().map_err(wrong)?;
    let colour = decoder.colortype().map_err(wrong)?;
    let (keep, of) = match colour {
        ColorType::Gray(_) => (1, 1),
        ColorType::GrayA(_) => (1, 2),
        ColorType::RGB(_) => (3, 3),
        ColorType::RGBA(_) => (3, 4),
        other => return Err(unsupported(format!("colours of the kind {other:?}"))),
    };
    let planar = decoder.find_tag_unsigned::<u16>(Tag::PlanarConfiguration).ok().flatten();
    if of > 1 && planar == Some(2) {
        return Err(unsupported("each colour in a plane of its own".into()));
    }
    let bits = colour.bit_depth();
    let floats = decoder
        .find_tag_unsigned_vec::<u16>(Tag::SampleFormat)
        .ok()
        .flatten()
        .is_some_and(|formats| formats.contains(&3));
    let kind = match (bits, floats) {
        (1..=8, false) => SampleType::U8,
        (9..=16, false) => SampleType::U16,
        _ => SampleType::F32,
    };
    let (width, height) = (width as usize, height as usize);
    let shape = Shape { width, height, colour: keep == 3, kind };
    shape.check(expected)?;
    shape.check_size(len)?;
    // What the size allows, and what rows and strips of that size may take on the way.
    let most = width * height * of * usize::from(bits).div_ceil(8);
    let mut limits = Limits::default();
    limits.decoding_buffer_size = most;
    limits.intermediate_buffer_size = most.max(1 << 16).saturating_mul(2);
    let mut decoder = decoder.with_limits(limits);
    let samples = match decoder.read_image().map_err(wrong)? {
        DecodingResult::U8(v) if bits == 8 => Samples::U8(without_alpha(v, keep, of)),
        DecodingResult::U16(v) => Samples::U16(without_alpha(v, keep, of)),
        DecodingResult::F32(v) => Samples::F32(without_alpha(v, keep, of)),
        DecodingResult::F64(v) => floats_of(v, keep, of, |value| value as f32),
        DecodingResult::U32(v) => floats_of(v, keep, of, |value| value as f32),
        DecodingResult::I32(v) => floats_of(v, keep, of, |value| value as f32),
        DecodingResult::I16(v) => {
            let v = v.into_iter().map(|value| value.max(0) as u16).collect();
            Samples::U16(without_alpha(v, keep, of))
        }
        _ => return Err(unsupported(format!("{bits} bits a sample"))),
    };
    if samples.len() != width * height * keep {
        return Err(damaged("TIFF", &"has fewer samples than its size asks for"));
    }
    Ok(Decoded::new(shape, samples, bits.min(16)))
}

fn floats_of<T: Copy>(values: Vec<T>, keep: usize, of: usize, f: impl Fn(T) -> f32) -> Samples {
    Samples::F32(without_alpha(values, keep, of).into_iter().map(f).collect())
}

fn unsupported(found: String) -> CaptureError {
    CaptureError::Unsupported(Fault::new(
        "TIFF of 8 or 16-bit integers or 32-bit floats, grey or red, green, blue side by side",
        found,
        None,
        "write the sequence in one of these, or as FITS or PNG",
    ))
}
