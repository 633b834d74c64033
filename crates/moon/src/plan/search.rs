//! The coming hours that fulfil a wish.

use super::wish::Wish;
use crate::error::MoonError;
use crate::lunar::LunarView;
use crate::moment::Moment;
use crate::site::Site;
use serde::Serialize;
use stillwright_picture::{Cancelled, Progress, Stage};

/// Longest search, days: a year and a day.
pub const LONGEST_DAYS: f64 = 367.0;

/// Steps in which lighting alone is looked at, s. In two hours the Sun moves by 1.02 degrees on the
/// Moon, the margin allows 1.1.
const COARSE_S: f64 = 7200.0;
const COARSE_MARGIN_DEG: f64 = 1.1;

/// Steps in which everything is looked at, s: shorter chances are missed. The ends are then found to
/// [`EDGE_S`].
const FINE_S: f64 = 600.0;
/// To what the ends of a chance are found, s.
const EDGE_S: f64 = 20.0;

/// A moment of a chance: the sky and the light then.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Instant {
    /// When.
    pub time_utc: Moment,
    /// Altitude of the Moon at the site, degrees.
    pub moon_altitude_deg: f64,
    /// Azimuth of the Moon at the site, degrees from north through east.
    pub moon_azimuth_deg: f64,
    /// Altitude of the Sun at the site, degrees.
    pub site_sun_altitude_deg: f64,
    /// Altitude of the Sun at the place on the Moon, degrees.
    pub sun_altitude_deg: f64,
    /// Whether the Sun climbs at the place on the Moon.
    pub morning: bool,
    /// Angle between the place's zenith and the observer, degrees.
    pub emission_deg: f64,
    /// Libration in longitude, degrees.
    pub libration_lon_deg: f64,
    /// Libration in latitude, degrees.
    pub libration_lat_deg: f64,
    /// Illuminated share of the Moon's disc.
    pub illuminated: f64,
    /// Angle between Moon and Sun in the sky, degrees.
    pub elongation_deg: f64,
    /// Whether all is as wished.
    pub as_wished: bool,
}

/// A stretch of time in which a wish is fulfilled.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Chance {
    /// When it begins.
    pub begins: Instant,
    /// When it ends.
    pub ends: Instant,
    /// When the Moon stands highest in it.
    pub best: Instant,
    /// How long it lasts, minutes.
    pub minutes: f64,
}

impl Instant {
    /// What is to be seen of the wish's place at a moment from the site.
    pub fn at(wish: &Wish, site: Site, time_utc: Moment) -> Instant {
        Instant::of(wish, &LunarView::at(time_utc, Some(site)))
    }

    fn of(wish: &Wish, view: &LunarView) -> Instant {
        let lighting = view.lighting(wish.place);
        let sky = |of: fn(&crate::lunar::Sky) -> f64| view.sky.as_ref().map_or(f64::NAN, of);
        Instant {
            time_utc: view.time_utc,
            moon_altitude_deg: sky(|sky| sky.altitude_deg),
            moon_azimuth_deg: sky(|sky| sky.azimuth_deg),
            site_sun_altitude_deg: sky(|sky| sky.sun_altitude_deg),
            sun_altitude_deg: lighting.sun_altitude_deg,
            morning: lighting.morning,
            emission_deg: lighting.emission_deg,
            libration_lon_deg: view.sub_observer.lon_deg,
            libration_lat_deg: view.sub_observer.lat_deg,
            illuminated: view.illuminated,
            elongation_deg: view.elongation_deg,
            as_wished: wish.fulfilled(view),
        }
    }
}

/// Why a search came to nothing.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SearchError {
    /// The wish or the days make no sense.
    #[error(transparent)]
    Asked(#[from] MoonError),
    /// It was left.
    #[error("the search was stopped")]
    Cancelled,
}

impl From<Cancelled> for SearchError {
    fn from(_: Cancelled) -> SearchError {
        SearchError::Cancelled
    }
}

