//! The window: shelf, lightboxes, chart and inspector over the session of a night.
//!
//! Its principal type is [`Workbench`]. It draws a `night::session::Session` and sends it commands;
//! what is true of the night stands there, and what only the window knows (zoom, open pages, the
//! frame under the cursor) in a view of its own.
//!
//! Deliberately absent: computation on pixels, access to files, any thread but the one that waits
//! for the system's chooser of files and the one that keeps the window's look.

mod actions;
mod app;
mod chart;
mod colour_map;
mod foot;
mod inspector;
mod instruments;
mod lightbox;
mod menus;
mod open;
mod pace;
mod pages;
mod plan;
mod room;
mod shelf;
mod slider;
mod state;
mod theme;
mod window;
mod words;

pub use app::{Workbench, WorkbenchOptions};
pub use pace::Pace;
pub use window::{Report, WindowError, run};
