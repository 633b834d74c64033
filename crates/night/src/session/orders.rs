//! Stills that were ordered: one to export, or all of a night, one after the other.

use super::effect::{AllStills, StillOutcome, Written};
use super::entry::{CaptureId, Still};
use super::figures::Measures;
use super::lanes::{OrderMade, Output};
use super::work::{Finishing, Stacking, honoured, measures_of, stack_of, still_of};
use super::{Stacked, keeping};
use crate::atomic::Existing;
use crate::cache::Cache;
use crate::error::NightError;
use crate::files::{StillFiles, plan_each};
use crate::hash::Fingerprinting;
use crate::jobs::Job;
use crate::recipe::{ExportSettings, Recipe};
use crate::record::Stopwatch;
use crate::stamp::stamp_of;
use crate::still::{Made, write_still};
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;
use stillwright_picture::{Cancelled, Progress};

/// A still that waits for its turn.
pub(super) struct Order {
    pub id: CaptureId,
    pub files: StillFiles,
    pub group: u64,
}

/// Stills that were ordered together.
pub(super) struct Group {
    pub number: u64,
    /// Whether it is "make all stills", with a word at the end; else a single export.
    pub all: bool,
    outcomes: Vec<(CaptureId, Option<StillOutcome>)>,
    stopped: bool,
    begun: Instant,
}

/// Names of files to be found for a group.
pub(super) struct Plan {
    pub group: u64,
    pub wanted: Vec<(CaptureId, PathBuf, ExportSettings)>,
    pub captures: Vec<PathBuf>,
    pub folder: Option<PathBuf>,
    pub existing: Existing,
}

/// All orders.
#[derive(Default)]
pub(super) struct Orders {
    last: u64,
    pub to_plan: VecDeque<Plan>,
    pub waiting: VecDeque<Order>,
    pub groups: Vec<Group>,
    /// The one on the stacking thread.
    pub running: Option<(u64, CaptureId)>,
}

impl Orders {
    /// A new group; its number.
    pub fn group(&mut self, ids: impl Iterator<Item = CaptureId>, all: bool) -> u64 {
        self.last += 1;
        let outcomes = ids.map(|id| (id, None)).collect();
        let group =
            Group { number: self.last, all, outcomes, stopped: false, begun: Instant::now() };
        self.groups.push(group);
        self.last
    }

    /// What came of one still.
    pub fn settle(&mut self, group: u64, id: CaptureId, outcome: StillOutcome) {
        let group = self.groups.iter_mut().find(|g| g.number == group);
        let open = group.and_then(|g| g.outcomes.iter_mut().find(|o| o.0 == id && o.1.is_none()));
        if let Some(open) = open {
            open.1 = Some(outcome);
        }
    }

    /// Give up what is not done of the groups that `which` names, or of one capture.
    pub fn give_up(&mut self, which: impl Fn(&Group) -> bool, only: Option<CaptureId>) {
        let numbers: Vec<u64> = self.groups.iter().filter(|g| which(g)).map(|g| g.number).collect();
        let hit = |group: u64, id: CaptureId| {
            numbers.contains(&group) && only.is_none_or(|only| only == id)
        };
        self.waiting.retain(|order| !hit(order.group, order.id));
        if only.is_none() {
            self.to_plan.retain(|plan| !numbers.contains(&plan.group));
        }
        let running = self.running;
        for group in self.groups.iter_mut().filter(|g| numbers.contains(&g.number)) {
            group.stopped |= only.is_none();
            for (id, outcome) in &mut group.outcomes {
                let runs = running == Some((group.number, *id));
                if only.is_none_or(|only| only == *id) && outcome.is_none() && !runs {
                    *outcome = Some(StillOutcome::Stopped);
                }
            }
        }
    }

    /// Whether the still under way belongs to a group that `which` names.
    pub fn runs_for(&self, which: impl Fn(&Group) -> bool) -> bool {
        let number = self.running.map(|running| running.0);
        self.groups.iter().any(|g| Some(g.number) == number && which(g))
    }

    /// Groups of which every still has come to its end; they are forgotten here.
    pub fn ended(&mut self) -> Vec<(bool, AllStills)> {
        let mut ended = Vec::new();
        self.groups.retain_mut(|group| {
            if group.outcomes.iter().any(|(_, outcome)| outcome.is_none()) {
                return true;
            }
            let outcomes = group.outcomes.drain(..);
            let outcomes = outcomes.filter_map(|(id, outcome)| Some((id, outcome?))).collect();
            let seconds = group.begun.elapsed().as_secs_f64();
            ended.push((group.all, AllStills { outcomes, stopped: group.stopped, seconds }));
            false
        });
        ended
    }

    /// How many stills of "make all stills" are done, of how many.
    pub fn progress(&self) -> Option<(usize, usize)> {
        let outcomes = || self.groups.iter().filter(|g| g.all).flat_map(|g| &g.outcomes);
        let total = outcomes().count();
        (total > 0).then(|| (outcomes().filter(|o| o.1.is_some()).count(), total))
    }
}

