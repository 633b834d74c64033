//! A capture that hands out calibrated frames.

use std::sync::{Mutex, PoisonError};
use stillwright_capture::{Capture, Facts, Ticks};
use stillwright_picture::{FrameError, FrameFormat, FrameSource, RawFrame};
use stillwright_seeing::calibration::Calibration;

/// Frames are calibrated as they are read, so that grades, shifts and stack see the same.
pub(super) struct CalibratedCapture {
    raw: Box<dyn Capture>,
    calibration: Calibration,
    facts: Facts,
    /// Frames to read into, one a thread that reads at the same time.
    spare: Mutex<Vec<RawFrame>>,
}

impl CalibratedCapture {
    pub(super) fn new(
        raw: Box<dyn Capture>,
        calibration: Calibration,
        facts: Facts,
    ) -> CalibratedCapture {
        CalibratedCapture { raw, calibration, facts, spare: Mutex::new(Vec::new()) }
    }

    fn spare(&self) -> std::sync::MutexGuard<'_, Vec<RawFrame>> {
        self.spare.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl FrameSource for CalibratedCapture {
    fn format(&self) -> FrameFormat {
        self.calibration.format(self.raw.format())
    }

    fn frame_count(&self) -> usize {
        self.raw.frame_count()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        let spare = self.spare().pop();
        let mut raw = spare.unwrap_or_else(|| RawFrame::black(self.raw.format()));
        let read = self.raw.read_frame(index, &mut raw);
        if read.is_ok() {
            self.calibration.apply(&raw, frame);
        }
        self.spare().push(raw);
        read
    }
}

impl Capture for CalibratedCapture {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, index: usize) -> Option<Ticks> {
        self.raw.time_utc(index)
    }
}
