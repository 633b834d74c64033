//! How the pictures of an uncompressed AVI become frames.

use super::header::Bitmap;
use crate::error::{CaptureError, Fault, check_size};
use stillwright_picture::Layout;

/// How a stored picture is turned into samples.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pixels {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Colour of the samples as the file holds them.
    pub(super) layout: Layout,
    /// Whether the first row in the file is the lowest.
    pub(super) bottom_up: bool,
    /// Grey value of each number, where they are not the same.
    pub(super) palette: Option<Box<[u8; 256]>>,
}

/// Compression codes of plain pictures, besides 0. The bitmap rules of row order hold.
const PLAIN: [&[u8; 4]; 4] = [&[0; 4], b"DIB ", b"RGB ", b"RAW "];

/// Codes of 8-bit grey. They are of the family of video codes, whose rows run from the top
/// down whatever the sign of the height.
const GREY: [&[u8; 4]; 4] = [b"Y800", b"Y8  ", b"GREY", b"GRAY"];

impl Pixels {
    /// What `bitmap` describes.
    pub(super) fn new(bitmap: &Bitmap) -> Result<Pixels, CaptureError> {
        let plain = PLAIN.contains(&&bitmap.compression);
        let grey = GREY.contains(&&bitmap.compression.map(|c| c.to_ascii_uppercase()));
        let layout = match (bitmap.bits, plain, grey) {
            (8, true, _) | (8, _, true) => Layout::Mono,
            (24, true, _) => Layout::Bgr,
            _ => return Err(unsupported(bitmap)),
        };
        let height = i64::from(bitmap.height);
        let width = i64::from(bitmap.width);
        check_size(width, height.abs(), layout.samples_per_pixel(), bitmap.offset + 4)?;
        Ok(Pixels {
            width: width as usize,
            height: height.unsigned_abs() as usize,
            layout,
            bottom_up: plain && height > 0,
            palette: if plain { grey_palette(bitmap)? } else { None },
        })
    }

    /// Bytes of a row without padding.
    pub(super) fn row_bytes(&self) -> usize {
        self.width * self.layout.samples_per_pixel()
    }

    /// Read the samples as `layout` instead.
    pub(super) fn set_layout(&mut self, layout: Layout) -> Result<(), CaptureError> {
        if layout.samples_per_pixel() != self.layout.samples_per_pixel() {
            return Err(CaptureError::Parameter(Fault::new(
                format!("a layout of {} samples a pixel", self.layout.samples_per_pixel()),
                layout.name(),
                None,
                "leave the layout out, or choose one that fits (mono, rggb, ... or rgb, bgr)",
            )));
        }
        self.layout = layout;
        Ok(())
    }
}

/// The palette, where it is one of greys other than 0 to 255 in order.
fn grey_palette(bitmap: &Bitmap) -> Result<Option<Box<[u8; 256]>>, CaptureError> {
    let palette = &bitmap.palette;
    if palette.iter().all(|entry| *entry == [0; 4]) {
        // None, or one that was never filled in: the numbers are grey values.
        return Ok(None);
    }
    if palette.iter().any(|[blue, green, red, _]| blue != green || green != red) {
        return Err(CaptureError::Unsupported(Fault::new(
            "a palette of greys",
            "a palette of colours",
            bitmap.offset + 40,
            "record in 8-bit grey or 24-bit colour, or convert the file to 24-bit colour",
        )));
    }
    let mut greys = Box::new([u8::MAX; 256]);
    for (grey, entry) in greys.iter_mut().zip(palette) {
        *grey = entry[0];
    }
    let as_is = greys.iter().zip(0..=u8::MAX).take(palette.len()).all(|(grey, n)| *grey == n);
    Ok((!as_is).then_some(greys))
}

fn unsupported(bitmap: &Bitmap) -> CaptureError {
    let code = bitmap.compression;
    let name = if code[1..] == [0; 3] {
        format!("compression {}", code[0])
    } else {
        let name: String =
            code.iter().map(|c| char::from(*c).escape_default().to_string()).collect();
        format!("\"{name}\"")
    };
    CaptureError::Unsupported(Fault::new(
        "uncompressed pictures, 8-bit grey or 24-bit colour",
        format!("{name} with {} bits a pixel", bitmap.bits),
        bitmap.offset + 16,
        "record uncompressed, best as SER, for compression throws fine detail away; or convert \
         this file to uncompressed AVI",
    ))
}
