//! The whole job for one capture: open, survey, stack, finish, write, record.

use crate::atomic::{AtomicFile, WriteError};
use crate::cache::{Cache, Keys};
use crate::calibration::{Calibrated, CalibrationReport, calibrated};
use crate::clock;
use crate::error::NightError;
use crate::export::{Caption, ExportError, Format, write_picture};
use crate::files::{StillFiles, open_capture_watched};
use crate::hash::{Fingerprint, Fingerprinting};
use crate::maps::{self, MapFiles, maps};
use crate::recipe::Recipe;
use crate::record::{
    Found, Input, Output, PROGRAM, RECORD_VERSION, Record, Resolution, StackFacts, Stopwatch,
    resolved,
};
use crate::stamp::calibration_files;
use std::io::Write;
use std::path::Path;
use stillwright_capture::Facts;
use stillwright_picture::{Picture, Progress, Stage};
use stillwright_seeing::{Survey, survey};
use stillwright_stacking::finish::{Finished, finish};
use stillwright_stacking::{Stack, stack};

/// A still that is done: its files are in place.
#[derive(Debug)]
pub struct StillDone {
    /// Where they are.
    pub files: StillFiles,
    /// How the still was made; also written beside it.
    pub record: Record,
    /// What was found of the frames.
    pub survey: Survey,
    /// The stack.
    pub stack: Stack,
    /// The still.
    pub finished: Finished,
}

/// Make the still of one capture.
///
/// The capture is hashed beside the work, on a thread of its own. All files are written under
/// hidden names and given their own names at the very end, when all are complete.
///
/// # Errors
/// When the capture cannot be read or used, a file cannot be written, or the person asked to stop;
/// no file is left behind then.
pub fn make_still(
    files: &StillFiles,
    recipe: &Recipe,
    progress: &dyn Progress,
) -> Result<StillDone, NightError> {
    make_still_with(files, recipe, None, progress)
}

/// [`make_still`], with what `cache` holds of the same capture and settings reused, and what is
/// found kept in it. The still is the same, bit for bit.
///
/// The capture is hashed as a whole all the same: where the cache's entry turns out to come from
/// other bytes, it is dropped and everything done anew.
///
/// # Errors
/// As for [`make_still`].
pub fn make_still_with(
    files: &StillFiles,
    recipe: &Recipe,
    cache: Option<&Cache>,
    progress: &dyn Progress,
) -> Result<StillDone, NightError> {
    let path = files.capture.as_path();
    let mut watch = Stopwatch::start();
    let darks = calibration_files(&recipe.calibration);
    let capture = open_capture_watched(path, &recipe.capture, progress)?;
    let calibrated = calibrated(capture, path, &recipe.calibration, progress)?;
    let Calibrated { capture, report: calibration } = calibrated;
    let facts = capture.facts().clone();
    // The names have the darks and flats as they lie on the disk now, the frames are calibrated already.
    let same_darks = || darks == calibration_files(&recipe.calibration);
    let known = cache.and_then(|cache| Some((cache, Keys::of_capture(path, &facts, recipe)?)));
    let known = known.filter(|_| same_darks());
    let marks = known.as_ref().and_then(|(cache, keys)| cache.waymarks(keys));
    let mut print =
        Fingerprinting::begin_knowing(path, marks).map_err(|e| NightError::read(path, e))?;
    watch.lap("opening");

    let (kept_survey, kept_stack) = known
        .as_ref()
        .map(|(cache, keys)| (cache.survey(keys), cache.stack(keys)))
        .unwrap_or_default();
    let hash_of_survey = kept_survey.as_ref().and_then(|kept| kept.sha256.clone());
    let hash_of_stack = kept_stack.as_ref().and_then(|kept| kept.sha256.clone());
    let fresh = (kept_survey.is_none(), kept_stack.is_none());
    let mut survey = match kept_survey {
        Some(kept) => kept.value,
        None => survey(&*capture, &recipe.survey, progress)
            .map_err(|error| NightError::seeing(path, error))?,
    };
    watch.lap("survey");
    let as_found = (fresh.0 && known.is_some()).then(|| survey.clone());
    recipe.frames.apply(&mut survey);
    let stack = match kept_stack {
        Some(kept) => kept.value,
        None => stack(&*capture, &survey, &recipe.stack, progress)
            .map_err(|error| NightError::stacking(path, error))?,
    };
    watch.lap("stack");
    let finished = finish(&stack, &recipe.finish, progress)
        .map_err(|error| NightError::finishing(path, error))?;
    watch.lap("finish");
    if let Some((cache, keys)) = &known {
        let taken = hashed(path, &mut print, progress)?;
        cache.keep_waymarks(keys, print.waymarks());
        let others = |hash: &Option<String>| hash.as_ref().is_some_and(|h| *h != taken.sha256);
        if others(&hash_of_survey) || others(&hash_of_stack) {
            cache.forget(keys);
            return make_still_with(files, recipe, None, progress);
        }
        // Only what is known to come from these very bytes is kept, and only of a whole capture.
        if let Some(survey) = as_found.filter(whole) {
            cache.keep_survey(keys, &survey, Some(&taken.sha256));
        }
        if fresh.1 && whole(&survey) && stack.frames_lost.is_empty() {
            cache.keep_stack(keys, &stack, Some(&taken.sha256));
        }
        if fresh.0 || fresh.1 {
            watch.lap("keeping what was found");
        }
    }
    let calibration = calibration.as_deref();
    let made =
        Made { facts: &facts, calibration, survey: &survey, stack: &stack, finished: &finished };
    let record = write_still(files, recipe, made, print, watch, progress)?;
    Ok(StillDone { files: files.clone(), record, survey, stack, finished })
}

