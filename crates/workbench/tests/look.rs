//! Pictures of the main states, rendered without any graphics driver, held against kept ones.
//!
//! After a change that is meant: `UPDATE_SNAPSHOTS=force cargo test -p stillwright-workbench --test
//! look`, and look at every picture that changed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::{Key, Modifiers};
use egui_kittest::SnapshotOptions;
use egui_kittest::kittest::Queryable;
use std::path::{Path, PathBuf};
use stillwright_night::session::{CaptureState, Entry};
use support::{Window, options, sample, small};

/// Hold the window against the kept picture of this name. A few pixels may differ: Fourier
/// transforms round differently on other processors.
fn check(window: &mut Window, name: &str) {
    settle(window);
    hold(window, name);
}

/// Let everything come to rest.
fn settle(window: &mut Window) {
    window.wait("the night on disk", |app| app.session().is_saved());
    window.no_pointer();
}

fn hold(window: &mut Window, name: &str) {
    let options = SnapshotOptions::new().threshold(0.8).max_failed_pixels(200);
    window.harness.snapshot_options(name, &options);
}

/// Two captures and a file that is none.
fn night(home: &Path) -> Vec<PathBuf> {
    let mut settings = small(1, 80);
    (settings.width, settings.height) = (240, 180);
    // Held still, so that every place has all frames.
    (settings.mount.drift_x_px_s, settings.mount.drift_y_px_s) = (0.0, 0.0);
    settings.mount.wander_px = 0.3;
    let broken = home.join("broken.ser");
    std::fs::write(&broken, b"no capture at all").unwrap();
    vec![sample(home, "ridge-north", &settings), sample(home, "basin-floor", &small(2, 40)), broken]
}

#[test]
fn the_empty_bench() {
    let home = tempfile::tempdir().unwrap();
    let mut options = options(home.path());
    options.sample_folder = "/night/sample".into();
    let mut window = Window::open(options);
    check(&mut window, "empty");
    window.key(Modifiers::COMMAND, Key::O);
    check(&mut window, "open");
}

#[test]
fn waiting_and_graded() {
    let home = tempfile::tempdir().unwrap();
    let files = night(home.path());
    let mut options = options(home.path());
    (options.session.grade_unasked, options.session.stack_unasked) = (false, false);
    let mut window = Window::open(options);
    window.drop_files(&files[..1]);
    window.wait_idle();
    check(&mut window, "waiting");
    window.harness.get_by_label_contains("ridge-north: ").click_secondary();
    window.harness.run_steps(3);
    window.click("Grade again");
    window.wait("grades, and the best frame", |app| {
        let best = |e: &Entry| e.chart.as_ref().and_then(|chart| chart.sorted.first().copied());
        let shown = app.session().frame().map(|frame| frame.index);
        app.session().is_idle()
            && app.session().selected().is_some_and(|e| {
                e.state == CaptureState::Graded && shown.is_some() && best(e) == shown
            })
    });
    check(&mut window, "graded");
}

#[test]
fn done_in_every_light_and_arrangement() {
    let home = tempfile::tempdir().unwrap();
    let mut window = Window::open(options(home.path()));
    window.drop_files(&night(home.path()));
    window.wait("three captures", |app| app.session().entries().len() == 3);
    window.choose("ridge-north");
    window.wait_done();
    check(&mut window, "done");
    window.key(Modifiers::NONE, Key::Num2);
    check(&mut window, "wiper");
    window.key(Modifiers::NONE, Key::T);
    check(&mut window, "tiles");
    window.key(Modifiers::NONE, Key::T);
    window.key(Modifiers::NONE, Key::Num1);
    window.key(Modifiers::NONE, Key::L);
    check(&mut window, "light");
    window.key(Modifiers::NONE, Key::R);
    check(&mut window, "red");
    let red = window.picture();
    assert!(red.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0), "only red leaves it");
    assert!(red.pixels().any(|pixel| pixel.0[0] > 200));
    window.key(Modifiers::NONE, Key::R);
    window.choose("broken");
    window.wait_idle();
    settle(&mut window);
    // The last line is the path, which is another one in every run.
    let words = window.harness.query_all_by_label_contains("broken.ser");
    let lines: Vec<_> = words.map(|node| node.rect()).filter(|r| r.left() > 600.0).collect();
    assert_eq!(lines.len(), 1, "the words of what went wrong");
    window.harness.mask(egui::Rect::from_min_max(
        egui::pos2(lines[0].left(), lines[0].bottom() - 18.0),
        lines[0].max,
    ));
    hold(&mut window, "failed");
    window.key(Modifiers::NONE, Key::F1);
    check(&mut window, "keys");
}

#[test]
fn a_larger_window_near_to_the_ground() {
    let home = tempfile::tempdir().unwrap();
    let mut window = Window::open_sized(options(home.path()), 1600.0, 1000.0);
    window.drop_files(&night(home.path())[..1]);
    window.wait_done();
    for _ in 0..3 {
        window.key(Modifiers::NONE, Key::Plus);
    }
    window.wait_done();
    check(&mut window, "large");
}
