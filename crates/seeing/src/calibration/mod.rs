//! What the camera adds and takes by itself, taken out of its frames before anything is graded.
//!
//! A *dark* (the cap on) shows what each sample reads without light; a *flat* (an even light) how
//! much of the light each sample gets: dust shadows, vignetting, unlike gains; a *dark-flat* what the
//! flat's samples read without light. [`Master::build`] makes one quiet picture of each from many
//! frames; [`Calibration`] holds what follows from them for a frame: `(sample - dark) x gain`,
//! bad samples mended, bands of rows and columns evened out.
//!
//! Deliberately absent: which master belongs to which capture, and files; `night` knows both.

mod apply;
mod bad;
pub mod bands;
mod master;

pub use apply::Calibration;
pub use bad::{dead_in_flat, hot_in_dark};
pub use master::{Master, MasterError, MasterKind};