/// Whether every frame could be read: a disk that failed once may do better next time.
pub(crate) fn whole(survey: &Survey) -> bool {
    survey.frames.iter().all(|frame| frame.trouble.is_none())
}

/// The fingerprint, waited for.
fn hashed(
    path: &Path,
    print: &mut Fingerprinting,
    progress: &dyn Progress,
) -> Result<Fingerprint, NightError> {
    let going_on = || progress.advance(Stage::Writing, 0, 1).is_ok();
    print.wait(going_on).map_err(|e| NightError::read(path, e))?.ok_or(NightError::Cancelled)
}

/// What a still is written from.
#[derive(Clone, Copy, Debug)]
pub struct Made<'a> {
    /// What is known of the capture.
    pub facts: &'a Facts,
    /// What its frames were calibrated with.
    pub calibration: Option<&'a CalibrationReport>,
    /// The survey, with the frames marked that the recipe leaves out.
    pub survey: &'a Survey,
    /// The stack.
    pub stack: &'a Stack,
    /// The still.
    pub finished: &'a Finished,
}

/// Write a still that was made by `recipe`, its stack and its record; `print` is the fingerprint of
/// the capture in the making, and `watch` has the stages so far.
///
/// # Errors
/// When a file cannot be written, the capture cannot be read, or the person asked to stop; no file
/// is left behind then.
pub fn write_still(
    files: &StillFiles,
    recipe: &Recipe,
    made: Made<'_>,
    mut print: Fingerprinting,
    mut watch: Stopwatch,
    progress: &dyn Progress,
) -> Result<Record, NightError> {
    let Made { facts, calibration, survey, stack, finished } = made;
    let path = files.capture.as_path();
    progress.advance(Stage::Writing, 0, 1)?;
    let going_on = || progress.advance(Stage::Writing, 0, 1).is_ok();
    let taken = print
        .wait(going_on)
        .map_err(|e| NightError::read(path, e))?
        .ok_or(NightError::Cancelled)?;
    let changed = print.changed_meanwhile();
    watch.lap("fingerprint (waiting for it)");

    let resolution =
        Resolution::new(&finished.measured, finished.used.optics.as_ref(), stack.scale);
    let caption = caption(path, recipe, made, &resolution);
    let mut staged = Vec::new();
    for (target, format, content, picture) in pictures(files, stack, finished) {
        let mut caption = caption.clone();
        (caption.content, caption.values) = content;
        staged.push(stage_picture(target, files, format, picture, &caption)?);
        progress.advance(Stage::Writing, 0, 1)?;
    }
    if let Some(targets) = &files.maps {
        for map in maps(targets, stack, progress)? {
            let (content, values) = (map.content.to_string(), map.values);
            let caption = Caption { content, values, ..caption.clone() };
            staged.push(stage_picture(&map.path, files, Format::Fits, &map.picture, &caption)?);
            progress.advance(Stage::Writing, 0, 1)?;
        }
    }
    watch.lap("writing");

    let record = Record {
        record_version: RECORD_VERSION,
        program: PROGRAM.into(),
        made_utc: clock::now(),
        inputs: vec![Input::new(path, taken)],
        calibration: calibration.cloned(),
        reference_frame: survey.reference_index,
        keep_percent: stack.keep_percent,
        frames_used: stack.frames_used,
        found: Found::new(survey),
        stack: StackFacts::new(stack, &finished.measured),
        resolution,
        recipe: recipe.clone(),
        recipe_resolved: resolved(recipe, facts, survey, stack, finished),
        measured: finished.measured.clone(),
        outputs: outputs(files),
        warnings: warnings(made, changed),
        timings: watch.timings(),
        seconds: watch.seconds(),
        capture: facts.clone(),
    };
    staged.push(stage_record(files, &record)?);
    for file in staged {
        file.commit()?;
    }
    progress.advance(Stage::Writing, 1, 1)?;
    Ok(record)
}

