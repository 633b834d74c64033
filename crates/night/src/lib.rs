//! A night's captures made into stills: recipes, jobs, exports and records.
//!
//! This crate is the only one that opens files for the rest of the house. Its principal
//! operation is [`still::make_still`], the whole job for one capture: open, survey, stack,
//! finish, write, record.
//!
//! Deliberately absent: the window, and anything computed on pixels beyond what an export or a
//! comparison with the truth needs.

pub mod atomic;
pub mod beside;
pub mod cache;
pub mod calibration;
pub mod canvas;
pub mod choice;
pub mod clock;
pub mod demo;
pub mod discard;
mod error;
pub mod export;
pub mod exposure;
pub mod files;
#[doc(hidden)]
pub mod from_strangers;
pub mod grade;
pub mod hash;
pub mod inspect;
pub mod jobs;
pub mod judge;
mod laid_map;
mod leftovers;
pub mod maps;
pub mod memory;
pub mod preferences;
pub mod pyramid;
pub mod recipe;
mod recipe_words;
pub mod record;
pub mod sample_night;
pub mod sampling;
pub mod saved_path;
pub mod screen;
pub mod sequence;
pub mod session;
pub mod sheet;
mod stamp;
pub mod still;
pub mod timing;

mod video;

pub use error::NightError;
// Whoever drives a night (the program, the window) speaks in these words too, and depends on this
// crate alone.
pub use recipe::{Recipe, RecipeError};
pub use stillwright_capture as capture;
pub use stillwright_moon as moon;
pub use stillwright_picture as picture;
pub use stillwright_sample as sample;
pub use stillwright_seeing as seeing;
pub use stillwright_stacking as stacking;
