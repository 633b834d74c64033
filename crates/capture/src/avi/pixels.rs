//! How the pictures of an AVI file become frames: the table of codes.
//!
//! | code | pictures |
//! |---|---|
//! | 0, `DIB `, `RGB `, `RAW ` | 8 bit with a palette or grey, 24 bit, 32 bit; rows from the bottom up where the height is positive |
//! | `Y800`, `Y8  `, `GREY`, `GRAY` | grey, one byte a sample |
//! | `Y10 `, `Y12 `, `Y14 `, `Y16 `; `Y1` 0 n; n 0 `1Y` | grey in two bytes; n bits, the last with the high byte first |
//! | `BA81`, `GBRG`, `GRBG`, `RGGB`, `BGGR`; BAh x y 8 | Bayer, one byte a sample; xy are the first two colours |
//! | `BG10`, `GB12`, `RG16`, ...; `BYR2`; BAh x y 16; 16 y x BAh | Bayer in two bytes; the last with the high byte first |
//! | `YUY2`, `UYVY`, `I420`, `NV12`, ... | luma and colour differences: see `yuv.rs` |
//! | `MJPG`, `AVRn`, `JPEG`, ... | a JPEG picture in each chunk |
//!
//! Codes of video cameras: Linux kernel, *Media subsystem, pixel formats*; codes with a number for
//! a byte: written by general-purpose video software for raw video.

use super::header::Bitmap;
use crate::error::{CaptureError, Fault, check_size};
use crate::facts::ByteOrder;
use crate::yuv::Packing;
use stillwright_picture::{BayerOrder, Layout};

/// How samples are stored.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Coding {
    /// One byte a sample; each stands for another grey value where there is a palette of greys.
    Bytes(Option<Box<[u8; 256]>>),
    /// One byte a pixel, which stands for a red, green and blue.
    Palette(Box<[[u8; 3]; 256]>),
    /// Four bytes a pixel, of which the last means nothing.
    FourBytes,
    /// Two bytes a sample, of so many bits.
    Words(ByteOrder, u8),
    /// Luma and colour differences.
    Yuv(Packing),
    /// A JPEG picture.
    Jpeg,
}

/// How a stored picture is turned into samples.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pixels {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Colour of the samples as the file holds them.
    pub(super) layout: Layout,
    /// Whether the first row in the file is the lowest.
    pub(super) bottom_up: bool,
    pub(super) coding: Coding,
}

/// Compression codes of plain pictures, besides 0. The bitmap rules of row order hold.
const PLAIN: [&[u8; 4]; 4] = [&[0; 4], b"DIB ", b"RGB ", b"RAW "];

/// Codes of 8-bit grey. They are of the family of video codes, whose rows run from the top
/// down whatever the sign of the height.
const GREY: [&[u8; 4]; 4] = [b"Y800", b"Y8  ", b"GREY", b"GRAY"];

/// Codes of motion JPEG.
const JPEG: [&[u8; 4]; 7] = [b"MJPG", b"JPEG", b"AVRN", b"AVDJ", b"DMB1", b"MJPA", &[4, 0, 0, 0]];

impl Pixels {
    /// What `bitmap` describes. `wide` says that the person knows samples to take two bytes.
    pub(super) fn new(bitmap: &Bitmap, wide: bool) -> Result<Pixels, CaptureError> {
        let (coding, layout) = coding(bitmap, wide).ok_or_else(|| unsupported(bitmap))?;
        let height = i64::from(bitmap.height);
        let width = i64::from(bitmap.width);
        check_size(width, height.abs(), layout.samples_per_pixel(), bitmap.offset + 4)?;
        Ok(Pixels {
            width: width as usize,
            height: height.unsigned_abs() as usize,
            layout,
            bottom_up: PLAIN.contains(&&bitmap.compression) && height > 0,
            coding,
        })
    }

