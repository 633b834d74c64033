//! A night's captures made into stills: recipes, jobs, exports and records.
//!
//! This crate is the only one that opens files for the rest of the house. Its principal
//! operation is the whole job for one capture: open, survey, stack, finish, write.
//!
//! Deliberately absent: the window, and anything computed on pixels beyond what an export needs.

pub mod atomic;
pub mod clock;
pub mod export;
pub mod hash;
pub mod jobs;
