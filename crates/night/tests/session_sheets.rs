//! Sheets in the session, without a window: changed undoably, findings that follow, files written,
//! everything there again after a restart; marks that are found in the still when asked.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod session_support;

use session_support::{Night, options};
use std::fs::File;
use std::path::Path;
use stillwright_night::atomic::Existing;
use stillwright_night::capture::{SerOptions, SerWriter};
use stillwright_night::moon::fix::{Camera, Projection, Px, SkyOffset};
use stillwright_night::moon::measure::towards_sun;
use stillwright_night::moon::plan::Wish;
use stillwright_night::moon::{LunarPoint, LunarView, Moment, Site};
use stillwright_night::picture::{Layout, Samples};
use stillwright_night::session::{CaptureId, Command, Effect, ExportTarget, PlanWish, Session};
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

#[test]
fn a_list_that_is_gone_is_told_of_and_kept_in_mind() {
    let mut night = Night::with(&["one"]);
    let list = night.home.path().join("places.csv");
    std::fs::write(&list, "name,lat,lon,km\nGreat hill,-12.5,20.25,30\n").unwrap();
    night.session.send(Command::LoadPlaces(list.clone()));
    night.rest();
    night.until("the night on disk", Session::is_saved);
    let Night { home, session, .. } = night;
    drop(session);
    let away = home.path().join("elsewhere.csv");
    std::fs::rename(&list, &away).unwrap();

    let mut night = Night {
        session: Session::open(options(home.path()), || {}).unwrap(),
        effects: Vec::new(),
        home,
    };
    night.rest();
    assert!(night.session.place_list().is_none());
    let said = night.said();
    assert!(said.contains("list of named places") && said.contains("places.csv"), "{said}");
    // Whatever else is saved meanwhile, the list is not forgotten.
    let id = night.first();
    let change = SheetChange::Up(Some(12.0));
    night.session.send(Command::Sheet { id, change });
    night.until("the night on disk", Session::is_saved);
    let Night { home, session, .. } = night;
    drop(session);
    std::fs::rename(&away, &list).unwrap();
    let mut night = Night {
        session: Session::open(options(home.path()), || {}).unwrap(),
        effects: Vec::new(),
        home,
    };
    night.rest();
    assert_eq!(night.session.place_list().unwrap().places[0].name, "Great hill");
}

/// Size of the drawn captures.
const SIZE: (usize, usize) = (240, 180);
const TIME: &str = "2026-03-26T20:00:00Z";

struct Random(u64);

impl Random {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        low + (high - low) * ((self.0 >> 11) as f64 / (1u64 << 53) as f64)
    }
}

/// A steady capture of a drawing (0 to 1 over column and row), each frame with noise of its own.
fn write(path: &Path, drawing: impl Fn(f64, f64) -> f64) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    let options = SerOptions::new(SIZE.0, SIZE.1, Layout::Mono, 8);
    let mut writer = SerWriter::create(File::create(path).unwrap(), options).unwrap();
    // Each pixel from 5 x 5 places over 2 px: the blur of a small telescope.
    let scene: Vec<f64> = (0..SIZE.0 * SIZE.1)
        .map(|i| {
            let (x, y) = ((i % SIZE.0) as f64, (i / SIZE.0) as f64);
            let off = |k: usize| 0.4 * k as f64 - 0.8;
            (0..25).map(|k| drawing(x + off(k % 5), y + off(k / 5))).sum::<f64>() / 25.0
        })
        .collect();
    let mut random = Random(3);
    for _ in 0..24 {
        let noisy =
            scene.iter().map(|v| (200.0 * v + random.between(-4.0, 8.0)).clamp(0.0, 255.0) as u8);
        writer.write_frame(&Samples::U8(noisy.collect()), None).unwrap();
    }
    writer.finish().unwrap();
}

/// Spots that frames are aligned by.
fn spots(x: f64, y: f64) -> f64 {
    let wave = |l: f64, a: f64| ((x * a.cos() + y * a.sin()) / l).sin();
    0.7 + 0.05 * (wave(1.9, 0.3) + wave(2.7, 1.4) + wave(2.2, 2.5))
        + 0.06 * (wave(7.0, 0.9) + wave(9.0, 2.0))
}

fn night_of(drawing: impl Fn(f64, f64) -> f64) -> (Night, CaptureId) {
    let mut night = Night::empty();
    let path = night.folder().join("drawn.ser");
    write(&path, drawing);
    night.session.send(Command::Add(vec![path]));
    night.rest();
    let id = night.first();
    assert!(night.entry(id).still.is_some(), "{}", night.said());
    let time = SheetChange::Time(Some(Moment::parse(TIME).unwrap()));
    night.session.send(Command::Sheet { id, change: time });
    (night, id)
}

fn projection(arcsec_per_px: f64, anchor_px: Px) -> Projection {
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
        anchor_px,
        arcsec_per_px,
        up_position_angle_deg: 10.0,
        mirrored: false,
    };
    Projection { view: LunarView::at(Moment::parse(TIME).unwrap(), None), camera }
}

