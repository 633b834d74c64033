//! Passes 0 and 1: choose a reference, then read every frame once.
//!
//! Pass 0 looks at some frames spread over the capture: stuck pixels, noise, what the scene is,
//! and the sharpest frame that lies where the others lie. Pass 1 reads every frame once, in
//! order, in batches: light, whole-frame shift, sharpness of the cells that follow the scene.
//! On the way it adds up all good frames at reduced size: their mean holds the scene's *true
//! geometry* (the ripple of the air averages out over time), which no single frame does.

use crate::camera::stuck_and_noisy;
use crate::disc::looks_like_a_disc;
use crate::early::{EarlyScale, GradeWatcher};
use crate::geometry::{GeometryMean, Placed};
use crate::hot::HotPixels;
use crate::judge::{Raw, judge_frames};
use crate::median::{median, median_of};
use crate::noise::NoiseModel;
use crate::raster::Raster;
use crate::scene::{SceneTracker, TrackerWork, reduction_factor};
use crate::sharpness::CellGrid;
use crate::workers::{Pool, Worker};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, FrameSource, Grade, Progress, Shift, Stage};

/// What the survey is told. Every field has a default that suits a newcomer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SurveySettings {
    /// How many frames, spread evenly over the capture, are looked at to choose the reference.
    pub sample_frames: usize,
    /// What the capture shows; `auto` decides from the frames.
    pub scene: SceneKind,
}

impl Default for SurveySettings {
    fn default() -> Self {
        SurveySettings { sample_frames: 64, scene: SceneKind::Auto }
    }
}

/// What a capture shows, which decides how the whole-frame shift is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SceneKind {
    /// Decide from the frames.
    Auto,
    /// A close-up: ground fills the frame.
    Ground,
    /// A disc on black sky.
    Disc,
}

/// Why a frame takes no part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Rejection {
    /// No light in it.
    Blank,
    /// Much dimmer than the rest.
    Cloud,
    /// Knocked or smeared: the scene is out of place or unrecognisable.
    Bumped,
    /// Its bytes could not be read.
    Unreadable,
    /// The person left it out.
    Excluded,
}

impl Rejection {
    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            Rejection::Blank => "blank: no light in it",
            Rejection::Cloud => "cloud: much dimmer than the rest",
            Rejection::Bumped => "bumped: the scene is out of place or unrecognisable",
            Rejection::Unreadable => "its bytes could not be read",
            Rejection::Excluded => "left out by choice",
        }
    }
}

/// What was found of one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// Index in the capture, from 0.
    pub index: usize,
    /// Sharpness of the whole frame; the mean over usable frames is about 1.
    pub grade: Grade,
    /// Where the scene lies in this frame minus where it lies in the reference frame.
    pub shift: Shift,
    /// Mean over the frame, share of full scale.
    pub brightness: f32,
    /// Light that came through, relative to the median frame; 1 is clear.
    pub transparency: f32,
    /// Share of samples at full scale.
    pub clipped_share: f32,
    /// Why the frame takes no part, if it takes none.
    pub rejected: Option<Rejection>,
    /// What went wrong while reading, for [`Rejection::Unreadable`].
    pub trouble: Option<String>,
}

/// Everything that passes 0 and 1 found.
#[derive(Clone, Debug)]
pub struct Survey {
    /// The frame whose pixel grid is the stack's.
    pub reference_index: usize,
    /// What the capture shows; never [`SceneKind::Auto`].
    pub scene: SceneKind,
    /// One report a frame, in order.
    pub frames: Vec<FrameReport>,
    /// Noise of one sample over brightness.
    pub noise: NoiseModel,
    /// Median brightness of the usable frames, share of full scale.
    pub median_brightness: f32,
    /// Pixels that are stuck.
    pub hot_pixels: HotPixels,
    /// The grid of [`Survey::cell_grades`], on the reference frame.
    pub cells: CellGrid,
    /// Sharpness of every cell (row of cells after row) of every frame, frame after frame,
    /// relative to the mean of that cell over the usable frames; `NaN` where not seen.
    pub cell_grades: Vec<f32>,
    /// Mean gradient energy of each cell over the usable frames: how much structure it has.
    pub cell_structure: Vec<f32>,
    /// Mean of all usable frames (of some thousands of a long capture), aligned as a whole, on the reference frame's grid reduced by
    /// [`Survey::geometry_factor`]: blurred by the ripple, but true in its geometry.
    pub geometry: Raster,
    /// Blocks of this many px make one px of [`Survey::geometry`].
    pub geometry_factor: usize,
}

