//! FITS: pictures and cubes of astronomy.
//!
//! FITS Standard 4.0 (2018). A file is a row of units, each a header and data, both padded to
//! 2880 bytes. A header consists of cards of 80 characters:
//!
//! | offset | characters | field |
//! |---|---|---|
//! | 0 | 8 | keyword, padded with blanks |
//! | 8 | 2 | `= ` where a value follows |
//! | 10 | 70 | value (number, `T` or `F`, or a string in quotes), `/`, remark |
//!
//! `BITPIX` (8, 16, 32, 64 integers; -32, -64 IEEE floats), `NAXIS` and `NAXISn` say what the data
//! are; all of it is big-endian, and 8-bit integers are unsigned, the others signed; value =
//! `BZERO` + `BSCALE` x stored. Unsigned 16-bit numbers have `BZERO` 32768.
//!
//! Read here: the primary array or, where it is empty, the first `IMAGE` extension, and further
//! extensions of the same shape. Axes: columns, rows, frames; or columns, rows, 3 colours, frames;
//! or 3 colours, columns, rows, frames. Rows are taken from the top down, as cameras store them,
//! unless `ROWORDER` says `BOTTOM-UP`; `BAYERPAT` names the mosaic of the picture with its top
//! row first, `XBAYROFF` and `YBAYROFF` move it (keywords in common use, no standard).

mod header;
mod reader;

pub(crate) use reader::{begun, picture};

use crate::formats::{Format, begins_with};

/// The row of the table of formats.
pub(crate) const FORMAT: Format = Format {
    name: "FITS",
    reads: "pictures and cubes of 8, 16, 32-bit integers and floats; Bayer",
    extensions: &["fits", "fit", "fts"],
    recognise: |head| begins_with(head, b"SIMPLE  ="),
    open: reader::open,
};
