//! Sheets in the session, without a window: changed undoably, findings that follow, files written,
//! everything there again after a restart.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod session_support;

use session_support::{Night, options};
use stillwright_night::atomic::Existing;
use stillwright_night::moon::fix::Px;
use stillwright_night::moon::plan::Wish;
use stillwright_night::moon::{LunarPoint, Moment, Site};
use stillwright_night::session::{Command, Effect, ExportTarget, PlanWish, Session};
use stillwright_night::sheet::{Instrument, SheetChange};

const PX: fn(f64, f64) -> Px = |x, y| Px { x, y };

#[test]
fn a_site_holds_for_the_night_and_a_dragged_mark_is_one_step() {
    let mut night = Night::with(&["one", "two"]);
    let ids: Vec<_> = night.session.entries().iter().map(|entry| entry.id).collect();
    let site = Site::new(47.5, 8.25, 450.0).unwrap();
    let change = SheetChange::Site(Some(site));
    night.session.send(Command::Sheet { id: ids[0], change });
    assert!(ids.iter().all(|id| night.entry(*id).sheet.site == Some(site)));
    night.session.send(Command::Undo);
    assert!(ids.iter().all(|id| night.entry(*id).sheet.site.is_none()));
    night.session.send(Command::Redo);

    let id = night.session.selected().unwrap().id;
    let begin = SheetChange::Begin { instrument: Instrument::Distance, px: PX(10.0, 10.0) };
    night.session.send(Command::Sheet { id, change: begin });
    let further = SheetChange::AddPoint { number: 1, px: PX(40.0, 50.0) };
    night.session.send(Command::Sheet { id, change: further });
    for x in [41.0, 43.0, 47.0] {
        let change = SheetChange::MovePoint { number: 1, index: 1, px: PX(x, 50.0) };
        night.session.send(Command::PreviewSheet { id, change });
    }
    night.session.send(Command::Commit);
    assert_eq!(night.session.undo_words(), Some("moved mark"));
    night.session.send(Command::Undo);
    assert_eq!(night.entry(id).sheet.measurements[0].points[1].x, 40.0);
    night.session.send(Command::Redo);
    night.rest();
    let reading = night.entry(id).findings.clone().unwrap();
    let words = reading.reading(1).unwrap().clone().unwrap().headline();
    assert!(words.contains("54.") && words.contains("px"), "{words}");

    // A value without sense changes nothing and is said.
    night.session.send(Command::Sheet { id, change: SheetChange::MarkSigma(-1.0) });
    assert!(night.said().contains("uncertainty of a mark"));
    assert_eq!(night.entry(id).sheet.mark_sigma_px, 1.0);

    // A capture's sheet goes with it, and its steps.
    let recipe = night.entry(id).recipe.clone();
    night.until("the night on disk", Session::is_saved);
    let sheet = night.entry(id).sheet.clone();
    let path = night.entry(id).path.clone();
    let Night { home, session, .. } = night;
    drop(session);
    let again = Session::open(options(home.path()), || {}).unwrap();
    let entry = again.entries().iter().find(|entry| entry.path == path).unwrap();
    assert_eq!((&entry.sheet, &entry.recipe), (&sheet, &recipe));
}

#[test]
fn measurements_go_along_with_an_export_where_wished() {
    let mut night = Night::with(&["one"]);
    let id = night.first();
    let target = ExportTarget { folder: None, existing: Existing::Replace };
    night.session.send(Command::WriteMeasured { id, target: target.clone() });
    assert!(night.said().contains("nothing is measured"), "{}", night.said());
    for change in [
        SheetChange::Begin { instrument: Instrument::Profile, px: PX(5.0, 5.0) },
        SheetChange::AddPoint { number: 1, px: PX(90.0, 60.0) },
        SheetChange::DrawnOnExport(true),
    ] {
        night.session.send(Command::Sheet { id, change });
    }
    night.session.send(Command::Export { id, target });
    night.until("both written", |session| session.is_idle());
    night.until("the table", |_| true);
    let written = night.count(|effect| matches!(effect, Effect::MeasuredWritten(..)));
    assert_eq!(written, 1, "{}", night.said());
    let stills = night.folder().join("stills");
    for name in ["one.still.tif", "one.measured.csv", "one.measured.png"] {
        assert!(stills.join(name).is_file(), "{name}");
    }
    // What was written beside is no capture of its own.
    let folder = night.folder();
    night.session.send(Command::Add(vec![folder]));
    night.rest();
    assert_eq!(night.session.entries().len(), 1);
}

#[test]
fn lists_and_plans_come_back_or_say_why_not() {
    let mut night = Night::with(&["one"]);
    let list = night.home.path().join("places.csv");
    std::fs::write(&list, "name,lat,lon,km\nGreat hill,-12.5,20.25,30\n").unwrap();
    night.session.send(Command::LoadPlaces(list.clone()));
    night.rest();
    assert_eq!(night.session.place_list().unwrap().places[0].name, "Great hill");
    night.session.send(Command::LoadPlaces(night.home.path().join("none.csv")));
    night.rest();
    assert!(night.said().contains("none.csv"), "{}", night.said());
    assert_eq!(night.session.place_list().unwrap().path, list, "the last good list stays");

    let wish =
        Wish { site_sun_below_deg: Some(-6.0), ..Wish::of(LunarPoint::new(-20.0, 9.6), 30.0) };
    let site = Site::new(47.5, 8.25, 450.0).unwrap();
    let from = Some(Moment::parse("2026-03-20").unwrap());
    let asked = PlanWish { wish, site, from, days: 12.0, equipment: None };
    night.session.send(Command::Plan(Box::new(asked.clone())));
    night.rest();
    let planning = night.session.planning().unwrap();
    let found = planning.found.clone().unwrap();
    assert_eq!(planning.asked, asked);
    assert!(!found.is_empty() && found.iter().all(|p| p.chance.best.moon_altitude_deg >= 30.0));
    let wrong = PlanWish { days: -1.0, ..asked };
    night.session.send(Command::Plan(Box::new(wrong)));
    night.rest();
    assert!(night.session.planning().unwrap().found.clone().unwrap_err().contains("days"));
}
