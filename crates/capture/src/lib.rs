//! Placeholder while the crate is written.
