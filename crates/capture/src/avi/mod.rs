//! AVI: chunks within chunks. Read here: uncompressed pictures and motion JPEG.
//!
//! Microsoft's AVI RIFF file reference and the OpenDML AVI extensions 1.02. All integers are
//! little-endian. A chunk is
//!
//! | offset | bytes | field |
//! |---|---|---|
//! | 0 | 4 | id |
//! | 4 | 4 | n, length of the data |
//! | 8 | n | data; for `RIFF` and `LIST` a 4-byte type and chunks |
//! | 8 + n | n mod 2 | padding to an even length |
//!
//! and a file is `RIFF AVI ` with `LIST hdrl` (`avih`; for each stream a `LIST strl` with `strh`
//! and `strf`; `LIST odml` with `dmlh`) and `LIST movi` (chunks `NNdb` or `NNdc` for pictures of
//! stream NN, `NNwb` for sound, some in `LIST rec `), then `idx1`. Files above about 1 GB go on
//! in further parts `RIFF AVIX` with a `LIST movi` each. The fields of the headers stand in
//! `header.rs`.
//!
//! Indexes are not used: they are missing or wrong in files that were cut off, and differ
//! between writers. Every chunk is walked instead.

mod decode;
mod header;
mod look;
mod pixels;
mod reader;
mod remarks;
mod walk;

use crate::formats::Format;

/// The row of the table of formats.
pub(crate) const FORMAT: Format = Format {
    name: "AVI",
    reads: "uncompressed grey, Bayer, palette, colour and YUV; motion JPEG",
    extensions: &["avi"],
    recognise: |head| {
        let n = head.len();
        head.starts_with(b"RIFF") && head.get(8..12).map_or(n < 12, |form| form == b"AVI ")
    },
    open: reader::open,
};
