//! How regular the times of frames are: gaps, dropped frames, clocks that leap.

use crate::error::NightError;
use serde::Serialize;
use stillwright_capture::{Capture, Ticks};
use stillwright_picture::{Progress, Stage};

/// Most times that are read: more, and a long recording on a slow disk keeps its person waiting.
const MOST_TIMES: usize = 200_000;

/// Interval, in usual ones, from which at least one frame is missing between two. Smaller, and the
/// jitter of computers counts as loss; larger, and single frames are missed.
const GAP: f64 = 1.6;

/// Share of dropped frames that is worth a word.
const WORTH_A_WORD: f64 = 0.005;

/// Intervals between frames.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Timing {
    /// Frames whose times were read.
    pub frames: usize,
    /// Median interval, s.
    pub interval_s: f64,
    /// Longest interval, s.
    pub longest_s: f64,
    /// Intervals that are longer than usual by a frame or more.
    pub gaps: usize,
    /// Frames that are missing in them, by the usual interval.
    pub dropped: u64,
    /// Frames that come before the one before them, or at the same time.
    pub backwards: usize,
}

impl Timing {
    /// Read the times; `None` where there are none, or fewer than three.
    ///
    /// # Errors
    /// When the person asked to stop.
    pub fn of(
        capture: &dyn Capture,
        progress: &dyn Progress,
    ) -> Result<Option<Timing>, NightError> {
        let count = capture.frame_count();
        if !capture.facts().has_times || count < 3 {
            return Ok(None);
        }
        let wanted = count.min(MOST_TIMES);
        let mut times = Vec::with_capacity(wanted);
        for index in 0..wanted {
            if index % 1024 == 0 {
                progress.advance(Stage::Sampling, index, wanted)?;
            }
            times.extend(capture.time_utc(index));
        }
        Ok(Timing::between(&times))
    }

    fn between(times: &[Ticks]) -> Option<Timing> {
        let steps: Vec<f64> = times.windows(2).map(|t| t[1].seconds_since(t[0])).collect();
        let mut sorted = steps.clone();
        sorted.sort_by(f64::total_cmp);
        let usual = *sorted.get(sorted.len() / 2)?;
        if usual <= 0.0 || steps.len() < 2 {
            return None;
        }
        let long = steps.iter().filter(|step| **step > GAP * usual);
        Some(Timing {
            frames: times.len(),
            interval_s: usual,
            longest_s: *sorted.last()?,
            gaps: long.clone().count(),
            dropped: long.map(|step| ((step / usual).round() - 1.0).max(1.0) as u64).sum(),
            backwards: steps.iter().filter(|step| **step <= 0.0).count(),
        })
    }

    /// What is wrong, and what to do about it next time.
    pub fn warnings(&self) -> Vec<String> {
        let mut all = Vec::new();
        let share = self.dropped as f64 / (self.frames as f64 + self.dropped as f64);
        if self.gaps > 0 && (share > WORTH_A_WORD || self.longest_s > 1.0) {
            all.push(format!(
                "about {} frames were dropped in {} gaps between the frames' times (the longest {:.2} \
                 s): disk or cable were too slow; a smaller field, 8 bits, a lower rate or a faster \
                 disk keeps them",
                self.dropped, self.gaps, self.longest_s
            ));
        }
        if self.backwards > 0 {
            all.push(format!(
                "{} frames are not later than the one before them: the computer's clock was set \
                 while recording, or is too coarse; the frames are used all the same",
                self.backwards
            ));
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_count_the_frames_that_are_missing() {
        let at = |seconds: &[f64]| {
            let ticks = |s: &f64| Ticks(638_673_030_000_000_000 + (s * 1e7).round() as u64);
            Timing::between(&seconds.iter().map(ticks).collect::<Vec<_>>())
        };
        let even: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.025).collect();
        let timing = at(&even).unwrap();
        assert_eq!((timing.gaps, timing.dropped, timing.backwards), (0, 0, 0));
        assert!((timing.interval_s - 0.025).abs() < 1e-9 && timing.warnings().is_empty());
        // Frames 40 to 49 and 70 are missing.
        let holed: Vec<f64> = (0..100)
            .filter(|i| !(40..50).contains(i) && *i != 70)
            .map(|i| f64::from(i) * 0.025)
            .collect();
        let timing = at(&holed).unwrap();
        assert_eq!((timing.gaps, timing.dropped), (2, 11));
        assert!(timing.warnings()[0].contains("about 11 frames were dropped in 2 gaps"));
        let mut back = even;
        back[50] = 0.0;
        assert_eq!(at(&back).unwrap().backwards, 1);
        assert_eq!(at(&[1.0, 1.0, 1.0, 1.0]), None);
        assert_eq!(at(&[]), None);
    }
}
