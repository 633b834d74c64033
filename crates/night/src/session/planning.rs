//! Small work of the desk, and the search for coming chances.

use super::entry::CaptureId;
use super::lanes::{Output, Running};
use super::{Cancel, Session};
use crate::jobs::Job;
use std::sync::Arc;
use stillwright_moon::plan::{Advice, Chance, Equipment, Instant, Wish, advise, chart, search};
use stillwright_moon::{LunarView, Moment, PlanetView, Site, cautions};
use stillwright_picture::Cancelled;

/// A piece of work for the desk.
pub(super) type DeskWork =
    Box<dyn FnOnce(&Job<'_, Output>) -> Result<Output, Cancelled> + Send + 'static>;

/// What is asked of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanWish {
    /// What is wished of the place.
    pub wish: Wish,
    /// From where.
    pub site: Site,
    /// From when on; now when left out.
    pub from: Option<Moment>,
    /// How many days to look through.
    pub days: f64,
    /// Telescope and camera, for the advice on the capture.
    pub equipment: Option<Equipment>,
}

/// One coming chance, with the night around it.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// From when to when.
    pub chance: Chance,
    /// Altitude and light through the night around it.
    pub night: Arc<Vec<Instant>>,
    /// Cautions about the Sun at its best moment; none where they do not belong.
    pub cautions: Vec<String>,
}

/// What came of a search.
#[derive(Clone, Debug, PartialEq)]
pub struct Planning {
    /// What was asked.
    pub asked: PlanWish,
    /// The chances, in order; or why there are none, in words.
    pub found: Result<Vec<Planned>, String>,
    /// Advice on the capture, or why there is none, in words.
    pub advice: Option<Result<Advice, String>>,
}

/// Most chances that are listed.
const MOST: usize = 60;
/// Hours that a chart shows before and after the best moment, and minutes from point to point.
const AROUND_H: f64 = 6.0;
const STEP_S: f64 = 600.0;

impl Session {
    /// Look for chances, off this thread; a newer search takes the place of one that runs.
    pub(super) fn plan(&mut self, asked: PlanWish) {
        self.to_desk
            .push_back(Box::new(move |job| Ok(Output::Planning(Box::new(planned(job, asked)?)))));
    }

    /// Stop what is done at the desk, and the matching of a reference picture.
    pub(super) fn clear_desk(&mut self) {
        self.to_desk.clear();
        self.lanes.desk.stop();
        let matching = self.lanes.beside.running.as_ref().and_then(|running| running.capture);
        self.lanes.beside.stop();
        if let Some(entry) = matching.and_then(|id| self.entry_mut(id)) {
            entry.beside.trouble =
                Some("you stopped the matching; match again when you wish".into());
        }
    }

    /// Take up the next piece of work for the desk.
    pub(super) fn desk_next(&mut self) {
        if self.lanes.desk.is_idle()
            && let Some(work) = self.to_desk.pop_front()
        {
            let running =
                Running::new(None::<CaptureId>, "working at the desk".into(), Cancel::Desk);
            self.lanes.desk.start(running, work);
        }
    }
}

fn planned(job: &Job<'_, Output>, asked: PlanWish) -> Result<Planning, Cancelled> {
    let from = match asked.from {
        Some(from) => Ok(from),
        None => Moment::parse(&crate::clock::now()),
    };
    let found = from
        .map_err(|e| e.to_string())
        .map(|from| search(&asked.wish, asked.site, from, asked.days, MOST, job));
    let found = match found {
        Err(words) => Err(words),
        Ok(Err(stillwright_moon::plan::SearchError::Cancelled)) => return Err(Cancelled),
        Ok(Err(error)) => Err(error.to_string()),
        Ok(Ok(chances)) => Ok(chances.into_iter().map(|chance| around(&asked, chance)).collect()),
    };
    let planet: Option<&PlanetView> = None;
    let advice = asked.equipment.as_ref().map(|e| advise(e, planet).map_err(|e| e.to_string()));
    Ok(Planning { asked, found, advice })
}

fn around(asked: &PlanWish, chance: Chance) -> Planned {
    let best = chance.best.time_utc;
    let shifted = |hours: f64| best.plus_seconds(3600.0 * hours).unwrap_or(best);
    let (from, to) = (shifted(-AROUND_H), shifted(AROUND_H));
    let night = chart(&asked.wish, asked.site, from, to, STEP_S).unwrap_or_default();
    let cautions = cautions(&LunarView::at(best, Some(asked.site)));
    Planned { chance, night: Arc::new(night), cautions }
}
