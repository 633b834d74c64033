//! Containers of compressed video: told here, decoded by whoever may start a decoder.
//!
//! ISO base media files (MP4, MOV; ISO/IEC 14496-12) are boxes: 4 bytes of length, 4 of type.
//! Matroska and WebM are EBML: they begin with `1A 45 DF A3` (RFC 8794). Opening one always fails
//! with [`CaptureError::NeedsDecoder`](crate::CaptureError::NeedsDecoder).

use crate::error::{CaptureError, Fault};
use crate::formats::Format;

/// The row of the table of formats.
pub(crate) const FORMAT: Format = Format {
    name: "video",
    reads: "MP4, MOV, MKV and compressed AVI, where a decoder is installed",
    extensions: &["mp4", "mov", "m4v", "mkv", "webm"],
    recognise: |head| demuxer(head).is_some_and(|name| name != "avi"),
    open: |_, _| {
        Err(CaptureError::NeedsDecoder(Fault::new(
            "pictures stored as they are",
            "compressed video",
            None,
            "record uncompressed, best as SER, for compression throws fine detail away; this file \
             can be read where a decoder is installed",
        )))
    },
};

/// Boxes that such files begin with.
const BOXES: [&[u8; 4]; 7] = [b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"];

/// The container of a file that begins so, as decoders in common use call it: `mov`, `matroska` or
/// `avi`. Naming it keeps a decoder from taking the file for a list of other files.
pub fn demuxer(head: &[u8]) -> Option<&'static str> {
    if head.get(4..8).is_some_and(|kind| BOXES.iter().any(|known| known.as_slice() == kind)) {
        Some("mov")
    } else if head.starts_with(b"\x1a\x45\xdf\xa3") {
        Some("matroska")
    } else if head.starts_with(b"RIFF") && head.get(8..12) == Some(b"AVI ") {
        Some("avi")
    } else {
        None
    }
}
