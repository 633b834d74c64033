//! What is to be done next: decided anew after every command and every result, from what is there
//! and what is wanted.

use super::effect::{Effect, StillOutcome};
use super::entry::{CaptureId, Entry};
use super::grading::{Grading, grade};
use super::ground::LastGround;
use super::keeping::keep;
use super::key::FinishKey;
use super::lanes::{Output, Running};
use super::orders::{self, Making};
use super::preview::{self, Previewing};
use super::work::{self, Finishing, Stacking};
use super::{Cancel, Session, gather, look, named, watch};
use crate::cache::Cache;
use crate::sample_night::{SampleFiles, write_sample};
use std::sync::Arc;
use std::time::Duration;
use stillwright_sample::SampleSettings;

/// Time in which a moved slider may move on before the whole picture is finished again.
const SLIDER_RESTS: Duration = Duration::from_millis(50);
/// Time in which further changes go into the same saving of the night.
const SAVING_WAITS: Duration = Duration::from_millis(300);
/// Time after which the night is saved again where that failed: the disk may have room by then.
const SAVING_TRIES_AGAIN: Duration = Duration::from_secs(3);

impl Session {
    /// Start what is to be done and can be.
    pub(super) fn schedule(&mut self) {
        self.serving = self.named_for_calibration();
        self.gather_next();
        self.named_next();
        self.open_next();
        self.grade_next();
        self.settle_hopeless_orders();
        self.stack_next();
        self.preview_next();
        self.finish_next();
        self.frame_next();
        self.plan_next();
        self.measure_next();
        self.beside_next();
        self.desk_next();
        self.map_next();
        self.save_next();
        self.watch_next();
        self.keep_next();
        for (all, outcome) in self.orders.ended() {
            if all {
                let outcome = Arc::new(outcome);
                self.last_all_stills = Some(Arc::clone(&outcome));
                self.effects.push(Effect::AllStills(outcome));
            }
        }
        for i in 0..self.entries.len() {
            let state = self.state_of(&self.entries[i]);
            self.entries[i].state = state;
        }
    }

