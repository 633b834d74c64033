//! Commands taken: what each changes at once, and what it wishes for.

use super::entry::CaptureId;
use super::message::Weight;
use super::orders::Plan;
use super::{Cancel, Command, ExportTarget, NameWish, Session, named};
use std::sync::Arc;

impl Session {
    /// Take a command. Never waits.
    pub fn send(&mut self, command: Command) {
        self.take(command);
        self.schedule();
    }

    fn take(&mut self, command: Command) {
        match command {
            Command::Add(paths) => self.to_gather.push_back(paths),
            Command::Remove(id) => self.remove(id),
            Command::Select(id) => self.select(id),
            Command::MakeSampleNight { folder } => self.to_sample.push_back(folder),
            Command::Change { id, setting } => {
                self.commit();
                self.preview(id, setting);
                self.commit();
            }
            Command::Preview { id, setting } => self.preview(id, setting),
            Command::Commit => self.commit(),
            Command::Revert => self.revert(),
            Command::Undo => self.step(true),
            Command::Redo => self.step(false),
            Command::CopyRecipe { from, to } => {
                if let Some(recipe) = self.entry(from).map(|entry| Arc::clone(&entry.recipe)) {
                    self.give(&recipe, &to, "copied recipe");
                }
            }
            Command::SaveRecipe { from, name } => self.keep_recipe(from, &name),
            Command::UseRecipe { name, to } => {
                let found = self.named.iter().find(|named| named.name == name);
                match found.map(|named| Arc::clone(&named.recipe)) {
                    Some(recipe) => self.give(&recipe, &to, &format!("recipe \"{name}\"")),
                    None => {
                        let words = format!("no recipe is kept under the name \"{name}\"");
                        self.tell(Weight::Trouble, None, words);
                    }
                }
            }
            Command::ForgetRecipe { name } => self.to_name.push_back(NameWish::Forget(name)),
            Command::Sheet { id, change } => {
                self.commit();
                self.preview_sheet(id, change);
                self.commit();
            }
            Command::PreviewSheet { id, change } => self.preview_sheet(id, change),
            Command::LoadPlaces(path) => self.load_places(path),
            Command::FindLimb(id) => self.find_limb(id),
            Command::FindShadowEnd { id, number } => self.find_shadow_end(id, number),
            Command::WriteMeasured { id, target } => {
                self.write_measured(id, target.folder, target.existing);
            }
            Command::Match(id) => self.match_again(id),
            Command::WriteFigure { id, target } => self.write_figure(id, target),
            Command::Plan(wish) => self.plan(*wish),
            Command::Grade(id) => self.ask_again(id, false),
            Command::Stack(id) => self.ask_again(id, true),
            Command::ShowFrame { id, index } => self.frame_wish = Some((id, index)),
            Command::LookAt { id, region } => {
                self.looked_at = region.map(|region| (id, region));
            }
            Command::Lay(kind) => self.lay(kind),
            Command::Export { id, target } => self.order(vec![id], target, false),
            Command::MakeAll { ids, target } => {
                let all = self.entries.iter().filter(|entry| !self.serves(entry));
                let all = all.map(|entry| entry.id);
                let ids = if ids.is_empty() { all.collect() } else { ids };
                self.order(ids, target, true);
            }
            Command::Cancel(what) => self.cancel(what),
            Command::Read(id) => self.messages.read(id),
            Command::ReadAll => self.messages.unread.clear(),
        }
    }

    fn remove(&mut self, id: CaptureId) {
        let Some(at) = self.entries.iter().position(|entry| entry.id == id) else { return };
        if self.previewing.as_ref().is_some_and(|previewing| previewing.0 == id) {
            self.previewing = None;
        }
        for lane in self.lanes.all() {
            lane.stop_for(id);
        }
        self.orders.give_up(|_| true, Some(id));
        self.history.forget(id);
        self.last_ground.forget(id);
        crate::discard::later(self.entries.remove(at));
        if self.selected == Some(id) {
            let next = self.entries.get(at).or(self.entries.last());
            self.selected = next.map(|entry| entry.id);
        }
        if self.frame.as_ref().is_some_and(|frame| frame.capture == id) {
            self.frame = None;
        }
        self.dirty = true;
    }