/// All chances within `days` from `from` on, in order, at most `most`. Chances shorter than ten
/// minutes may be missed; ends are good to 20 s. A wish that asks for little takes a few seconds for a
/// year, one that asks for a certain light a fraction of that.
///
/// # Errors
/// A wish that makes no sense, days outside 0.01 to 367 or beyond the theories' range; or when
/// `progress` leaves.
pub fn search(
    wish: &Wish,
    site: Site,
    from: Moment,
    days: f64,
    most: usize,
    progress: &dyn Progress,
) -> Result<Vec<Chance>, SearchError> {
    wish.check()?;
    MoonError::check("days to search", "0.01 to 367", days, 0.01..=LONGEST_DAYS)?;
    let end_s = days * 86_400.0;
    let at = |s: f64| from.plus_seconds(s);
    // So that no step can leave the theories' range later.
    at(end_s + COARSE_S)?;

    let mut chances: Vec<Chance> = Vec::new();
    let mut running: Option<(LunarView, LunarView)> = None;
    let blocks = (end_s / COARSE_S).ceil() as usize;
    let mut before: Option<LunarView> = None;
    for block in 0..blocks {
        progress.advance(Stage::Searching, block, blocks)?;
        if chances.len() >= most {
            break;
        }
        let begin_s = block as f64 * COARSE_S;
        let middle = LunarView::at(at(begin_s + 0.5 * COARSE_S)?, None);
        let possible = wish.lit_as_wished(&middle, COARSE_MARGIN_DEG);
        let steps = if possible { (COARSE_S / FINE_S) as usize } else { 0 };
        for step in 0..steps {
            let s = begin_s + step as f64 * FINE_S;
            if s > end_s {
                break;
            }
            let view = LunarView::at(at(s)?, Some(site));
            match (&mut running, wish.fulfilled(&view)) {
                (None, true) => {
                    let begins = match before {
                        Some(unfulfilled) => edge(wish, site, unfulfilled, view)?,
                        None => view,
                    };
                    running = Some((begins, highest(begins, view)));
                }
                (Some((_, best)), true) => *best = highest(*best, view),
                (Some((begins, best)), false) => {
                    let last = before.unwrap_or(view);
                    let ends = edge(wish, site, view, last)?;
                    chances.push(chance(wish, begins, &highest(*best, ends), &ends));
                    running = None;
                }
                (None, false) => {}
            }
            before = Some(view);
        }
        if !possible {
            // The margin of the coarse look outlasts every chance: none can be running here.
            (running, before) = (None, None);
        }
    }
    if let (Some((begins, best)), Some(last)) = (running, before) {
        chances.push(chance(wish, &begins, &best, &last));
    }
    chances.truncate(most);
    Ok(chances)
}

fn highest(a: LunarView, b: LunarView) -> LunarView {
    let altitude = |view: &LunarView| view.sky.map_or(f64::NAN, |sky| sky.altitude_deg);
    if altitude(&b) > altitude(&a) { b } else { a }
}

fn chance(wish: &Wish, begins: &LunarView, best: &LunarView, ends: &LunarView) -> Chance {
    Chance {
        begins: Instant::of(wish, begins),
        ends: Instant::of(wish, ends),
        best: Instant::of(wish, best),
        minutes: ends.time_utc.seconds_since(begins.time_utc) / 60.0,
    }
}

/// The fulfilled moment next to where fulfilment begins or ends between two views.
fn edge(
    wish: &Wish,
    site: Site,
    unfulfilled: LunarView,
    fulfilled: LunarView,
) -> Result<LunarView, MoonError> {
    let (mut outside, mut inside) = (unfulfilled, fulfilled);
    loop {
        let apart = inside.time_utc.seconds_since(outside.time_utc);
        if apart.abs() <= EDGE_S {
            return Ok(inside);
        }
        let middle = LunarView::at(outside.time_utc.plus_seconds(0.5 * apart)?, Some(site));
        if wish.fulfilled(&middle) {
            inside = middle;
        } else {
            outside = middle;
        }
    }
}

/// Most points of a chart.
const MOST_POINTS: usize = 5000;

/// Altitude and light from `from` to `to`, every `step_s` seconds: the curves of a chart through a
/// night.
///
/// # Errors
/// A step below 1 s, an end before the beginning, or more than 5000 points.
pub fn chart(
    wish: &Wish,
    site: Site,
    from: Moment,
    to: Moment,
    step_s: f64,
) -> Result<Vec<Instant>, MoonError> {
    let span = MoonError::check(
        "length of the chart",
        "0 s to a week",
        to.seconds_since(from),
        0.0..=7.0 * 86_400.0,
    )?;
    let step = MoonError::check("step of the chart", "1 to 86400 s", step_s, 1.0..=86_400.0)?;
    let count = (span / step).floor() as usize + 1;
    MoonError::check("points of the chart", "1 to 5000", count as f64, 1.0..=MOST_POINTS as f64)?;
    (0..count).map(|i| Ok(Instant::at(wish, site, from.plus_seconds(i as f64 * step)?))).collect()
}
