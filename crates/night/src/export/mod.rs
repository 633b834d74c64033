//! Pictures to files: one file a format, and one table of formats.
//!
//! | format | samples | values |
//! |---|---|---|
//! | 16-bit TIFF, PNG | unsigned | 0.0 to 1.0 as 0 to 65535, rounded to the nearest, clipped outside |
//! | JPEG | 8 bit | 0.0 to 1.0 as 0 to 255, likewise |
//! | 32-bit TIFF, FITS | IEEE float | as they are |
//!
//! Rows are written from the top of the frame to its bottom, in every format. No display curve is
//! applied here: what the finish left linear is linear in the file.
//!
//! The bytes depend on the picture and its [`Caption`] alone, neither on the clock nor on the
//! number of threads.

mod caption;
pub(crate) mod fits;
mod jpeg;
mod png;
mod tiff;

pub use caption::Caption;

use std::io::{self, Seek, Write};
use stillwright_picture::Picture;

/// What a file can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// 16-bit unsigned TIFF.
    Tiff16,
    /// 32-bit float TIFF.
    Tiff32,
    /// 16-bit PNG.
    Png,
    /// 8-bit JPEG.
    Jpeg,
    /// 32-bit float FITS.
    Fits,
}

/// One row of the table of formats.
#[derive(Clone, Copy, Debug)]
pub struct FormatFacts {
    /// The format.
    pub format: Format,
    /// Its name in recipes and commands.
    pub name: &'static str,
    /// What a still's file name ends with.
    pub still_suffix: &'static str,
    /// What it is, in words.
    pub words: &'static str,
}

/// Every format that a still can be written in.
pub const FORMATS: [FormatFacts; 5] = [
    FormatFacts {
        format: Format::Tiff16,
        name: "tiff16",
        still_suffix: ".still.tif",
        words: "TIFF, 16 bits",
    },
    FormatFacts {
        format: Format::Tiff32,
        name: "tiff32",
        still_suffix: ".still-float.tif",
        words: "TIFF, 32-bit float",
    },
    FormatFacts {
        format: Format::Png,
        name: "png",
        still_suffix: ".still.png",
        words: "PNG, 16 bits",
    },
    FormatFacts {
        format: Format::Jpeg,
        name: "jpeg",
        still_suffix: ".still.jpg",
        words: "JPEG, 8 bits, for showing around",
    },
    FormatFacts {
        format: Format::Fits,
        name: "fits",
        still_suffix: ".still.fits",
        words: "FITS, 32-bit float",
    },
];

impl Format {
    /// Its row of the table.
    pub fn facts(self) -> FormatFacts {
        FORMATS.into_iter().find(|row| row.format == self).unwrap_or(FORMATS[0])
    }

    /// The format called `name`, in any case.
    pub fn from_name(name: &str) -> Option<Format> {
        let found = FORMATS.iter().find(|row| row.name.eq_ignore_ascii_case(name));
        found.map(|row| row.format)
    }
}

/// Why a picture could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The disk refused.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// The picture is not one that the format can hold.
    #[error("{0}")]
    DoesNotFit(String),
}

/// Write `picture` to `out` as `format`.
///
/// Cost: one pass over the picture, a few rows of memory (JPEG: one byte a sample).
///
/// # Errors
/// When the disk refuses, or when the format cannot hold a picture of this size.
pub fn write_picture<W: Write + Seek>(
    format: Format,
    picture: &Picture,
    caption: &Caption,
    out: W,
) -> Result<(), ExportError> {
    if !matches!(picture.channels(), 1 | 3) || picture.width() == 0 || picture.height() == 0 {
        return Err(ExportError::DoesNotFit(format!(
            "a picture of 1 or 3 channels and at least 1 px was expected, not {} channels of {} x {} px",
            picture.channels(),
            picture.width(),
            picture.height()
        )));
    }
    let mut out = Watched { out, failed: None };
    let done = match format {
        Format::Tiff16 => tiff::write_u16(picture, caption, &mut out),
        Format::Tiff32 => tiff::write_f32(picture, caption, &mut out),
        Format::Png => png::write(picture, caption, &mut out),
        Format::Jpeg => jpeg::write(picture, caption, &mut out),
        Format::Fits => fits::write(picture, caption, &mut out),
    };
    match out.failed {
        Some(error) => Err(ExportError::Io(error)),
        None => done,
    }
}

