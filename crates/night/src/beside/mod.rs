//! A reference picture beside the still: loaded, matched, laid upon the still's ground, compared, and
//! both in a figure for sharing.
//!
//! Tones are matched in what is shown only; what is compared are the pictures as they are.

mod figure;
mod load;
mod set;

pub use figure::{FigureFacts, figure};
pub use load::load_picture;
pub use set::{MatchedBy, SetBeside, Showing, Task, light_at_capture_scale, set_beside};
