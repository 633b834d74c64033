//! Passes 0 and 1: choose a reference, then read every frame once.

use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, FrameSource, Grade, Progress, Shift};

/// What the survey is told. Every field has a default that suits a newcomer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SurveySettings {
    /// How many frames, spread evenly over the capture, are looked at to choose the reference.
    pub sample_frames: usize,
    /// What the capture shows; `auto` decides from the frames.
    pub scene: SceneKind,
}

impl Default for SurveySettings {
    fn default() -> Self {
        SurveySettings { sample_frames: 64, scene: SceneKind::Auto }
    }
}

/// What a capture shows, which decides how the whole-frame shift is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SceneKind {
    /// Decide from the frames.
    Auto,
    /// A close-up: ground fills the frame.
    Ground,
    /// A disc on black sky.
    Disc,
}

/// Why a frame takes no part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Rejection {
    /// No light in it.
    Blank,
    /// Much dimmer than its neighbours.
    Cloud,
    /// Knocked or smeared: the scene is out of place or unrecognisable.
    Bumped,
    /// Its bytes could not be read.
    Unreadable,
    /// The person left it out.
    Excluded,
}

impl Rejection {
    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            Rejection::Blank => "blank: no light in it",
            Rejection::Cloud => "cloud: much dimmer than the rest",
            Rejection::Bumped => "bumped: the scene is out of place",
            Rejection::Unreadable => "its bytes could not be read",
            Rejection::Excluded => "left out by choice",
        }
    }
}

/// What was found of one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// Index in the capture, from 0.
    pub index: usize,
    /// Sharpness of the whole frame.
    pub grade: Grade,
    /// Where the scene lies in this frame minus where it lies in the reference frame.
    pub shift: Shift,
    /// Mean over the frame, share of full scale.
    pub brightness: f32,
    /// Light that came through, relative to the median frame; 1 is clear.
    pub transparency: f32,
    /// Share of samples at full scale.
    pub clipped_share: f32,
    /// Why the frame takes no part, if it takes none.
    pub rejected: Option<Rejection>,
}

/// Everything that passes 0 and 1 found.
#[derive(Clone, Debug)]
pub struct Survey {
    /// The frame whose pixel grid is the stack's.
    pub reference_index: usize,
    /// What the capture shows; never [`SceneKind::Auto`].
    pub scene: SceneKind,
    /// One report a frame, in order.
    pub frames: Vec<FrameReport>,
    /// Standard deviation of the noise of a typical (median) bright place, share of full scale.
    pub noise_sigma: f32,
    /// Pixels that are stuck: (column, row).
    pub hot_pixels: Vec<(u32, u32)>,
}

/// Why no survey could be made.
#[derive(Debug, thiserror::Error)]
pub enum SeeingError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Nothing to work with.
    #[error("{0}")]
    NoUsableFrames(String),
}

/// Grade and place every frame of `source`.
///
/// # Errors
/// When cancelled, or when no frame can be used.
pub fn survey(
    source: &dyn FrameSource,
    settings: &SurveySettings,
    progress: &dyn Progress,
) -> Result<Survey, SeeingError> {
    let _ = (source, settings, progress);
    Err(SeeingError::NoUsableFrames("being written".into()))
}