    /// Bytes of a row without padding; 0 where pictures do not consist of rows.
    pub(super) fn row_bytes(&self) -> usize {
        match &self.coding {
            Coding::Bytes(_) => self.width * self.layout.samples_per_pixel(),
            Coding::Palette(_) => self.width,
            Coding::FourBytes => 4 * self.width,
            Coding::Words(..) => 2 * self.width,
            Coding::Yuv(packing) => packing.row_bytes(self.width),
            Coding::Jpeg => 0,
        }
    }

    /// Bytes of a picture without padding, at least.
    pub(super) fn picture_bytes(&self) -> u64 {
        match &self.coding {
            Coding::Yuv(packing) => packing.picture_bytes(self.width, self.height) as u64,
            Coding::Jpeg => 4,
            _ => self.row_bytes() as u64 * self.height as u64,
        }
    }

    /// Read the samples as `layout` instead.
    pub(super) fn set_layout(&mut self, layout: Layout) -> Result<(), CaptureError> {
        let fits = match &self.coding {
            Coding::Bytes(_) => layout.samples_per_pixel() == self.layout.samples_per_pixel(),
            Coding::Words(..) => layout.samples_per_pixel() == 1,
            Coding::FourBytes => layout.samples_per_pixel() == 3,
            // Nothing but light, or colours in their order.
            Coding::Yuv(_) | Coding::Jpeg => matches!(layout, Layout::Mono | Layout::Rgb),
            // Numbers without their colours.
            Coding::Palette(_) => layout.samples_per_pixel() == 1 || layout == Layout::Rgb,
        };
        if !fits {
            let fitting = match &self.coding {
                Coding::Yuv(_) | Coding::Jpeg => "mono or rgb",
                Coding::Palette(_) => "mono, rggb, ... or rgb",
                _ if self.layout.samples_per_pixel() == 3 => "rgb or bgr",
                _ => "mono, rggb, ...",
            };
            return Err(CaptureError::Parameter(Fault::new(
                format!("a layout that fits what is stored ({fitting})"),
                layout.name(),
                None,
                "leave the layout out, or choose one that fits",
            )));
        }
        if matches!(self.coding, Coding::Palette(_)) && layout != Layout::Rgb {
            self.coding = Coding::Bytes(None);
        }
        self.layout = layout;
        Ok(())
    }
}

/// The row of the table that fits.
fn coding(bitmap: &Bitmap, wide: bool) -> Option<(Coding, Layout)> {
    let code = &bitmap.compression;
    if PLAIN.contains(&code) {
        return Some(match bitmap.bits {
            8 => palette(bitmap),
            // Five bits a colour by the rules; but cameras also store grey so.
            16 if wide => (Coding::Words(ByteOrder::Little, 16), Layout::Mono),
            24 => (Coding::Bytes(None), Layout::Bgr),
            32 => (Coding::FourBytes, Layout::Bgr),
            _ => return None,
        });
    }
    let upper = code.map(|c| c.to_ascii_uppercase());
    if GREY.contains(&&upper) {
        return Some((Coding::Bytes(None), Layout::Mono));
    }
    if let Some((order, bits)) = grey_words(&upper) {
        return Some((Coding::Words(order, bits), Layout::Mono));
    }
    if let Some((bits, order, bayer)) = bayer(&upper) {
        let coding = if bits == 8 { Coding::Bytes(None) } else { Coding::Words(order, bits) };
        return Some((coding, Layout::Bayer(bayer)));
    }
    if JPEG.contains(&&upper) {
        return Some((Coding::Jpeg, Layout::Rgb));
    }
    Packing::from_code(&upper).map(|packing| (Coding::Yuv(packing), Layout::Rgb))
}

fn grey_words(code: &[u8; 4]) -> Option<(ByteOrder, u8)> {
    match code {
        b"Y10 " => Some((ByteOrder::Little, 10)),
        b"Y12 " => Some((ByteOrder::Little, 12)),
        b"Y14 " => Some((ByteOrder::Little, 14)),
        b"Y16 " | b"Y160" => Some((ByteOrder::Little, 16)),
        [b'Y', b'1', 0, bits @ (9..=16)] => Some((ByteOrder::Little, *bits)),
        [bits @ (9..=16), 0, b'1', b'Y'] => Some((ByteOrder::Big, *bits)),
        _ => None,
    }
}

