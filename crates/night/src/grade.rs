//! Grades and shifts of every frame of a capture.

use crate::cache::{Cache, Keys};
use crate::calibration::{Calibrated, calibrated};
use crate::error::NightError;
use crate::files::open_capture_watched;
use crate::recipe::Recipe;
use crate::still::whole;
use serde::Serialize;
use std::path::Path;
use stillwright_picture::Progress;
use stillwright_seeing::{SceneKind, Survey, survey};

/// What the survey found, frame by frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GradeReport {
    /// The capture, as it was named.
    pub file: String,
    /// The frame that shifts are measured against, from 0.
    pub reference_frame: usize,
    /// A close-up of ground, or a disc on black sky.
    pub scene: SceneKind,
    /// One entry a frame, in order.
    pub frames: Vec<FrameLine>,
    /// What the frames were calibrated with, a sentence each; empty where nothing was asked for.
    pub calibration: Vec<String>,
    /// What is wrong with the capture, a sentence each.
    pub warnings: Vec<String>,
}

/// One frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FrameLine {
    /// From 0.
    pub index: usize,
    /// Larger is sharper; the mean over usable frames is about 1.
    pub grade: f32,
    /// Where the scene lies in this frame minus where it lies in the reference, px to the right.
    pub shift_x: f32,
    /// The same, px down.
    pub shift_y: f32,
    /// How sure the shift is, 0 to 1.
    pub confidence: f32,
    /// Mean over the frame, share of full scale.
    pub brightness: f32,
    /// Light that came through, relative to the median frame.
    pub transparency: f32,
    /// Share of samples at full scale.
    pub clipped_share: f32,
    /// Whether the frame takes no part.
    pub rejected: bool,
    /// Why it takes none.
    pub reason: Option<String>,
}

/// Grade every frame of a capture.
///
/// # Errors
/// When the capture cannot be read or holds nothing to grade, or when the person asked to stop.
pub fn grade_capture(
    path: &Path,
    recipe: &Recipe,
    progress: &dyn Progress,
) -> Result<GradeReport, NightError> {
    grade_capture_with(path, recipe, None, progress)
}

/// [`grade_capture`], with what `cache` holds of the same capture and settings reused, and what is
/// found kept in it.
///
/// # Errors
/// As for [`grade_capture`].
pub fn grade_capture_with(
    path: &Path,
    recipe: &Recipe,
    cache: Option<&Cache>,
    progress: &dyn Progress,
) -> Result<GradeReport, NightError> {
    let capture = open_capture_watched(path, &recipe.capture, progress)?;
    let Calibrated { capture, report } = calibrated(capture, path, &recipe.calibration, progress)?;
    let known =
        cache.and_then(|cache| Some((cache, Keys::of_capture(path, capture.facts(), recipe)?)));
    let survey = match known.as_ref().and_then(|(cache, keys)| cache.survey(keys)) {
        Some(kept) => kept.value,
        None => {
            let found = survey(&*capture, &recipe.survey, progress)
                .map_err(|error| NightError::seeing(path, error))?;
            if let Some((cache, keys)) = known.filter(|_| whole(&found)) {
                cache.keep_survey(&keys, &found, None);
            }
            found
        }
    };
    let warnings = capture.facts().warnings.iter().map(|w| w.message.clone()).collect();
    Ok(GradeReport {
        file: path.display().to_string(),
        reference_frame: survey.reference_index,
        scene: survey.scene,
        frames: frame_lines(&survey),
        calibration: report.map(|report| report.sentences()).unwrap_or_default(),
        warnings,
    })
}

/// The frames of a survey as lines.
pub fn frame_lines(survey: &Survey) -> Vec<FrameLine> {
    let line = |frame: &stillwright_seeing::FrameReport| FrameLine {
        index: frame.index,
        grade: frame.grade.0,
        shift_x: frame.shift.x_px,
        shift_y: frame.shift.y_px,
        confidence: frame.shift.confidence,
        brightness: frame.brightness,
        transparency: frame.transparency,
        clipped_share: frame.clipped_share,
        rejected: frame.rejected.is_some(),
        reason: frame.rejected.map(|rejection| rejection.words().to_string()),
    };
    survey.frames.iter().map(line).collect()
}

impl GradeReport {
    /// Usable frames from the sharpest to the dullest.
    pub fn sharpest_first(&self) -> Vec<&FrameLine> {
        let mut usable: Vec<&FrameLine> = self.frames.iter().filter(|f| !f.rejected).collect();
        usable.sort_by(|a, b| b.grade.total_cmp(&a.grade).then(a.index.cmp(&b.index)));
        usable
    }
}
