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
mod blend;
mod cmy;
mod coverage;
mod credible;
mod dispersion;
pub mod finish;
mod foreign;
mod groundwork;
pub mod halves;
mod keep;
mod patient;
mod reference;
mod resample;
mod stack;
mod window;

pub use advice::{KeepAdvice, Rung};
pub use groundwork::Groundwork;
pub use keep::kept_frames;
pub use stack::{
    Keep, Pace, Stack, StackError, StackSettings, Watcher, groundwork, stack, stack_on, warp_fields,
};
