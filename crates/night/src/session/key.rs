//! What results depend on: the file as it was, and the slice of the recipe that matters.

use crate::calibration::CalibrationSettings;
use crate::choice::FrameChoice;
use crate::recipe::Recipe;
pub use crate::stamp::{CalibrationFiles, FileStamp};
use stillwright_capture::Overrides;
use stillwright_seeing::SurveySettings;
use stillwright_stacking::StackSettings;
use stillwright_stacking::finish::FinishSettings;

/// What a survey depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyKey {
    /// The file.
    pub stamp: FileStamp,
    /// What is known better than its header.
    pub capture: Overrides,
    /// What frames are calibrated with.
    pub calibration: CalibrationSettings,
    /// The files of these settings.
    pub calibration_files: CalibrationFiles,
    /// How frames are looked at.
    pub survey: SurveySettings,
}

impl SurveyKey {
    /// The key for a file, the files of its calibration, and a recipe.
    pub fn new(
        stamp: FileStamp,
        calibration_files: CalibrationFiles,
        recipe: &Recipe,
    ) -> SurveyKey {
        SurveyKey {
            stamp,
            capture: recipe.capture,
            calibration: recipe.calibration.clone(),
            calibration_files,
            survey: recipe.survey.clone(),
        }
    }
}

/// What a stack depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct StackKey {
    /// The survey.
    pub survey: SurveyKey,
    /// How frames are added.
    pub stack: StackSettings,
    /// Frames that the person left out.
    pub frames: FrameChoice,
}

impl StackKey {
    /// The key for a survey and a recipe.
    pub fn new(survey: SurveyKey, recipe: &Recipe) -> StackKey {
        StackKey { survey, stack: recipe.stack.clone(), frames: recipe.frames.clone() }
    }
}

/// What a still depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct FinishKey {
    /// The stack.
    pub stack: StackKey,
    /// How it is finished.
    pub finish: FinishSettings,
}
