use super::*;
use crate::session::Places;
use std::sync::Arc;
use stillwright_moon::LunarView;
use stillwright_moon::fix::{Camera, Projection, SkyOffset};

fn moment() -> Moment {
    Moment::parse("2026-03-26T20:00:00Z").unwrap()
}

/// A camera of 0.3 arcsec per px, turned by 20 degrees, on the middle of the Moon.
fn projection(site: Option<Site>) -> Projection {
    let view = LunarView::at(moment(), site);
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 40.0, north_arcsec: -60.0 },
        anchor_px: Px { x: 320.0, y: 240.0 },
        arcsec_per_px: 0.3,
        up_position_angle_deg: 20.0,
        mirrored: false,
    };
    Projection { view, camera }
}

fn marked(projection: &Projection, spots: &[(f64, f64)]) -> Vec<PlaceMark> {
    spots
        .iter()
        .map(|(x, y)| {
            let px = Px { x: *x, y: *y };
            PlaceMark { name: format!("{x}"), px, place: projection.place_at(px) }
        })
        .collect()
}

fn source(sheet: Sheet) -> Source {
    Source {
        sheet: Arc::new(sheet),
        size: (640, 480),
        start: Some(moment().plus_seconds(60.0).unwrap()),
        duration_s: Some(60.0),
        optics: None,
        names: None,
        still: None,
        detail_px: None,
        survey: None,
        ripple_px2: None,
    }
}

#[test]
fn a_sheet_survives_the_night_file() {
    let projection = projection(None);
    let mut sheet = Sheet {
        body: Body::Moon,
        time_utc: Some(moment()),
        clock_ahead_s: 90.0,
        site: Some(Site::new(47.5, 8.25, 450.0).unwrap()),
        up_deg: Some(20.0),
        mirrored: Some(false),
        drawn_on_export: true,
        limb: vec![Px { x: 1.5, y: -2.0 }],
        places: marked(&projection, &[(10.0, 20.0)]),
        ..Sheet::default()
    };
    let px = Px { x: 5.0, y: 6.0 };
    SheetChange::Begin { instrument: Instrument::Crater, px }.apply(&mut sheet);
    SheetChange::Reference(Some("/plates/a.png".into())).apply(&mut sheet);
    SheetChange::AddPair([px, px]).apply(&mut sheet);
    let text = toml::to_string(&sheet).unwrap();
    let back: Sheet = toml::from_str(&text).unwrap();
    assert_eq!(back, sheet);
    assert!(back.check().is_ok() && !back.is_empty() && Sheet::default().is_empty());
    assert_eq!(toml::from_str::<Sheet>("").unwrap(), Sheet::default());
    // A place to write to is nothing that a sheet knows.
    assert_ne!(Places::under("/a"), Places::under("/b"));
}

#[test]
fn senseless_values_are_named() {
    let bad = |change: &dyn Fn(&mut Sheet)| {
        let mut sheet = Sheet::default();
        change(&mut sheet);
        sheet.check().unwrap_err()
    };
    assert!(bad(&|s| s.clock_ahead_s = f64::NAN).contains("clock"));
    assert!(bad(&|s| s.mark_sigma_px = 0.0).contains("mark"));
    assert!(bad(&|s| s.up_deg = Some(1e4)).contains("up"));
    assert!(bad(&|s| s.limb.push(Px { x: f64::NAN, y: 0.0 })).contains("position"));
    assert!(bad(&|s| s.limb = vec![Px { x: 0.0, y: 0.0 }; MOST + 1]).contains("at most"));
    let twice = bad(&|s| {
        for _ in 0..2 {
            let px = Px { x: 0.0, y: 0.0 };
            SheetChange::Begin { instrument: Instrument::Distance, px }.apply(s);
        }
        s.measurements[1].number = 1;
    });
    assert!(twice.contains("same number"));
}

