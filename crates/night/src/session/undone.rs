//! The light of the stack that was finished last, with the blur undone: the detail scales start from
//! it, and need not wait for it each time one of them is moved.

use super::entry::Stacked;
use super::figures::Measures;
use super::key::StackKey;
use super::preview::undo_of;
use crate::jobs::Job;
use std::sync::{Arc, Mutex, PoisonError};
use stillwright_stacking::finish::{
    FinishError, FinishSettings, Optics, Undone, WienerSettings, undone,
};

/// What the light depends on: the stack, the optics it was measured with, the blur.
type Origin = (StackKey, Option<Optics>, WienerSettings);

/// One light at most: it takes as much memory as a third of the stack.
#[derive(Debug, Default)]
pub(super) struct LastUndone(Mutex<Option<(Origin, Arc<Undone>)>>);

impl LastUndone {
    /// Forget it.
    pub fn clear(&self) {
        let last = self.0.lock().unwrap_or_else(PoisonError::into_inner).take();
        crate::discard::later(last);
    }

    /// The light that detail scales of the resolved settings `used` start from: the last one where it serves,
    /// else a new one, which is kept. `None` where they start from the picture itself.
    ///
    /// # Errors
    /// When cancelled.
    pub fn light<T: Send>(
        &self,
        stacked: &Stacked,
        measures: &Measures,
        used: &FinishSettings,
        job: &Job<'_, T>,
    ) -> Result<Option<Arc<Undone>>, FinishError> {
        let Some(undo) = undo_of(used) else { return Ok(None) };
        let origin = (stacked.key.clone(), measures.told, undo);
        let slot = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, light)) = slot().as_ref()
            && *of == origin
        {
            return Ok(Some(Arc::clone(light)));
        }
        self.clear();
        let light = undone(&stacked.stack.picture, used, &measures.measured, job)?.map(Arc::new);
        *slot() = light.as_ref().map(|light| (origin, Arc::clone(light)));
        Ok(light)
    }
}