impl Survey {
    /// Indices of the frames that can be used, ascending.
    pub fn usable(&self) -> Vec<usize> {
        self.frames.iter().filter(|f| f.rejected.is_none()).map(|f| f.index).collect()
    }

    /// Noise (standard deviation of one sample) at the median brightness, share of full scale.
    pub fn noise_sigma(&self) -> f32 {
        self.noise.sigma(self.median_brightness)
    }
}

/// Why no survey could be made.
#[derive(Debug, thiserror::Error)]
pub enum SeeingError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Nothing to work with.
    #[error("{0}")]
    NoUsableFrames(String),
}

/// Grade and place every frame of `source`.
///
/// Frames that cannot be read, are blank, clouded over or bumped are reported and take no part.
/// The result does not depend on the number of threads.
///
/// # Errors
/// When cancelled, or when no frame can be used.
pub fn survey(
    source: &dyn FrameSource,
    settings: &SurveySettings,
    progress: &dyn Progress,
) -> Result<Survey, SeeingError> {
    survey_watched(source, settings, progress, None)
}

/// [`survey`], with somebody looking on. The result is the same, bit for bit.
///
/// # Errors
/// As for [`survey`].
pub fn survey_watched(
    source: &dyn FrameSource,
    settings: &SurveySettings,
    progress: &dyn Progress,
    watcher: Option<GradeWatcher<'_>>,
) -> Result<Survey, SeeingError> {
    let format = source.format();
    let frame_count = source.frame_count();
    if frame_count == 0 {
        return Err(SeeingError::NoUsableFrames("the capture holds no whole frame".into()));
    }
    if format.width < 32 || format.height < 32 {
        return Err(SeeingError::NoUsableFrames(format!(
            "frames of {} x {} px are too small to align: at least 32 x 32 are needed",
            format.width, format.height
        )));
    }
    let factor = reduction_factor(format.width, format.height);
    let sampled = sample_indices(frame_count, settings.sample_frames.max(1));
    let (workers, rasters) = (Pool::<Worker>::default(), Pool::<Raster>::default());
    let (hot, noise) = stuck_and_noisy(source, &sampled, progress)?;
    let sampling = Sampling { source, sampled: &sampled, factor, hot: &hot, noise: &noise };
    let start = choose_reference(&sampling, settings.scene, &workers, progress)?;

    let cells = CellGrid::over(format.width, format.height);
    let mut raws: Vec<Raw> = Vec::with_capacity(frame_count);
    let mut cell_energy: Vec<f32> = Vec::with_capacity(frame_count * cells.len());
    let mut geometry = GeometryMean::new(start.tracker.reference());
    let step = (frame_count / GEOMETRY_FRAMES).max(1);
    let batch = batch_size(format.width, format.height, factor) * step.min(MORE_AT_ONCE);
    let all: Vec<usize> = (0..frame_count).collect();
    let mut early = EarlyScale::default();
    let in_mean = |index: usize| index.is_multiple_of(step);
    for indices in all.chunks(batch) {
        progress.advance(Stage::Grading, indices[0], frame_count)?;
        let seen: Vec<(Raw, Vec<f32>, Raster)> = indices
            .par_iter()
            .map(|index| {
                let mut worker = workers.take();
                if in_mean(*index) {
                    worker.reduced = rasters.take();
                }
                let seen = look_at(
                    source,
                    *index,
                    &start.tracker,
                    (factor, in_mean(*index)),
                    &hot,
                    &noise,
                    &cells,
                    &mut worker,
                );
                workers.give(worker);
                seen
            })
            .collect();
        let counts =
            |raw: &Raw| raw.trouble.is_none() && raw.correlation > 0.25 && raw.brightness > 0.5;
        let placed: Vec<Placed<'_>> = seen
            .iter()
            .filter(|(raw, ..)| in_mean(raw.index) && counts(raw))
            .map(|(raw, _, reduced)| Placed {
                reduced,
                shift: raw.shift,
                brightness: raw.brightness,
            })
            .collect();
        geometry.add_all(&placed, factor);
        if let Some(look) = watcher {
            let batch: Vec<(usize, &[f32], bool)> = seen
                .iter()
                .map(|(raw, energy, _)| (raw.index, energy.as_slice(), raw.trouble.is_some()))
                .collect();
            look(&early.grade(&batch));
        }
        for (raw, energy, reduced) in seen {
            raws.push(raw);
            cell_energy.extend_from_slice(&energy);
            if !reduced.values.is_empty() {
                rasters.give(reduced);
            }
        }
    }
    progress.advance(Stage::Grading, frame_count, frame_count)?;

    let short_side = format.width.min(format.height) as f32;
    let (mut judged, cell_structure) =
        judge_frames(raws, &mut cell_energy, cells.len(), short_side);
    // Shifts are told from the reference frame, which the tracker's mean stands for up to a few
    // hundredths of a px.
    let home = judged.get(start.index).map(|f| f.shift).unwrap_or_default();
    for report in &mut judged {
        report.shift.x_px -= home.x_px;
        report.shift.y_px -= home.y_px;
    }
    let mut usable: Vec<f32> =
        judged.iter().filter(|f| f.rejected.is_none()).map(|f| f.brightness).collect();
    if usable.is_empty() {
        return Err(SeeingError::NoUsableFrames(no_frames_words(&judged)));
    }
    Ok(Survey {
        reference_index: start.index,
        scene: start.scene,
        frames: judged,
        noise,
        median_brightness: median(&mut usable),
        hot_pixels: hot,
        cells,
        cell_grades: cell_energy,
        cell_structure,
        geometry: geometry.finish(),
        geometry_factor: factor,
    })
}

