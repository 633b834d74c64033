//! A reference picture beside the still: loaded, matched, laid upon the still's ground, compared, and
//! both in a figure for sharing.
//!
//! Tones are matched in what is shown only; what is compared are the pictures as they are.

mod figure;
mod load;
mod set;
mod sphere;

pub use figure::{FigureFacts, figure};
pub use load::load_picture;
pub use set::{
    Known, Mapped, Matched, MatchedBy, SetBeside, Showing, Task, light_at_capture_scale, set_beside,
};
pub use sphere::{Ends, ThroughGround};
