//! The shared vocabulary of the house: what a frame, a picture, a shift and a grade *are*.
//!
//! Every other crate speaks in these types; none of them computes anything heavy. The principal
//! type is [`Picture`]: linear light in `f32` planes, ordered channel, row, column.
//!
//! Deliberately absent: files (nothing here opens one), threads, codecs, the window.

mod frame;
mod grade;
mod layout;
mod picture;
mod progress;
mod shift;

pub use frame::{FrameError, FrameFormat, FrameSource, RawFrame, SampleType, Samples};
pub use grade::Grade;
pub use layout::{BayerOrder, CmyOrder, Layout};
pub use picture::{Picture, Plane};
pub use progress::{Cancelled, Progress, Silent, Stage};
pub use shift::Shift;