    /// Captures in order of urgency: the selected one, those with a still on order, the others.
    fn by_urgency(&self) -> Vec<CaptureId> {
        let ordered = self.orders.waiting.iter().map(|order| order.id);
        let first = self.selected.into_iter().chain(ordered);
        let mut ids: Vec<CaptureId> = Vec::with_capacity(self.entries.len() + 8);
        for id in first.chain(self.entries.iter().map(|entry| entry.id)) {
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
        ids
    }

    fn gather_next(&mut self) {
        if !self.lanes.gather.is_idle() {
            return;
        }
        if let Some(paths) = self.to_gather.pop_front() {
            let known: Vec<_> = self.entries.iter().map(|entry| entry.path.clone()).collect();
            let running = Running::new(None, "looking for captures".into(), Cancel::Gathering);
            self.lanes.gather.start(running, move |job| gather::gather(job, paths, &known));
        } else if let Some(folder) = self.to_sample.pop_front() {
            let running = Running::new(None, "making a sample night".into(), Cancel::Gathering);
            let existing = crate::atomic::Existing::Keep;
            self.lanes.gather.start(running, move |job| {
                let files = SampleFiles::plan(&folder, "ridge");
                let taken = |path| Output::Found { files: vec![path], known: 0, troubles: vec![] };
                if files.capture.is_file() {
                    return gather::gather(job, vec![files.capture], &[]);
                }
                match write_sample(&files, &SampleSettings::demo(1), existing, job) {
                    Ok(_) => Ok(taken(files.capture)),
                    Err(error) if error.is_cancelled() => Err(stillwright_picture::Cancelled),
                    Err(error) => Ok(Output::Trouble(error.to_string())),
                }
            });
        }
    }

    fn named_next(&mut self) {
        if self.lanes.named.is_idle()
            && let Some(wish) = self.to_name.pop_front()
        {
            let folder = self.options.places.recipes.clone();
            let running = Running::new(None, "keeping a recipe".into(), Cancel::All);
            self.lanes.named.start(running, move |_| {
                Ok(match wish {
                    super::NameWish::Keep(name, recipe) => named::keep(&folder, name, &recipe),
                    super::NameWish::Forget(name) => named::forget(&folder, name),
                })
            });
        }
    }

    fn open_next(&mut self) {
        if let Some(id) = self.lanes.open.running.as_ref().and_then(|r| r.capture) {
            if self.entry(id).is_none_or(|e| e.inner.held || e.inner.gone) {
                self.lanes.open.stop();
            }
            return;
        }
        let ids = self.by_urgency();
        let next = ids.into_iter().find(|id| {
            self.entry(*id).is_some_and(|e| {
                e.inner.to_open && !e.inner.held && !e.inner.growing && !e.inner.gone
            })
        });
        let Some(entry) = next.and_then(|id| self.entry(id)) else { return };
        let (id, path, with) = (entry.id, entry.path.clone(), entry.to_be_opened_with());
        let running =
            Running::new(Some(id), format!("opening {}", entry.name), Cancel::Capture(id));
        self.lanes.open.start(running, move |job| work::open(job, id, path, with));
    }

    fn grade_next(&mut self) {
        if let Some(running) = &self.lanes.grade.running {
            let id = running.capture;
            let current = id.and_then(|id| self.entry(id)).is_some_and(|entry| {
                entry.may_be_worked_on() && entry.survey_key() == self.grading
            });
            if !current {
                self.lanes.grade.stop();
            }
            return;
        }
        let unasked = self.options.grade_unasked;
        let ordered = |id: CaptureId| self.orders.waiting.iter().any(|order| order.id == id);
        let next = self.by_urgency().into_iter().find(|id| {
            self.entry(*id).is_some_and(|entry| {
                let unasked = unasked && !self.serves(entry);
                (unasked || entry.inner.wanted || entry.inner.wanted_grades || ordered(*id))
                    && entry.may_be_worked_on()
                    && !entry.survey_is_current()
            })
        });
        let Some(entry) = next.and_then(|id| self.entry(id)) else { return };
        let (Some(key), Some(source)) = (entry.survey_key(), entry.inner.source.clone()) else {
            return;
        };
        let id = entry.id;
        let mut running =
            Running::new(Some(id), format!("grading {}", entry.name), Cancel::Capture(id));
        running.frame_bytes = entry.frame_bytes();
        let task = Grading {
            id,
            path: entry.path.clone(),
            key: key.clone(),
            source,
            frame_rate_hz: entry.facts.as_ref().and_then(|facts| facts.frame_rate_hz),
            cache: self.options.cache.clone(),
        };
        self.grading = Some(key);
        self.lanes.grade.start(running, move |job| grade(job, task));
    }

    /// Orders for captures that cannot be worked on have failed.
    fn settle_hopeless_orders(&mut self) {
        let mut hopeless = Vec::new();
        let entries = &self.entries;
        self.orders.waiting.retain(|order| {
            let words = match entries.iter().find(|entry| entry.id == order.id) {
                None => None,
                Some(entry) => match &entry.inner {
                    inner if inner.gone => {
                        Some(format!("the file is gone\n  {}", entry.path.display()))
                    }
                    inner if inner.growing => {
                        let shown = entry.path.display();
                        Some(format!("the file is still being written\n  {shown}"))
                    }
                    inner if inner.failed.is_some() => inner.failed.clone(),
                    _ => return true,
                },
            };
            hopeless.push((order.group, order.id, words));
            false
        });
        for (group, id, words) in hopeless {
            match words {
                Some(words) => self.order_failed(group, id, words),
                None => self.orders.settle(group, id, StillOutcome::Stopped),
            }
        }
    }

    fn stack_next(&mut self) {
        if let Some(running) = &self.lanes.stack.running {
            let id = running.capture;
            // An order keeps the recipe that it was given with.
            let current = id.and_then(|id| self.entry(id)).is_some_and(|entry| {
                entry.may_be_worked_on()
                    && (self.orders.running.is_some() || entry.stack_key() == self.stacking)
            });
            if !current {
                self.lanes.stack.stop();
            }
            return;
        }
        let selected = self.selected.filter(|id| {
            self.entry(*id).is_some_and(|entry| {
                (self.options.stack_unasked || entry.inner.wanted) && entry.is_to_be_stacked()
            })
        });
        if let Some(id) = selected {
            return self.start_stack(id);
        }
        let ready = self.orders.waiting.iter().position(|order| {
            self.entry(order.id).is_some_and(|e| e.may_be_worked_on() && e.survey_is_current())
        });
        if let Some(order) = ready.and_then(|at| self.orders.waiting.remove(at)) {
            return self.start_order(order);
        }
        let wanted = self.entries.iter().find(|e| e.inner.wanted && e.is_to_be_stacked());
        if let Some(id) = wanted.map(|entry| entry.id) {
            self.start_stack(id);
        }
    }

    fn start_stack(&mut self, id: CaptureId) {
        let cache = self.options.cache.clone();
        let found = self.entry(id).and_then(|e| Some((e, e.stacking(cache, &self.last_ground)?)));
        let Some((entry, task)) = found else { return };
        let mut running =
            Running::new(Some(id), format!("stacking {}", entry.name), Cancel::Capture(id));
        running.frame_bytes = entry.frame_bytes();
        self.stacking = Some(task.key.clone());
        if self.selected == Some(id) {
            // What was finished last is of this capture, most likely, and will not serve the new stack, which takes most memory.
            self.last_undone.clear();
        }
        self.lanes.stack.start(running, move |job| work::stack(job, &task));
    }

    fn start_order(&mut self, order: orders::Order) {
        let cache = self.options.cache.clone();
        let found =
            self.entry(order.id).and_then(|e| Some((e, e.stacking(cache, &self.last_ground)?)));
        let Some((entry, stacking)) = found else { return };
        let recipe = Arc::new(entry.settled().clone());
        let stacked = entry.stacked.clone().filter(|s| s.key == stacking.key);
        let key = FinishKey { stack: stacking.key.clone(), finish: recipe.finish.clone() };
        let making = Making {
            measures: entry.measures.clone().filter(|m| {
                stacked.is_some() && m.of == stacking.key && m.told == recipe.finish.optics
            }),
            still: entry.still.clone().filter(|s| stacked.is_some() && s.key == key),
            stacked,
            stacking,
            recipe,
            files: order.files,
        };
        let all = self.orders.groups.iter().any(|g| g.number == order.group && g.all);
        let cancel = if all { Cancel::MakeAll } else { Cancel::Export };
        let words = format!("making the still of {}", entry.name);
        let mut running = Running::new(Some(order.id), words, cancel);
        running.frame_bytes = entry.frame_bytes();
        self.orders.running = Some((order.group, order.id));
        self.lanes.stack.start(running, move |job| orders::make(job, making));
    }

    fn finish_next(&mut self) {
        let selected = self.selected.and_then(|id| self.entry(id));
        let wanted = self.entries.iter().filter(|entry| entry.inner.wanted);
        let next = selected.into_iter().chain(wanted).find(|entry| {
            entry.may_be_worked_on() && entry.stack_is_current() && !entry.still_is_current()
        });
        let Some(entry) = next else {
            // Nothing is to be finished: what runs is stale.
            if !self.lanes.finish.is_idle() {
                self.lanes.finish.stop();
            }
            return;
        };
        let (Some(key), Some(stacked)) = (entry.finish_key(), entry.stacked.clone()) else {
            return;
        };
        let runs = self.lanes.finish.running.as_ref().is_some_and(|r| !r.stopping);
        if runs && self.finishing.as_ref() == Some(&key) {
            return;
        }
        let previewed = entry.measures.is_some() && !self.preparing;
        if previewed && !self.lanes.preview.is_idle() {
            // The whole follows what is seen, and does not take the processor from it.
            return self.lanes.finish.stop();
        }
        let measures =
            entry.measures.clone().filter(|m| m.of == stacked.key && m.told == key.finish.optics);
        let id = entry.id;
        let delay = if measures.is_some() { SLIDER_RESTS } else { Duration::ZERO };
        let task = Finishing {
            id,
            path: entry.path.clone(),
            finish: key.finish.clone(),
            stacked,
            measures,
            last_undone: Arc::clone(&self.last_undone),
        };
        let running =
            Running::new(Some(id), format!("finishing {}", entry.name), Cancel::Capture(id));
        self.finishing = Some(key);
        let pool = Arc::clone(&self.whole);
        self.lanes.finish.start(running, move |job| {
            job.pause(delay)?;
            pool.install(|| work::finish(job, &task))
        });
    }

    fn preview_next(&mut self) {
        // One runs to its end while the slider moves on: cancelling it would show nothing at all.
        if !(self.lanes.preview.is_idle() || self.preparing) {
            return;
        }
        let Some((id, region)) = self.looked_at else { return };
        let Some(entry) = self.entry(id).filter(|entry| entry.may_be_worked_on()) else { return };
        let (Some(stacked), Some(measures)) = (entry.stacked.clone(), entry.measures.clone())
        else {
            return;
        };
        let finish = entry.recipe.finish.clone();
        if measures.of != stacked.key || measures.told != finish.optics {
            return;
        }
        let key = FinishKey { stack: stacked.key.clone(), finish };
        let prepare = entry.still_is_current();
        let tried = Some((id, region, key.clone()));
        if self.previewed == tried && self.preparing == prepare {
            return;
        }
        let (tone, ahead) = (entry.inner.tone, entry.inner.ahead.clone());
        self.previewed = tried;
        self.preparing = prepare;
        let running = Running::new(Some(id), "previewing".into(), Cancel::Capture(id));
        let task = Previewing { id, region, key, stacked, measures, tone, ahead };
        let quick = Arc::clone(&self.quick);
        let work = if prepare { preview::prepare } else { preview::preview };
        self.lanes.preview.start(running, move |job| quick.install(|| work(job, &task)));
    }

    fn frame_next(&mut self) {
        if !self.lanes.frame.is_idle() {
            return;
        }
        let Some((id, index)) = self.frame_wish.take() else { return };
        let Some(entry) = self.entry(id) else { return };
        let Some(source) = entry.inner.source.clone() else {
            // Asked before the capture is open: it is fetched then, if nothing newer comes.
            if entry.inner.to_open || self.lanes.open.works_on(id) {
                self.frame_wish = Some((id, index));
            }
            return;
        };
        let graded = entry.graded.clone();
        let choice = entry.recipe.frames.clone();
        let running = Running::new(Some(id), "fetching a frame".into(), Cancel::Capture(id));
        self.lanes.frame.start(running, move |_| {
            let survey = graded.as_ref().map(|graded| &*graded.survey);
            Ok(match look::frame(&*source, (id, index), survey) {
                Ok(mut frame) => {
                    if choice.leaves_out(index) {
                        frame.rejected.get_or_insert(stillwright_seeing::Rejection::Excluded);
                    }
                    Output::Frame(Arc::new(frame))
                }
                Err(words) => Output::NoFrame { words },
            })
        });
    }

    fn plan_next(&mut self) {
        if self.lanes.plan.is_idle()
            && let Some(plan) = self.orders.to_plan.pop_front()
        {
            let running = Running::new(None, "looking where the stills go".into(), Cancel::MakeAll);
            self.lanes.plan.start(running, move |_| Ok(orders::plan(plan)));
        }
    }

    fn save_next(&mut self) {
        let wanted = self.dirty || self.save_failed;
        if !wanted || !self.may_save || !self.lanes.save.is_idle() {
            return;
        }
        let wait = if self.dirty { SAVING_WAITS } else { SAVING_TRIES_AGAIN };
        self.dirty = false;
        let night = self.snapshot();
        let path = self.options.places.night.clone();
        let running = Running::new(None, "saving the night".into(), Cancel::All);
        self.lanes.save.start(running, move |job| {
            job.pause(wait)?;
            Ok(Output::Saved(night.write(&path)))
        });
    }

    fn watch_next(&mut self) {
        if self.lanes.watch.is_idle() && !self.entries.is_empty() {
            let watched = |entry: &Entry| watch::Watched {
                id: entry.id,
                path: entry.path.clone(),
                calibration: entry.settled().calibration.clone(),
            };
            let all = self.entries.iter().map(watched).collect();
            let running = Running::new(None, "watching the files".into(), Cancel::All);
            self.lanes.watch.start(running, move |job| watch::look(job, all));
        }
    }

    /// Stacks are kept when nothing is being read or computed that somebody waits for.
    fn keep_next(&mut self) {
        let busy = !(self.lanes.grade.is_idle() && self.lanes.stack.is_idle());
        if busy || !self.lanes.keep.is_idle() || !self.lanes.finish.is_idle() {
            return;
        }
        if let Some(task) = self.to_keep.pop_front() {
            let running = Running::new(None, "keeping a stack".into(), Cancel::All);
            self.lanes.keep.start(running, move |job| keep(job, &task));
        }
    }
}

impl Entry {
    /// Whether work on it makes sense.
    fn may_be_worked_on(&self) -> bool {
        let inner = &self.inner;
        inner.source.is_some()
            && !(inner.to_open || inner.held || inner.growing || inner.gone)
            && inner.failed.is_none()
    }

