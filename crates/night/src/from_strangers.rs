//! Readers of the program's own files by themselves, for tests that feed them anything.
//!
//! Such files lie on disks like captures do: cut, bent, or made by somebody else.

use crate::cache::{read_stack, read_survey};
use crate::session::parse_night;

/// Whether `bytes` are a night file that would be taken in.
pub fn is_night(bytes: &[u8]) -> bool {
    std::str::from_utf8(bytes).is_ok_and(parse_night)
}

/// Whether `bytes` are the contents of a survey that was kept.
pub fn is_kept_survey(bytes: &[u8]) -> bool {
    read_survey(bytes).is_some()
}

/// Whether `bytes` are the contents of a stack that was kept.
pub fn is_kept_stack(bytes: &[u8]) -> bool {
    read_stack(bytes).is_some()
}
