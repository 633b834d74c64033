//! Pictures of measuring, comparing and planning, held against kept ones (see `look.rs`).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::{Key, Modifiers};
use egui_kittest::SnapshotOptions;
use stillwright_night::moon::fix::{Camera, Projection, Px, SkyOffset};
use stillwright_night::moon::plan::{Between, Course, Wish};
use stillwright_night::moon::{LunarPoint, LunarView, Moment, Site};
use stillwright_night::session::{Command, PlanWish};
use stillwright_night::sheet::{Instrument, SheetChange};
use support::{Window, options, sample, small};

fn check(window: &mut Window, name: &str) {
    window.wait("all done", |app| app.session().is_idle() && app.session().is_saved());
    window.no_pointer();
    let options = SnapshotOptions::new().threshold(0.8).max_failed_pixels(300);
    window.harness.snapshot_options(name, &options);
}

#[test]
fn measuring_and_planning() {
    let home = tempfile::tempdir().unwrap();
    let mut settings = small(1, 80);
    (settings.width, settings.height) = (240, 180);
    (settings.mount.drift_x_px_s, settings.mount.drift_y_px_s) = (0.0, 0.0);
    settings.mount.wander_px = 0.3;
    let capture = sample(home.path(), "ridge-north", &settings);
    let mut window = Window::open_sized(options(home.path()), 1440.0, 900.0);
    window.drop_files(&[capture]);
    window.wait_done();
    let id = window.entry().id;
    let time = Moment::parse("2026-03-26T20:00:00Z").unwrap();
    let site = Site::new(47.5, 8.25, 450.0).unwrap();
    let view = LunarView::at(time, Some(site));
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 300.0, north_arcsec: -250.0 },
        anchor_px: Px { x: 120.0, y: 90.0 },
        arcsec_per_px: 0.21,
        up_position_angle_deg: 30.0,
        mirrored: false,
    };
    let projection = Projection { view, camera };
    let place = |x: f64, y: f64| {
        let px = Px { x, y };
        let place = projection.place_at(px);
        SheetChange::AddPlace { px, name: format!("spot {x}"), place }
    };
    let rim = [(150.0, 60.0), (172.0, 84.0), (158.0, 112.0), (126.0, 108.0), (118.0, 76.0)];
    let mut changes = vec![
        SheetChange::Time(Some(time)),
        SheetChange::Site(Some(site)),
        place(20.0, 25.0),
        place(215.0, 30.0),
        place(110.0, 165.0),
    ];
    for (i, (x, y)) in rim.into_iter().enumerate() {
        let px = Px { x, y };
        changes.push(match i {
            0 => SheetChange::Begin { instrument: Instrument::Crater, px },
            _ => SheetChange::AddPoint { number: 1, px },
        });
    }
    changes
        .push(SheetChange::Begin { instrument: Instrument::Profile, px: Px { x: 20.0, y: 140.0 } });
    changes.push(SheetChange::AddPoint { number: 2, px: Px { x: 220.0, y: 150.0 } });
    for change in changes {
        window.harness.state_mut().send(Command::Sheet { id, change });
    }
    window.key(Modifiers::NONE, Key::F6);
    window.key(Modifiers::NONE, Key::G);
    check(&mut window, "measure");
    window.key(Modifiers::NONE, Key::R);
    check(&mut window, "measure-red");
    let red = window.picture();
    assert!(red.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0), "only red leaves it");
    window.key(Modifiers::NONE, Key::R);

    let wish = Wish {
        sun_altitude_deg: Some(Between { low: 5.0, high: 12.0 }),
        course: Some(Course::Morning),
        site_sun_below_deg: Some(-12.0),
        ..Wish::of(LunarPoint::new(-20.1, 9.6), 30.0)
    };
    let from = Some(Moment::parse("2026-03-20").unwrap());
    let asked = PlanWish { wish, site, from, days: 120.0, equipment: None };
    window.harness.state_mut().send(Command::Plan(Box::new(asked)));
    window.wait("the plan", |app| app.session().planning().is_some());
    window.key(Modifiers::NONE, Key::F8);
    check(&mut window, "plan");
}
