//! Single pictures: PNG, TIFF, JPEG and FITS files, each a frame of a sequence or a capture of one.
//!
//! [`Kind`] is the table of them; the formats themselves are read by crates in general use, behind
//! limits of our own: no picture may have more samples than the size of its file can stand for.

mod directory;
mod numbered;
mod png;
mod sequence;
mod tiff;

pub use numbered::{Numbered, numbered};
pub use sequence::{FrameFiles, open_sequence};

use crate::bytes::{Bytes, read_up_to};
use crate::error::{CaptureError, Fault, MAX_FRAME_SAMPLES, grouped};
use crate::facts::Overrides;
use crate::formats::{Format, Opened, begins_with};
use crate::time::Ticks;
use crate::{fits, jpeg};
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::Arc;
use stillwright_picture::{Layout, SampleType, Samples};

/// The rows of the table of formats.
pub(crate) const PNG: Format = Format {
    name: "PNG",
    reads: "8 and 16 bits, grey and colour; numbered files are one capture",
    extensions: &["png"],
    recognise: |head| begins_with(head, b"\x89PNG\r\n\x1a\n"),
    open: |bytes, overrides| open_single(Kind::Png, bytes, overrides),
};

/// See [`PNG`].
pub(crate) const TIFF: Format = Format {
    name: "TIFF",
    reads: "8 and 16 bits and 32-bit floats, grey and colour; numbered files are one capture",
    extensions: &["tif", "tiff"],
    recognise: |head| {
        let little = head.starts_with(b"II*\0") || head.starts_with(b"II+\0");
        little || head.starts_with(b"MM\0*") || head.starts_with(b"MM\0+")
    },
    open: |bytes, overrides| open_single(Kind::Tiff, bytes, overrides),
};

/// See [`PNG`].
pub(crate) const JPEG: Format = Format {
    name: "JPEG",
    reads: "8 bits; numbered files are one capture",
    extensions: &["jpg", "jpeg"],
    recognise: |head| head.starts_with(b"\xff\xd8\xff"),
    open: |bytes, overrides| open_single(Kind::Jpeg, bytes, overrides),
};

/// A format of single pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    Png,
    Tiff,
    Jpeg,
    Fits,
}

impl Kind {
    const ALL: [(Kind, &'static Format); 4] =
        [(Kind::Png, &PNG), (Kind::Tiff, &TIFF), (Kind::Jpeg, &JPEG), (Kind::Fits, &fits::FORMAT)];

    /// Which kind a file is that begins so.
    pub(crate) fn of(head: &[u8]) -> Option<Kind> {
        Kind::ALL.iter().find(|(_, format)| (format.recognise)(head)).map(|(kind, _)| *kind)
    }

    /// The format's name.
    pub(crate) fn name(self) -> &'static str {
        Kind::ALL.iter().find(|(kind, _)| *kind == self).map_or("", |(_, format)| format.name)
    }
}

/// Whether a file that begins so is a single picture, which may be one of a sequence.
pub fn is_picture(head: &[u8]) -> bool {
    Kind::of(head).is_some()
}

/// Largest JPEG file that is read, bytes: a hundred times what cameras write.
const MOST_JPEG_BYTES: u64 = 1 << 29;

/// Samples that one byte of a file can stand for at most: 1032 bytes out of one by deflate (zlib
/// technical notes), eight pixels of one bit in each; LZW and run lengths give less.
const SAMPLES_A_BYTE: u64 = 1032 * 8;

/// What all pictures of a sequence have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Shape {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) colour: bool,
    pub(crate) kind: SampleType,
}

impl Shape {
    /// Refuse a picture that is not like the first.
    pub(crate) fn check(self, expected: Option<Shape>) -> Result<(), CaptureError> {
        match expected {
            Some(expected) if expected != self => Err(CaptureError::Damaged(Fault::new(
                format!("a picture like the first one ({expected})"),
                self.to_string(),
                None,
                "leave this frame out; it belongs to another recording",
            ))),
            _ => Ok(()),
        }
    }

    /// Refuse a size beyond the limits, or beyond what a file of `len` bytes can hold.
    fn check_size(self, len: u64) -> Result<(), CaptureError> {
        let samples = crate::error::check_size(
            self.width as i64,
            self.height as i64,
            if self.colour { 3 } else { 1 },
            0,
        )?;
        if samples > len.saturating_mul(SAMPLES_A_BYTE).min(MAX_FRAME_SAMPLES) {
            return Err(CaptureError::Damaged(Fault::new(
                format!("a picture that fits into a file of {} bytes", grouped(len)),
                self.to_string(),
                None,
                "the file is damaged; leave it out",
            )));
        }
        Ok(())
    }

    /// Colour of the samples: the person's word, then the file's.
    pub(crate) fn layout(
        self,
        mosaic: Option<Layout>,
        overrides: &Overrides,
    ) -> Result<Layout, CaptureError> {
        let own = if self.colour { Layout::Rgb } else { mosaic.unwrap_or(Layout::Mono) };
        match overrides.layout {
            None => Ok(own),
            Some(said) if said != Layout::Bgr && (said == Layout::Rgb) == self.colour => Ok(said),
            Some(said) => Err(CaptureError::Parameter(Fault::new(
                if self.colour { "the layout rgb" } else { "a layout of one sample a pixel" },
                said.name(),
                None,
                "leave the layout out, or choose one that fits",
            ))),
        }
    }
}