/// Remembers the first error of the disk. An encoder may swallow one while it is dropped (the
/// streaming PNG encoder does, with its last chunk), and a file with a hole must not pass.
struct Watched<W> {
    out: W,
    failed: Option<io::Error>,
}

impl<W> Watched<W> {
    fn watch<T>(&mut self, result: io::Result<T>) -> io::Result<T> {
        result.map_err(|error| {
            if error.kind() == io::ErrorKind::Interrupted {
                return error;
            }
            let kind = error.kind();
            self.failed.get_or_insert(error);
            kind.into()
        })
    }
}

impl<W: Write> Write for Watched<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let result = self.out.write(bytes);
        self.watch(result)
    }

    fn flush(&mut self) -> io::Result<()> {
        let result = self.out.flush();
        self.watch(result)
    }
}

impl<W: Seek> Seek for Watched<W> {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        let result = self.out.seek(to);
        self.watch(result)
    }
}

/// Copy row `y` of all channels into `row`, colours side by side: `width * channels` samples.
fn interleave_row(picture: &Picture, y: usize, row: &mut [f32]) {
    let channels = picture.channels();
    for channel in 0..channels {
        let line = picture.planes.slice(ndarray::s![channel, y, ..]);
        for (slot, value) in row.iter_mut().skip(channel).step_by(channels).zip(line) {
            *slot = *value;
        }
    }
}

/// 0.0 to 1.0 as 0 to `top`, rounded to the nearest; clipped outside, 0 for what is no number.
fn quantise(value: f32, top: f32) -> f32 {
    if value.is_nan() { 0.0 } else { (value.clamp(0.0, 1.0) * top).round() }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use ndarray::Array3;

    /// A picture whose every sample tells its place.
    pub(crate) fn ladder(channels: usize, height: usize, width: usize) -> Picture {
        let count = (channels * height * width) as f32;
        Picture {
            planes: Array3::from_shape_fn((channels, height, width), |(c, y, x)| {
                ((c * height + y) * width + x) as f32 / count
            }),
        }
    }

    #[test]
    fn every_format_stands_in_the_table_once() {
        for row in FORMATS {
            assert_eq!(Format::from_name(row.name), Some(row.format));
            assert_eq!(row.format.facts().name, row.name);
            let same = FORMATS.iter().filter(|other| other.still_suffix == row.still_suffix);
            assert_eq!(same.count(), 1);
        }
        assert_eq!(Format::from_name("bmp"), None);
    }

    #[test]
    fn values_are_rounded_and_clipped() {
        for (value, code) in [
            (0.0, 0.0),
            (1.0, 65535.0),
            (-0.2, 0.0),
            (7.0, 65535.0),
            (0.5, 32768.0),
            (f32::NAN, 0.0),
            (f32::INFINITY, 65535.0),
            (f32::NEG_INFINITY, 0.0),
            (1.4 / 65535.0, 1.0),
        ] {
            assert_eq!(quantise(value, 65535.0), code, "{value}");
        }
    }

    #[test]
    fn a_picture_without_pixels_is_refused_by_every_format() {
        for row in FORMATS {
            for picture in
                [Picture::black(1, 0, 4), Picture::black(3, 4, 0), Picture::black(2, 4, 4)]
            {
                let out = io::Cursor::new(Vec::new());
                let refused = write_picture(row.format, &picture, &Caption::default(), out);
                assert!(matches!(refused, Err(ExportError::DoesNotFit(_))), "{}", row.name);
            }
        }
    }

    #[test]
    fn a_full_disk_is_an_error_in_every_format() {
        struct Full(usize);
        impl Write for Full {
            fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
                if self.0 < bytes.len() {
                    return Err(io::ErrorKind::StorageFull.into());
                }
                self.0 -= bytes.len();
                Ok(bytes.len())
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        impl Seek for Full {
            fn seek(&mut self, _to: io::SeekFrom) -> io::Result<u64> {
                Ok(0)
            }
        }
        for row in FORMATS {
            for room in [0, 10, 100] {
                let refused =
                    write_picture(row.format, &ladder(3, 20, 30), &Caption::default(), Full(room));
                match refused {
                    Err(ExportError::Io(error)) => {
                        assert_eq!(error.kind(), io::ErrorKind::StorageFull, "{} {room}", row.name);
                    }
                    other => panic!("{} with room for {room} bytes: {other:?}", row.name),
                }
            }
        }
    }
}
