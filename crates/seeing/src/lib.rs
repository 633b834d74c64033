//! What the air did to each frame: how sharp it is, as a whole and place by place, and where
//! the scene lies in it.
//!
//! The principal result is a [`Survey`]: one [`FrameReport`] a frame, the grades of the tiles,
//! the reference that later stages align to.
//!
//! Deliberately absent: files (frames come through [`stillwright_picture::FrameSource`]), the
//! adding-up of frames, any window.

mod survey;

pub use survey::{survey, FrameReport, Rejection, SceneKind, SeeingError, Survey, SurveySettings};
