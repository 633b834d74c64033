//! A picture's fix on the Moon: which ground every pixel shows.

mod least_squares;
mod mark;
mod projection;
mod solve;
mod uncertainty;

pub(crate) use least_squares::least_squares;
pub use mark::{Estimate, FixRequest, Mark};
pub use projection::{Camera, Projection, Px, SkyOffset};
pub use solve::{Fix, fix};
pub(crate) use solve::{circle_through, off_disc};
pub use uncertainty::{COVERAGE, Measured};
