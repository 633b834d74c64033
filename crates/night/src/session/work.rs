//! What the job threads do: from an open capture to grades, stack, still and files.

use super::entry::{CaptureId, Graded, Stacked, Still};
use super::figures::Measures;
use super::ground::LastGround;
use super::key::{FinishKey, StackKey};
use super::lanes::{Opened, Output};
use super::shown::{PartialStack, Shown};
use super::undone::LastUndone;
use super::{keeping, look};
use crate::cache::Cache;
use crate::calibration::{Calibrated, CalibrationReport, CalibrationSettings, calibrated};
use crate::choice::FrameChoice;
use crate::error::NightError;
use crate::files::open_capture;
use crate::inspect::inspect_opened;
use crate::jobs::Job;
use crate::record::Resolution;
use crate::sheet::ripple_px2;
use crate::stamp::{calibration_files, stamp_of};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use stillwright_capture::{Capture, Overrides};
use stillwright_picture::{
    Cancelled, FrameError, FrameFormat, FrameSource, Picture, Progress, RawFrame, Stage,
};
use stillwright_seeing::Survey;
use stillwright_stacking::finish::{
    FinishError, FinishSettings, Finished, Sharpening, finish_resolved, measure, resolve,
};
use stillwright_stacking::{Stack, stack_on};

/// A capture that hands out no more frames once the work is to stop: a batch of frames under way
/// ends with the ones that are being read, and not with the batch.
pub(super) struct Stoppable<'a> {
    pub source: &'a dyn Capture,
    pub stop: Arc<AtomicBool>,
}

impl FrameSource for Stoppable<'_> {
    fn format(&self) -> FrameFormat {
        self.source.format()
    }

    fn frame_count(&self) -> usize {
        self.source.frame_count()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(FrameError { index, reason: "the work was stopped".into() });
        }
        self.source.read_frame(index, frame)
    }
}

/// A result, or the words of what went wrong. Whatever came of work that was to stop is worthless,
/// for it may have missed frames.
pub(super) fn settled<T>(
    result: Result<T, NightError>,
    stop: &AtomicBool,
) -> Result<Result<T, String>, Cancelled> {
    match result {
        _ if stop.load(Ordering::Relaxed) => Err(Cancelled),
        Ok(value) => Ok(Ok(value)),
        Err(NightError::Cancelled) => Err(Cancelled),
        Err(error) => Ok(Err(error.to_string())),
    }
}

/// Open a capture and look into it.
pub(super) fn open(
    job: &Job<'_, Output>,
    id: CaptureId,
    path: PathBuf,
    with: (Overrides, CalibrationSettings),
) -> Result<Output, Cancelled> {
    let calibration_files = calibration_files(&with.1);
    let (tried, files) = (with.clone(), calibration_files.clone());
    let look_in = || {
        let stamp = stamp_of(&path).map_err(|e| NightError::read(path.clone(), e))?;
        let raw = open_capture(&path, &with.0)?;
        // What is said of the exposure is said of what the camera gave.
        let report = Arc::new(inspect_opened(&path, &*raw, job)?);
        let Calibrated { capture, report: calibration } = calibrated(raw, &path, &with.1, job)?;
        let source: Arc<dyn Capture> = Arc::from(capture);
        let thumbnail = look::first_thumbnail(&*source).map(Arc::new);
        Ok(Opened { stamp, with, calibration_files, source, calibration, report, thumbnail })
    };
    let looked = look_in();
    if let Err(NightError::Read { source, .. }) = &looked
        && source.kind() == ErrorKind::NotFound
    {
        return Ok(Output::Gone(id));
    }
    Ok(match settled(looked, &job.stop_flag())? {
        Ok(opened) => Output::Opened { id, opened: Box::new(opened) },
        Err(words) => Output::NotOpened { id, with: tried, calibration_files: files, words },
    })
}

/// The survey with the person's choice marked in it; a copy only where something was left out.
pub(super) fn honoured(survey: &Arc<Survey>, choice: &FrameChoice) -> Arc<Survey> {
    if choice.is_empty() {
        return Arc::clone(survey);
    }
    let mut own = Survey::clone(survey);
    choice.apply(&mut own);
    Arc::new(own)
}

/// What stacking needs.
pub(super) struct Stacking {
    pub id: CaptureId,
    pub path: PathBuf,
    pub key: StackKey,
    pub graded: Arc<Graded>,
    pub source: Arc<dyn Capture>,
    pub cache: Option<Cache>,
    pub calibration: Option<Arc<CalibrationReport>>,
    pub last_ground: Arc<LastGround>,
}

/// Stack a capture, handing out the stack in the making.
pub(super) fn stack(job: &Job<'_, Output>, task: &Stacking) -> Result<Output, Cancelled> {
    let id = task.id;
    let survey = honoured(&task.graded.survey, &task.key.frames);
    Ok(match stack_of(job, task, &survey)? {
        Ok(stacked) => Output::Stacked { id, stacked },
        Err(words) => Output::Failed { id, words },
    })
}

