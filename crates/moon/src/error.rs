//! What can be wrong with what is asked.

use crate::moment::{FIRST_YEAR, LAST_YEAR};

/// Why nothing was computed, and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MoonError {
    /// A time that cannot be read.
    #[error(
        "expected a time such as 2024-11-15T21:30:00Z, 2024-11-15T22:30+01:00 or 2024-11-15, \
         found {0:?}; without a zone it counts as UTC"
    )]
    Time(String),
    /// A time outside the theories' range.
    #[error(
        "the time {0} is out of range: the theories of motion used here hold from {FIRST_YEAR} \
         to {LAST_YEAR}"
    )]
    TimeRange(String),
    /// A value out of its range.
    #[error("{what}: expected {expected}, found {found}")]
    Value {
        /// Which value.
        what: &'static str,
        /// Its range and unit.
        expected: &'static str,
        /// What was given.
        found: f64,
    },
    /// Marks, limb points or knowledge that do not suffice.
    #[error("{0}")]
    Marks(String),
    /// Geometry in which the question has no answer.
    #[error("{0}")]
    Geometry(String),
}

impl MoonError {
    /// `found` when it is within `range`, the error otherwise (also for what is not a number).
    pub(crate) fn check(
        what: &'static str,
        expected: &'static str,
        found: f64,
        range: std::ops::RangeInclusive<f64>,
    ) -> Result<f64, MoonError> {
        if range.contains(&found) {
            Ok(found)
        } else {
            Err(MoonError::Value { what, expected, found })
        }
    }
}
