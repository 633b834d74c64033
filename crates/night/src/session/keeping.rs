//! Stacks kept for the next run, behind everything else.
//!
//! A stack is kept only with the hash of all bytes that it was made from, as the command line keeps it: a
//! still made from it later is checked against that hash before anything is written.

use super::entry::Stacked;
use super::key::{StackKey, SurveyKey};
use super::lanes::Output;
use crate::cache::{Cache, Keys};
use crate::hash::Fingerprinting;
use crate::jobs::Job;
use crate::recipe::Recipe;
use crate::stamp::{calibration_files, stamp_of};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stillwright_capture::Capture;
use stillwright_picture::{Cancelled, Progress};

/// A stack that is to be kept.
pub(super) struct Keeping {
    pub path: PathBuf,
    pub source: Arc<dyn Capture>,
    pub stacked: Arc<Stacked>,
    pub cache: Cache,
}

/// The names of a capture's entries in the cache for a stack.
pub(super) fn cache_keys(path: &Path, source: &dyn Capture, key: &StackKey) -> Option<Keys> {
    if !same_calibration(&key.survey) {
        return None;
    }
    let recipe = Recipe {
        capture: key.survey.capture,
        calibration: key.survey.calibration.clone(),
        survey: key.survey.survey.clone(),
        frames: key.frames.clone(),
        stack: key.stack.clone(),
        ..Recipe::default()
    };
    Keys::of_capture(path, source.facts(), &recipe)
}

/// Whether darks and flats are those that the open capture was calibrated with: the cache would take the ones
/// on the disk for them.
pub(super) fn same_calibration(key: &SurveyKey) -> bool {
    calibration_files(&key.calibration) == key.calibration_files
}

/// Hash the capture and keep its stack. What cannot be kept is not kept, without a word.
pub(super) fn keep(job: &Job<'_, Output>, task: &Keeping) -> Result<Output, Cancelled> {
    let Keeping { path, source, stacked, cache } = task;
    let unchanged = || {
        stamp_of(path).ok() == Some(stacked.key.survey.stamp)
            && same_calibration(&stacked.key.survey)
    };
    if let Some(keys) = cache_keys(path, &**source, &stacked.key).filter(|_| unchanged())
        && let Ok(mut print) = Fingerprinting::begin(path)
    {
        let taken = print.wait(|| job.check().is_ok());
        job.check()?;
        if let Some(taken) = taken.ok().flatten().filter(|_| unchanged()) {
            cache.keep_waymarks(&keys, print.waymarks());
            cache.keep_stack(&keys, &stacked.stack, Some(&taken.sha256));
        }
    }
    Ok(Output::Nothing)
}
