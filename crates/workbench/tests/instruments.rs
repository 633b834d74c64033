//! Instruments, a reference picture and the plan, driven through labels and roles.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, pos2};
use egui_kittest::kittest::{NodeT, Queryable};
use std::path::Path;
use stillwright_night::beside::Mapped;
use stillwright_night::moon::fix::{Camera, Projection, Px, SkyOffset};
use stillwright_night::moon::{LunarPoint, LunarView, Moment};
use stillwright_night::seeing::beside::Mapping;
use stillwright_night::sheet::{Instrument, Reading};
use support::{Window, options, sample, small};

/// The Moon as the made-up camera sees it: 0.4 arcsec to the pixel, north up.
fn projection() -> Projection {
    let view = LunarView::at(Moment::parse("2026-03-26T20:00:00Z").unwrap(), None);
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 100.0, north_arcsec: 50.0 },
        anchor_px: Px { x: 80.0, y: 60.0 },
        arcsec_per_px: 0.4,
        up_position_angle_deg: 0.0,
        mirrored: false,
    };
    Projection { view, camera }
}

/// A window with a small capture, its still made.
fn at_work(home: &Path, name: &str) -> Window {
    let capture = sample(home, name, &small(11, 40));
    let mut window = Window::open_sized(options(home), 1400.0, 900.0);
    window.drop_files(&[capture]);
    window.wait_done();
    window
}

fn type_into(window: &mut Window, name: &str, text: &str) {
    let field = window.harness.get_by_role_and_label(Role::TextInput, name);
    field.focus();
    window.harness.run_steps(2);
    window.harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.harness.run_steps(1);
    window.harness.get_by_role_and_label(Role::TextInput, name).type_text(text);
    window.harness.run_steps(1);
    window.key(Modifiers::NONE, Key::Enter);
    window.wait("findings", |app| app.session().is_idle());
}

/// The still's lightbox, and where a position of the capture is drawn in it.
fn still_at(window: &Window, px: (f64, f64)) -> Pos2 {
    let rect = window.harness.get_by_role_and_label(Role::Image, "Still of ridge.ser").rect();
    let facts = window.entry().facts.clone().unwrap();
    let (w, h) = (facts.width as f32, facts.height as f32);
    let zoom = (rect.width() / w).min(rect.height() / h);
    let off = pos2(px.0 as f32 + 0.5 - 0.5 * w, px.1 as f32 + 0.5 - 0.5 * h);
    rect.center() + off.to_vec2() * zoom
}

fn click_at(window: &mut Window, at: Pos2) {
    window.harness.hover_at(at);
    window.harness.step();
    window.harness.drag_at(at);
    window.harness.step();
    window.harness.drop_at(at);
    window.harness.run_steps(2);
    window.wait("findings", |app| app.session().is_idle());
}

/// Mark three known places, so that the picture is fixed.
fn fix(window: &mut Window) {
    window.key(Modifiers::NONE, Key::F6);
    type_into(window, "Time (UTC)", "2026-03-26T20:00Z");
    window.key(Modifiers::NONE, Key::P);
    for (i, px) in [(12.0, 14.0), (150.0, 20.0), (80.0, 108.0)].into_iter().enumerate() {
        let at = still_at(window, px);
        click_at(window, at);
        let marked = window.entry().sheet.places[i].px;
        assert!((marked.x - px.0).hypot(marked.y - px.1) < 0.6, "{marked:?} for {px:?}");
        let place: LunarPoint = projection().place_at(marked).unwrap();
        let text = format!("{:.6}, {:.6}", place.lat_deg, place.lon_deg);
        type_into(window, &format!("Latitude, longitude {}", i + 1), &text);
    }
    window.key(Modifiers::NONE, Key::P);
}

