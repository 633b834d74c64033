//! Results of the job threads taken into the session. What no longer belongs to the present file
//! and recipe is dropped.

use super::chart::{Chart, known_percent};
use super::effect::{Effect, StillOutcome};
use super::entry::{CaptureId, Entry};
use super::figures::OpticsFigures;
use super::keeping::Keeping;
use super::key::{StackKey, SurveyKey};
use super::lanes::{Look, NamedChange, News, Opened, OrderMade, Output};
use super::laying::Maps;
use super::message::{Weight, for_window};
use super::orders::Order;
use super::{Session, gather, look};
use crate::discard::later;
use crate::still::whole;
use std::path::{Path, PathBuf};
use std::sync::Arc;

impl Session {
    /// Take in what all threads have to tell; whether there was anything.
    pub(super) fn absorb_news(&mut self) -> bool {
        let mut any = false;
        let all: Vec<News> = self.lanes.all().into_iter().flat_map(|lane| lane.poll()).collect();
        for news in all {
            any = true;
            match news {
                News::Output(output) => self.absorb(output),
                News::Broken(capture, words) => self.broken(capture, &words),
                News::Progress | News::Ended => {}
            }
        }
        if self.lanes.stack.is_idle()
            && let Some((group, id)) = self.orders.running.take()
        {
            // It ended without an outcome: it was stopped.
            self.orders.settle(group, id, StillOutcome::Stopped);
        }
        any
    }

