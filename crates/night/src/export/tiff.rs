//! TIFF 6.0: 16-bit unsigned or 32-bit float samples, grey or RGB, uncompressed strips.
//!
//! Tags beside the obligatory ones: 270 ImageDescription (the caption), 305 Software, 339
//! SampleFormat (1 unsigned, 3 IEEE float). Pictures above 4 GiB are written as BigTIFF.
//!
//! Source: Adobe, TIFF Revision 6.0 (1992), sections 3 to 8 and 19.

use super::{Caption, ExportError, caption::ascii, interleave_row, quantise};
use ::tiff::TiffError;
use ::tiff::encoder::colortype::{ColorType, Gray16, Gray32Float, RGB16, RGB32Float};
use ::tiff::encoder::{TiffEncoder, TiffKind, TiffValue};
use ::tiff::tags::Tag;
use std::io::{self, Seek, Write};
use stillwright_picture::Picture;

/// Offsets of plain TIFF are 32 bits wide; room is left for the tags behind the samples.
const PLAIN_TIFF_LIMIT_BYTES: u64 = (1 << 32) - (1 << 20);

/// Strips of about this size: larger ones cost memory, smaller ones a longer table.
const STRIP_BYTES: usize = 1 << 18;

/// 16-bit samples: 0.0 to 1.0 as 0 to 65535.
pub(super) fn write_u16<W: Write + Seek>(
    picture: &Picture,
    caption: &Caption,
    out: W,
) -> Result<(), ExportError> {
    let encode = |value: f32| quantise(value, 65535.0) as u16;
    match picture.channels() {
        1 => write_sized::<Gray16, u16, W>(picture, caption, encode, PLAIN_TIFF_LIMIT_BYTES, out),
        _ => write_sized::<RGB16, u16, W>(picture, caption, encode, PLAIN_TIFF_LIMIT_BYTES, out),
    }
}

/// 32-bit float samples, as they are.
pub(super) fn write_f32<W: Write + Seek>(
    picture: &Picture,
    caption: &Caption,
    out: W,
) -> Result<(), ExportError> {
    let limit = PLAIN_TIFF_LIMIT_BYTES;
    match picture.channels() {
        1 => write_sized::<Gray32Float, f32, W>(picture, caption, |value| value, limit, out),
        _ => write_sized::<RGB32Float, f32, W>(picture, caption, |value| value, limit, out),
    }
}

fn write_sized<C, T, W>(
    picture: &Picture,
    caption: &Caption,
    encode: impl Fn(f32) -> T,
    plain_limit_bytes: u64,
    out: W,
) -> Result<(), ExportError>
where
    C: ColorType<Inner = T>,
    [T]: TiffValue,
    W: Write + Seek,
{
    let bytes = picture.planes.len() as u64 * size_of::<T>() as u64;
    if bytes < plain_limit_bytes {
        let encoder = TiffEncoder::new(out).map_err(sorted)?;
        write_strips::<C, T, W, _>(picture, caption, encode, encoder)
    } else {
        let encoder = TiffEncoder::new_big(out).map_err(sorted)?;
        write_strips::<C, T, W, _>(picture, caption, encode, encoder)
    }
}

