//! The chart: grade over time, and the same from best to worst.
//!
//! It is an instrument. What is kept are light points; the keep is dragged on it; the advice stands
//! beside it; what was left out is greyed and says why. Everything can be done from the keyboard,
//! and both halves tell a screen reader where they stand.

mod points;
mod sorted;
mod time;

pub use points::PointsCache;
pub use time::NAME as TIME_NAME;

use crate::theme::{GRID, Light, Tokens};
use egui::{Rect, Ui, pos2};
use std::sync::Arc;
use stillwright_night::choice::FrameRange;
use stillwright_night::session::{Chart, Point};
use stillwright_night::stacking::KeepAdvice;

/// What the chart shows.
pub struct ChartData<'a> {
    /// Grades.
    pub chart: &'a Arc<Chart>,
    /// How much to keep, once known.
    pub advice: Option<&'a KeepAdvice>,
    /// Whether the keep is left to the advice.
    pub automatic: bool,
    /// Frames that the person left out.
    pub excluded: &'a [FrameRange],
    /// The frame in the left lightbox.
    pub cursor: usize,
    /// When the first frame was taken, UTC.
    pub start_utc: Option<&'a str>,
    /// Whether times are known (or only the order of frames).
    pub timed: bool,
    /// The light under which it is drawn.
    pub light: Light,
}

/// What the person did on the chart.
#[derive(Clone, Debug, PartialEq)]
pub enum ChartAct {
    /// Show this frame.
    Frame(usize),
    /// Keep so many percent; `settled` once the handle is let go.
    Keep {
        /// Percent of the usable frames.
        percent: f32,
        /// Let go.
        settled: bool,
    },
    /// Leave the keep to the advice.
    KeepAdvised,
    /// Leave these frames out.
    Exclude(FrameRange),
    /// Take these frames back in.
    Include(FrameRange),
}

/// What the chart remembers from frame to frame.
#[derive(Default)]
pub struct ChartState {
    points: PointsCache,
    /// First frame of a stretch that is being brushed.
    brush: Option<usize>,
    /// Other end of a stretch marked from the keyboard; the cursor is its first.
    marked: Option<usize>,
}

/// Draw the chart into `area`, and say what was done on it.
pub fn show(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    data: &ChartData<'_>,
    state: &mut ChartState,
) -> Vec<ChartAct> {
    let mut acts = Vec::new();
    let split = (area.left() + area.width() * 0.66).round();
    let left = Rect::from_min_max(area.min, pos2(split - 4.0 * GRID, area.bottom()));
    let right = Rect::from_min_max(pos2(split + 4.0 * GRID, area.top()), area.max);
    time::show(ui, left, tokens, data, state, &mut acts);
    sorted::show(ui, right, tokens, data, &mut acts);
    acts
}

/// Grades as heights: the usable ones fill the height.
#[derive(Clone, Copy, Debug)]
struct Heights {
    least: f32,
    most: f32,
}

impl Heights {
    fn of(chart: &Chart) -> Heights {
        let grade = |index: Option<&usize>| {
            index.and_then(|index| chart.points.get(*index)).map(|point| point.grade)
        };
        let most = grade(chart.sorted.first()).unwrap_or(1.0);
        let least = grade(chart.sorted.last()).unwrap_or(0.0);
        Heights { least, most: if most > least { most } else { least + 1.0 } }
    }

    /// The height of `grade` in `plot`; grades beyond lie on its edge.
    fn y(self, plot: Rect, grade: f32) -> f32 {
        let share = ((grade - self.least) / (self.most - self.least)).clamp(0.0, 1.0);
        let share = if share.is_finite() { share } else { 0.0 };
        plot.bottom() - 3.0 - share * (plot.height() - 6.0)
    }
}

/// A grade for people: 100 is the sharpest frame of the capture.
pub fn grade_words(chart: &Chart, point: &Point) -> String {
    let best = chart.sorted.first().and_then(|i| chart.points.get(*i)).map_or(1.0, |p| p.grade);
    let share = 100.0 * point.grade / best.max(1e-9);
    if share.is_finite() { format!("{:.0}", share.max(0.0)) } else { crate::words::UNKNOWN.into() }
}

/// What a frame is, in a line.
pub fn frame_words(data: &ChartData<'_>, index: usize) -> String {
    let Some(point) = data.chart.points.get(index) else { return String::new() };
    let fate = match point.rejected {
        Some(reason) => reason.words(),
        None if point.kept => "kept",
        None if data.chart.kept == 0 => "",
        None => "not kept",
    };
    let mut parts = vec![format!("grade {}", grade_words(data.chart, point))];
    if data.timed {
        parts.push(time::time_words(data, point.time_s, 1));
    }
    parts.push(fate.into());
    parts.retain(|part| !part.is_empty());
    parts.join(" · ")
}
