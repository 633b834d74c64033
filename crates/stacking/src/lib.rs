//! Kept frames to a stack, and the stack to a finished picture.
//!
//! [`stack`] aligns and adds the best moments of every place; the modules of the finish bring
//! back the detail that optics and air softened.
//!
//! Deliberately absent: files, the window, and the reading of captures (frames come through
//! [`stillwright_picture::FrameSource`]).

mod accumulate;
mod advice;
mod align;
mod blank;
mod blend;
mod cmy;
mod coverage;
mod credible;
mod detail_map;
mod dispersion;
mod drizzle;
mod fields;
pub mod finish;
mod foreign;
mod geometry;
mod groundwork;
pub mod halves;
mod keep;
mod noise_map;
mod parts;
mod patient;
mod reference;
mod resample;
mod sampling;
mod spline;
mod stack;
mod strip;
mod taper;
mod unrest;
mod watched;
mod window;

pub use advice::{KeepAdvice, Rung};
pub use detail_map::{DetailMap, detail_map};
pub use drizzle::{LEAST_PIXFRAC, Resampling, noise_ratio};
pub use groundwork::Groundwork;
pub use keep::kept_frames;
pub use stack::{
    Keep, Pace, Stack, StackError, StackSettings, Watcher, check_aligned_for, check_resampling,
    groundwork, stack, stack_on, warp_fields,
};
pub use unrest::Unrest;
