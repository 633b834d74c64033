//! Pass 2: kept frames, aligned and added.

use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, FrameSource, Picture, Progress};
use stillwright_seeing::Survey;

/// How large a share of the best moments is kept.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Keep {
    /// The share at which the stack holds the most information.
    Auto,
    /// Percent of the usable frames, above 0 and up to 100.
    Percent(f32),
}

/// What the stack is told. Every field has a default that suits a newcomer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StackSettings {
    /// How much is kept.
    pub keep: Keep,
    /// Output pixels per capture pixel, 0.5 to 4.
    pub scale: f32,
    /// Side of the tiles that are aligned by themselves, px of the capture; 0 decides from the
    /// picture.
    pub tile_px: usize,
    /// Leave out what one frame alone shows at a place: a satellite, a cosmic ray.
    pub reject_outliers: bool,
}

impl Default for StackSettings {
    fn default() -> Self {
        StackSettings { keep: Keep::Auto, scale: 1.0, tile_px: 0, reject_outliers: true }
    }
}

/// The kept light, added up, on the reference frame's pixel grid (times scale).
#[derive(Clone, Debug)]
pub struct Stack {
    /// All kept frames; linear, share of the camera's full scale.
    pub picture: Picture,
    /// Two stacks of one half of the kept frames each: they share no frame.
    pub halves: [Picture; 2],
    /// The keep that was used, percent.
    pub keep_percent: f32,
    /// Frames that gave light to some place.
    pub frames_used: usize,
    /// Tiles that were aligned by themselves.
    pub tiles: usize,
    /// Output pixels per capture pixel.
    pub scale: f32,
}

/// Why no stack could be made.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A setting is out of its range.
    #[error("{0}")]
    Setting(String),
    /// Nothing to work with.
    #[error("{0}")]
    NoUsableFrames(String),
}

/// Align and add the kept frames of `source`.
///
/// # Errors
/// When cancelled, when a setting is out of range, or when no frame can be used.
pub fn stack(
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    progress: &dyn Progress,
) -> Result<Stack, StackError> {
    let _ = (source, survey, settings, progress);
    Err(StackError::NoUsableFrames("being written".into()))
}
