//! How sharp a frame or a tile is.

use serde::{Deserialize, Serialize};
use std::cmp::Ordering;

/// Sharpness of a frame or of a tile: larger is sharper, everywhere.
///
/// Gradient energy after slight smoothing, with the share that noise has in it taken off, per
/// squared brightness; 0 is a frame without structure, and noise may push an estimate slightly
/// below. Only grades of one capture compare with each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Grade(pub f32);

impl Grade {
    /// Order from the sharpest to the dullest; grades that are not a number come last.
    pub fn sharpest_first(a: Grade, b: Grade) -> Ordering {
        match (a.0.is_nan(), b.0.is_nan()) {
            (false, false) => b.0.total_cmp(&a.0),
            (a_nan, b_nan) => a_nan.cmp(&b_nan),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sharpest_comes_first_and_nonsense_last() {
        let mut grades = [Grade(0.1), Grade(f32::NAN), Grade(3.0), Grade(-1.0)];
        grades.sort_by(|a, b| Grade::sharpest_first(*a, *b));
        assert_eq!(grades[0], Grade(3.0));
        assert_eq!(grades[2], Grade(-1.0));
        assert!(grades[3].0.is_nan());
    }
}
