//! Pictures for the screen, each with a number of its own: a texture is uploaded when the number
//! changes.

use super::entry::CaptureId;
use crate::pyramid::Stretch;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use stillwright_picture::{Picture, Shift};
use stillwright_seeing::Rejection;
use stillwright_stacking::halves::Region;

/// Tells one picture from another: equal numbers, equal pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PictureId(u64);

impl PictureId {
    /// A number that was never given out before.
    pub(crate) fn next() -> PictureId {
        static LAST: AtomicU64 = AtomicU64::new(0);
        PictureId(LAST.fetch_add(1, Ordering::Relaxed) + 1)
    }
}

/// A picture to draw.
#[derive(Clone, Debug)]
pub struct Shown {
    /// Its number.
    pub id: PictureId,
    /// The samples; 1 channel (light) or 3 (red, green, blue).
    pub picture: Arc<Picture>,
    /// How its values become grey or colour.
    pub stretch: Stretch,
}

impl Shown {
    /// A finished picture: 0 is black, 1 is white.
    pub(crate) fn finished(picture: Arc<Picture>) -> Shown {
        Shown { id: PictureId::next(), picture, stretch: Stretch::NONE }
    }
}

/// A small grey picture for the shelf.
#[derive(Clone, Debug)]
pub struct Thumbnail {
    /// Its number.
    pub id: PictureId,
    /// Columns, at most [`Thumbnail::SIDE`].
    pub width: usize,
    /// Rows, at most [`Thumbnail::SIDE`].
    pub height: usize,
    /// 0 black to 255 white, row after row.
    pub grey: Vec<u8>,
    /// The frame it shows.
    pub frame: usize,
}

impl Thumbnail {
    /// Longest side, px.
    pub const SIDE: usize = 192;
}

/// A stack in the making. It has the stack's own size.
#[derive(Clone, Debug)]
pub struct PartialStack {
    /// Of which capture.
    pub capture: CaptureId,
    /// What has come together so far, linear.
    pub shown: Shown,
    /// Frames in it; 0 for the reference that is shown before the first.
    pub frames: usize,
    /// Frames that are to come together.
    pub total: usize,
}

/// A frame as the camera gave it, stuck pixels included.
#[derive(Clone, Debug)]
pub struct ShownFrame {
    /// Of which capture.
    pub capture: CaptureId,
    /// Which, from 0.
    pub index: usize,
    /// Its light, linear, share of full scale; colours of a mosaic are filled in from their neighbours, for
    /// the eye only.
    pub shown: Shown,
    /// Whether it is shown in the tone of the still, so that the two can be compared.
    pub in_tone_of_still: bool,
    /// Its own levels, as long as there is no still.
    pub(crate) own: Stretch,
    /// Light that came through, by which the stack divides it; 1 before the capture is graded.
    pub(crate) transparency: f32,
    /// Where the scene lies in it minus where it lies in the still, px of the capture; 0 before
    /// the capture is graded.
    pub shift: Shift,
    /// Its grade, once graded.
    pub grade: Option<f32>,
    /// Why it takes no part, if it takes none.
    pub rejected: Option<Rejection>,
    /// When it was taken, UTC, where the capture tells: `YYYY-MM-DDThh:mm:ss.sss`.
    pub time_utc: Option<String>,
}

/// A part of the still, finished ahead of the whole.
#[derive(Clone, Debug)]
pub struct RegionPreview {
    /// Of which capture.
    pub capture: CaptureId,
    /// Which part, px of the still. Where what is looked at is too large to be finished px by px, all of
    /// it at reduced size, or, as long as that is not prepared, its middle.
    pub region: Region,
    /// The part, finished; it fills `region`, but may have fewer px.
    pub shown: Shown,
    /// Milliseconds that the computation took.
    pub milliseconds: f64,
    pub(crate) of_still: super::key::FinishKey,
    pub(crate) ahead: Arc<super::preview::Ahead>,
}
