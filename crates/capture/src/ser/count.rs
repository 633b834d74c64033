//! How many frames a SER file really holds, and whether their times follow.
//!
//! The header's count is wrong in many files: zero or a placeholder while the recording was
//! never closed, the planned number where it was stopped early, too large where the file was
//! cut off. The file's length decides, together with times that look real.

use super::header::{HEADER_BYTES, Header};
use super::trailer::Trailer;
use crate::bytes::Bytes;
use crate::error::{CaptureError, Fault, grouped};
use crate::facts::{Remark, RemarkCode};

/// The frames of a file and what stands behind them.
#[derive(Debug)]
pub(super) struct Count {
    /// Whole frames, at least 1.
    pub(super) frames: u64,
    /// Times, where there is one for each frame; not checked for sense.
    pub(super) trailer: Option<Trailer>,
    pub(super) warnings: Vec<Remark>,
    pub(super) notes: Vec<Remark>,
}

/// Count the frames of `frame_bytes` each in a file of `len` bytes.
pub(super) fn count(
    bytes: &dyn Bytes,
    header: &Header,
    frame_bytes: u64,
    len: u64,
) -> Result<Count, CaptureError> {
    let start = HEADER_BYTES as u64;
    let body = len.saturating_sub(start);
    let room = body / frame_bytes;
    if room == 0 {
        return Err(CaptureError::Damaged(Fault::new(
            format!("at least one frame of {} bytes", grouped(frame_bytes)),
            format!("{} bytes", grouped(body)),
            start,
            "nothing can be saved from this file; it was probably cut off at its first frame",
        )));
    }
    let declared = i64::from(header.frames);
    let trailer_of = |frames: u64| Trailer { offset: start + frames * frame_bytes, frames };
    let mut count = Count { frames: room, trailer: None, warnings: Vec::new(), notes: Vec::new() };

    let said = if (1..=room as i64).contains(&declared) { Some(declared as u64) } else { None };
    let behind = |frames: u64| body - frames * frame_bytes;
    if let Some(frames) = said
        && (behind(frames) == 0 || behind(frames) == 8 * frames)
    {
        count.frames = frames;
        count.trailer = (behind(frames) > 0).then(|| trailer_of(frames));
        return Ok(count);
    }
    // The count does not fill the file. Frames and times that do, to the byte, settle it.
    let whole = body / (frame_bytes + 8);
    if body.is_multiple_of(frame_bytes + 8) && trailer_of(whole).looks_real(bytes) {
        count.frames = whole;
        count.trailer = Some(trailer_of(whole));
        count.warnings.push(complaint(declared, &count, frame_bytes, len));
        return Ok(count);
    }
    if let Some(frames) = said {
        let extra = behind(frames);
        let trailer = trailer_of(frames);
        // A few pixels may look like times; four times in order hardly ever do.
        let enough = |frames: u64| frames >= 4 || extra < frame_bytes;
        if extra > 8 * frames && enough(frames) && trailer.looks_real(bytes) {
            count.frames = frames;
            count.trailer = Some(trailer);
            count.notes.push(Remark::new(
                RemarkCode::StrayBytes,
                format!(
                    "{} bytes behind the times of the frames belong to nothing and were not read",
                    grouped(extra - 8 * frames)
                ),
            ));
            return Ok(count);
        }
        let stump = Trailer { frames: extra / 8, ..trailer };
        if extra < 8 * frames
            && enough(stump.frames)
            && (extra < frame_bytes || stump.looks_real(bytes))
        {
            count.frames = frames;
            count.warnings.push(Remark::new(
                RemarkCode::Times,
                format!(
                    "the times of the frames are cut off: {} of {} bytes are there, so none is \
                     used; all frames can be used",
                    grouped(extra),
                    grouped(8 * frames)
                ),
            ));
            return Ok(count);
        }
        if extra < frame_bytes {
            count.notes.push(Remark::new(
                RemarkCode::StrayBytes,
                format!("{} bytes behind the last frame were not read", grouped(extra)),
            ));
            return Ok(count);
        }
    }
    count.warnings.push(complaint(declared, &count, frame_bytes, len));
    Ok(count)
}

fn complaint(declared: i64, count: &Count, frame_bytes: u64, len: u64) -> Remark {
    let frames = count.frames;
    let body = len - HEADER_BYTES as u64;
    if count.trailer.is_some() {
        return Remark::new(
            RemarkCode::FrameCount,
            format!(
                "the header says {declared} frames, but the file holds {frames} with their times; \
                 all of them can be used"
            ),
        );
    }
    let left = body - frames * frame_bytes;
    let behind = if left == 0 {
        String::new()
    } else {
        format!(
            ", and {} bytes of a further one (needs {} more bytes at offset {})",
            grouped(left),
            grouped(frame_bytes - left),
            grouped(len)
        )
    };
    if declared <= 0 || declared == i64::from(i32::MAX) || declared <= frames as i64 {
        return Remark::new(
            RemarkCode::FrameCount,
            format!(
                "the header says {declared} frames, but the file holds {frames} whole ones{behind}; \
                 all whole frames can be used; the recording was probably never closed"
            ),
        );
    }
    let inside = if left == 0 {
        format!("before frame {frames} of {declared}")
    } else {
        format!(
            "inside frame {frames} of {declared} (needs {} more bytes at offset {})",
            grouped(frame_bytes - left),
            grouped(len)
        )
    };
    Remark::new(
        RemarkCode::Truncated,
        format!(
            "the capture ends {inside}; {frames} whole frames can be used; the file was probably \
             cut off while recording"
        ),
    )
}
