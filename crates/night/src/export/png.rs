//! PNG, 16 bits a sample, grey or RGB, with the caption in text chunks.
//!
//! No gamma or colour-space chunk is written: the values are those of the finish. Source: W3C,
//! Portable Network Graphics (Second Edition), 2003.

use super::{Caption, ExportError, caption::ascii, interleave_row, quantise};
use ::png::{BitDepth, ColorType, Compression, Encoder, EncodingError};
use std::io::{self, Write};
use stillwright_picture::Picture;

/// 16-bit samples: 0.0 to 1.0 as 0 to 65535.
pub(super) fn write<W: Write>(
    picture: &Picture,
    caption: &Caption,
    out: W,
) -> Result<(), ExportError> {
    let side = |length: usize| u32::try_from(length).ok().filter(|&n| n < 1 << 31);
    let (Some(width), Some(height)) = (side(picture.width()), side(picture.height())) else {
        return Err(ExportError::DoesNotFit(format!(
            "PNG holds at most 2147483647 px a side, and the picture has {} x {} px: \
             choose a smaller --scale",
            picture.width(),
            picture.height()
        )));
    };
    let mut encoder = Encoder::new(out, width, height);
    encoder.set_color(if picture.channels() == 1 { ColorType::Grayscale } else { ColorType::Rgb });
    encoder.set_depth(BitDepth::Sixteen);
    encoder.set_compression(Compression::Fast);
    for (keyword, text) in
        [("Software", ascii(&caption.program)), ("Description", caption.ascii_text())]
    {
        if !text.is_empty() {
            encoder.add_text_chunk(keyword.into(), text).map_err(sorted)?;
        }
    }
    let mut writer = encoder.write_header().map_err(sorted)?;
    let mut stream = writer.stream_writer().map_err(sorted)?;
    let mut row = vec![0.0f32; picture.width() * picture.channels()];
    let mut bytes = vec![0u8; row.len() * 2];
    for y in 0..picture.height() {
        interleave_row(picture, y, &mut row);
        for (pair, value) in bytes.chunks_exact_mut(2).zip(&row) {
            pair.copy_from_slice(&(quantise(*value, 65535.0) as u16).to_be_bytes());
        }
        stream.write_all(&bytes)?;
    }
    stream.finish().map_err(sorted)?;
    writer.finish().map_err(sorted)
}

/// Sort an error of the encoder by whose fault it is.
fn sorted(error: EncodingError) -> ExportError {
    match error {
        EncodingError::IoError(io) => ExportError::Io(io),
        other => ExportError::Io(io::Error::other(other)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::ladder;
    use super::*;
    use std::io::Cursor;

    #[test]
    fn what_is_written_is_read_again() {
        for channels in [1, 3] {
            let picture = ladder(channels, 41, 67);
            let caption = Caption { capture: "ridge.ser".into(), ..Caption::default() };
            let mut file = Vec::new();
            write(&picture, &caption, &mut file).unwrap();
            let mut reader = ::png::Decoder::new(Cursor::new(file)).read_info().unwrap();
            let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
            let info = reader.next_frame(&mut bytes).unwrap();
            assert_eq!((info.width, info.height, info.bit_depth), (67, 41, BitDepth::Sixteen));
            let text = &reader.info().uncompressed_latin1_text;
            assert!(
                text.iter().any(|t| t.keyword == "Description" && t.text.contains("ridge.ser"))
            );
            for ((c, y, x), value) in picture.planes.indexed_iter() {
                let at = ((y * 67 + x) * channels + c) * 2;
                let code = u16::from_be_bytes([bytes[at], bytes[at + 1]]);
                assert_eq!(code, (value * 65535.0).round() as u16);
            }
        }
    }
}