#[test]
fn a_picture_is_fixed_measured_exported_and_all_of_it_undone() {
    let home = tempfile::tempdir().unwrap();
    let mut window = at_work(home.path(), "ridge");
    fix(&mut window);
    let findings = window.entry().findings.clone().unwrap();
    let found = findings.fix.as_ref().expect(&findings.fix_words);
    assert!((found.projection.camera.arcsec_per_px - 0.4).abs() < 2e-3, "{}", findings.fix_words);

    // A distance by two clicks; the value stands there at once, with its uncertainty.
    window.key(Modifiers::NONE, Key::D);
    assert!(window.harness.query_by_label("Distance: Mark where it begins.").is_some());
    for px in [(30.0, 60.0), (130.0, 60.0)] {
        let at = still_at(&window, px);
        click_at(&mut window, at);
    }
    let reading = |window: &Window, number| {
        window.entry().findings.as_ref().unwrap().reading(number).unwrap().clone()
    };
    let Ok(Reading::Distance { km: Some(km), .. }) = reading(&window, 1) else { panic!() };
    let ends = window.entry().sheet.measurements[0].points.clone();
    let place = |px| projection().place_at(px).unwrap();
    let truth = stillwright_night::moon::measure::distance_km(place(ends[0]), place(ends[1]));
    assert!((km.value - truth).abs() < 0.02 * truth && km.uncertainty > 0.0, "{km:?} {truth}");
    let spoken = window.harness.query_all_by_label_contains("Distance 1: ").next();
    assert!(spoken.is_some(), "the value has a name");

    // A mark is dragged: one step for undo.
    let (from, to) = (still_at(&window, (130.0, 60.0)), still_at(&window, (110.0, 80.0)));
    window.drag(from, to);
    window.wait("findings", |app| app.session().is_idle());
    let moved = window.entry().sheet.measurements[0].points[1];
    assert!((moved.x - 110.0).hypot(moved.y - 80.0) < 1.0, "{moved:?}");
    window.key(Modifiers::COMMAND, Key::Z);
    let back = window.entry().sheet.measurements[0].points[1];
    assert!((back.x - 130.0).hypot(back.y - 60.0) < 1.0, "{back:?}");

    // A crater by keys alone: the cross is moved, Enter marks, Enter without moving ends nothing.
    window.key(Modifiers::NONE, Key::C);
    window.harness.get_by_role_and_label(Role::Image, "Still of ridge.ser").focus();
    window.harness.run_steps(2);
    for keys in [
        vec![Key::ArrowRight; 12],
        [vec![Key::ArrowLeft; 6], vec![Key::ArrowDown; 8]].concat(),
        [vec![Key::ArrowLeft; 8], vec![Key::ArrowUp; 10]].concat(),
    ] {
        for key in keys {
            window.key(Modifiers::SHIFT, key);
        }
        window.key(Modifiers::NONE, Key::Space);
    }
    window.wait("findings", |app| app.session().is_idle());
    let crater = window.entry().sheet.measurements[1].clone();
    assert_eq!((crater.instrument, crater.points.len()), (Instrument::Crater, 3), "{crater:?}");
    assert!(matches!(reading(&window, 2), Ok(Reading::Crater(_))));
    // Period holds a mark, arrows move it, Backspace takes it away.
    window.key(Modifiers::NONE, Key::Period);
    window.key(Modifiers::NONE, Key::ArrowLeft);
    let held = window.entry().sheet.measurements[1].points[0];
    assert!(held.x < crater.points[0].x && held.y == crater.points[0].y);
    window.key(Modifiers::NONE, Key::Backspace);
    assert_eq!(window.entry().sheet.measurements[1].points.len(), 2);
    window.key(Modifiers::COMMAND, Key::Z);
    assert_eq!(window.entry().sheet.measurements[1].points.len(), 3);
    window.key(Modifiers::NONE, Key::Escape);

    // Over the picture: place, scale and Sun in the foot; the bar in km.
    let over = still_at(&window, (80.0, 60.0));
    window.harness.hover_at(over);
    window.harness.run_steps(3);
    let foot = window.harness.query_all_by_label_contains("km per px").next();
    assert!(foot.is_some(), "the readout tells the ground");
    window.key(Modifiers::NONE, Key::G);
    assert!(window.harness.unnamed_widgets().is_empty(), "{:?}", window.harness.unnamed_widgets());

    // Written, and there again when the night is opened again.
    window.wait("findings", |app| app.session().is_idle());
    window.click("Write the measurements");
    let table = home.path().join("stills/ridge.measured.csv");
    window.wait("the table", |_| table.is_file() && table.with_extension("png").is_file());
    let text = std::fs::read_to_string(&table).unwrap();
    assert_eq!(text.lines().count(), 3, "{text}");
    let drawn = image::open(table.with_extension("png")).unwrap().to_rgb8();
    let colour = drawn.pixels().filter(|p| p.0[0].abs_diff(p.0[2]) > 30).count();
    assert!(colour > 50, "lines and marks are drawn: {colour}");
    window.wait("the night on disk", |app| app.session().is_saved());
    let sheet = window.entry().sheet.clone();
    drop(window);
    let mut window = Window::open(options(home.path()));
    window.wait("the night", |app| !app.session().entries().is_empty());
    assert_eq!(window.entry().sheet, sheet);
    window.wait_done();
}

