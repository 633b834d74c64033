//! Changes of recipes: at once, and undoably.

use super::entry::CaptureId;
use super::ground::on_one_ground;
use super::history::Step;
use super::message::Weight;
use super::{Effect, Session, Setting};
use crate::choice::FrameRange;
use crate::recipe::Recipe;
use std::sync::Arc;

impl Session {
    /// A setting under way: shown, but no step yet.
    pub(super) fn preview(&mut self, id: CaptureId, setting: Setting) {
        if self.previewing.as_ref().is_some_and(|(other, _)| *other != id) {
            self.commit();
        }
        let last_ground = Arc::clone(&self.last_ground);
        let Some(entry) = self.entry_mut(id) else { return };
        let rest = entry.measures.as_ref().and_then(|m| m.rest.as_ref());
        let mut recipe = Recipe::clone(&entry.recipe);
        // A range may be brushed beyond the last frame.
        let last = entry.facts.as_ref().map_or(usize::MAX >> 1, |f| f.frames.saturating_sub(1));
        let within =
            |range: FrameRange| FrameRange::new(range.first.min(last), range.last.min(last));
        let setting = match setting {
            Setting::Exclude(range) => Setting::Exclude(within(range)),
            other => other,
        };
        setting.apply(&mut recipe, rest);
        // A whole recipe is taken as it is.
        let whole = matches!(setting, Setting::Whole(_));
        let keep = matches!(setting, Setting::Keep(_));
        if !whole && (keep || !on_one_ground(entry, &entry.recipe, &recipe)) {
            last_ground.align_for(entry, &mut recipe);
        }
        if let Err(error) = recipe.check() {
            self.tell(Weight::Trouble, Some(id), error.to_string());
            return;
        }
        let before = Arc::clone(&entry.recipe);
        entry.inner.committed.get_or_insert(before);
        entry.recipe = Arc::new(recipe);
        self.previewing = Some((id, setting.words()));
        self.recipe_changed(id);
    }

    /// Previews become one step.
    pub(super) fn commit(&mut self) {
        self.commit_sheets();
        let Some((id, words)) = self.previewing.take() else { return };
        let Some(entry) = self.entry_mut(id) else { return };
        let Some(before) = entry.inner.committed.take() else { return };
        let after = Arc::clone(&entry.recipe);
        self.history.record(Step { words, changes: vec![(id, before, after)], sheets: Vec::new() });
        self.recipe_settled(id);
    }

    /// Previews are forgotten.
    pub(super) fn revert(&mut self) {
        self.revert_sheets();
        let Some((id, _)) = self.previewing.take() else { return };
        let Some(entry) = self.entry_mut(id) else { return };
        if let Some(before) = entry.inner.committed.take() {
            entry.recipe = before;
        }
        self.recipe_changed(id);
    }

    /// A step back, or forth again.
    pub(super) fn step(&mut self, back: bool) {
        self.commit();
        let step = if back { self.history.undo() } else { self.history.redo() };
        let Some(step) = step else { return };
        self.step_sheets(back, step.sheets);
        for (id, before, after) in step.changes {
            if let Some(entry) = self.entry_mut(id) {
                entry.recipe = if back { before } else { after };
                self.recipe_changed(id);
                self.recipe_settled(id);
            }
        }
    }

    /// Give captures a recipe; frames left out and overrides stay their own.
    pub(super) fn give(&mut self, recipe: &Recipe, to: &[CaptureId], words: &str) {
        self.commit();
        let mut changes = Vec::new();
        for id in to {
            let Some(entry) = self.entry_mut(*id) else { continue };
            let mut own = recipe.clone();
            own.frames = entry.recipe.frames.clone();
            own.capture = entry.recipe.capture;
            own.stack.aligned_for = None;
            // A dark is not calibrated with itself.
            if own.calibration.paths().any(|path| path == entry.path) {
                own.calibration = entry.recipe.calibration.clone();
            }
            let before = std::mem::replace(&mut entry.recipe, Arc::new(own));
            changes.push((*id, before, Arc::clone(&entry.recipe)));
        }
        let changed: Vec<CaptureId> = changes.iter().map(|change| change.0).collect();
        self.history.record(Step { words: words.into(), changes, sheets: Vec::new() });
        for id in changed {
            self.recipe_changed(id);
            self.recipe_settled(id);
        }
    }

    /// What follows at once from a recipe that looks different: chart, sliders, optics.
    fn recipe_changed(&mut self, id: CaptureId) {
        if let Some(entry) = self.entry_mut(id) {
            entry.redraw();
        }
    }

    /// What follows from a recipe that is different for good.
    fn recipe_settled(&mut self, id: CaptureId) {
        self.dirty = true;
        if let Some(entry) = self.entry_mut(id) {
            entry.inner.held = false;
            entry.inner.failed = None;
            let reopen = entry.is_opened_otherwise();
            entry.inner.to_open |= reopen;
        }
    }

    /// Leave a message until it is read.
    pub(super) fn tell(&mut self, weight: Weight, capture: Option<CaptureId>, words: String) {
        let id = self.messages.add(weight, capture, &words);
        self.effects.push(Effect::Told(id));
    }
}
