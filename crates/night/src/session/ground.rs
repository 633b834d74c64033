//! The reference of the capture that was stacked last: another keep or scale of it starts from there.

use super::entry::{CaptureId, Entry};
use super::key::{StackKey, SurveyKey};
use super::work::{Stacking, Stoppable};
use crate::jobs::Job;
use crate::recipe::Recipe;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use stillwright_seeing::Survey;
use stillwright_stacking::{
    Groundwork, Keep, Pace, Resampling, StackError, StackSettings, groundwork,
};

/// Memory for where frames lie, bytes: the frames of the usual capture take 20 kB each, those of the largest 90.
const FIELDS_BYTES: usize = 256 << 20;

/// One reference at most: it takes as much memory as some ten frames, what is remembered of frames, and the two parts of the last stack.
#[derive(Debug, Default)]
pub(super) struct LastGround(Mutex<Option<(CaptureId, StackKey, Arc<Groundwork>)>>);

impl LastGround {
    /// Forget it.
    pub fn clear(&self) {
        crate::discard::later(self.slot().take());
    }

    /// Forget it, if it is of that capture.
    pub fn forget(&self, id: CaptureId) {
        if self.slot().as_ref().is_some_and(|(of, ..)| *of == id) {
            self.clear();
        }
    }

    fn slot(&self) -> MutexGuard<'_, Option<(CaptureId, StackKey, Arc<Groundwork>)>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The keep (percent) that the frames of `entry` were aligned for, if what is remembered of them serves `recipe`.
    fn remembered(&self, entry: &Entry, recipe: &Recipe) -> Option<f32> {
        let stacked = entry.stacked.as_ref()?;
        let percent = stacked.key.stack.aligned_for(stacked.stack.keep_percent);
        let (key, slot) = (ground_key(entry, recipe)?, self.slot());
        let (id, of, ground) = slot.as_ref()?;
        let serves = *id == entry.id && *of == key && whatever_the_keep(&stacked.key) == key;
        (serves && ground.remembers(percent)).then_some(percent)
    }

    /// Have `recipe`, to which that of `entry` was changed, say which keep frames are aligned for: where less is kept than what
    /// is remembered, as much as that, so that nothing is aligned anew.
    pub fn align_for(&self, entry: &Entry, recipe: &mut Recipe) {
        let remembered = self.remembered(entry, recipe);
        recipe.stack.aligned_for = remembered.filter(|remembered| match recipe.stack.keep {
            Keep::Percent(percent) => percent < *remembered,
            Keep::Auto => true,
        });
    }
}

impl Stacking {
    /// The reference for the task: the last one where it serves, else a new one, which is kept.
    ///
    /// # Errors
    /// As for [`groundwork`].
    pub(super) fn ground<T: Send>(
        &self,
        frames: &Stoppable<'_>,
        survey: &Survey,
        job: &Job<'_, T>,
    ) -> Result<Arc<Groundwork>, StackError> {
        let key = whatever_the_keep(&self.key);
        if let Some((id, of, ground)) = self.last_ground.slot().as_ref()
            && *id == self.id
            && *of == key
        {
            return Ok(Arc::clone(ground));
        }
        self.last_ground.clear();
        let ground = groundwork(frames, survey, &self.key.stack, job)?;
        let ground = Arc::new(ground.remembering(FIELDS_BYTES));
        // Frames may be missing that can be read another time, or were not handed out because of a stop.
        if ground.is_whole() && !frames.stop.load(Ordering::Relaxed) {
            *self.last_ground.slot() = Some((self.id, key, Arc::clone(&ground)));
        }
        Ok(ground)
    }
}

/// Whether two recipes of `entry` ask for one reference.
pub(super) fn on_one_ground(entry: &Entry, a: &Recipe, b: &Recipe) -> bool {
    ground_key(entry, a) == ground_key(entry, b)
}

fn ground_key(entry: &Entry, recipe: &Recipe) -> Option<StackKey> {
    let survey = SurveyKey::new(entry.stamp?, entry.inner.calibration_files.clone(), recipe);
    Some(whatever_the_keep(&StackKey::new(survey, recipe)))
}

/// `key` with what a reference does not depend on set to one value.
fn whatever_the_keep(key: &StackKey) -> StackKey {
    let (keep, pace, resampling) = (Keep::Auto, Pace::Quick, Resampling::Auto);
    let stack = key.stack.clone();
    let stack = StackSettings { keep, aligned_for: None, scale: 1.0, pace, resampling, ..stack };
    StackKey { stack, ..key.clone() }
}
