//! What is wrong with a capture, and what to do next time: on its card under the pointer, and in the inspector.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui_kittest::kittest::Queryable;
use std::fs;
use std::path::Path;
use stillwright_night::capture::{SerOptions, SerWriter, Ticks};
use stillwright_night::picture::{Layout, Samples};
use stillwright_night::session::{Command, Setting};
use stillwright_night::stacking::finish::Optics;
use support::{Window, options};

/// Bright slopes, much of them at full scale, six frames a second with a gap.
fn spoilt(path: &Path) {
    let options = SerOptions::new(96, 96, Layout::Mono, 8);
    let mut writer = SerWriter::create(fs::File::create(path).unwrap(), options).unwrap();
    for frame in (0..40u64).filter(|frame| !(10..20).contains(frame)) {
        let sample = |i: usize| (140 + 2 * (i % 96) + (i * 7 + frame as usize) % 5).min(255) as u8;
        let time = Ticks(638_673_030_000_000_000 + frame * 1_666_667);
        let samples = Samples::U8((0..96 * 96).map(sample).collect());
        writer.write_frame(&samples, Some(time)).unwrap();
    }
    writer.finish().unwrap();
}

#[test]
fn a_card_says_under_the_pointer_all_that_is_wrong_and_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let capture = home.path().join("spoilt.ser");
    spoilt(&capture);
    let mut options = options(home.path());
    (options.session.grade_unasked, options.session.stack_unasked) = (false, false);
    let mut window = Window::open(options);
    window.drop_files(&[capture]);
    window.wait("facts", |app| app.session().selected().is_some_and(|e| e.facts.is_some()));
    window.wait_idle();
    let id = window.entry().id;
    let optics = Optics {
        aperture_m: 0.2,
        obstruction: 0.3,
        focal_length_m: 1.2,
        pixel_um: 2.9,
        wavelength_m: 550e-9,
    };
    let setting = Setting::Optics(Some(optics));
    window.harness.state_mut().send(Command::Change { id, setting });
    window.wait_idle();
    let warnings = window.entry().facts.as_ref().unwrap().warnings.clone();
    assert!(warnings.len() >= 3, "{warnings:?}");
    window.harness.get_by_label_contains("spoilt: ").hover();
    window.harness.run_steps(4);
    std::thread::sleep(std::time::Duration::from_millis(700));
    window.harness.run_steps(4);
    let tip = window.harness.query_all_by_label_contains("A focal length").count()
        + window.harness.query_all_by_label_contains("a focal length of").count();
    assert!(tip > 0, "the sampling is advised on");
    for words in [
        "verexposed",
        "expose or amplify less",
        "frames were dropped",
        "a faster disk",
        "frames a second",
    ] {
        // In the inspector, and on the card.
        let shown = window.harness.query_all_by_label_contains(words).count();
        assert!(shown >= 2, "{words}: {shown}");
    }
}
