//! The calibration section, driven through labels and roles: choosing, what fits and what does not, undo.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::SnapshotOptions;
use egui_kittest::kittest::{NodeT, Queryable};
use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::capture::{SerOptions, SerWriter};
use stillwright_night::picture::{Layout, Samples};
use stillwright_night::session::CaptureState;
use support::{Window, options, sample, small};

/// A capture of frames that are alike but for their last bit.
fn write(path: &Path, size: (usize, usize), level: u8) -> PathBuf {
    let options = SerOptions::new(size.0, size.1, Layout::Mono, 8);
    let mut writer = SerWriter::create(fs::File::create(path).unwrap(), options).unwrap();
    for frame in 0..10usize {
        let sample = |i: usize| level + (i % size.0 % 3) as u8 + ((i + frame) % 2) as u8;
        let samples = Samples::U8((0..size.0 * size.1).map(sample).collect());
        writer.write_frame(&samples, None).unwrap();
    }
    writer.finish().unwrap();
    path.to_path_buf()
}

fn type_path(window: &mut Window, field: &str, path: &str) {
    window.harness.get_by_role_and_label(Role::TextInput, field).focus();
    window.harness.run_steps(2);
    window.harness.get_by_role_and_label(Role::TextInput, field).type_text(path);
    window.harness.run_steps(1);
    window.key(Modifiers::NONE, Key::Enter);
    window.wait_idle();
}

fn has(window: &Window, words: &str) -> bool {
    window.harness.query_all_by_label_contains(words).next().is_some()
}

#[test]
fn darks_and_flats_are_chosen_judged_and_taken_back() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "ridge", &small(11, 40));
    let dark = write(&home.path().join("cap-on.ser"), (160, 120), 2);
    let other = write(&home.path().join("other-camera.ser"), (96, 64), 2);
    let flat = write(&home.path().join("evening-sky.ser"), (160, 120), 150);
    let mut window = Window::open_sized(options(home.path()), 1280.0, 1000.0);
    window.drop_files(&[capture, dark.clone()]);
    window.wait("two captures", |app| app.session().entries().len() == 2);
    window.choose("ridge");
    window.wait_done();

    // Folded at first; nothing is calibrated.
    assert!(window.harness.query_by_label("Add a dark").is_none());
    window.click("Section Calibration, folded");
    assert!(has(&window, "Drop darks and flats on the window"));
    assert!(window.harness.query_by_label("Add a dark-flat").is_none(), "it belongs to a flat");

    // A dark among the captures of the night.
    window.harness.get_by_role_and_label(Role::ComboBox, "Add a dark").click();
    window.harness.run_steps(3);
    assert!(window.harness.query_by_label("Choose files…").is_some());
    window.click("cap-on.ser");
    window.wait_done();
    assert_eq!(window.entry().recipe.calibration.darks.len(), 1);
    assert!(has(&window, "Used: the mean of 10 frames; matched by size"));
    assert!(has(&window, "hot samples were replaced"));
    let serving = window.harness.state().session().entries().iter().find(|e| e.path == dark);
    assert_eq!(serving.unwrap().state, CaptureState::Serving);

    // One that does not fit, beside it; a flat, by its path; and its own dark.
    type_path(&mut window, "Path of a dark", other.to_str().unwrap());
    window.wait_done();
    assert!(has(&window, "Not used: 160 x 120 px were expected, and it has 96 x 64 px"));
    type_path(&mut window, "Path of a flat", flat.to_str().unwrap());
    window.wait_done();
    assert!(has(&window, "The flat has no dark-flat"));
    type_path(&mut window, "Path of a dark-flat", dark.to_str().unwrap());
    window.wait_done();
    let report = window.entry().calibration().unwrap();
    assert!(report.dark.is_some() && report.flat.is_some() && report.dark_flat.is_some());
    assert_eq!(report.left_aside.len(), 1);
    assert!(!has(&window, "The flat has no dark-flat"));

    // Bands.
    let bands = window.harness.get_by_role_and_label(Role::CheckBox, "Even out rows and columns");
    bands.click();
    window.harness.run_steps(2);
    window.wait_done();
    assert!(window.entry().recipe.calibration.reduce_bands);
    assert!(window.entry().calibration().unwrap().wander_px.is_some());

    // Every control says what it is, and has a tooltip.
    for (role, name) in [
        (Role::ComboBox, "Add a dark"),
        (Role::ComboBox, "Add a flat"),
        (Role::ComboBox, "Add a dark-flat"),
        (Role::TextInput, "Path of a dark"),
        (Role::TextInput, "Path of a flat"),
        (Role::TextInput, "Path of a dark-flat"),
        (Role::CheckBox, "Even out rows and columns"),
        (Role::Button, "Remove the dark other-camera.ser"),
    ] {
        let node = window.harness.get_by_role_and_label(role, name);
        assert!(node.accesskit_node().label().is_some_and(|label| label == name), "{name}");
    }
    window.no_pointer();
    window.wait("the night on disk", |app| app.session().is_saved());
    let kept = SnapshotOptions::new().threshold(0.8).max_failed_pixels(200);
    window.harness.snapshot_options("calibration", &kept);

    // Taken back one by one, and taken again.
    window.click("Remove the flat evening-sky.ser");
    window.wait_done();
    let settings = window.entry().recipe.calibration.clone();
    assert!(settings.flats.is_empty() && settings.dark_flats.is_empty(), "it goes with its flat");
    window.key(Modifiers::COMMAND, Key::Z);
    window.wait_done();
    assert_eq!(window.entry().recipe.calibration.dark_flats.len(), 1);
    for _ in 0..5 {
        window.key(Modifiers::COMMAND, Key::Z);
    }
    window.wait_done();
    assert!(window.entry().recipe.calibration.is_empty());
    assert!(window.entry().calibration().is_none());
}

#[test]
fn a_dark_that_fits_nothing_says_so_in_its_section() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "ridge", &small(11, 40));
    let other = write(&home.path().join("other-camera.ser"), (96, 64), 2);
    let mut window = Window::open_sized(options(home.path()), 1280.0, 1000.0);
    window.drop_files(&[capture]);
    window.wait_done();
    window.click("Section Calibration, folded");
    type_path(&mut window, "Path of a dark", other.to_str().unwrap());
    window.wait("the failure", |app| {
        app.session().selected().is_some_and(|e| matches!(e.state, CaptureState::Failed { .. }))
    });
    assert!(has(&window, "No dark fits this capture"));
    window.click("Remove the dark other-camera.ser");
    window.wait_done();
    assert!(!has(&window, "No dark fits this capture"));
}
