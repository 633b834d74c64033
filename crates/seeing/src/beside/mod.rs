//! Two pictures of the same ground: where one lies in the other, and which of them shows more.
//!
//! The reference picture may come from anywhere: another scale, another angle, another light. A
//! [`Homography`] carries positions of the still into it: exactly for flat ground seen in perspective.
//! The Moon's sphere bulges by a^2 / (2 R) over ground 2 a across: 0.2 km at 50 km, 1.6 km at 150 km, which
//! views from different angles see in different places; over wide ground it fits them only on the average.
//! There any other [`Mapping`] serves to lay the reference: through the sphere, say, which this crate does
//! not know. A homography comes from marked pairs
//! ([`Homography::of_pairs`]) or from the pictures themselves ([`match_pictures`]); [`lay`] then draws
//! the reference as the still sees it, and [`compare`] gives the verdict.
//!
//! Positions are in px, the middle of the first pixel at 0, 0.

mod homography;
mod lay;
mod local;
mod matching;
mod tones;
mod verdict;

pub use homography::{Homography, Mapping, Point};
pub use lay::{Laid, lay};
pub use matching::{Match, MatchError, match_pictures};
pub use tones::match_tones;
pub use verdict::{Compared, Sharper, Verdict, compare};
