//! Many picture files as one capture.

use super::{Decoded, Kind, Shape, decode};
use crate::bytes::{Bytes, no_such_frame, read_up_to};
use crate::error::{CaptureError, Fault};
use crate::facts::{ByteOrder, Facts, Overrides, Remark, RemarkCode};
use crate::formats::{Capture, HEAD_BYTES, Opened};
use crate::levels::{Levels, look};
use crate::time::Ticks;
use std::io;
use std::sync::Arc;
use stillwright_picture::{FrameError, FrameFormat, FrameSource, RawFrame, SampleType};

/// The files of a sequence, one frame each, opened one at a time by whoever may open files.
pub trait FrameFiles: Send + Sync {
    /// How many there are.
    fn count(&self) -> usize;

    /// Name of file `index` (from 0), for messages.
    fn name(&self, index: usize) -> String;

    /// Open file `index` (from 0).
    ///
    /// # Errors
    /// What the system reports.
    fn open(&self, index: usize) -> io::Result<Arc<dyn Bytes>>;
}

/// First files that are tried before a sequence is given up.
const FIRST_TRIED: usize = 16;

/// An open sequence.
struct Sequence {
    kind: Kind,
    files: Box<dyn FrameFiles>,
    shape: Shape,
    format: FrameFormat,
    facts: Facts,
    levels: Levels,
}

/// Open picture files as one capture: size, colour and sample type are those of the first sound
/// one, and files that differ are frames that cannot be read. `warnings` are what is known to be
/// odd about the numbers ([`super::numbered`]).
///
/// # Errors
/// [`CaptureError`]: none of the first files is a sound picture, or an override does not fit.
pub fn open_sequence(
    files: Box<dyn FrameFiles>,
    warnings: Vec<Remark>,
    overrides: &Overrides,
) -> Opened {
    let mut head = [0; HEAD_BYTES];
    for index in 0..files.count().min(FIRST_TRIED) {
        let Ok(bytes) = files.open(index) else { continue };
        let n = read_up_to(&*bytes, 0, &mut head).unwrap_or(0);
        if let Some(kind) = Kind::of(&head[..n]) {
            return open_kind(kind, files, warnings, overrides);
        }
    }
    Err(CaptureError::Unsupported(Fault::new(
        "pictures (PNG, TIFF, JPEG or FITS)",
        "none in the first files of the sequence",
        None,
        "choose the folder that holds the frames",
    )))
}

pub(super) fn open_kind(
    kind: Kind,
    files: Box<dyn FrameFiles>,
    mut warnings: Vec<Remark>,
    overrides: &Overrides,
) -> Opened {
    let count = files.count();
    let read = |index: usize, expected| {
        let bytes = files.open(index).map_err(|e| CaptureError::reading(0, e))?;
        decode(kind, &bytes, expected)
    };
    let mut first = None;
    let mut failed = None;
    for index in 0..count.min(FIRST_TRIED) {
        match read(index, None) {
            Ok(decoded) => {
                first = Some(decoded);
                break;
            }
            Err(error) => failed = failed.or(Some(error)),
        }
    }
    let Some(first) = first else {
        return Err(failed.unwrap_or_else(|| {
            CaptureError::Damaged(Fault::new("a picture", "none", None, "choose another folder"))
        }));
    };
    let Decoded { shape, depth, mosaic, begun, words, exposure, .. } = first;
    let mut broken = 0;
    let mut looked_at = 0;
    let seen = look(count, |index| {
        looked_at += 1;
        let decoded = read(index, Some(shape));
        broken += usize::from(decoded.is_err());
        decoded.ok().map(|decoded| decoded.samples)
    });
    if broken > 0 {
        warnings.push(Remark::new(
            RemarkCode::BrokenFiles,
            format!(
                "{broken} of {looked_at} files looked at are damaged or differ from the first one; \
                 such frames are left out"
            ),
        ));
    }
    let mut levels = Levels::decide(shape.kind, depth, seen, overrides)?;
    let layout = shape.layout(mosaic, overrides)?;
    warnings.append(&mut levels.warnings);
    let mut notes = std::mem::take(&mut levels.notes);
    if kind == Kind::Jpeg {
        notes.push(Remark::new(
            RemarkCode::Lossy,
            "the frames are JPEG pictures, which have lost fine detail for good; record \
             uncompressed next time",
        ));
    }
    let format = FrameFormat {
        width: shape.width,
        height: shape.height,
        layout,
        sample_type: shape.kind,
        white: levels.white,
    };
    let [observer, instrument, telescope] = words;
    let mut sequence = Sequence {
        kind,
        files,
        shape,
        format,
        levels,
        facts: Facts {
            format: kind.name(),
            width: format.width,
            height: format.height,
            frames: count,
            declared_frames: None,
            bit_depth: 16,
            layout,
            byte_order: None,
            justification: None,
            duration_s: None,
            frame_rate_hz: None,
            has_times: false,
            start_utc: begun,
            start_local: None,
            observer,
            instrument,
            telescope,
            exposure_s: exposure.0,
            gain: exposure.1,
            warnings,
            notes,
        },
    };
    let (bit_depth, justification) = (sequence.levels.bit_depth, sequence.levels.justification);
    sequence.facts.bit_depth = bit_depth;
    sequence.facts.justification = justification;
    // Samples are handed out in the machine's order; the files' own is their format's affair.
    sequence.facts.byte_order =
        (shape.kind == SampleType::U16 && kind != Kind::Tiff).then_some(ByteOrder::Big);
    sequence.settle_times();
    Ok(Box::new(sequence))
}

impl Sequence {
    /// Each file may say when it was begun: the first and the last tell how long it took.
    fn settle_times(&mut self) {
        if self.kind != Kind::Fits || self.facts.frames < 2 {
            return;
        }
        let last = self.facts.frames - 1;
        if let (Some(first), Some(last)) = (self.begun(0), self.begun(last)) {
            let span = last.seconds_since(first);
            if span > 0.0 {
                let rate = (self.facts.frames - 1) as f64 / span;
                self.facts.has_times = true;
                self.facts.frame_rate_hz = Some(rate);
                self.facts.duration_s = Some(self.facts.frames as f64 / rate);
            }
        }
    }

    fn begun(&self, index: usize) -> Option<Ticks> {
        let bytes = self.files.open(index).ok()?;
        crate::fits::begun(&*bytes).filter(|time| time.is_plausible())
    }
}

impl FrameSource for Sequence {
    fn format(&self) -> FrameFormat {
        self.format
    }

    fn frame_count(&self) -> usize {
        self.facts.frames
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        if index >= self.facts.frames {
            return Err(no_such_frame(index, self.facts.frames));
        }
        let error = |why: String| {
            let name = self.files.name(index);
            let reason = if name.is_empty() { why } else { format!("{name}: {why}") };
            FrameError { index, reason }
        };
        let bytes = self.files.open(index).map_err(|e| {
            error(format!("the file cannot be opened ({e}); check that it is still there"))
        })?;
        let decoded =
            decode(self.kind, &bytes, Some(self.shape)).map_err(|e| error(e.to_string()))?;
        frame.format = self.format;
        frame.samples = decoded.samples;
        self.levels.apply(&mut frame.samples);
        Ok(())
    }
}

impl Capture for Sequence {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, index: usize) -> Option<Ticks> {
        if !self.facts.has_times || index >= self.facts.frames {
            return None;
        }
        self.begun(index)
    }
}
