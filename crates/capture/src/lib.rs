//! Telescope video captures: from bytes to frames on demand.
//!
//! [`open`] takes anything that is [`Bytes`] and gives a [`Capture`]: a
//! [`FrameSource`](stillwright_picture::FrameSource) with [`Facts`] about it. Formats are told
//! apart by content; [`FORMATS`] is the one table that lists them. Captures come from many
//! camera programs, and some were cut off while recording: every whole frame is handed out, and
//! [`Facts::warnings`] says what is missing. [`SerWriter`] writes captures, for simulated nights
//! and for tests.
//!
//! Frames come out as [`RawFrame`](stillwright_picture::RawFrame) wants them: rows from top to
//! bottom, red before blue, two-byte samples in the machine's order and right-justified.
//!
//! Deliberately absent: paths (this crate opens no file by name, the caller does), memory maps
//! (see [`Bytes`]), debayering, grading, the window.

mod avi;
mod bytes;
mod error;
mod facts;
mod fits;
mod formats;
mod jpeg;
mod levels;
mod pictures;
mod samples;
mod ser;
mod time;
mod video;
mod yuv;

pub use bytes::Bytes;
pub use error::{CaptureError, Fault, MAX_FRAME_SAMPLES, MAX_SIDE};
pub use facts::{ByteOrder, Facts, Justification, Overrides, Remark, RemarkCode};
pub use formats::{Capture, FORMATS, Format, HEAD_BYTES, Opened, open};
pub use pictures::{FrameFiles, Numbered, is_picture, numbered, open_sequence};
pub use ser::{FlagConvention, SerOptions, SerWriter};
pub use time::Ticks;
pub use video::demuxer;
