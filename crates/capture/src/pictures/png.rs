//! PNG, by the crate `png` (W3C PNG specification): 8 and 16 bits; fewer bits and palettes are
//! expanded to 8, alpha is dropped.

use super::{Decoded, Reader, Shape, damaged, without_alpha};
use crate::bytes::Bytes;
use crate::error::CaptureError;
use std::io::BufReader;
use std::sync::Arc;
use stillwright_picture::{SampleType, Samples};

pub(super) fn decode(
    bytes: &Arc<dyn Bytes>,
    expected: Option<Shape>,
) -> Result<Decoded, CaptureError> {
    let input = Reader::new(bytes)?;
    let len = input.len;
    let mut decoder = png::Decoder::new(BufReader::new(input));
    decoder.set_transformations(png::Transformations::EXPAND);
    decoder.ignore_checksums(false);
    let wrong = |error: png::DecodingError| damaged("PNG", &format!("cannot be decoded ({error})"));
    let (width, height) = {
        let info = decoder.read_header_info().map_err(wrong)?;
        (info.width as usize, info.height as usize)
    };
    // Before anything of the picture's size is set aside.
    let narrowest = Shape { width, height, colour: false, kind: SampleType::U8 };
    narrowest.check_size(len)?;
    let mut reader = decoder.read_info().map_err(wrong)?;
    let (colour, depth) = reader.output_color_type();
    let (keep, of) = match colour {
        png::ColorType::Grayscale => (1, 1),
        png::ColorType::GrayscaleAlpha => (1, 2),
        png::ColorType::Rgb | png::ColorType::Indexed => (3, 3),
        png::ColorType::Rgba => (3, 4),
    };
    let wide = depth == png::BitDepth::Sixteen;
    let kind = if wide { SampleType::U16 } else { SampleType::U8 };
    let shape = Shape { width, height, colour: keep == 3, kind };
    shape.check(expected)?;
    shape.check_size(len)?;
    let size = reader.output_buffer_size().unwrap_or(usize::MAX);
    if size != width * height * of * if wide { 2 } else { 1 } {
        return Err(damaged("PNG", &"has rows of an unexpected length"));
    }
    let mut stored = vec![0; size];
    reader.next_frame(&mut stored).map_err(wrong)?;
    let samples = if wide {
        let words: Vec<u16> =
            stored.as_chunks::<2>().0.iter().map(|pair| u16::from_be_bytes(*pair)).collect();
        Samples::U16(without_alpha(words, keep, of))
    } else {
        Samples::U8(without_alpha(stored, keep, of))
    };
    Ok(Decoded::new(shape, samples, if wide { 16 } else { 8 }))
}
