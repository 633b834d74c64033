//! What is odd about an AVI file, in words.

use super::reader::Found;
use crate::error::grouped;
use crate::facts::{Remark, RemarkCode};

/// Warnings and notes on a file of `len` bytes that gave `frames` whole frames.
pub(super) fn remarks(found: &Found, frames: u64, len: u64) -> (Vec<Remark>, Vec<Remark>) {
    let (mut warnings, mut notes) = (Vec::new(), Vec::new());
    let short = found.short;
    let (declared, of_all_parts) = found.headers.declared();
    let seen = frames + short + found.empty;
    let of = if declared > seen as i64 { format!(" of {declared}") } else { String::new() };
    if let Some(cut) = &found.cut {
        warnings.push(Remark::new(
            RemarkCode::Truncated,
            format!(
                "the capture ends inside frame {seen}{of} (needs {} more bytes at offset {}); \
                 {frames} whole frames can be used; the file was probably cut off while recording",
                grouped(cut.missing),
                grouped(len)
            ),
        ));
    } else if let Some(lost_at) = found.lost_at.filter(|_| declared > 0 && declared <= seen as i64)
    {
        notes.push(Remark::new(
            RemarkCode::StrayBytes,
            format!("{} bytes behind the last frame were not read", grouped(len - lost_at)),
        ));
    } else if let Some(lost_at) = found.lost_at {
        warnings.push(Remark::new(
            RemarkCode::BrokenChunk,
            format!(
                "expected a chunk or the end at offset {}, found other bytes; the {frames} whole \
                 frames before can be used, the {} bytes from there on were not read",
                grouped(lost_at),
                grouped(len - lost_at)
            ),
        ));
    } else if declared > seen as i64 {
        warnings.push(Remark::new(
            RemarkCode::Truncated,
            format!(
                "the capture ends before frame {seen}{of}; {frames} whole frames can be used; the \
                 file was probably cut off while recording"
            ),
        ));
    }
    if declared == 0 {
        warnings.push(Remark::new(
            RemarkCode::FrameCount,
            format!(
                "the header says 0 frames, but the file holds {frames} whole ones; all of them can \
                 be used; the recording was probably never closed"
            ),
        ));
    } else if declared < seen as i64 && (of_all_parts || found.parts <= 1) {
        notes.push(Remark::new(
            RemarkCode::FrameCount,
            format!("the header says {declared} frames, but the file holds {seen}; all were read"),
        ));
    }
    if found.stepped_over > 0 {
        warnings.push(Remark::new(
            RemarkCode::BrokenChunk,
            format!(
                "{} bytes among the frames make no sense and were stepped over; frames in them are \
                 lost, and frames after them are numbered on without a gap",
                grouped(found.stepped_over)
            ),
        ));
    }
    if short > 0 {
        warnings.push(Remark::new(
            RemarkCode::ShortFrames,
            format!("{short} frames are shorter than a picture and were left out"),
        ));
    }
    if found.empty > 0 {
        notes.push(Remark::new(
            RemarkCode::EmptyFrames,
            format!(
                "{} frames hold no data (the camera program had lost them) and were left out; \
                 frames after them are numbered on without a gap",
                found.empty
            ),
        ));
    }
    if found.others > 0 {
        notes.push(Remark::new(
            RemarkCode::OtherStreams,
            format!("{} chunks of sound or of other streams were not read", found.others),
        ));
    }
    (warnings, notes)
}
