//! The reference of the capture that was stacked last: another keep or scale of it starts from there.

use super::entry::CaptureId;
use super::key::StackKey;
use super::work::{Stacking, Stoppable};
use crate::jobs::Job;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError};
use stillwright_seeing::Survey;
use stillwright_stacking::{
    Groundwork, Keep, Pace, Resampling, StackError, StackSettings, groundwork,
};

/// One reference at most: it takes as much memory as some ten frames.
#[derive(Debug, Default)]
pub(super) struct LastGround(Mutex<Option<(CaptureId, StackKey, Arc<Groundwork>)>>);

impl LastGround {
    /// Forget it.
    pub fn clear(&self) {
        let last = self.0.lock().unwrap_or_else(PoisonError::into_inner).take();
        crate::discard::later(last);
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
        let slot = || self.last_ground.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((id, of, ground)) = slot().as_ref()
            && *id == self.id
            && *of == key
        {
            return Ok(Arc::clone(ground));
        }
        self.last_ground.clear();
        let ground = Arc::new(groundwork(frames, survey, &self.key.stack, job)?);
        // Frames may be missing that can be read another time, or were not handed out because of a stop.
        if ground.is_whole() && !frames.stop.load(Ordering::Relaxed) {
            *slot() = Some((self.id, key, Arc::clone(&ground)));
        }
        Ok(ground)
    }
}

/// `key` with what a reference does not depend on set to one value.
fn whatever_the_keep(key: &StackKey) -> StackKey {
    let (keep, pace, resampling) = (Keep::Auto, Pace::Quick, Resampling::Auto);
    let stack = StackSettings { keep, scale: 1.0, pace, resampling, ..key.stack.clone() };
    StackKey { stack, ..key.clone() }
}