    fn absorb(&mut self, output: Output) {
        match output {
            Output::Found { files, known, troubles } => self.found(files, known, troubles),
            Output::Opened { id, opened } => self.opened(id, *opened),
            Output::Graded { id, graded, order, best } => {
                let Some(entry) = self.entry_mut(id) else { return };
                if entry.survey_key().as_ref() != Some(&graded.key) {
                    return;
                }
                entry.graded = Some(graded);
                entry.inner.order = order;
                entry.inner.wanted_grades = false;
                entry.advice = None;
                if let Some(best) = best {
                    entry.thumbnail = Some(best);
                }
                entry.redraw();
                self.effects.push(Effect::Graded(id));
            }
            Output::Grading(so_far) => {
                let Some(entry) = self.entry_mut(so_far.id) else { return };
                // What an earlier recipe gave stays in view until the new grades are there.
                if entry.graded.is_none() && entry.survey_key().as_ref() == Some(&so_far.key) {
                    entry.chart = Some(so_far.chart);
                    if let Some(best) = so_far.best {
                        entry.thumbnail = Some(best);
                    }
                }
            }
            Output::Partial(partial) => {
                if let Some(entry) = self.entry_mut(partial.capture) {
                    later(entry.partial.replace(partial));
                }
            }
            Output::Stacked { id, stacked } => {
                let Some(entry) = self.entry_mut(id) else { return };
                if entry.stack_key().as_ref() != Some(&stacked.key) {
                    return;
                }
                entry.take_stack(Arc::clone(&stacked));
                self.keep_later(id, stacked);
                self.effects.push(Effect::Stacked(id));
                self.trim();
            }
            Output::Measured { id, measures } => {
                let Some(entry) = self.entry_mut(id) else { return };
                if entry.stacked.as_ref().is_some_and(|s| s.key == measures.of) {
                    entry.measures = Some(measures);
                    entry.redraw();
                }
            }
            Output::Finished { id, still, tone } => {
                let Some(entry) = self.entry_mut(id) else { return };
                if entry.finish_key().as_ref() != Some(&still.key) {
                    return;
                }
                entry.inner.tone = Some(tone);
                later((entry.still.replace(still), entry.preview.take()));
                entry.inner.wanted = false;
                self.tone_frame();
                self.effects.push(Effect::Finished(id));
                self.trim();
            }
            Output::Prepared { id, ahead } => {
                if let Some(entry) = self.entry_mut(id) {
                    later(entry.inner.ahead.replace(ahead));
                }
            }
            Output::Previewed(preview) => {
                let id = preview.capture;
                let Some(entry) = self.entry_mut(id) else { return };
                later(entry.inner.ahead.replace(Arc::clone(&preview.ahead)));
                // A preview that came too late for this setting still is nearer than none: the
                // next one is on its way. One of another stack shows another picture.
                let same = entry.stacked.as_ref().is_some_and(|s| s.key == preview.of_still.stack);
                if same && !entry.still_is_current() {
                    later(entry.preview.replace(preview));
                    self.effects.push(Effect::Previewed(id));
                }
            }
            Output::Frame(frame) => {
                let id = frame.capture;
                if self.entry(id).is_some() {
                    self.frame_trouble = None;
                    later(self.frame.replace(frame));
                    self.tone_frame();
                    self.effects.push(Effect::FrameShown(id));
                }
            }
            Output::NoFrame { words } => self.frame_trouble = Some(words),
            Output::Planned { group, plans } => {
                for (id, plan) in plans {
                    match plan {
                        Ok(files) => self.orders.waiting.push_back(Order { id, files, group }),
                        Err(words) => self.order_failed(group, id, words),
                    }
                }
            }
            Output::Ordered { id, outcome, made } => self.ordered(id, outcome, made),
            Output::Looked(looks) => {
                for (id, look, files) in looks {
                    self.looked(id, look);
                    self.looked_at_calibration(id, files);
                }
            }
            Output::Gone(id) => self.looked(id, Look::Gone),
            Output::NotOpened { id, with, calibration_files, words } => {
                let Some(entry) = self.entry_mut(id) else { return };
                // It may be asked to be opened in another way by now: then that is tried.
                if entry.to_be_opened_with() == with {
                    entry.inner.tried_files = calibration_files;
                    self.failed(id, words);
                }
            }
            Output::Saved(Ok(())) => {
                if std::mem::take(&mut self.save_failed) {
                    self.tell(Weight::Note, None, "the night is saved again".into());
                }
                self.effects.push(Effect::Saved);
            }
            Output::Saved(Err(words)) => {
                // It is tried again and again, and told once.
                if !std::mem::replace(&mut self.save_failed, true) {
                    self.tell(Weight::Trouble, None, words);
                }
            }
            Output::Named(Ok(NamedChange::Kept(kept))) => {
                self.named.retain(|named| named.name != kept.name);
                let at = self.named.partition_point(|named| named.name < kept.name);
                self.named.insert(at, kept);
            }
            Output::Named(Ok(NamedChange::Forgotten(name))) => {
                self.named.retain(|named| named.name != name);
            }
            Output::Named(Err(words)) | Output::Trouble(words) => {
                self.tell(Weight::Trouble, None, words);
            }
            Output::Disowned { id } => {
                self.last_ground.clear();
                self.last_undone.clear();
                if let Some(entry) = self.entry_mut(id) {
                    entry.disown();
                }
            }
            Output::Nothing => {}
            Output::Failed { id, words } => self.failed(id, words),
            Output::Findings { id, findings } => {
                if let Some(entry) = self.entry_mut(id) {
                    entry.findings = Some(findings);
                    self.effects.push(Effect::Measured(id));
                }
            }
            Output::Places(Ok(list)) => {
                self.places_path = Some(list.path.clone());
                self.place_list = Some(list);
                self.dirty = true;
            }
            Output::Places(Err(words)) => self.tell(Weight::Trouble, None, words),
            Output::MeasuredWritten { id, files } => {
                self.effects.push(Effect::MeasuredWritten(id, files));
            }
            Output::Mapped { id, of, map } => self.mapped(id, &of, map),
            Output::Beside { id, news } => self.beside_news(id, *news),
            Output::Planning(planning) => self.planning = Some(Arc::from(planning)),
            Output::DeskTrouble { id, words } => self.tell(Weight::Trouble, id, words),
        }
    }

    fn found(&mut self, files: Vec<PathBuf>, known: usize, troubles: Vec<String>) {
        for words in troubles {
            self.tell(Weight::Trouble, None, words);
        }
        if known > 0 {
            let captures =
                if known == 1 { "1 capture is" } else { &format!("{known} captures are") };
            self.tell(Weight::Note, None, format!("{captures} in this night already"));
        }
        let ids: Vec<CaptureId> = files.into_iter().map(|path| self.insert(path)).collect();
        self.effects.push(Effect::Gathered(ids.len()));
        if ids.is_empty() {
            return;
        }
        self.entries.sort_by(|a, b| gather::by_name(&a.path, &b.path));
        if self.selected.is_none() {
            self.selected = self.entries.iter().map(|e| e.id).find(|id| ids.contains(id));
        }
        self.dirty = true;
        self.effects.push(Effect::Added(ids));
    }

