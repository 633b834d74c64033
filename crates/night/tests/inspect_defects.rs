//! Captures made with one known defect each: `inspect` and the session say it, with what to do next time; a sound
//! one gets no word.
#![allow(clippy::unwrap_used, dead_code)]

mod session_support;

use session_support::Night;
use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::capture::{Overrides, SerOptions, SerWriter, Ticks};
use stillwright_night::inspect::{InspectReport, inspect_capture};
use stillwright_night::picture::{Layout, Samples, Silent};
use stillwright_night::session::{Command, Setting};
use stillwright_night::stacking::finish::Optics;

const SIDE: usize = 96;
const FRAMES: usize = 60;

/// A capture: level of the ground and height of its slopes, noise (standard deviation), all shares of full scale.
#[derive(Clone, Copy)]
struct Made {
    depth: u8,
    level: f64,
    slopes: f64,
    noise: f64,
    rate_hz: f64,
}

const SOUND: Made = Made { depth: 8, level: 0.45, slopes: 0.25, noise: 0.012, rate_hz: 50.0 };

impl Made {
    fn write(self, path: &Path, times: impl Fn(usize) -> Option<f64>) -> PathBuf {
        let options = SerOptions::new(SIDE, SIDE, Layout::Mono, self.depth);
        let mut writer = SerWriter::create(fs::File::create(path).unwrap(), options).unwrap();
        let white = f64::from((1u32 << self.depth) - 1);
        let mut state = 11u64;
        for frame in 0..FRAMES {
            let Some(seconds) = times(frame) else { continue };
            let values = (0..SIDE * SIDE).map(|i| {
                // Twelve even numbers make a normal one nearly (central limit).
                let even: f64 = (0..12)
                    .map(|_| {
                        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                        (state >> 40) as f64 / (1u64 << 24) as f64
                    })
                    .sum();
                let (x, y) = ((i % SIDE) as f64, (i / SIDE) as f64);
                let ground = self.level + self.slopes * (x * 0.09).sin() * (y * 0.07).cos();
                ((ground + self.noise * (even - 6.0)).clamp(0.0, 1.0) * white).round() as u16
            });
            let samples = match self.depth {
                0..=8 => Samples::U8(values.map(|v| v as u8).collect()),
                _ => Samples::U16(values.collect()),
            };
            let time = Ticks(638_673_030_000_000_000 + (seconds * 1e7).round() as u64);
            writer.write_frame(&samples, Some(time)).unwrap();
        }
        writer.finish().unwrap();
        path.to_path_buf()
    }
}

fn inspect(path: &Path) -> InspectReport {
    inspect_capture(path, &Overrides::default(), None, &Silent).unwrap()
}

/// Each defect: its name, the file, what is said of it, and what is advised.
fn defects(home: &Path) -> Vec<(PathBuf, &'static str, &'static str)> {
    let at = |name: &str| home.join(format!("{name}.ser"));
    let even = |made: Made| move |i: usize| Some(i as f64 / made.rate_hz);
    let mut all = Vec::new();
    let mut add = |name: &str, made: Made, said, advice| {
        all.push((made.write(&at(name), even(made)), said, advice));
    };
    add("bright", Made { level: 0.9, ..SOUND }, "overexposed:", "expose or amplify less");
    add(
        "dark",
        Made { level: 0.03, slopes: 0.02, noise: 0.004, ..SOUND },
        "very dark:",
        "expose or amplify more",
    );
    let coarse = Made { noise: 0.0002, ..SOUND };
    add("coarse", coarse, "8-bit steps are too coarse", "record 12 or 16 bits, or amplify more");
    add(
        "slow",
        Made { rate_hz: 6.0, ..SOUND },
        "only 6.0 frames a second",
        "a smaller field, shorter exposures",
    );
    add(
        "cap",
        Made { level: 0.0, slopes: 0.0, noise: 0.0, ..SOUND },
        "no light in any of the frames",
        "was the cap on?",
    );
    // Frames 20 to 27 and 40 were never stored.
    let holed = |i: usize| {
        let missing = (20..28).contains(&i) || i == 40;
        (!missing).then_some(i as f64 / SOUND.rate_hz)
    };
    let path = SOUND.write(&at("dropped"), holed);
    all.push((path, "about 9 frames were dropped in 2 gaps", "a faster disk"));
    let back = |i: usize| Some(if i == 30 { 0.0 } else { i as f64 / SOUND.rate_hz });
    all.push((SOUND.write(&at("clock"), back), "not later than the one before", "clock was set"));
    let cut = SOUND.write(&at("cut"), even(SOUND));
    let bytes = fs::read(&cut).unwrap();
    fs::write(&cut, &bytes[..178 + 20 * SIDE * SIDE + 500]).unwrap();
    all.push((cut, "ends inside frame", "cut off while recording"));
    all
}