/// Of longer captures, not all frames go into [`Survey::geometry`] but every second, third and so on, if it counts: about this many. In twice as
/// many, the air is hardly another one. Of the others, only what the scene is looked for in is made.
const GEOMETRY_FRAMES: usize = 4000;

/// Blocks of more px are made of smaller ones.
const LARGEST_BLOCK: usize = 4;

/// Why nothing is left, by reason.
fn no_frames_words(frames: &[FrameReport]) -> String {
    let mut words = format!("none of the {} frames can be used:", frames.len());
    for reason in [Rejection::Blank, Rejection::Cloud, Rejection::Bumped, Rejection::Unreadable] {
        let n = frames.iter().filter(|f| f.rejected == Some(reason)).count();
        if n > 0 {
            words.push_str(&format!(" {n} {};", reason.words()));
        }
    }
    words
}

/// Frames whose reduced light is held at once: enough for every core, few enough for memory (about 64 MiB).
fn batch_size(width: usize, height: usize, factor: usize) -> usize {
    let bytes = (width / factor) * (height / factor) * 4;
    ((64 << 20) / bytes.max(1)).clamp(8, 128)
}

/// Of a long capture, whose reduced light is not held of every frame, so many times as many are looked at before all cores wait for the last.
const MORE_AT_ONCE: usize = 3;

/// `wanted` indices spread evenly over 0..`count`.
fn sample_indices(count: usize, wanted: usize) -> Vec<usize> {
    let n = wanted.min(count);
    (0..n).map(|i| (2 * i + 1) * count / (2 * n)).collect()
}

/// What pass 0 looks at.
struct Sampling<'a> {
    source: &'a dyn FrameSource,
    sampled: &'a [usize],
    factor: usize,
    hot: &'a HotPixels,
    noise: &'a NoiseModel,
}

/// What pass 0 decides.
struct Start {
    index: usize,
    scene: SceneKind,
    tracker: SceneTracker,
}