    fn opened(&mut self, id: CaptureId, opened: Opened) {
        let Some(entry) = self.entry_mut(id) else { return };
        if entry.to_be_opened_with() != opened.with {
            return;
        }
        let known = entry.stamp.or(entry.inner.saved_stamp);
        let earlier = entry.inner.saved_stamp.take().filter(|stamp| *stamp != opened.stamp);
        let renewed = known != Some(opened.stamp);
        entry.stamp = Some(opened.stamp);
        entry.name = whole_name(&entry.path, opened.report.last_file.as_deref());
        entry.facts = Some(opened.report);
        entry.inner.source = Some(opened.source);
        entry.inner.calibration = opened.calibration;
        entry.inner.calibration_files = opened.calibration_files;
        entry.inner.opened_with = opened.with;
        entry.inner.to_open = false;
        entry.inner.failed = None;
        if let Some(thumbnail) = opened.thumbnail {
            entry.thumbnail = Some(thumbnail);
        }
        entry.redraw();
        if earlier.is_some() {
            let words = format!(
                "the file has changed since this night was last open; it is graded anew\n  {}",
                entry.path.display()
            );
            self.tell(Weight::Note, Some(id), words);
        }
        self.dirty |= renewed;
        self.effects.push(Effect::Opened(id));
    }

    fn failed(&mut self, id: CaptureId, words: String) {
        let Some(entry) = self.entry_mut(id) else { return };
        entry.inner.failed = Some(words.clone());
        entry.inner.to_open = false;
        entry.inner.wanted = false;
        self.tell(Weight::Trouble, Some(id), words);
        self.effects.push(Effect::Failed(id));
    }

    fn broken(&mut self, capture: Option<CaptureId>, words: &str) {
        let words = format!(
            "a fault in the program stopped this work: {words}\n  the file is unharmed; please report it"
        );
        match capture {
            Some(id) => {
                if let Some((group, of)) = self.orders.running.filter(|running| running.1 == id) {
                    self.orders.running = None;
                    self.order_failed(group, of, words);
                } else {
                    self.failed(id, words);
                }
            }
            None => self.tell(Weight::Trouble, None, words),
        }
    }

    fn ordered(&mut self, id: CaptureId, outcome: StillOutcome, made: Option<Box<OrderMade>>) {
        let Some((group, _)) = self.orders.running.take() else { return };
        match outcome {
            StillOutcome::Failed(words) => self.order_failed(group, id, words),
            outcome => {
                if let StillOutcome::Written(written) = &outcome {
                    self.effects.push(Effect::Written(id, Arc::clone(written)));
                    if let Some(entry) = self.entry_mut(id) {
                        entry.written = Some(Arc::clone(written));
                    }
                    self.write_measured_beside(id, written);
                }
                self.orders.settle(group, id, outcome);
            }
        }
        let (Some(made), Some(entry)) = (made, self.entry_mut(id)) else { return };
        entry.inner.written_key = Some(made.still.key.clone());
        let fresh =
            entry.stack_key().as_ref() == Some(&made.stacked.key) && !entry.stack_is_current();
        if fresh {
            entry.take_stack(Arc::clone(&made.stacked));
        }
        if entry.stacked.as_ref().is_some_and(|s| s.key == made.measures.of) {
            entry.measures = Some(made.measures);
            if entry.finish_key().as_ref() == Some(&made.still.key) {
                entry.inner.tone = Some(made.tone);
                later((entry.still.replace(made.still), entry.preview.take()));
            }
        }
        entry.redraw();
        if fresh {
            self.keep_later(id, made.stacked);
        }
        self.trim();
    }

    /// Wish for a new stack to be kept for the next run: of a whole capture only, for a disk that failed
    /// once may do better next time.
    fn keep_later(&mut self, id: CaptureId, stacked: Arc<super::Stacked>) {
        let Some(cache) = self.options.cache.clone().filter(|_| stacked.from.is_none()) else {
            return;
        };
        let Some(entry) = self.entry(id) else { return };
        let read = entry.graded.as_ref().is_some_and(|graded| whole(&graded.survey));
        if let (true, Some(source)) =
            (read && stacked.stack.frames_lost.is_empty(), entry.inner.source.clone())
        {
            // An older stack of the same capture that nobody asks for any more need not be kept.
            let path = entry.path.clone();
            self.to_keep.retain(|waiting| waiting.path != path);
            self.to_keep.push_back(Keeping { path, source, stacked, cache });
        }
    }

