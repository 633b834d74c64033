//! JPEG pictures, alone in a file or frame by frame in a video.
//!
//! ITU-T T.81 (baseline and progressive, 8 bits), by the crate `zune-jpeg`. Colours come out as
//! JFIF has them: full range, BT.601. Strict: a picture that ends early, or holds codes that
//! mean nothing, is an error and never a frame that is grey from there on.

use crate::error::MAX_FRAME_SAMPLES;
use std::panic::{AssertUnwindSafe, catch_unwind};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Samples that one byte can stand for at most: a block of 64 takes at least two bits in a
/// baseline picture and one in a progressive one, and four blocks of light share two of colour.
/// Progressive pictures give no more than that in sound ones.
const SAMPLES_A_BYTE: u64 = 1024;

/// What a picture's head says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Head {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Whether the picture has colours.
    pub(crate) colour: bool,
}

/// Read the head of `picture`.
///
/// # Errors
/// What is wrong with it, in words that go after "the picture".
pub(crate) fn head(picture: &[u8]) -> Result<Head, String> {
    guarded(|| {
        let mut decoder = decoder(picture, ColorSpace::Luma);
        decoder.decode_headers().map_err(|e| format!("is damaged ({e})"))?;
        let info = decoder.info().ok_or("has no head")?;
        let colour = match info.components {
            1 => false,
            3 => true,
            n => return Err(format!("has {n} components, expected 1 or 3")),
        };
        let head = Head { width: info.width.into(), height: info.height.into(), colour };
        let samples = info.width as u64 * info.height as u64 * if colour { 3 } else { 1 };
        if samples == 0 || samples > MAX_FRAME_SAMPLES {
            return Err(format!("is said to be {} x {} px", head.width, head.height));
        }
        if samples > SAMPLES_A_BYTE * picture.len() as u64 {
            return Err(format!(
                "is said to be {} x {} px, which {} bytes cannot hold",
                head.width,
                head.height,
                picture.len()
            ));
        }
        Ok(head)
    })
}

/// Decode `picture`, which must be of this size, into `out`: light (one sample a pixel) or red,
/// green and blue, as many as `out` has room for.
///
/// # Errors
/// What is wrong with it, in words that go after "the picture".
pub(crate) fn decode(
    picture: &[u8],
    width: usize,
    height: usize,
    out: &mut [u8],
) -> Result<(), String> {
    let head = head(picture)?;
    if (head.width, head.height) != (width, height) {
        return Err(format!(
            "is {} x {} px, and the first one is {width} x {height}",
            head.width, head.height
        ));
    }
    let colour = out.len() == 3 * width * height;
    guarded(|| {
        let space = if colour { ColorSpace::RGB } else { ColorSpace::Luma };
        let mut decoder = decoder(picture, space);
        decoder.decode_headers().map_err(|e| format!("is damaged ({e})"))?;
        if decoder.output_buffer_size() != Some(out.len()) {
            return Err("has other colours than expected".to_string());
        }
        decoder.decode_into(out).map_err(|e| format!("is damaged ({e})"))
    })
}

/// Whether the picture's end is there (EOI, ITU-T T.81, B.1.1.3): a decoder fills what a cut took with the nearest
/// shades, and says nothing.
pub(crate) fn has_end(picture: &[u8]) -> bool {
    // Behind SOI: segments with a length, which may hold a smaller picture with an end of its own.
    let mut at = 2;
    let mut in_scan = false;
    while let Some(&[first, second]) = picture.get(at..at + 2) {
        if first != 0xff {
            if !in_scan {
                return false;
            }
            at += 1;
            continue;
        }
        match second {
            0xd9 => return true,
            // Stuffed bytes and restarts of a scan; fill bytes.
            0x00 | 0xd0..=0xd7 => at += 2,
            0xff => at += 1,
            _ => {
                let Some(&[high, low]) = picture.get(at + 2..at + 4) else { return false };
                at += 2 + usize::from(u16::from_be_bytes([high, low])).max(2);
                in_scan = second == 0xda;
            }
        }
    }
    false
}

fn decoder(picture: &[u8], space: ColorSpace) -> JpegDecoder<ZCursor<&[u8]>> {
    let options = DecoderOptions::new_safe()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(space);
    JpegDecoder::new_with_options(ZCursor::new(picture), options)
}

/// A decoder of others is a large piece of code: should it break off, one picture is lost.
fn guarded<T>(work: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err("broke the decoder off".to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_is_that_of_the_picture_and_not_of_one_within() {
        let within = [0xff, 0xe1, 0, 6, 0xff, 0xd9, 0xff, 0xd9];
        let scan = [0xff, 0xda, 0, 3, 7, 1, 2, 0xff, 0, 3, 0xff, 0xd3, 0xff, 0xff, 0xd9];
        let whole = [&[0xff, 0xd8][..], &within, &scan].concat();
        assert!(has_end(&whole));
        assert!(has_end(&[&whole[..], b"words behind it"].concat()));
        for cut in 0..whole.len() {
            assert!(!has_end(&whole[..cut]), "{cut}");
        }
    }
}
