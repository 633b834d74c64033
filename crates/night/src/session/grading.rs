//! Grading a capture: from the cache where it was graded before, else frame by frame, with the grades
//! handed out as they come.

use super::chart::{Chart, sharpest_first};
use super::entry::{CaptureId, Graded};
use super::keeping::same_calibration;
use super::key::SurveyKey;
use super::lanes::Output;
use super::look;
use super::shown::Thumbnail;
use super::work::{Stoppable, settled};
use crate::cache::{Cache, Keys};
use crate::error::NightError;
use crate::jobs::Job;
use crate::recipe::Recipe;
use crate::still::whole;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use stillwright_capture::Capture;
use stillwright_picture::{Cancelled, Grade};
use stillwright_seeing::{EarlyGrade, survey_watched};

/// What grading needs.
pub(super) struct Grading {
    pub id: CaptureId,
    pub path: PathBuf,
    pub key: SurveyKey,
    pub source: Arc<dyn Capture>,
    pub frame_rate_hz: Option<f64>,
    pub cache: Option<Cache>,
}

/// Grades so far.
pub(super) struct SoFar {
    pub id: CaptureId,
    pub key: SurveyKey,
    pub chart: Arc<Chart>,
    /// The best frame so far, where another one is.
    pub best: Option<Arc<Thumbnail>>,
}

/// The names of a capture's entries in the cache for a survey.
pub(super) fn cache_keys(path: &Path, source: &dyn Capture, key: &SurveyKey) -> Option<Keys> {
    if !same_calibration(key) {
        return None;
    }
    let recipe = Recipe {
        capture: key.capture,
        calibration: key.calibration.clone(),
        survey: key.survey.clone(),
        ..Recipe::default()
    };
    Keys::of_capture(path, source.facts(), &recipe)
}

/// Grade a capture.
pub(super) fn grade(job: &Job<'_, Output>, task: Grading) -> Result<Output, Cancelled> {
    let Grading { id, path, key, source, frame_rate_hz, cache } = task;
    let stop = job.stop_flag();
    let known = cache.and_then(|cache| Some((cache_keys(&path, &*source, &key)?, cache)));
    let kept = known.as_ref().and_then(|(keys, cache)| cache.survey(keys));
    let count = source.frame_count();
    let done = match kept.filter(|kept| kept.value.frames.len() == count) {
        Some(kept) => Ok((kept.value, kept.sha256)),
        None => {
            let frames = Stoppable { source: &*source, stop: Arc::clone(&stop) };
            let early = Early::new(count, frame_rate_hz);
            let watcher = |batch: &[EarlyGrade]| {
                if let Some((chart, best)) = early.add(batch) {
                    let best = best.and_then(|index| look::thumbnail(&*source, index));
                    let best = best.map(Arc::new);
                    let so_far = SoFar { id, key: key.clone(), chart: Arc::new(chart), best };
                    job.partial(Output::Grading(Box::new(so_far)));
                }
            };
            let found = survey_watched(&frames, &key.survey, job, Some(&watcher));
            if let (Ok(found), Some((keys, cache))) = (&found, &known)
                && whole(found)
                && same_calibration(&key)
            {
                cache.keep_survey(keys, found, None);
            }
            found.map(|found| (found, None)).map_err(|e| NightError::seeing(path, e))
        }
    };
    Ok(match settled(done, &stop)? {
        Ok((survey, from)) => {
            let order = sharpest_first(&survey);
            let best =
                order.first().and_then(|index| look::thumbnail(&*source, *index)).map(Arc::new);
            let graded = Arc::new(Graded { key, survey: Arc::new(survey), from });
            Output::Graded { id, graded, order, best }
        }
        Err(words) => Output::Failed { id, words },
    })
}

/// Least time between two charts: an eye sees the points come, and the window draws in between.
const CHART_EVERY: Duration = Duration::from_millis(150);

/// Gathers grades while they come.
struct Early {
    frames: usize,
    frame_rate_hz: Option<f64>,
    state: Mutex<EarlyState>,
}

#[derive(Default)]
struct EarlyState {
    grades: Vec<EarlyGrade>,
    told: Option<Instant>,
    /// Frames that were graded when the best was last looked at, and which it was.
    looked: (usize, Option<usize>),
}

impl Early {
    fn new(frames: usize, frame_rate_hz: Option<f64>) -> Early {
        Early { frames, frame_rate_hz, state: Mutex::default() }
    }

    /// Take in a batch; what is to be shown, if it is time, and the best frame so far, if it is to be
    /// looked at. That costs a frame's reading, so it is done as often as the number of frames doubles.
    fn add(&self, batch: &[EarlyGrade]) -> Option<(Chart, Option<usize>)> {
        let mut state = self.state.lock().ok()?;
        state.grades.extend_from_slice(batch);
        let now = Instant::now();
        if state.told.is_some_and(|told| now.duration_since(told) < CHART_EVERY) {
            return None;
        }
        state.told = Some(now);
        let chart = Chart::early(&state.grades, self.frames, self.frame_rate_hz);
        let best = state.grades.iter().filter(|early| !early.unreadable);
        let best = best.min_by(|a, b| Grade::sharpest_first(a.grade, b.grade)).map(|b| b.index);
        let (looked, known) = state.looked;
        let another = best.filter(|_| state.grades.len() >= 2 * looked && best != known);
        if another.is_some() {
            state.looked = (state.grades.len(), another);
        }
        Some((chart, another))
    }
}