/// The stack itself, from a survey in which the frames left out are marked.
pub(super) fn stack_of(
    job: &Job<'_, Output>,
    task: &Stacking,
    survey: &Survey,
) -> Result<Result<Arc<Stacked>, String>, Cancelled> {
    let stop = job.stop_flag();
    let key = task.key.clone();
    let kept = task.cache.as_ref().and_then(|cache| {
        let keys = keeping::cache_keys(&task.path, &*task.source, &key)?;
        cache.stack(&keys).filter(|kept| kept.sha256.is_some())
    });
    if let Some(kept) = kept {
        let (stack, from) = (Arc::new(kept.value), kept.sha256);
        let ripple_px2 = ripple_px2(&stack, survey);
        let stacked = Arc::new(Stacked { key, stack, from, ripple_px2 });
        return settled(Ok(stacked), &stop);
    }
    let frames = Stoppable { source: &*task.source, stop: Arc::clone(&stop) };
    let capture = task.id;
    let watcher = |picture: Picture, frames: usize, total: usize| {
        let shown = look::shown(picture);
        job.partial(Output::Partial(Arc::new(PartialStack { capture, shown, frames, total })));
    };
    let done = task
        .ground(&frames, survey, job)
        .and_then(|ground| stack_on(&ground, &frames, survey, &task.key.stack, job, Some(&watcher)))
        .map_err(|e| NightError::stacking(task.path.clone(), e));
    Ok(settled(done, &stop)?.map(|stack| {
        let ripple_px2 = ripple_px2(&stack, survey);
        Arc::new(Stacked { key, stack: Arc::new(stack), from: None, ripple_px2 })
    }))
}

/// Measure a stack, and find where the sliders rest.
///
/// # Errors
/// When the stack contradicts itself or the optics are out of range, in words; or [`Cancelled`].
pub(super) fn measures_of(
    job: &Job<'_, Output>,
    path: &Path,
    stacked: &Stacked,
    finish: &FinishSettings,
) -> Result<Result<Arc<Measures>, String>, Cancelled> {
    let stack: &Stack = &stacked.stack;
    let done =
        measure(stack, finish.optics.as_ref(), job).map_err(|e| NightError::finishing(path, e));
    let measured = match settled(done, &job.stop_flag())? {
        Ok(measured) => measured,
        Err(words) => return Ok(Err(words)),
    };
    job.advance(Stage::Finishing, 0, 1)?;
    let automatic = FinishSettings { optics: finish.optics, ..FinishSettings::default() };
    let (used, _) = resolve(stack, &measured, &automatic);
    let rest = match used.sharpening {
        Sharpening::DetailScales(detail) => Some(detail),
        _ => None,
    };
    let resolution = Resolution::new(&measured, finish.optics.as_ref(), stack.scale);
    Ok(Ok(Arc::new(Measures::new(
        stacked.key.clone(),
        Arc::new(measured),
        resolution,
        rest,
        (finish.optics, used.colour),
        stacked.ripple_px2,
    ))))
}

/// What finishing needs.
pub(super) struct Finishing {
    pub id: CaptureId,
    pub path: PathBuf,
    pub finish: FinishSettings,
    pub stacked: Arc<Stacked>,
    pub measures: Option<Arc<Measures>>,
    pub last_undone: Arc<LastUndone>,
}

/// Finish a whole picture, measuring the stack first where that was not done.
pub(super) fn finish(job: &Job<'_, Output>, task: &Finishing) -> Result<Output, Cancelled> {
    let id = task.id;
    let measures = match &task.measures {
        Some(measures) => Arc::clone(measures),
        None => match measures_of(job, &task.path, &task.stacked, &task.finish)? {
            Ok(measures) => {
                job.partial(Output::Measured { id, measures: Arc::clone(&measures) });
                measures
            }
            Err(words) => return Ok(Output::Failed { id, words }),
        },
    };
    Ok(match still_of(job, task, &measures)? {
        Ok(still) => {
            let tone = still.finished.used.tone;
            Output::Finished { id, still, tone }
        }
        Err(words) => Output::Failed { id, words },
    })
}

/// The still itself.
pub(super) fn still_of(
    job: &Job<'_, Output>,
    task: &Finishing,
    measures: &Measures,
) -> Result<Result<Arc<Still>, String>, Cancelled> {
    let stack: &Stack = &task.stacked.stack;
    let attempt = || {
        task.finish.check().map_err(FinishError::Setting)?;
        job.check()?;
        let measured = measures.measured.as_ref().clone();
        let (used, warnings) = resolve(stack, &measured, &task.finish);
        let light = task.last_undone.light(&task.stacked, measures, &used, job)?;
        finish_resolved(stack, measured, (used, warnings), light.as_deref(), job)
    };
    let done = attempt().map_err(|e| NightError::finishing(task.path.clone(), e));
    let finished: Finished = match settled(done, &job.stop_flag())? {
        Ok(finished) => finished,
        Err(words) => return Ok(Err(words)),
    };
    let key = FinishKey { stack: task.stacked.key.clone(), finish: task.finish.clone() };
    let shown = Shown::finished(Arc::clone(&finished.picture));
    Ok(Ok(Arc::new(Still { key, shown, finished: Arc::new(finished) })))
}
