//! SER: the plain container of planetary cameras. A header, the frames, their times.
//!
//! The byte table stands in `header.rs`.

mod count;
pub(crate) mod decide;
mod evidence;
mod header;
mod reader;
mod trailer;
mod writer;

pub use header::FlagConvention;
pub use writer::{SerOptions, SerWriter};

use crate::formats::{Format, begins_with};

/// The row of the table of formats.
pub(crate) const FORMAT: Format = Format {
    name: "SER",
    reads: "mono, Bayer, CMY, RGB and BGR; 1 to 16 bits",
    extensions: &["ser"],
    recognise: |head| begins_with(head, header::ID),
    open: reader::open,
};