    fn is_to_be_stacked(&self) -> bool {
        self.may_be_worked_on() && self.survey_is_current() && !self.stack_is_current()
    }

    /// What a still of the present file and recipe depends on, previews of the finish included.
    pub(super) fn finish_key(&self) -> Option<FinishKey> {
        let finish = self.recipe.finish.clone();
        self.stack_key().map(|stack| FinishKey { stack, finish })
    }

    fn stacking(&self, cache: Option<Cache>, last_ground: &Arc<LastGround>) -> Option<Stacking> {
        let graded = self.graded.clone().filter(|_| self.survey_is_current())?;
        Some(Stacking {
            id: self.id,
            path: self.path.clone(),
            key: self.stack_key()?,
            graded,
            source: self.inner.source.clone()?,
            cache,
            calibration: self.inner.calibration.clone(),
            last_ground: Arc::clone(last_ground),
        })
    }

    /// Bytes of one frame in the file.
    fn frame_bytes(&self) -> f64 {
        let Some(facts) = &self.facts else { return 0.0 };
        let samples = if matches!(facts.layout.as_str(), "rgb" | "bgr") { 3.0 } else { 1.0 };
        let bytes = if facts.bit_depth > 8 { 2.0 } else { 1.0 };
        (facts.width * facts.height) as f64 * samples * bytes
    }
}
