//! When to look again, and how to set the camera.

mod advice;
mod search;
mod wish;

pub use advice::{Advice, Equipment, Rotation, advise, coherence_time_s, r0_m};
pub use search::{Chance, Instant, LONGEST_DAYS, SearchError, chart, search};
pub use wish::{Between, Course, Like, Wish};