    fn select(&mut self, id: Option<CaptureId>) {
        let id = id.filter(|id| self.entry(*id).is_some());
        if id == self.selected {
            return;
        }
        self.commit();
        self.last_seen += 1;
        let seen = self.last_seen;
        for id in [self.selected, id].into_iter().flatten() {
            if let Some(entry) = self.entry_mut(id) {
                entry.inner.seen = seen;
            }
        }
        self.selected = id;
        self.dirty = true;
    }

    fn keep_recipe(&mut self, from: CaptureId, name: &str) {
        let Some(entry) = self.entry(from) else { return };
        let recipe = named::general(&entry.recipe);
        match named::checked(name) {
            Ok(name) => self.to_name.push_back(NameWish::Keep(name, Box::new(recipe))),
            Err(words) => self.tell(Weight::Trouble, Some(from), words),
        }
    }

    fn ask_again(&mut self, id: CaptureId, stack: bool) {
        if stack {
            // All of it, from the frames on.
            self.last_ground.clear();
        }
        let Some(entry) = self.entry_mut(id) else { return };
        // What is open may have been opened as an earlier recipe says, and the present one have failed.
        let reopen = entry.is_opened_otherwise();
        let inner = &mut entry.inner;
        inner.held = false;
        inner.failed = None;
        inner.to_open |= reopen;
        inner.wanted_grades = true;
        inner.wanted |= stack;
    }

    fn order(&mut self, mut ids: Vec<CaptureId>, target: ExportTarget, all: bool) {
        self.commit();
        ids.retain(|id| self.entry(*id).is_some());
        if ids.is_empty() {
            return;
        }
        for id in &ids {
            self.ask_again(*id, false);
        }
        let wanted = ids.iter().filter_map(|id| {
            let entry = self.entry(*id)?;
            Some((*id, entry.path.clone(), entry.recipe.export.clone()))
        });
        let wanted = wanted.collect();
        // None of what stills are made from is ever replaced.
        let captures = self.entries.iter().map(|entry| entry.path.clone());
        let darks = self.entries.iter().flat_map(|entry| entry.recipe.calibration.paths());
        let captures = captures.chain(darks).collect();
        let group = self.orders.group(ids.into_iter(), all);
        self.orders.to_plan.push_back(Plan {
            group,
            wanted,
            captures,
            folder: target.folder,
            existing: target.existing,
        });
    }

    fn cancel(&mut self, what: Cancel) {
        match what {
            Cancel::All => {
                self.to_gather.clear();
                self.to_sample.clear();
                self.orders.give_up(|_| true, None);
                self.clear_desk();
                self.stop_map(None);
                let lanes = &mut self.lanes;
                for lane in [
                    &mut lanes.gather,
                    &mut lanes.open,
                    &mut lanes.grade,
                    &mut lanes.stack,
                    &mut lanes.finish,
                    &mut lanes.plan,
                ] {
                    lane.stop();
                }
                let selected = self.selected;
                for entry in &mut self.entries {
                    let waits = entry.inner.to_open || !entry.survey_is_current();
                    let shown = Some(entry.id) == selected || entry.inner.wanted;
                    if waits || (shown && !(entry.stack_is_current() && entry.still_is_current())) {
                        entry.hold();
                    }
                }
            }
            Cancel::Capture(id) => {
                self.orders.give_up(|_| true, Some(id));
                self.stop_map(Some(id));
                for lane in self.lanes.all() {
                    lane.stop_for(id);
                }
                if let Some(entry) = self.entry_mut(id) {
                    entry.hold();
                }
            }
            Cancel::MakeAll | Cancel::Export => {
                let all = what == Cancel::MakeAll;
                self.orders.give_up(|group| group.all == all, None);
                if self.orders.runs_for(|group| group.all == all) {
                    self.lanes.stack.stop();
                }
            }
            Cancel::Desk => self.clear_desk(),
            Cancel::Map => self.stop_map(None),
            Cancel::Gathering => {
                self.to_gather.clear();
                self.to_sample.clear();
                self.lanes.gather.stop();
            }
        }
    }
}

impl super::Entry {
    /// Nothing more is done for it unasked.
    fn hold(&mut self) {
        self.inner.held = true;
        self.inner.wanted = false;
        self.inner.wanted_grades = false;
        crate::discard::later(self.partial.take());
    }
}
