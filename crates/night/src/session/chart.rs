//! Grades over time, and the same sorted: what the chart draws.

use crate::choice::FrameChoice;
use std::sync::Arc;
use stillwright_picture::Grade;
use stillwright_seeing::{EarlyGrade, Rejection, Survey};
use stillwright_stacking::Keep;

/// One frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Its index, from 0.
    pub index: usize,
    /// Seconds after the first frame where the frame rate is known, else its index.
    pub time_s: f32,
    /// Its grade; larger is sharper, about 1 on average.
    pub grade: f32,
    /// Why it takes no part, if it takes none.
    pub rejected: Option<Rejection>,
    /// Whether it is among the kept on the whole. (Places have their own best moments: a frame
    /// counts where *its place* is among the kept.)
    pub kept: bool,
}

/// The grades of a capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Chart {
    /// One point a frame, in order of time; while a capture is being graded, of the first frames only.
    pub points: Vec<Point>,
    /// Frames of the capture.
    pub frames: usize,
    /// Indices of the usable frames, sharpest first.
    pub sorted: Vec<usize>,
    /// How many of `sorted` are kept; 0 while the keep is not known.
    pub kept: usize,
    /// The keep, percent; `None` while it is left to the program and not known yet.
    pub keep_percent: Option<f32>,
    /// Median grade of the usable frames.
    pub median: f32,
}

/// Indices of the frames of `survey` that it did not refuse itself, sharpest first.
pub(crate) fn sharpest_first(survey: &Survey) -> Arc<[usize]> {
    let mut order = survey.usable();
    let grade = |index: &usize| survey.frames.get(*index).map_or(Grade(f32::NAN), |f| f.grade);
    order.sort_by(|a, b| Grade::sharpest_first(grade(a), grade(b)).then(a.cmp(b)));
    order.into()
}

impl Chart {
    /// The chart of `survey` with frames left out and a keep; `order` is [`sharpest_first`].
    /// Cost: one pass over the frames.
    pub(crate) fn new(
        survey: &Survey,
        order: &[usize],
        choice: &FrameChoice,
        keep_percent: Option<f32>,
        frame_rate_hz: Option<f64>,
    ) -> Chart {
        let seconds = spacing_s(frame_rate_hz);
        let mut points: Vec<Point> = survey
            .frames
            .iter()
            .map(|frame| Point {
                index: frame.index,
                time_s: (frame.index as f64 * seconds) as f32,
                grade: frame.grade.0,
                rejected: frame.rejected,
                kept: false,
            })
            .collect();
        for range in choice.excluded() {
            let end = range.last.saturating_add(1).min(points.len());
            for point in points.get_mut(range.first.min(end)..end).unwrap_or_default() {
                point.rejected.get_or_insert(Rejection::Excluded);
            }
        }
        let sorted: Vec<usize> =
            order.iter().copied().filter(|index| !choice.leaves_out(*index)).collect();
        let kept = keep_percent
            .map_or(0, |percent| stillwright_stacking::kept_frames(sorted.len(), percent))
            .min(sorted.len());
        for index in &sorted[..kept] {
            points[*index].kept = true;
        }
        let median = sorted.get(sorted.len() / 2).map_or(0.0, |index| points[*index].grade);
        let frames = points.len();
        Chart { points, frames, sorted, kept, keep_percent, median }
    }

    /// The chart of the first frames of `frames`, while the others are still being graded.
    pub(crate) fn early(grades: &[EarlyGrade], frames: usize, rate_hz: Option<f64>) -> Chart {
        let seconds = spacing_s(rate_hz);
        let point = |early: &EarlyGrade| Point {
            index: early.index,
            time_s: (early.index as f64 * seconds) as f32,
            grade: early.grade.0,
            rejected: early.unreadable.then_some(Rejection::Unreadable),
            kept: false,
        };
        let points: Vec<Point> = grades.iter().map(point).collect();
        let mut sorted: Vec<usize> =
            (0..points.len()).filter(|at| points[*at].rejected.is_none()).collect();
        sorted.sort_by(|a, b| Grade::sharpest_first(grades[*a].grade, grades[*b].grade));
        let median = sorted.get(sorted.len() / 2).map_or(0.0, |at| points[*at].grade);
        Chart { points, frames, sorted, kept: 0, keep_percent: None, median }
    }

    /// Time of the last frame of the capture, graded or not.
    pub fn end_s(&self) -> f32 {
        match self.points.get(1) {
            Some(second) => second.time_s * self.frames.saturating_sub(1) as f32,
            None => 0.0,
        }
    }

    /// Whether every frame has been graded.
    pub fn is_whole(&self) -> bool {
        self.points.len() == self.frames
    }
}

/// Seconds from frame to frame; 1 where the rate is not known.
fn spacing_s(frame_rate_hz: Option<f64>) -> f64 {
    frame_rate_hz.filter(|rate| *rate > 0.0).map_or(1.0, f64::recip)
}

/// The keep as far as it is known: the person's, or the advice.
pub(crate) fn known_percent(keep: Keep, advised: Option<f32>) -> Option<f32> {
    match keep {
        Keep::Percent(percent) => Some(percent),
        Keep::Auto => advised,
    }
}