#[test]
fn the_limb_is_found_near_careless_marks() {
    // A limb of 330 px radius; the sky to the right.
    let truth = projection(2.95, Px { x: -190.0, y: 80.0 });
    let radius = truth.limb_arcsec() / 2.95;
    let from_centre = |x: f64, y: f64| (x + 190.0).hypot(y - 80.0);
    let (mut night, id) =
        night_of(|x, y| if from_centre(x, y) < radius { spots(x, y) } else { 0.0 });

    night.session.send(Command::FindLimb(id));
    night.rest();
    assert!(night.said().contains("three or more marks along the limb"), "{}", night.said());
    assert!(night.entry(id).sheet.limb.is_empty());

    for (angle, miss) in [(-0.22_f64, 3.0), (-0.05, -2.5), (0.1, 2.0), (0.25, -3.0)] {
        let r = radius + miss;
        let px = Px { x: -190.0 + r * angle.cos(), y: 80.0 + r * angle.sin() };
        night.session.send(Command::Sheet { id, change: SheetChange::AddLimb(px) });
    }
    night.rest();
    night.session.send(Command::FindLimb(id));
    night.rest();
    let limb = night.entry(id).sheet.limb.clone();
    assert!(limb.len() >= 90, "{} points; {}", limb.len(), night.said());
    let miss = |px: &Px| from_centre(px.x, px.y) - radius;
    let mean = limb.iter().map(miss).sum::<f64>() / limb.len() as f64;
    let rms = (limb.iter().map(|px| miss(px).powi(2)).sum::<f64>() / limb.len() as f64).sqrt();
    println!("limb: {} points, {mean:+.2} px, {rms:.2} px rms", limb.len());
    assert!(rms < 0.5, "{mean:+.2} px, {rms:.2} px rms");

    // With the direction of up it is a fix.
    night.session.send(Command::Sheet { id, change: SheetChange::Up(Some(10.0)) });
    night.rest();
    let findings = night.entry(id).findings.clone().unwrap();
    let scale = findings.fix.as_ref().unwrap().arcsec_per_px();
    // 28 degrees of arc tell a radius to some 8 % only, and it is said.
    assert!(scale.covers(2.95) && scale.uncertainty < 0.3, "{scale:?}");

    // Two steps back the careless marks stand there again.
    night.session.send(Command::Undo);
    night.session.send(Command::Undo);
    assert_eq!(night.entry(id).sheet.limb.len(), 4);
}

#[test]
fn the_end_of_a_shadow_is_found_near_its_mark() {
    let middle = Px { x: 120.0, y: 90.0 };
    // The terminator side of the Moon, 0.5 arcsec to the pixel.
    let plain = projection(0.5, Px { x: 0.0, y: 0.0 });
    let place = LunarPoint::new(2.0, 20.0);
    let there = plain.px_of(place).unwrap();
    let truth = projection(0.5, Px { x: middle.x - there.x, y: middle.y - there.y });
    let [sx, sy] = towards_sun(&truth, middle).unwrap();
    let summit = Px { x: middle.x + 15.0 * sx, y: middle.y + 15.0 * sy };
    const LONG: f64 = 31.3;
    let (mut night, id) = night_of(|x, y| {
        let (dx, dy) = (x - summit.x, y - summit.y);
        let (along, beside) = (-(dx * sx + dy * sy), dx * -sy + dy * sx);
        let dark = (0.0..LONG).contains(&along) && beside.abs() < 14.0;
        if dark { 0.02 } else { spots(x, y) }
    });
    let tip = Px { x: summit.x - LONG * sx, y: summit.y - LONG * sy };
    let careless = Px { x: tip.x + 5.0, y: tip.y - 3.0 };

    let begin = SheetChange::Begin { instrument: Instrument::Height, px: summit };
    night.session.send(Command::Sheet { id, change: begin });
    night.session.send(Command::FindShadowEnd { id, number: 1 });
    night.rest();
    assert!(night.said().contains("fix on the Moon"), "{}", night.said());

    for (x, y) in [(20.0, 20.0), (220.0, 25.0), (210.0, 160.0), (30.0, 155.0)] {
        let px = Px { x, y };
        let place = truth.place_at(px);
        let change = SheetChange::AddPlace { px, name: String::new(), place };
        night.session.send(Command::Sheet { id, change });
    }
    night.rest();
    night.session.send(Command::FindShadowEnd { id, number: 1 });
    night.rest();
    assert!(night.said().contains("mark the summit and the end"), "{}", night.said());

    let further = SheetChange::AddPoint { number: 1, px: careless };
    night.session.send(Command::Sheet { id, change: further });
    night.rest();
    night.session.send(Command::FindShadowEnd { id, number: 1 });
    night.rest();
    let found = night.entry(id).sheet.measurement(1).unwrap().points[1];
    let off = (found.x - tip.x).hypot(found.y - tip.y);
    println!("end of the shadow: {off:.2} px off; {}", night.said());
    assert!(off < 0.7, "{found:?}, expected {tip:?}");
    let findings = night.entry(id).findings.clone().unwrap();
    assert!(matches!(findings.reading(1), Some(Ok(_))), "{:?}", findings.reading(1));
    night.session.send(Command::Undo);
    assert_eq!(night.entry(id).sheet.measurement(1).unwrap().points[1], careless);

    // A measurement that is not there costs nothing.
    night.session.send(Command::FindShadowEnd { id, number: 77 });
    night.rest();
}
