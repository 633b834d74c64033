//! Readers of the program's own files by themselves, for tests that feed them anything.
//!
//! Such files lie on disks like captures do: cut, bent, or made by somebody else.

use crate::cache::{read_stack, read_survey, write_stack, write_survey};
use crate::calibration::is_saved_master;
use crate::preferences::Preferences;
use crate::session::night_again;
use crate::video::{is_answer, tells_of_frames};

/// Whether a night file that would be taken in comes back as it is when it is written; `None` where `bytes` are none.
pub fn night_comes_back(bytes: &[u8]) -> Option<bool> {
    night_again(std::str::from_utf8(bytes).ok()?)
}

/// Whether a survey that was kept comes back as it is when it is kept again; `None` where `bytes` are none.
pub fn survey_comes_back(bytes: &[u8]) -> Option<bool> {
    let written = write_survey(&read_survey(bytes)?);
    Some(read_survey(&written).is_some_and(|again| write_survey(&again) == written))
}

/// The same of a stack.
pub fn stack_comes_back(bytes: &[u8]) -> Option<bool> {
    let written = write_stack(&read_stack(bytes)?);
    Some(read_stack(&written).is_some_and(|again| write_stack(&again) == written))
}

/// Whether a file that begins with `bytes` is a saved master.
pub fn is_master(bytes: &[u8]) -> bool {
    is_saved_master(bytes)
}

/// Whether `text` says anything of how the window looks.
pub fn is_preferences(text: &str) -> bool {
    Preferences::parse(text) != Preferences::default()
}

/// Whether `bytes` are an answer of ffprobe's from which a video would be read.
pub fn is_answer_of_probe(bytes: &[u8]) -> bool {
    is_answer(bytes)
}

/// Whether `bytes` are lines of ffmpeg's that tell of frames of `frame_bytes`.
pub fn is_list_of_frames(bytes: &[u8], frame_bytes: usize) -> bool {
    tells_of_frames(bytes, frame_bytes)
}