#[test]
fn what_makes_no_sense_is_said_under_its_field() {
    let home = tempfile::tempdir().unwrap();
    let mut window = at_work(home.path(), "ridge");
    window.key(Modifiers::NONE, Key::F6);
    type_into(&mut window, "Time (UTC)", "yesterday");
    assert!(window.harness.query_all_by_label_contains("Expected a time such as").next().is_some());
    assert!(window.entry().sheet.time_utc.is_none());
    type_into(&mut window, "Site", "95, 8");
    assert!(window.harness.query_all_by_label_contains("latitude").next().is_some());
    assert!(window.entry().sheet.site.is_none());
    type_into(&mut window, "Site", "47.5, 8.25, 450 m");
    assert_eq!(window.entry().sheet.site.unwrap().height_m, 450.0);
    // At noon the Sun is warned of.
    type_into(&mut window, "Time (UTC)", "2026-03-26T12:00Z");
    let caution = window.harness.query_all_by_label_contains("front filter").next();
    assert!(caution.is_some(), "by day the caution stands there");
    assert!(window.harness.unnamed_widgets().is_empty(), "{:?}", window.harness.unnamed_widgets());
}

/// The still of the capture, turned by a quarter, half as large again, and its finest detail lost: as a PNG.
fn reference_of(window: &Window, path: &Path) {
    let still = window.entry().still.clone().unwrap().shown.picture.clone();
    let (w, h) = (still.width(), still.height());
    let scale = 1.5;
    let out =
        image::GrayImage::from_fn((h as f64 * scale) as u32, (w as f64 * scale) as u32, |x, y| {
            // Reference (x, y) shows the still's (y, h - x) over the scale.
            let at = |v: f64, n: usize| (v.round().max(0.0) as usize).min(n - 1);
            let (sx, sy) = (f64::from(y) / scale, h as f64 - 1.0 - f64::from(x) / scale);
            let mut sum = 0.0;
            for k in 0..49 {
                let (dx, dy) = (f64::from(k % 7) - 3.0, f64::from(k / 7) - 3.0);
                sum += still.planes[[0, at(sy + dy, h), at(sx + dx, w)]];
            }
            image::Luma([(sum / 49.0 * 255.0).clamp(0.0, 255.0) as u8])
        });
    out.save(path).unwrap();
}