/// Bits, byte order and the first two colours of a Bayer mosaic.
fn bayer(code: &[u8; 4]) -> Option<(u8, ByteOrder, BayerOrder)> {
    use BayerOrder::{Bggr, Gbrg, Grbg, Rggb};
    const RAW: u8 = 0xba;
    let little = ByteOrder::Little;
    let of = |colours: &[u8]| match colours {
        b"BG" => Some(Bggr),
        b"GB" => Some(Gbrg),
        b"GR" | b"BA" => Some(Grbg),
        b"RG" => Some(Rggb),
        _ => None,
    };
    match code {
        b"BA81" | b"BGGR" | b"BYR1" => return Some((8, little, Bggr)),
        b"GBRG" => return Some((8, little, Gbrg)),
        b"GRBG" => return Some((8, little, Grbg)),
        b"RGGB" => return Some((8, little, Rggb)),
        b"BYR2" => return Some((16, little, Bggr)),
        [RAW, colours @ .., bits @ (8..=16)] => return Some((*bits, little, of(colours)?)),
        [bits @ (9..=16), second, first, RAW] => {
            return Some((*bits, ByteOrder::Big, of(&[*first, *second])?));
        }
        _ => {}
    }
    let bits = match &code[2..] {
        b"10" => 10,
        b"12" => 12,
        b"14" => 14,
        b"16" => 16,
        _ => return None,
    };
    Some((bits, little, of(&code[..2])?))
}

/// Grey, where the palette is one of greys; colours otherwise.
fn palette(bitmap: &Bitmap) -> (Coding, Layout) {
    let palette = &bitmap.palette;
    if palette.iter().all(|entry| *entry == [0; 4]) {
        // None, or one that was never filled in: the numbers are grey values.
        return (Coding::Bytes(None), Layout::Mono);
    }
    if palette.iter().any(|[blue, green, red, _]| blue != green || green != red) {
        let mut colours = Box::new([[0; 3]; 256]);
        for (colour, [blue, green, red, _]) in colours.iter_mut().zip(palette) {
            *colour = [*red, *green, *blue];
        }
        return (Coding::Palette(colours), Layout::Rgb);
    }
    let mut greys = Box::new([u8::MAX; 256]);
    for (grey, entry) in greys.iter_mut().zip(palette) {
        *grey = entry[0];
    }
    let as_is = greys.iter().zip(0..=u8::MAX).take(palette.len()).all(|(grey, n)| *grey == n);
    (Coding::Bytes((!as_is).then_some(greys)), Layout::Mono)
}

fn unsupported(bitmap: &Bitmap) -> CaptureError {
    let code = bitmap.compression;
    let found = format!("{} with {} bits a pixel", code_in_words(&code), bitmap.bits);
    if PLAIN.contains(&&code) || code[1..] == [0; 3] {
        return CaptureError::Unsupported(Fault::new(
            "uncompressed pictures of 8 bits (grey or palette), 24 or 32 bits",
            found,
            bitmap.offset + 16,
            "if the camera gave grey of more than 8 bits, say how many (the bit depth setting); \
             else record uncompressed, best as SER",
        ));
    }
    CaptureError::NeedsDecoder(Fault::new(
        "uncompressed pictures (grey, Bayer, colour, YUV) or motion JPEG",
        found,
        bitmap.offset + 16,
        "record uncompressed, best as SER, for compression throws fine detail away; this file can \
         be read where a decoder is installed",
    ))
}

/// A code as a person can read it.
fn code_in_words(code: &[u8; 4]) -> String {
    if code[1..] == [0; 3] {
        return format!("compression {}", code[0]);
    }
    let name: String = code.iter().map(|c| char::from(*c).escape_default().to_string()).collect();
    format!("\"{name}\"")
}