fn write_strips<C, T, W, K>(
    picture: &Picture,
    caption: &Caption,
    encode: impl Fn(f32) -> T,
    mut encoder: TiffEncoder<W, K>,
) -> Result<(), ExportError>
where
    C: ColorType<Inner = T>,
    [T]: TiffValue,
    W: Write + Seek,
    K: TiffKind,
{
    let (Ok(width), Ok(height)) = (u32::try_from(picture.width()), u32::try_from(picture.height()))
    else {
        return Err(ExportError::DoesNotFit(format!(
            "TIFF holds at most {} px a side, and the picture has {} x {} px: choose a smaller --scale",
            u32::MAX,
            picture.width(),
            picture.height()
        )));
    };
    let row_samples = picture.width() * picture.channels();
    let strip_rows = (STRIP_BYTES / (row_samples * size_of::<T>())).clamp(1, picture.height());
    let mut image = encoder.new_image::<C>(width, height).map_err(sorted)?;
    image.rows_per_strip(strip_rows as u32).map_err(sorted)?;
    let tags = image.encoder();
    tags.write_tag(Tag::ImageDescription, caption.ascii_text().as_str()).map_err(sorted)?;
    tags.write_tag(Tag::Software, ascii(&caption.program).as_str()).map_err(sorted)?;

    let mut row = vec![0.0f32; row_samples];
    let mut strip = Vec::with_capacity(strip_rows * row_samples);
    for first in (0..picture.height()).step_by(strip_rows) {
        strip.clear();
        for y in first..(first + strip_rows).min(picture.height()) {
            interleave_row(picture, y, &mut row);
            strip.extend(row.iter().map(|value| encode(*value)));
        }
        image.write_strip(&strip).map_err(sorted)?;
    }
    image.finish().map_err(sorted)
}

/// Sort an error of the encoder by whose fault it is.
fn sorted(error: TiffError) -> ExportError {
    match error {
        TiffError::IoError(io) => ExportError::Io(io),
        other => ExportError::Io(io::Error::other(other)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::ladder;
    use super::*;
    use ::tiff::decoder::{Decoder, DecodingResult};
    use std::io::Cursor;

    #[test]
    fn what_is_written_is_read_again() {
        for channels in [1, 3] {
            // Tall enough for more than one strip.
            let picture = ladder(channels, 700, 331);
            let mut caption = Caption { program: "Stillwright ü".into(), ..Caption::default() };
            caption.capture = "ridge.ser".into();

            let mut file = Cursor::new(Vec::new());
            write_f32(&picture, &caption, &mut file).unwrap();
            file.set_position(0);
            let mut decoder = Decoder::new(file).unwrap();
            assert_eq!(decoder.dimensions().unwrap(), (331, 700));
            assert_eq!(decoder.get_tag_ascii_string(Tag::Software).unwrap(), "Stillwright ?");
            let described = decoder.get_tag_ascii_string(Tag::ImageDescription).unwrap();
            assert_eq!(described, "Capture: ridge.ser");
            let DecodingResult::F32(values) = decoder.read_image().unwrap() else { panic!() };
            for ((c, y, x), value) in picture.planes.indexed_iter() {
                assert_eq!(values[(y * 331 + x) * channels + c], *value);
            }

            let mut file = Cursor::new(Vec::new());
            write_u16(&picture, &caption, &mut file).unwrap();
            file.set_position(0);
            let mut decoder = Decoder::new(file).unwrap();
            let DecodingResult::U16(values) = decoder.read_image().unwrap() else { panic!() };
            for ((c, y, x), value) in picture.planes.indexed_iter() {
                let code = (value * 65535.0).round() as u16;
                assert_eq!(values[(y * 331 + x) * channels + c], code);
            }
        }
    }

    #[test]
    fn a_picture_too_large_for_plain_tiff_becomes_a_big_one() {
        let picture = ladder(1, 20, 30);
        for (limit, version) in [(20 * 30 * 2 + 1, 42), (20 * 30 * 2, 43)] {
            let mut file = Cursor::new(Vec::new());
            let encode = |value: f32| quantise(value, 65535.0) as u16;
            let caption = Caption::default();
            write_sized::<Gray16, u16, _>(&picture, &caption, encode, limit, &mut file).unwrap();
            assert_eq!(file.get_ref()[2], version);
            file.set_position(0);
            let mut decoder = Decoder::new(file).unwrap();
            let DecodingResult::U16(values) = decoder.read_image().unwrap() else { panic!() };
            assert_eq!(values[599], (599.0f32 / 600.0 * 65535.0).round() as u16);
        }
    }
}
