//! The one table of capture formats, and the one way to open a capture.

use crate::bytes::{Bytes, read_up_to};
use crate::error::{CaptureError, Fault};
use crate::facts::{Facts, Overrides};
use crate::time::Ticks;
use crate::{avi, fits, pictures, ser, video};
use stillwright_picture::FrameSource;

/// An open capture: frames on demand, and what is known about them.
pub trait Capture: FrameSource {
    /// What is known about the capture.
    fn facts(&self) -> &Facts;

    /// When frame `index` (from 0) was taken, in UTC; `None` where the capture does not say,
    /// says nonsense ([`Facts::has_times`]), or has no such frame. Read from the file at each
    /// call.
    fn time_utc(&self, index: usize) -> Option<Ticks>;
}

/// What opening gives.
pub type Opened = Result<Box<dyn Capture>, CaptureError>;

/// One kind of capture file: one file (or folder) of this crate, one row of [`FORMATS`].
#[derive(Clone, Copy, Debug)]
pub struct Format {
    /// Short name, as in [`Facts::format`].
    pub name: &'static str,
    /// What of it is read, in a few words.
    pub reads: &'static str,
    /// Usual extensions in lower case, without a dot; for dialogs only, never to tell formats.
    pub extensions: &'static [&'static str],
    /// Whether a file that begins so (up to [`HEAD_BYTES`] bytes) is of this kind.
    pub recognise: fn(head: &[u8]) -> bool,
    /// Open it.
    pub open: fn(Box<dyn Bytes>, &Overrides) -> Opened,
}

/// All formats, in the order in which they are tried.
pub const FORMATS: &[Format] = &[
    ser::FORMAT,
    avi::FORMAT,
    fits::FORMAT,
    pictures::PNG,
    pictures::TIFF,
    pictures::JPEG,
    video::FORMAT,
];

/// How much of a file's beginning the formats are told apart by.
pub const HEAD_BYTES: usize = 512;

/// Open a capture of any known format, told by its content and never by its name.
///
/// Memory does not grow with the file, save 16 bytes a frame for formats without a fixed pitch.
///
/// # Errors
/// [`CaptureError`]: the file is empty, of no known kind, or breaks its own format so that not
/// one whole frame can be read; an override does not fit; or the system cannot read.
pub fn open(bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    if let Some(depth) = overrides.bit_depth
        && !(1..=16).contains(&depth)
    {
        return Err(CaptureError::Parameter(Fault::new(
            "a bit depth of 1 to 16",
            depth.to_string(),
            None,
            "set the bit depth that the camera gave, or leave it out",
        )));
    }
    let mut head = [0; HEAD_BYTES];
    let n = read_up_to(&*bytes, 0, &mut head).map_err(|e| CaptureError::reading(0, e))?;
    let head = &head[..n];
    if head.is_empty() {
        return Err(CaptureError::Damaged(Fault::new(
            "a capture",
            "an empty file",
            None,
            "nothing was recorded in it; it can be deleted",
        )));
    }
    match FORMATS.iter().find(|format| (format.recognise)(head)) {
        Some(format) => (format.open)(bytes, overrides),
        None => Err(CaptureError::Unsupported(unknown(head))),
    }
}

fn unknown(head: &[u8]) -> Fault {
    let known: Vec<&str> = FORMATS.iter().map(|format| format.name).collect();
    let start = &head[..head.len().min(4)];
    let hex: Vec<String> = start.iter().map(|byte| format!("{byte:02x}")).collect();
    let is_text = |byte: &u8| byte.is_ascii_graphic() || byte.is_ascii_whitespace();
    let found = if head.iter().all(is_text) {
        "plain text".to_string()
    } else {
        format!("a file that begins with the bytes {}", hex.join(" "))
    };
    Fault::new(
        format!("a capture ({})", known.join(", ")),
        found,
        None,
        "record as one of these, or convert it to one without loss",
    )
}

/// Whether `head` begins with `id`, or is a stump of it of at least four bytes: a file cut
/// that early is still better called damaged than unknown.
pub(crate) fn begins_with(head: &[u8], id: &[u8]) -> bool {
    let n = head.len().min(id.len());
    n >= id.len().min(4) && head[..n] == id[..n]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_capture_is_told_as_what_it_is() {
        for (head, found) in [
            (&b"no capture at all\n"[..], "found plain text"),
            (b"PK\x03\x04zip", "found a file that begins with the bytes 50 4b 03 04"),
        ] {
            let words = unknown(head).to_string();
            assert!(words.contains(found), "{words}");
        }
    }
}
