//! Wishes and the nights that fulfil them.
#![allow(clippy::unwrap_used)]

use std::sync::atomic::{AtomicUsize, Ordering};
use stillwright_moon::plan::{
    Between, Chance, Course, Instant, Like, SearchError, Wish, chart, search,
};
use stillwright_moon::{LunarPoint, LunarView, Moment, Site};
use stillwright_picture::{Cancelled, Progress, Silent, Stage};

fn site() -> Site {
    Site::new(47.5, 8.25, 450.0).unwrap()
}

fn moment(text: &str) -> Moment {
    Moment::parse(text).unwrap()
}

fn copernicus() -> LunarPoint {
    LunarPoint::new(-20.08, 9.62)
}

/// Sun 5 to 12 deg high over Copernicus in the morning there, Moon above 30 deg, dark sky.
fn wish() -> Wish {
    Wish {
        sun_altitude_deg: Some(Between { low: 5.0, high: 12.0 }),
        course: Some(Course::Morning),
        site_sun_below_deg: Some(-18.0),
        ..Wish::of(copernicus(), 30.0)
    }
}

fn fulfilled(wish: &Wish, at: &Instant) -> bool {
    let sun = wish.sun_altitude_deg.unwrap();
    (sun.low..=sun.high).contains(&at.sun_altitude_deg)
        && at.morning == (wish.course == Some(Course::Morning))
        && at.moon_altitude_deg >= wish.moon_above_deg
        && at.site_sun_altitude_deg <= wish.site_sun_below_deg.unwrap()
}

#[test]
fn the_search_finds_all_that_a_plain_scan_finds() {
    let (wish, from) = (wish(), moment("2026-12-01"));
    let found = search(&wish, site(), from, 170.0, 1000, &Silent).unwrap();
    assert!((3..=8).contains(&found.len()), "{}", found.len());
    // Every seven minutes of 170 days, one after the other.
    let mut inside = 0;
    for i in 0..(170 * 86_400 / 420) {
        let at = Instant::at(&wish, site(), from.plus_seconds(f64::from(i) * 420.0).unwrap());
        let within =
            |c: &Chance| c.begins.time_utc <= at.time_utc && at.time_utc <= c.ends.time_utc;
        let near = |c: &Chance| {
            let begins = at.time_utc.seconds_since(c.begins.time_utc);
            let ends = at.time_utc.seconds_since(c.ends.time_utc);
            begins > -21.0 && ends < 21.0
        };
        if fulfilled(&wish, &at) {
            inside += 1;
            assert!(found.iter().any(near), "missed: {at:?}");
        } else {
            assert!(!found.iter().any(within), "wrong: {at:?}");
        }
    }
    assert!(inside > 20);
    for chance in &found {
        for at in [&chance.begins, &chance.best, &chance.ends] {
            assert!(fulfilled(&wish, at), "{at:?}");
        }
        assert!(chance.best.moon_altitude_deg >= chance.begins.moon_altitude_deg);
        assert!(chance.best.moon_altitude_deg >= chance.ends.moon_altitude_deg);
        let span = chance.ends.time_utc.seconds_since(chance.begins.time_utc);
        assert!((chance.minutes * 60.0 - span).abs() < 1e-6 && span >= 0.0);
    }
    assert!(found.windows(2).all(|pair| pair[0].ends.time_utc < pair[1].begins.time_utc));
    assert_eq!(search(&wish, site(), from, 170.0, 2, &Silent).unwrap(), found[..2]);
}

#[test]
fn mornings_and_evenings_are_told_apart() {
    let from = moment("2027-01-01");
    let base = Wish { site_sun_below_deg: None, moon_above_deg: 10.0, ..wish() };
    let evening = Wish { course: Some(Course::Evening), ..base };
    let mornings = search(&base, site(), from, 120.0, 100, &Silent).unwrap();
    let evenings = search(&evening, site(), from, 120.0, 100, &Silent).unwrap();
    let both = search(&Wish { course: None, ..base }, site(), from, 120.0, 100, &Silent).unwrap();
    assert!(!mornings.is_empty() && !evenings.is_empty());
    assert_eq!(both.len(), mornings.len() + evenings.len());
    // Copernicus sees its sunrise a day or two after first quarter and its sunset before new Moon.
    for chance in mornings {
        let view = LunarView::at(chance.best.time_utc, None);
        assert!((10.0..60.0).contains(&view.colongitude_deg), "{}", view.colongitude_deg);
    }
    for chance in evenings {
        let view = LunarView::at(chance.best.time_utc, None);
        assert!((180.0..205.0).contains(&view.colongitude_deg), "{}", view.colongitude_deg);
    }
}