impl std::fmt::Display for Shape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let colour = if self.colour { "colour" } else { "grey" };
        let bits = match self.kind {
            SampleType::U8 => "8 bits",
            SampleType::U16 => "16 bits",
            SampleType::F32 => "floats or 32 bits",
        };
        write!(f, "{} x {} px, {colour}, {bits}", self.width, self.height)
    }
}

/// A picture, its numbers as stored.
#[derive(Debug)]
pub(crate) struct Decoded {
    pub(crate) shape: Shape,
    pub(crate) samples: Samples,
    /// Bits of a sample, as far as the format says.
    pub(crate) depth: u8,
    pub(crate) mosaic: Option<Layout>,
    pub(crate) begun: Option<Ticks>,
    /// Observer, instrument, telescope.
    pub(crate) words: [String; 3],
    /// Exposure in s, and gain, where the file says.
    pub(crate) exposure: (Option<f64>, Option<f64>),
}

impl Decoded {
    fn new(shape: Shape, samples: Samples, depth: u8) -> Decoded {
        Decoded {
            shape,
            samples,
            depth,
            mosaic: None,
            begun: None,
            words: Default::default(),
            exposure: (None, None),
        }
    }
}

/// Decode a picture; where one is `expected`, any other is refused before it is decoded.
pub(crate) fn decode(
    kind: Kind,
    bytes: &Arc<dyn Bytes>,
    expected: Option<Shape>,
) -> Result<Decoded, CaptureError> {
    match kind {
        Kind::Png => png::decode(bytes, expected),
        Kind::Tiff => tiff::decode(bytes, expected),
        Kind::Fits => fits::picture(&**bytes, expected),
        Kind::Jpeg => decode_jpeg(bytes, expected),
    }
}

fn decode_jpeg(bytes: &Arc<dyn Bytes>, expected: Option<Shape>) -> Result<Decoded, CaptureError> {
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    if len > MOST_JPEG_BYTES {
        return Err(CaptureError::TooLarge(Fault::new(
            format!("a JPEG file of up to {} bytes", grouped(MOST_JPEG_BYTES)),
            grouped(len),
            None,
            "this is no JPEG file of a camera; leave it out",
        )));
    }
    let mut stored = vec![0; len as usize];
    let n = read_up_to(&**bytes, 0, &mut stored).map_err(|e| CaptureError::reading(0, e))?;
    stored.truncate(n);
    let head = jpeg::head(&stored).map_err(|why| damaged("JPEG", &why))?;
    let shape =
        Shape { width: head.width, height: head.height, colour: head.colour, kind: SampleType::U8 };
    shape.check(expected)?;
    shape.check_size(len)?;
    let mut samples = vec![0; shape.width * shape.height * if shape.colour { 3 } else { 1 }];
    jpeg::decode(&stored, shape.width, shape.height, &mut samples)
        .map_err(|why| damaged("JPEG", &why))?;
    if !jpeg::has_end(&stored) {
        return Err(damaged("JPEG", &"was cut off"));
    }
    Ok(Decoded::new(shape, Samples::U8(samples), 8))
}

fn damaged(format: &str, why: &dyn std::fmt::Display) -> CaptureError {
    CaptureError::Damaged(Fault::new(
        format!("a sound {format} picture"),
        format!("one that {why}"),
        None,
        "leave it out, or use a copy of the file if there is one elsewhere",
    ))
}

fn open_single(kind: Kind, bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    struct One(Arc<dyn Bytes>);
    impl FrameFiles for One {
        fn count(&self) -> usize {
            1
        }
        fn name(&self, _index: usize) -> String {
            String::new()
        }
        fn open(&self, _index: usize) -> io::Result<Arc<dyn Bytes>> {
            Ok(Arc::clone(&self.0))
        }
    }
    sequence::open_kind(kind, Box::new(One(Arc::from(bytes))), Vec::new(), overrides)
}

/// Keep the first `keep` of every `of` samples: alpha means nothing here.
fn without_alpha<T: Copy>(samples: Vec<T>, keep: usize, of: usize) -> Vec<T> {
    if keep == of {
        return samples;
    }
    samples.chunks_exact(of).flat_map(|pixel| pixel[..keep].iter().copied()).collect()
}

/// Bytes read one after another, for decoders that want a file.
struct Reader {
    bytes: Arc<dyn Bytes>,
    len: u64,
    at: u64,
}

impl Reader {
    fn new(bytes: &Arc<dyn Bytes>) -> Result<Reader, CaptureError> {
        let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
        Ok(Reader { bytes: Arc::clone(bytes), len, at: 0 })
    }
}

impl Read for Reader {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.bytes.read_at(self.at, buf)?;
        self.at += n as u64;
        Ok(n)
    }
}

impl Seek for Reader {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.len.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        Ok(self.at)
    }
}
