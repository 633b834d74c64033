//! Where a capture stands, from what is there and what runs.

use super::Session;
use super::entry::{Advance, CaptureState, Entry};
use super::message::for_window;
use std::collections::HashSet;
use std::path::PathBuf;
use stillwright_picture::Stage;

impl Session {
    /// Where `entry` stands.
    pub(super) fn state_of(&self, entry: &Entry) -> CaptureState {
        let id = entry.id;
        let none = |stage| Advance {
            stage,
            done: 0,
            total: 0,
            frames_per_s: None,
            megabytes_per_s: None,
            seconds_left: None,
        };
        let inner = &entry.inner;
        if inner.gone {
            return CaptureState::Gone;
        }
        if inner.growing {
            return CaptureState::Growing;
        }
        if self.lanes.grade.works_on(id) {
            let advance = self.lanes.grade.running.as_ref().and_then(|r| r.advance);
            return CaptureState::Grading(advance.unwrap_or(none(Stage::Sampling)));
        }
        if self.lanes.stack.works_on(id) {
            let advance = self.lanes.stack.running.as_ref().and_then(|r| r.advance);
            return CaptureState::Stacking(advance.unwrap_or(none(Stage::Reference)));
        }
        if self.lanes.open.works_on(id) {
            return CaptureState::Opening;
        }
        if let Some(words) = &inner.failed {
            return CaptureState::Failed { words: for_window(words) };
        }
        if entry.still_is_current() && entry.stack_is_current() {
            return CaptureState::Done;
        }
        if inner.held {
            return CaptureState::Stopped;
        }
        if self.lanes.finish.works_on(id) {
            return CaptureState::Finishing;
        }
        if inner.written_key.is_some() && inner.written_key == entry.finish_key() {
            return CaptureState::Done;
        }
        if self.serves(entry) {
            CaptureState::Serving
        } else if entry.survey_is_current() {
            CaptureState::Graded
        } else {
            CaptureState::Waiting
        }
    }

    /// Whether others of the night are calibrated with it, or are to be.
    pub(super) fn serves(&self, entry: &Entry) -> bool {
        self.serving.contains(&entry.path)
    }

    /// The files that captures of the night are calibrated with, or are to be.
    pub(super) fn named_for_calibration(&self) -> HashSet<PathBuf> {
        let named = |entry: &Entry| {
            let own = entry.path.clone();
            let paths: Vec<PathBuf> = entry.settled().calibration.paths().collect();
            paths.into_iter().filter(move |path| *path != own)
        };
        self.entries.iter().flat_map(named).collect()
    }
}