#[test]
fn light_like_that_of_a_picture_comes_back() {
    let picture = LunarView::at(moment("2024-11-11T20:00:00Z"), Some(site()));
    let like = Like { sub_solar: picture.sub_solar, within_deg: 1.0 };
    let wish = Wish { like: Some(like), ..Wish::of(copernicus(), 15.0) };
    let found = search(&wish, site(), moment("2026-12-01"), 366.0, 100, &Silent).unwrap();
    assert!(!found.is_empty());
    let then = picture.lighting(copernicus());
    for chance in &found {
        let now = LunarView::at(chance.best.time_utc, Some(site())).lighting(copernicus());
        assert!((now.sun_altitude_deg - then.sun_altitude_deg).abs() <= 1.01);
        assert_eq!(now.morning, then.morning);
    }
}

#[test]
fn libration_and_the_turn_of_the_limb_are_heeded() {
    // A place on the eastern limb, seen only when libration turns it to us.
    let limb = LunarPoint::new(88.0, 5.0);
    let base =
        Wish { sun_altitude_deg: Some(Between { low: 2.0, high: 60.0 }), ..Wish::of(limb, 20.0) };
    let from = moment("2027-03-01");
    let any = search(&base, site(), from, 200.0, 1000, &Silent).unwrap();
    let turned = Wish { most_emission_deg: Some(84.0), ..base };
    let turned = search(&turned, site(), from, 200.0, 1000, &Silent).unwrap();
    assert!(!turned.is_empty() && turned.len() < any.len(), "{} {}", turned.len(), any.len());
    assert!(turned.iter().all(|c| c.best.emission_deg <= 84.0 && c.best.libration_lon_deg > 0.0));
    let north = Wish { libration_lat_deg: Some(Between { low: 4.0, high: 8.0 }), ..base };
    let north = search(&north, site(), from, 200.0, 1000, &Silent).unwrap();
    assert!(!north.is_empty() && north.iter().all(|c| c.best.libration_lat_deg >= 4.0));
    let east = Wish { libration_lon_deg: Some(Between { low: -90.0, high: 0.0 }), ..base };
    let east = search(&east, site(), from, 200.0, 1000, &Silent).unwrap();
    assert!(east.iter().all(|c| c.best.libration_lon_deg <= 0.0));
}

#[test]
fn a_chance_under_way_begins_with_the_search() {
    let wish = Wish { moon_above_deg: -90.0, ..Wish::of(copernicus(), 0.0) };
    let found = search(&wish, site(), moment("2027-01-01"), 1.0, 10, &Silent).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].begins.time_utc, moment("2027-01-01"));
    assert!(found[0].minutes > 1420.0);
}

#[test]
fn a_chart_draws_the_night() {
    let wish = wish();
    let (from, to) = (moment("2026-12-18T15:00:00Z"), moment("2026-12-19T08:00:00Z"));
    let points = chart(&wish, site(), from, to, 600.0).unwrap();
    assert_eq!(points.len(), 17 * 6 + 1);
    assert_eq!((points[0].time_utc, points[102].time_utc), (from, to));
    // The Sun over the place climbs by half a degree an hour.
    for pair in points.windows(2) {
        let rise = (pair[1].sun_altitude_deg - pair[0].sun_altitude_deg) * 6.0;
        assert!((0.3..0.56).contains(&rise.abs()), "{rise}");
    }
    assert!(points.iter().any(|p| p.moon_altitude_deg > 30.0));
    assert!(chart(&wish, site(), to, from, 600.0).is_err());
    assert!(
        chart(&wish, site(), from, to, 0.5).is_err()
            && chart(&wish, site(), from, to, f64::NAN).is_err()
    );
    assert!(chart(&wish, site(), from, to, 1.0).is_err(), "too many points");
}

/// Leaves after some calls.
struct Impatient(AtomicUsize);

impl Progress for Impatient {
    fn advance(&self, stage: Stage, done: usize, total: usize) -> Result<(), Cancelled> {
        assert!(stage == Stage::Searching && done < total);
        if self.0.fetch_add(1, Ordering::Relaxed) > 20 { Err(Cancelled) } else { Ok(()) }
    }
}

#[test]
fn senseless_wishes_are_refused_and_a_search_can_be_left() {
    let from = moment("2027-01-01");
    let base = wish();
    let refused = |wish: &Wish, days: f64| {
        matches!(search(wish, site(), from, days, 10, &Silent), Err(SearchError::Asked(_)))
    };
    assert!(refused(
        &Wish { sun_altitude_deg: Some(Between { low: 12.0, high: 5.0 }), ..base },
        10.0
    ));
    assert!(refused(
        &Wish { sun_altitude_deg: Some(Between { low: f64::NAN, high: 5.0 }), ..base },
        10.0
    ));
    assert!(refused(&Wish { moon_above_deg: 91.0, ..base }, 10.0));
    assert!(refused(&Wish { most_emission_deg: Some(0.0), ..base }, 10.0));
    assert!(refused(&base, 0.0) && refused(&base, 400.0) && refused(&base, f64::NAN));
    let late = search(&base, site(), moment("2099-12-20"), 30.0, 10, &Silent);
    assert!(matches!(late, Err(SearchError::Asked(_))), "{late:?}");
    let left = search(&base, site(), from, 366.0, 10, &Impatient(AtomicUsize::new(0)));
    assert_eq!(left, Err(SearchError::Cancelled));
}