#[test]
fn each_defect_is_said_with_what_to_do_and_a_sound_capture_gets_no_word() {
    let home = tempfile::tempdir().unwrap();
    for (path, said, advice) in defects(home.path()) {
        let report = inspect(&path);
        let all = report.warnings.join("\n");
        let line = report.warnings.iter().find(|line| line.contains(said));
        let line = line.unwrap_or_else(|| panic!("{}: no \"{said}\" in\n{all}", path.display()));
        assert!(line.contains(advice), "{}: {line}", path.display());
        assert!(report.headline.is_some(), "{}", path.display());
    }
    for depth in [8, 12] {
        let made = Made { depth, ..SOUND };
        let path = made.write(&home.path().join("sound.ser"), |i| Some(i as f64 / 50.0));
        let report = inspect(&path);
        assert!(report.warnings.is_empty() && report.headline.is_none(), "{:?}", report.warnings);
        assert!((report.frame_rate_hz.unwrap() - 50.0).abs() < 0.1);
        let expected = 0.012 * f64::from((1u32 << depth) - 1);
        let noise = report.exposure.noise_steps.unwrap();
        assert!((noise / expected - 1.0).abs() < 0.15, "{noise} steps for {expected}");
    }
}

#[test]
fn a_little_of_each_is_no_defect() {
    let home = tempfile::tempdir().unwrap();
    // The glint of one peak, one frame late by a third, 20 frames a second.
    let made = Made { level: 0.7, rate_hz: 20.0, ..SOUND };
    let late = |i: usize| Some(i as f64 / 20.0 + if i == 9 { 0.016 } else { 0.0 });
    let report = inspect(&made.write(&home.path().join("fair.ser"), late));
    assert!(report.warnings.is_empty(), "{:?}", report.warnings);
}

#[test]
fn the_telescope_decides_on_the_sampling_and_both_sides_are_advised() {
    let home = tempfile::tempdir().unwrap();
    let path = SOUND.write(&home.path().join("a.ser"), |i| Some(i as f64 / 50.0));
    let optics = |focal_length_m| Optics {
        aperture_m: 0.2,
        obstruction: 0.3,
        focal_length_m,
        pixel_um: 2.9,
        wavelength_m: 550e-9,
    };
    for (focal_length_m, said) in [
        (1.5, Some("too large for the telescope")),
        (3.0, None),
        (9.0, Some("finer than the telescope needs")),
    ] {
        let optics = optics(focal_length_m);
        let report = inspect_capture(&path, &Overrides::default(), Some(&optics), &Silent).unwrap();
        let words = report.notes.join("\n");
        match said {
            Some(said) => {
                assert!(words.contains(said) && words.contains("focal length of"), "{words}")
            }
            None => assert!(!words.contains("pixels are"), "{words}"),
        }
        // The session says the same of its captures.
        let mut night = Night::empty();
        night.session.send(Command::Add(vec![path.clone()]));
        night.rest();
        let id = night.first();
        night.session.send(Command::Change { id, setting: Setting::Optics(Some(optics)) });
        night.rest();
        assert_eq!(night.entry(id).sampling_words(), optics_words(&optics), "{focal_length_m}");
    }
}

fn optics_words(optics: &Optics) -> Option<String> {
    stillwright_night::sampling::Sampling::of(optics).words()
}

#[test]
fn the_session_says_of_its_captures_what_inspect_says() {
    let home = tempfile::tempdir().unwrap();
    let all = defects(home.path());
    let mut night = Night::empty();
    night.session.send(Command::Add(all.iter().map(|(path, _, _)| path.clone()).collect()));
    let count = all.len();
    night.until("all captures opened", |s| {
        s.entries().len() == count && s.entries().iter().all(|entry| entry.facts.is_some())
    });
    for (path, said, _) in all {
        let entry = night.session.entries().iter().find(|entry| entry.path == path).unwrap();
        let facts = entry.facts.as_ref().unwrap();
        assert_eq!(facts.warnings, inspect(&path).warnings);
        assert!(facts.warnings.iter().any(|line| line.contains(said)), "{:?}", facts.warnings);
    }
}