/// Among the sampled frames, the sharpest that lies where most of them lie.
fn choose_reference(
    &Sampling { source, sampled, factor, hot, noise }: &Sampling<'_>,
    wanted: SceneKind,
    workers: &Pool<Worker>,
    progress: &dyn Progress,
) -> Result<Start, SeeingError> {
    struct Look {
        index: usize,
        grade: f32,
        brightness: f32,
        reduced: Raster,
    }
    let format = source.format();
    progress.advance(Stage::Sampling, sampled.len(), 2 * sampled.len())?;
    let wide = CellGrid {
        cell_px: 32,
        columns: (format.width / 32).max(1),
        rows: (format.height / 32).max(1),
    };
    let looks: Vec<Look> = sampled
        .par_iter()
        .map(|index| {
            let mut worker = workers.take();
            worker.load(source, *index, hot).ok()?;
            worker.reduce(factor);
            let (level, rows, meter) = worker.meter()?;
            let (brightness, mut cells) = (level.mean, Vec::new());
            meter.measure(&rows, noise, &wide, (0, 0), brightness.max(1e-6), &mut cells);
            cells.retain(|grade| grade.is_finite());
            let grade = cells.iter().sum::<f32>() / cells.len().max(1) as f32;
            let reduced = std::mem::take(&mut worker.reduced);
            workers.give(worker);
            Some(Look { index: *index, grade, brightness, reduced })
        })
        .flatten()
        .collect();
    let typical = median_of(looks.iter().map(|l| l.brightness));
    let mut lit: Vec<&Look> =
        looks.iter().filter(|l| l.brightness > 0.6 * typical && l.brightness > 1e-4).collect();
    lit.sort_by(|a, b| Grade::sharpest_first(Grade(a.grade), Grade(b.grade)));
    let Some(sharpest) = lit.first() else {
        return Err(SeeingError::NoUsableFrames(
            "every frame looked at is blank: was the cap on, or the exposure far too short?".into(),
        ));
    };
    let scene = match wanted {
        SceneKind::Auto => {
            let discs = lit.iter().filter(|l| looks_like_a_disc(&l.reduced)).count();
            if 2 * discs > lit.len() { SceneKind::Disc } else { SceneKind::Ground }
        }
        chosen => chosen,
    };
    let too_small = || SeeingError::NoUsableFrames("the frames are too small to align".into());
    let mut work = TrackerWork::default();
    let first =
        SceneTracker::new(scene, factor, &sharpest.reduced, &mut work).ok_or_else(too_small)?;
    let shifts: Vec<Shift> = lit
        .par_iter()
        .map_init(TrackerWork::default, |work, look| first.track(&look.reduced, work).shift)
        .collect();
    let mid_x = median_of(shifts.iter().map(|s| s.x_px));
    let mid_y = median_of(shifts.iter().map(|s| s.y_px));
    let away = |s: &Shift| (s.x_px - mid_x).hypot(s.y_px - mid_y);
    let usual = median_of(shifts.iter().map(away));
    let near = 1.2 * usual + 2.0;
    let place = shifts.iter().position(|s| away(s) <= near).unwrap_or(0);
    let chosen = lit[place];
    // The tracker compares with the mean of the sharper half, placed on the chosen frame: less
    // noise than any one frame has.
    // Placed once by the shifts against the sharpest frame and once more by what the chosen
    // frame's own shift against that mean turns out to be.
    let mut home = shifts[place];
    let mut tracker = first;
    for _ in 0..2 {
        let mut mean = GeometryMean::new(&chosen.reduced);
        for (look, shift) in lit.iter().zip(&shifts).take(lit.len().div_ceil(2)) {
            if shift.confidence >= 0.25 {
                let moved = Shift::new(shift.x_px - home.x_px, shift.y_px - home.y_px);
                let brightness = look.brightness / chosen.brightness;
                mean.add_all(
                    &[Placed { reduced: &look.reduced, shift: moved, brightness }],
                    factor,
                );
            }
        }
        tracker =
            SceneTracker::new(scene, factor, &mean.finish(), &mut work).ok_or_else(too_small)?;
        let left = tracker.track(&chosen.reduced, &mut work).shift;
        if left.confidence < 0.25 || left.length_px() > 4.0 {
            break;
        }
        home.x_px += left.x_px;
        home.y_px += left.y_px;
    }
    Ok(Start { index: chosen.index, scene, tracker })
}

/// Pass 1 for one frame.
#[allow(clippy::too_many_arguments)]
fn look_at(
    source: &dyn FrameSource,
    index: usize,
    tracker: &SceneTracker,
    (factor, in_mean): (usize, bool),
    hot: &HotPixels,
    noise: &NoiseModel,
    cells: &CellGrid,
    worker: &mut Worker,
) -> (Raw, Vec<f32>, Raster) {
    let lost = |reason: String| {
        let raw = Raw { index, trouble: Some(reason), ..Raw::default() };
        (raw, vec![f32::NAN; cells.len()], Raster::default())
    };
    if let Err(error) = worker.load(source, index, hot) {
        return lost(error.reason);
    }
    let compared = tracker.compared_factor();
    let tracked = if in_mean || compared > LARGEST_BLOCK {
        worker.reduce(factor);
        tracker.track(&worker.reduced, &mut worker.tracker)
    } else {
        worker.reduce_to_compare(compared);
        tracker.track_compared(&worker.compared, &mut worker.tracker)
    };
    let Some((level, rows, meter)) = worker.meter() else { return lost(String::new()) };
    let mut energy = Vec::new();
    let whole = (tracked.shift.x_px.round() as isize, tracked.shift.y_px.round() as isize);
    meter.measure(&rows, noise, cells, whole, tracked.brightness, &mut energy);
    let raw = Raw {
        index,
        shift: tracked.shift,
        correlation: tracked.correlation,
        brightness: tracked.brightness,
        mean: level.mean,
        contrast: tracked.contrast,
        clipped_share: level.clipped_share,
        trouble: None,
    };
    let reduced = if in_mean { std::mem::take(&mut worker.reduced) } else { Raster::default() };
    (raw, energy, reduced)
}
