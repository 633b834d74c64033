//! Maps of the stack, laid over the still on request: made on a lane of their own, kept beside the stack, and let go of with it.

use super::entry::{CaptureId, Entry, Stacked};
use super::lanes::{Output, Running};
use super::{Cancel, Effect, Session};
use crate::discard::later;
use crate::laid_map::{LaidMap, MapKind};
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::sync::Arc;

/// What is laid over stills, and what is being made for that.
#[derive(Default)]
pub(super) struct Laying {
    kind: Option<MapKind>,
    /// What the lane works on.
    making: Option<(CaptureId, MapKind, Arc<Stacked>)>,
    /// Threads for maps: neither a preview nor a whole still waits for them.
    pool: Option<Arc<ThreadPool>>,
}

/// The maps of one stack that were asked for so far.
#[derive(Debug, Default)]
pub(crate) struct Maps {
    all: Vec<Arc<LaidMap>>,
}

impl Session {
    /// What is laid over the still.
    pub fn laid(&self) -> Option<MapKind> {
        self.laying.kind
    }

    /// Lay a map over the still, or none.
    pub(super) fn lay(&mut self, kind: Option<MapKind>) {
        self.laying.kind = kind;
    }

    /// Put the map away that is being made, for `id` only where given.
    pub(super) fn stop_map(&mut self, id: Option<CaptureId>) {
        let of = self.laying.making.as_ref().map(|making| making.0);
        if !self.lanes.maps.is_idle() && (id.is_none() || id == of) {
            self.laying.kind = None;
            self.lanes.maps.stop();
        }
    }

    /// Make the map that is to be laid over the selected still, where it is not there.
    pub(super) fn map_next(&mut self) {
        let wanted = self.laying.kind.and_then(|kind| {
            let entry = self.selected().filter(|entry| entry.map(kind).is_none())?;
            Some((entry, kind, entry.stacked.clone()?))
        });
        if !self.lanes.maps.is_idle() {
            let current = match (&wanted, &self.laying.making) {
                (Some((entry, kind, stacked)), Some((id, of, from))) => {
                    entry.id == *id && kind == of && Arc::ptr_eq(stacked, from)
                }
                _ => false,
            };
            if !current {
                self.lanes.maps.stop();
            }
            return;
        }
        let Some((entry, kind, stacked)) = wanted else {
            later(self.laying.making.take());
            return;
        };
        let id = entry.id;
        let of = match kind {
            MapKind::Detail => "detail",
            MapKind::Noise => "noise",
        };
        let running =
            Running::new(Some(id), format!("mapping the {of} of {}", entry.name), Cancel::Map);
        self.laying.making = Some((id, kind, Arc::clone(&stacked)));
        let pool = self.laying.pool();
        self.lanes.maps.start(running, move |job| {
            let make = || LaidMap::of(&stacked.stack, kind, job);
            let map = Arc::new(pool.map_or_else(make, |pool| pool.install(make))?);
            Ok(Output::Mapped { id, of: stacked, map })
        });
    }

    /// A map is there.
    pub(super) fn mapped(&mut self, id: CaptureId, of: &Arc<Stacked>, map: Arc<LaidMap>) {
        let Some(entry) = self.entry_mut(id) else { return };
        if entry.stacked.as_ref().is_some_and(|stacked| Arc::ptr_eq(stacked, of)) {
            entry.inner.maps.all.retain(|other| other.kind != map.kind);
            entry.inner.maps.all.push(map);
            self.effects.push(Effect::Mapped(id));
        }
    }
}

impl Laying {
    /// The threads; the common ones where the system gives none of their own.
    fn pool(&mut self) -> Option<Arc<ThreadPool>> {
        if self.pool.is_none() {
            let name = |number| format!("map {number}");
            self.pool = ThreadPoolBuilder::new().thread_name(name).build().map(Arc::new).ok();
        }
        self.pool.clone()
    }
}

impl Entry {
    /// The map of `kind` of the last stack, once it was asked for and is there.
    pub fn map(&self, kind: MapKind) -> Option<&Arc<LaidMap>> {
        self.inner.maps.all.iter().find(|map| map.kind == kind)
    }
}
