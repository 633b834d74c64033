//! JPEG, 8 bits a sample, grey or RGB: for showing around, not for measuring.
//!
//! Quality 95: the codec's traces stay below one or two grey levels. The format has no place for
//! the caption that every viewer would find, so none is written; the record has it.

use super::{Caption, ExportError, interleave_row, quantise};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageError};
use std::io::{self, Write};
use stillwright_picture::Picture;

/// Below about 90 the blocks begin to show in smooth maria; 100 doubles the file for nothing.
const QUALITY: u8 = 95;

/// 8-bit samples: 0.0 to 1.0 as 0 to 255.
pub(super) fn write<W: Write>(
    picture: &Picture,
    _caption: &Caption,
    out: W,
) -> Result<(), ExportError> {
    let (Ok(width), Ok(height)) = (u16::try_from(picture.width()), u16::try_from(picture.height()))
    else {
        return Err(ExportError::DoesNotFit(format!(
            "JPEG holds at most 65535 px a side, and the picture has {} x {} px: \
             choose PNG or TIFF, or a smaller --scale",
            picture.width(),
            picture.height()
        )));
    };
    let mut row = vec![0.0f32; picture.width() * picture.channels()];
    let mut bytes = Vec::with_capacity(picture.planes.len());
    for y in 0..picture.height() {
        interleave_row(picture, y, &mut row);
        bytes.extend(row.iter().map(|value| quantise(*value, 255.0) as u8));
    }
    let colour =
        if picture.channels() == 1 { ExtendedColorType::L8 } else { ExtendedColorType::Rgb8 };
    JpegEncoder::new_with_quality(out, QUALITY)
        .encode(&bytes, u32::from(width), u32::from(height), colour)
        .map_err(|error| match error {
            ImageError::IoError(io) => ExportError::Io(io),
            other => ExportError::Io(io::Error::other(other)),
        })
}

#[cfg(test)]
mod tests {
    use super::super::tests::ladder;
    use super::*;
    use image::ImageFormat;
    use std::io::Cursor;

    #[test]
    fn what_is_written_is_read_again_within_the_loss() {
        for channels in [1, 3] {
            let picture = ladder(channels, 64, 80);
            let mut file = Vec::new();
            write(&picture, &Caption::default(), &mut file).unwrap();
            let read =
                image::ImageReader::with_format(Cursor::new(file), ImageFormat::Jpeg).decode();
            let read = read.unwrap().into_rgb8();
            assert_eq!(read.dimensions(), (80, 64));
            for ((c, y, x), value) in picture.planes.indexed_iter() {
                let seen = f32::from(read.get_pixel(x as u32, y as u32).0[c]);
                assert!((seen - value * 255.0).abs() < 6.0, "{c} {y} {x}: {seen} {value}");
            }
        }
    }

    #[test]
    fn a_side_too_long_is_refused_with_a_way_out() {
        let error = write(&Picture::black(1, 1, 70_000), &Caption::default(), Vec::new());
        assert!(error.unwrap_err().to_string().contains("choose PNG"));
    }
}