/// Find the names of the files of a group.
pub(super) fn plan(plan: Plan) -> Output {
    let wanted: Vec<(PathBuf, ExportSettings)> =
        plan.wanted.iter().map(|(_, path, export)| (path.clone(), export.clone())).collect();
    let plans = plan_each(&wanted, &plan.captures, plan.folder.as_deref(), plan.existing);
    let ids = plan.wanted.iter().map(|(id, _, _)| *id);
    let plans = ids.zip(plans.into_iter().map(|p| p.map_err(|e| e.to_string()))).collect();
    Output::Planned { group: plan.group, plans }
}

/// What making an ordered still needs; results that are there already are used.
pub(super) struct Making {
    pub stacking: Stacking,
    pub recipe: Arc<Recipe>,
    pub files: StillFiles,
    pub stacked: Option<Arc<Stacked>>,
    pub measures: Option<Arc<Measures>>,
    pub still: Option<Arc<Still>>,
}

/// Make a still and write it.
pub(super) fn make(job: &Job<'_, Output>, task: Making) -> Result<Output, Cancelled> {
    let id = task.stacking.id;
    Ok(match made(job, &task)? {
        Ok((written, made)) => Output::Ordered {
            id,
            outcome: StillOutcome::Written(Arc::new(written)),
            made: Some(Box::new(made)),
        },
        Err(words) => Output::Ordered { id, outcome: StillOutcome::Failed(words), made: None },
    })
}

/// What was kept by an earlier run must come from these very bytes.
fn checked(
    job: &Job<'_, Output>,
    task: &Making,
    stacked: &Stacked,
    print: &mut Fingerprinting,
) -> Attempt<()> {
    let Stacking { id, path, key, graded, source, cache, .. } = &task.stacking;
    let from: Vec<&String> = [&graded.from, &stacked.from].into_iter().flatten().collect();
    if from.is_empty() {
        return Ok(Ok(()));
    }
    let taken = match print.wait(|| job.check().is_ok()) {
        Ok(taken) => taken.ok_or(Cancelled)?,
        Err(error) => return Ok(Err(NightError::read(path.clone(), error).to_string())),
    };
    if from.iter().all(|hash| **hash == taken.sha256) {
        return Ok(Ok(()));
    }
    if let (Some(cache), Some(keys)) = (cache, keeping::cache_keys(path, &**source, key)) {
        cache.forget(&keys);
    }
    job.partial(Output::Disowned { id: *id });
    Ok(Err(format!(
        "the file is not the one that was graded before; it is graded anew: ask again then\n  {}",
        path.display()
    )))
}

type Attempt<T> = Result<Result<T, String>, Cancelled>;

fn made(job: &Job<'_, Output>, task: &Making) -> Attempt<(Written, OrderMade)> {
    macro_rules! or_words {
        ($attempt:expr) => {
            match $attempt {
                Ok(value) => value,
                Err(words) => return Ok(Err(words)),
            }
        };
    }
    let Making { stacking, recipe, files, .. } = task;
    let path = &stacking.path;
    let reading = |e| NightError::read(path.clone(), e).to_string();
    let mut clock = Stopwatch::start();
    let Stacking { source, cache, key, .. } = stacking;
    let marks_of = |cache: &Cache| cache.waymarks(&keeping::cache_keys(path, &**source, key)?);
    let marks = cache.as_ref().and_then(marks_of);
    let stamp = or_words!(stamp_of(path).map_err(reading));
    if stamp != stacking.key.survey.stamp {
        return Ok(Err(format!(
            "the file has changed since it was graded; it is being looked at anew: ask again then\n  {}",
            path.display()
        )));
    }
    if !keeping::same_calibration(&stacking.key.survey) {
        return Ok(Err(format!(
            "a dark or flat of this capture has changed since it was graded; it is being looked at \
             anew: ask again then\n  {}",
            path.display()
        )));
    }
    let mut print = or_words!(Fingerprinting::begin_knowing(path, marks).map_err(reading));
    let survey = honoured(&stacking.graded.survey, &stacking.key.frames);
    clock.lap("survey (made before)");
    let stacked = match &task.stacked {
        Some(stacked) => Arc::clone(stacked),
        None => or_words!(stack_of(job, stacking, &survey)?),
    };
    clock.lap(if task.stacked.is_some() { "stack (made before)" } else { "stack" });
    let measures = match &task.measures {
        Some(measures) => Arc::clone(measures),
        None => or_words!(measures_of(job, path, &stacked, &recipe.finish)?),
    };
    let still = match &task.still {
        Some(still) => Arc::clone(still),
        None => {
            let finishing = Finishing {
                id: stacking.id,
                path: path.clone(),
                finish: recipe.finish.clone(),
                stacked: Arc::clone(&stacked),
                measures: None,
                last_undone: Arc::default(),
            };
            or_words!(still_of(job, &finishing, &measures)?)
        }
    };
    clock.lap(if task.still.is_some() { "finish (made before)" } else { "finish" });
    or_words!(checked(job, task, &stacked, &mut print)?);
    let made = Made {
        facts: stacking.source.facts(),
        calibration: stacking.calibration.as_deref(),
        survey: &survey,
        stack: &stacked.stack,
        finished: &still.finished,
    };
    let record = match write_still(files, recipe, made, print, clock, job) {
        Ok(record) => record,
        Err(NightError::Cancelled) => return Err(Cancelled),
        Err(error) => return Ok(Err(error.to_string())),
    };
    let tone = still.finished.used.tone;
    let written = Written { files: files.clone(), record };
    Ok(Ok((written, OrderMade { stacked, measures, still, tone })))
}