#[test]
fn a_reference_is_loaded_matched_compared_and_a_figure_written() {
    let home = tempfile::tempdir().unwrap();
    let mut settings = small(11, 40);
    (settings.width, settings.height) = (320, 240);
    let capture = sample(home.path(), "ridge", &settings);
    let mut window = Window::open_sized(options(home.path()), 1400.0, 900.0);
    window.drop_files(&[capture]);
    window.wait_done();
    let plate = home.path().join("plate.png");
    reference_of(&window, &plate);
    let before = std::fs::read(&plate).unwrap();
    window.key(Modifiers::NONE, Key::F7);
    type_into(&mut window, "Reference picture", &plate.display().to_string());
    window.wait("the match", |app| {
        let beside = &app.session().selected().unwrap().beside;
        app.session().is_idle() && (beside.set.is_some() || beside.trouble.is_some())
    });
    let beside = window.entry().beside.clone();
    let set = beside.set.unwrap_or_else(|| panic!("{:?}", beside.trouble));
    // The middle of the still lies in the middle of the reference.
    let there = set.matched.map.apply([159.5, 119.5]);
    assert!((there[0] - 179.5).abs() < 2.5 && (there[1] - 239.5).abs() < 2.5, "{there:?}");
    assert!((set.reference_px_per_px - 1.5).abs() < 0.03);
    assert!(window.harness.query_all_by_label_contains("The still shows more").next().is_some());
    assert!(
        window.harness.query_by_role_and_label(Role::Image, "Reference beside ridge.ser").is_some()
    );
    for key in [Key::Num2, Key::Num3, Key::Num1] {
        window.key(Modifiers::NONE, key);
        assert!(
            window.harness.unnamed_widgets().is_empty(),
            "{:?}",
            window.harness.unnamed_widgets()
        );
    }
    // A pair of marks in both pictures.
    window.key(Modifiers::NONE, Key::M);
    let still = window.harness.get_by_role_and_label(Role::Image, "Still of ridge.ser").rect();
    let reference =
        window.harness.get_by_role_and_label(Role::Image, "Reference beside ridge.ser").rect();
    click_at(&mut window, still.center());
    assert!(window.harness.query_all_by_label_contains("Now the same place").next().is_some());
    click_at(&mut window, reference.center());
    let pairs = window.entry().sheet.reference.clone().unwrap().pairs;
    assert_eq!(pairs.len(), 1);
    assert!(
        (pairs[0][1].x - 179.5).abs() < 4.0 && (pairs[0][1].y - 239.5).abs() < 4.0,
        "{pairs:?}"
    );
    window.key(Modifiers::COMMAND, Key::Z);
    assert!(window.entry().sheet.reference.clone().unwrap().pairs.is_empty());

    window.wait("rest", |app| app.session().is_idle());
    window.click("Write a figure of both");
    let figure = home.path().join("stills/ridge.beside.png");
    window.wait("the figure", |_| figure.is_file());
    assert!(image::open(&figure).unwrap().width() > 640);
    assert_eq!(std::fs::read(&plate).unwrap(), before, "a reference is never written to");

    // From where it was taken: what makes no sense is said; without a fix it is laid as flat ground.
    type_into(&mut window, "Taken from", "somewhere");
    assert!(window.harness.query_all_by_label_contains("latitude, longitude and").next().is_some());
    type_into(&mut window, "Taken from", "-5.0817, 3.8337, 372062.6");
    assert!(
        window.harness.query_all_by_label_contains("once the still has its fix").next().is_some()
    );
    assert!(matches!(window.entry().beside.set.clone().unwrap().matched.map, Mapped::Flat(_)));
    // With it, through longitude and latitude; then all is at rest.
    fix(&mut window);
    window.key(Modifiers::NONE, Key::F7);
    window.wait("the way through the sphere", |app| {
        let set = app.session().selected().unwrap().beside.set.clone().unwrap();
        app.session().is_idle() && matches!(set.matched.map, Mapped::Sphere(_))
    });
    let set = window.entry().beside.set.clone().unwrap();
    let there = set.matched.map.apply([159.5, 119.5]);
    assert!((there[0] - 179.5).abs() < 2.5 && (there[1] - 239.5).abs() < 2.5, "{there:?}");
    let back = set.matched.map.back(there);
    assert!((back[0] - 159.5).abs() < 0.01 && (back[1] - 119.5).abs() < 0.01, "{back:?}");
    assert_eq!(set.matched.note, None);
    window.harness.run_steps(3);
    let wanting = window.harness.query_all_by_label_contains("once the still has its fix").next();
    assert!(wanting.is_none(), "nothing is wanting any more");

    // A file that is none is said, and nothing is lost.
    type_into(&mut window, "Reference picture", "/nowhere/plate.png");
    window.wait("words", |app| app.session().selected().unwrap().beside.trouble.is_some());
    window.harness.run_steps(3);
    assert!(window.harness.query_all_by_label_contains("cannot be opened").next().is_some());
}

#[test]
fn a_night_is_planned() {
    let home = tempfile::tempdir().unwrap();
    let mut window = at_work(home.path(), "ridge");
    window.key(Modifiers::NONE, Key::F8);
    assert!(
        window
            .harness
            .query_all_by_label_contains("Never point optics at the Sun")
            .next()
            .is_some()
    );
    window.click("Look for chances");
    assert!(window.harness.query_all_by_label_contains("the site as latitude").next().is_some());
    type_into(&mut window, "From the site", "47.5, 8.25, 450");
    type_into(&mut window, "Place on the Moon", "9.6, -20.1");
    type_into(&mut window, "Days ahead", "60");
    window.click("Look for chances");
    window.wait("chances", |app| app.session().planning().is_some() && app.session().is_idle());
    window.harness.run_steps(3);
    let planning = window.harness.state().session().planning().unwrap().clone();
    let chances = planning.found.clone().unwrap();
    assert!(!chances.is_empty(), "some night of two months suits");
    for planned in &chances {
        let best = planned.chance.best;
        assert!((5.0..=12.0).contains(&best.sun_altitude_deg) && best.morning);
        assert!(best.moon_altitude_deg >= 30.0 && best.site_sun_altitude_deg <= -12.0);
        assert!(planned.night.len() > 60);
    }
    let chart = window.harness.query_all_by_role(Role::Image).any(|node| {
        node.accesskit_node().label().unwrap_or_default().starts_with("Altitude of the Moon")
    });
    assert!(chart);
    assert!(window.harness.unnamed_widgets().is_empty(), "{:?}", window.harness.unnamed_widgets());
    window.click("Close");
}