    /// The frame is shown in the tone of the still, where there is one.
    fn tone_frame(&mut self) {
        let Some(frame) = &self.frame else { return };
        let still = self.entry(frame.capture).and_then(|entry| entry.still.as_ref());
        let toned = look::in_tone(frame, still.map(|still| &*still.finished));
        if toned.shown.stretch != frame.shown.stretch
            || toned.in_tone_of_still != frame.in_tone_of_still
        {
            self.frame = Some(Arc::new(toned));
        }
    }

    pub(super) fn order_failed(&mut self, group: u64, id: CaptureId, words: String) {
        self.tell(Weight::Trouble, Some(id), words.clone());
        self.effects.push(Effect::Failed(id));
        self.orders.settle(group, id, StillOutcome::Failed(for_window(&words)));
    }

    /// Let go of pictures that nobody looks at when they are too many.
    fn trim(&mut self) {
        let selected = self.selected;
        let mut others: Vec<&mut Entry> =
            self.entries.iter_mut().filter(|e| Some(e.id) != selected).collect();
        others.sort_by_key(|entry| std::cmp::Reverse(entry.inner.seen));
        let mut room = self.options.memory_bytes;
        for entry in others {
            let bytes = entry.picture_bytes();
            match room.checked_sub(bytes) {
                Some(left) => room = left,
                None => {
                    later((entry.stacked.take(), entry.still.take(), entry.partial.take()));
                    later((entry.preview.take(), entry.inner.ahead.take()));
                    entry.inner.maps = Maps::default();
                }
            }
        }
    }
}

/// What a capture is called: its file, of a sequence the first and the last.
fn whole_name(path: &Path, last: Option<&str>) -> String {
    let first = path.file_name().unwrap_or_default().to_string_lossy();
    last.map_or_else(|| first.clone().into_owned(), |last| format!("{first} to {last}"))
}

impl Entry {
    /// What a stack of the present file and recipe depends on.
    pub(super) fn stack_key(&self) -> Option<StackKey> {
        self.survey_key().map(|key: SurveyKey| StackKey::new(key, self.settled()))
    }

    fn take_stack(&mut self, stacked: Arc<super::Stacked>) {
        if let Some(advice) = &stacked.stack.advice {
            self.advice = Some(Arc::new(advice.clone()));
        }
        later((self.stacked.replace(stacked), self.partial.take(), self.preview.take()));
        (self.inner.tone, self.inner.maps) = (None, Maps::default());
        self.redraw();
    }

    /// Forget what was made: it is made anew.
    fn disown(&mut self) {
        later((self.graded.take(), self.stacked.take(), self.still.take(), self.preview.take()));
        self.measures = None;
        self.advice = None;
        self.chart = None;
        self.inner.ahead = None;
        self.inner.maps = Maps::default();
    }

    /// Chart, sliders and optics, anew from recipe and results.
    pub(super) fn redraw(&mut self) {
        let finish = &self.recipe.finish;
        self.optics = finish.optics.as_ref().and_then(OpticsFigures::of);
        self.scales = match &self.measures {
            Some(measures) => measures.scales(finish),
            None => Arc::from([]),
        };
        if let Some(graded) = &self.graded {
            let advised = self.advice.as_ref().map(|advice| advice.percent);
            let percent = known_percent(self.recipe.stack.keep, advised);
            let rate = self.facts.as_ref().and_then(|facts| facts.frame_rate_hz);
            let order = &self.inner.order;
            let chart = Chart::new(&graded.survey, order, &self.recipe.frames, percent, rate);
            self.chart = Some(Arc::new(chart));
        }
    }

    fn picture_bytes(&self) -> u64 {
        let bytes = |picture: &stillwright_picture::Picture| picture.planes.len() as u64 * 4;
        let stack = self.stacked.as_ref().map_or(0, |s| 3 * bytes(&s.stack.picture));
        stack + self.still.as_ref().map_or(0, |s| bytes(&s.finished.picture))
    }
}