#[test]
fn marks_give_the_fix_and_every_reading() {
    let truth = projection(None);
    let mut sheet = Sheet {
        places: marked(&truth, &[(40.0, 50.0), (600.0, 80.0), (300.0, 430.0)]),
        // The stamp's middle is 90 s late.
        clock_ahead_s: 90.0,
        ..Sheet::default()
    };
    // A crater of 80 km on the truth's ground.
    let centre = truth.place_at(Px { x: 300.0, y: 250.0 }).unwrap();
    let rim = |deg: f64| {
        let (sin, cos) = deg.to_radians().sin_cos();
        let off = (40.0_f64 / stillwright_moon::MOON_RADIUS_KM).to_degrees();
        let lat = centre.lat_deg + off * cos;
        let lon = centre.lon_deg + off * sin / centre.lat_deg.to_radians().cos();
        truth.px_of(LunarPoint::new(lon, lat)).unwrap()
    };
    SheetChange::Begin { instrument: Instrument::Crater, px: rim(0.0) }.apply(&mut sheet);
    let early = find(&source(sheet.clone()));
    let words = early.reading(1).unwrap().clone().unwrap_err();
    assert!(words.contains("three points"), "{words}");
    for deg in [60.0, 120.0, 180.0, 240.0, 300.0] {
        SheetChange::AddPoint { number: 1, px: rim(deg) }.apply(&mut sheet);
    }
    let (a, b) = (Px { x: 100.0, y: 100.0 }, Px { x: 400.0, y: 300.0 });
    SheetChange::Begin { instrument: Instrument::Distance, px: a }.apply(&mut sheet);
    SheetChange::AddPoint { number: 2, px: b }.apply(&mut sheet);
    SheetChange::AddPoint { number: 2, px: a }.apply(&mut sheet);
    assert_eq!(sheet.measurement(2).unwrap().points.len(), 2, "a line has two ends");
    let found = find(&source(sheet));
    assert_eq!(found.moment, Some(moment()));
    let fix = found.fix.as_ref().unwrap();
    assert!((fix.projection.camera.arcsec_per_px - 0.3).abs() < 1e-6);
    assert!(!found.fix_trouble && found.fix_words.contains("0.3000"), "{}", found.fix_words);
    let Some(Ok(Reading::Crater(crater))) = found.reading(1) else { panic!() };
    assert!((crater.diameter_km.value - 80.0).abs() < 0.1, "{crater:?}");
    let Some(Ok(Reading::Distance { km: Some(km), .. })) = found.reading(2) else { panic!() };
    let place = |px| truth.place_at(px).unwrap();
    let expected = stillwright_moon::measure::distance_km(place(a), place(b));
    assert!((km.value - expected).abs() < 1e-3);
    // The readout is the truth's.
    let there = found.readout(b).unwrap().place;
    assert!((there.lon_deg - place(b).lon_deg).abs() < 1e-5);
    assert!(!found.graticule.is_empty());
    assert_eq!(found.readings.len(), 2);
    let outline = outlines(found.sheet.measurement(1).unwrap(), &found);
    let off = outline[0].iter().map(|px| (px.x - rim(0.0).x).hypot(px.y - rim(0.0).y));
    assert!(off.fold(f64::MAX, f64::min) < 3.0, "the drawn rim passes the marks");

    let table = csv("ridge, \"north\".ser", &found);
    let lines: Vec<&str> = table.trim_end().split("\r\n").collect();
    assert_eq!(lines.len(), 3);
    assert!(
        lines[1]
            .starts_with("\"ridge, \"\"north\"\".ser\",2026-03-26T20:00:00Z,1,Crater 1,crater,"),
        "{}",
        lines[1]
    );
    let columns = |line: &str| line.replace("\"ridge, \"\"north\"\".ser\"", "x").split(',').count();
    assert!(lines[1..].iter().all(|line| columns(line) == columns(lines[0])), "{table}");
}

#[test]
fn a_wrong_mark_is_named_and_nothing_is_made_up() {
    let truth = projection(None);
    let mut places = marked(&truth, &[(40.0, 50.0), (600.0, 80.0), (300.0, 430.0), (500.0, 300.0)]);
    places[2].px.x += 40.0;
    places[2].name = "wrong one".into();
    let found = find(&source(Sheet { places, time_utc: Some(moment()), ..Sheet::default() }));
    assert!(found.fix_trouble && found.fix_words.contains("wrong one"), "{}", found.fix_words);
    // Without a time there is no fix and no scale, and it is said.
    let mut nothing = source(Sheet::default());
    nothing.start = None;
    let found = find(&nothing);
    assert!(
        found.fix.is_none()
            && found.moment.is_none()
            && found.readout(Px { x: 1.0, y: 1.0 }).is_none()
    );
    assert!(found.moment_words.contains("type it"));
    assert!(found.limits.is_empty());
}

#[test]
fn the_sun_is_warned_of_where_it_belongs() {
    // At noon on a spring day, from a site at 8 degrees east.
    let day = Sheet {
        site: Some(Site::new(47.5, 8.25, 450.0).unwrap()),
        time_utc: Some(Moment::parse("2026-03-26T12:00:00Z").unwrap()),
        ..Sheet::default()
    };
    let found = find(&source(day.clone()));
    assert!(found.cautions.iter().any(|words| words.contains("front filter")), "{found:?}");
    let jupiter = find(&source(Sheet { body: Body::Jupiter, ..day.clone() }));
    assert!(jupiter.cautions.iter().any(|words| words.contains("front filter")));
    let night = Sheet { time_utc: Some(Moment::parse("2026-03-26T22:00:00Z").unwrap()), ..day };
    assert!(find(&source(night)).cautions.is_empty());
}
