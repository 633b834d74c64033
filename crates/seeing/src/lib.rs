//! What the air did to each frame: how sharp it is, as a whole and place by place, and where
//! the scene lies in it.
//!
//! The principal result is a [`Survey`]: one [`FrameReport`] a frame, the grades of the cells,
//! noise and stuck pixels, and the mean that holds the scene's true geometry. [`ripple`], [`field`] and
//! [`template`] measure how the picture ripples, tile by tile.
//!
//! Deliberately absent: files (frames come through [`stillwright_picture::FrameSource`]), the
//! adding-up of frames, any window.

pub mod air;
pub mod alike;
mod area;
pub mod band;
pub mod beside;
pub mod block_expander;
pub mod calibration;
mod camera;
mod dense;
mod disc;
mod early;
pub mod field;
mod fine;
pub mod fourier;
mod geometry;
pub mod hot;
pub mod interpolate;
mod judge;
pub mod lanes;
mod least_squares;
pub mod luminance;
mod measure;
mod median;
pub mod noise;
mod piece;
mod places;
pub mod raster;
mod rings;
pub mod ripple;
pub mod scene;
pub mod sharpness;
mod sharpness_whole;
mod sharpness_wide;
mod solve;
mod solve_small;
pub mod spline;
mod survey;
pub mod template;
mod tiles;
mod warp;
mod workers;

pub use early::{EarlyGrade, GradeWatcher};
pub use survey::{
    FrameReport, Rejection, SceneKind, SeeingError, Survey, SurveySettings, survey, survey_watched,
};