type Content = (String, String);

/// What is written: target, format, what it is and what its values mean, the picture.
fn pictures<'a>(
    files: &'a StillFiles,
    stack: &'a Stack,
    finished: &'a Finished,
) -> Vec<(&'a Path, Format, Content, &'a Picture)> {
    let linear = (
        "stack, linear, before the finish".to_string(),
        "Values are linear light; 1.0 is the camera's full scale.".to_string(),
    );
    let still = (
        "still, finished".to_string(),
        "Values run from the still's black point (0) to its white point (the largest, 1.0 in floats)."
            .to_string(),
    );
    let mut all = vec![
        (files.stack.as_path(), Format::Fits, linear, &stack.picture),
        (files.still.as_path(), Format::Tiff16, still.clone(), &finished.picture),
    ];
    for (format, path) in &files.others {
        all.push((path.as_path(), *format, still.clone(), &finished.picture));
    }
    all
}

fn caption(path: &Path, recipe: &Recipe, made: Made<'_>, resolution: &Resolution) -> Caption {
    let Made { facts, survey, stack, .. } = made;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let said = |text: &str| Some(text.trim().to_string()).filter(|text| !text.is_empty());
    Caption {
        capture: name.into_owned(),
        program: PROGRAM.into(),
        reference_frame: Some(survey.reference_index),
        frames_used: Some(stack.frames_used),
        frames_in_capture: Some(survey.frames.len()),
        keep_percent: Some(stack.keep_percent),
        scale: Some(stack.scale),
        pixel_arcsec: resolution.pixel_arcsec,
        begun_utc: facts.start_utc.filter(|t| t.is_plausible()).map(clock::to_millisecond),
        observer: said(&facts.observer),
        instrument: said(&facts.instrument),
        telescope: said(&facts.telescope),
        note: recipe.export.caption.as_deref().and_then(said),
        ..Caption::default()
    }
}

fn stage_picture(
    target: &Path,
    files: &StillFiles,
    format: Format,
    picture: &Picture,
    caption: &Caption,
) -> Result<AtomicFile, NightError> {
    let mut file = AtomicFile::create(target, files.existing)?;
    write_picture(format, picture, caption, &mut file).map_err(|error| match error {
        ExportError::Io(source) => WriteError::Io { path: target.into(), source },
        ExportError::DoesNotFit(reason) => WriteError::Format { path: target.into(), reason },
    })?;
    file.flush_to_disk()?;
    Ok(file)
}

fn stage_record(files: &StillFiles, record: &Record) -> Result<AtomicFile, NightError> {
    let mut file = AtomicFile::create(&files.record, files.existing)?;
    let done = serde_json::to_writer_pretty(&mut file, record)
        .map_err(std::io::Error::from)
        .and_then(|()| file.write_all(b"\n"));
    done.map_err(|source| WriteError::Io { path: files.record.clone(), source })?;
    file.flush_to_disk()?;
    Ok(file)
}

fn outputs(files: &StillFiles) -> Vec<Output> {
    let output =
        |path: &Path, what: &str| Output { path: path.display().to_string(), what: what.into() };
    let mut all = vec![
        output(&files.still, "the finished still, 16-bit TIFF"),
        output(&files.stack, "the stack before the finish, linear, 32-bit float FITS"),
    ];
    for (format, path) in &files.others {
        all.push(output(path, &format!("the finished still, {}", format.facts().words)));
    }
    if let Some(MapFiles { noise, detail }) = &files.maps {
        all.push(output(noise, &format!("{}, 32-bit float FITS", maps::NOISE)));
        all.push(output(detail, &format!("{}, 32-bit float FITS", maps::DETAIL)));
    }
    all.push(output(&files.record, "this record"));
    all
}

/// Everything odd, from the capture's header to the finish, a sentence each.
fn warnings(made: Made<'_>, changed: bool) -> Vec<String> {
    let Made { facts, calibration, survey, stack, finished } = made;
    let mut all: Vec<String> = facts.warnings.iter().map(|w| w.message.clone()).collect();
    if changed {
        all.push(
            "the capture changed or vanished while it was being read: the still is of the frames as they were read, \
             and the SHA-256 in the record may be of other bytes; make it again once the file rests"
                .into(),
        );
    }
    let rejected = survey.frames.iter().filter(|frame| frame.rejected.is_some()).count();
    if rejected > 0 {
        all.push(format!(
            "{rejected} of {} frames took no part; the record says why",
            survey.frames.len()
        ));
    }
    if !stack.frames_lost.is_empty() {
        all.push(format!(
            "{} frames could be graded but not be read again: the disk or its cable may be failing",
            stack.frames_lost.len()
        ));
    }
    all.extend(calibration.iter().flat_map(|report| report.notes.iter().cloned()));
    all.extend(finished.warnings.iter().cloned());
    all
}
