//! Why a capture could not be opened or written, sorted by whose fault it is.

use std::fmt;
use std::io;

/// What was expected, what was found, where, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// What a sound capture would have there.
    pub expected: String,
    /// What is there.
    pub found: String,
    /// Byte offset in the file, where one can be named.
    pub offset: Option<u64>,
    /// What the person can do.
    pub remedy: String,
}

impl Fault {
    /// A fault with all its parts.
    pub fn new(
        expected: impl Into<String>,
        found: impl Into<String>,
        offset: impl Into<Option<u64>>,
        remedy: impl Into<String>,
    ) -> Fault {
        Fault {
            expected: expected.into(),
            found: found.into(),
            offset: offset.into(),
            remedy: remedy.into(),
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "expected {}, found {}", self.expected, self.found)?;
        if let Some(offset) = self.offset {
            write!(f, " at offset {}", grouped(offset))?;
        }
        write!(f, "\n  {}", self.remedy)
    }
}

/// Why a capture could not be opened or written. The path is not known here; whoever opened
/// the file adds it.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The file breaks its own format.
    #[error("the capture is damaged: {0}")]
    Damaged(Fault),
    /// The file is probably sound, but nothing here reads it.
    #[error("this kind of file is not read: {0}")]
    Unsupported(Fault),
    /// The pictures are compressed in a way that an installed decoder may know, and nothing here
    /// does.
    #[error("the pictures are compressed in a way that is not read without a decoder: {0}")]
    NeedsDecoder(Fault),
    /// A size beyond what is allowed ([`MAX_SIDE`], [`MAX_FRAME_SAMPLES`]).
    #[error("the frames are too large: {0}")]
    TooLarge(Fault),
    /// A setting that does not fit the capture.
    #[error("a setting does not fit: {0}")]
    Parameter(Fault),
    /// The system could not read or write.
    #[error("{doing} failed ({source})\n  {remedy}")]
    Io {
        /// What was being done.
        doing: String,
        /// What the person can do.
        remedy: String,
        /// What the system said.
        source: io::Error,
    },
}

impl CaptureError {
    /// Expected, found, offset, remedy; `None` for what the system reported.
    pub fn fault(&self) -> Option<&Fault> {
        match self {
            CaptureError::Damaged(fault)
            | CaptureError::Unsupported(fault)
            | CaptureError::NeedsDecoder(fault)
            | CaptureError::TooLarge(fault)
            | CaptureError::Parameter(fault) => Some(fault),
            CaptureError::Io { .. } => None,
        }
    }

    pub(crate) fn reading(offset: u64, source: io::Error) -> CaptureError {
        CaptureError::Io {
            doing: format!("reading at offset {}", grouped(offset)),
            remedy: "check that it is a file, that it may be read, and that its disk is well"
                .to_string(),
            source,
        }
    }

    pub(crate) fn writing(source: io::Error) -> CaptureError {
        CaptureError::Io {
            doing: "writing the capture".to_string(),
            remedy: "check that the disk has room and may be written to".to_string(),
            source,
        }
    }
}

/// Longest side of a frame, px. Well above any camera; a larger number is a damaged header.
pub const MAX_SIDE: u64 = 65_535;

/// Most samples in one frame: 2^28, a square of 16,384 px. A frame takes at most twice as many
/// bytes of memory; more would be beyond a laptop once pictures are computed from it.
pub const MAX_FRAME_SAMPLES: u64 = 1 << 28;

/// Check the sides of a frame; gives the number of samples of a frame.
pub(crate) fn check_size(
    width: i64,
    height: i64,
    samples_per_pixel: usize,
    offset: u64,
) -> Result<u64, CaptureError> {
    let found = format!("{width} x {height}");
    if width <= 0 || height <= 0 {
        return Err(CaptureError::Damaged(Fault::new(
            "a frame of at least 1 x 1 pixels",
            found,
            offset,
            "the header is damaged; if a copy of the file exists elsewhere, use that",
        )));
    }
    let (width, height) = (width.unsigned_abs(), height.unsigned_abs());
    let samples = u128::from(width) * u128::from(height) * samples_per_pixel as u128;
    if width > MAX_SIDE || height > MAX_SIDE || samples > u128::from(MAX_FRAME_SAMPLES) {
        return Err(CaptureError::TooLarge(Fault::new(
            format!(
                "sides of up to {MAX_SIDE} px and up to {} samples a frame",
                grouped(MAX_FRAME_SAMPLES)
            ),
            found,
            offset,
            "the header is probably damaged; if a copy of the file exists elsewhere, use that",
        )));
    }
    Ok(samples as u64)
}

/// A number with its thousands set apart by spaces: `2 121 856`.
pub(crate) fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(c);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_stand_apart() {
        for (n, words) in
            [(0, "0"), (999, "999"), (1000, "1 000"), (1_722_946_850, "1 722 946 850")]
        {
            assert_eq!(grouped(n), words);
        }
    }

    #[test]
    fn sizes_are_checked_without_overflow() {
        assert_eq!(check_size(1936, 1096, 1, 26).ok(), Some(2_121_856));
        for (w, h) in [(0, 5), (5, 0), (-1, 5), (5, i64::from(i32::MIN))] {
            assert!(matches!(check_size(w, h, 1, 26), Err(CaptureError::Damaged(_))));
        }
        for (w, h) in [(65_536, 1), (1, i64::MAX), (i64::MAX, i64::MAX), (65_535, 65_535)] {
            assert!(matches!(check_size(w, h, 3, 26), Err(CaptureError::TooLarge(_))));
        }
    }
}
