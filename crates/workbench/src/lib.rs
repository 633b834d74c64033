//! The window: shelf, lightboxes, chart and inspector over the session of a night.
#![allow(dead_code, missing_docs)]
mod colour_map;
mod lightbox { mod tiles; mod view; }
mod slider;
mod theme;
mod words;
