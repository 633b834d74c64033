//! Darks and flats in a session: chosen, changed on the disk, refused, undone.
#![allow(clippy::unwrap_used, dead_code)]

mod session_support;

use session_support::{Night, capture_in, options};
use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::atomic::Existing;
use stillwright_night::cache::Cache;
use stillwright_night::calibration::CalibrationSettings;
use stillwright_night::capture::{Overrides, SerOptions, SerWriter};
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::hash::fingerprint;
use stillwright_night::picture::{Layout, Samples, Silent};
use stillwright_night::saved_path::SavedPath;
use stillwright_night::session::{
    CaptureId, CaptureState, Command, Effect, ExportTarget, Session, SessionOptions, Setting,
    StillOutcome,
};
use stillwright_night::still::make_still;

/// A dark for captures like the one at `like`: columns of unlike offsets, times `strength`.
fn dark(path: &Path, like: &Path, strength: u16) -> PathBuf {
    let capture = open_capture(like, &Overrides::default()).unwrap();
    let (format, depth) = (capture.format(), capture.facts().bit_depth);
    write_dark(path, (format.width, format.height), depth, strength)
}

fn write_dark(path: &Path, size: (usize, usize), depth: u8, strength: u16) -> PathBuf {
    let options = SerOptions::new(size.0, size.1, Layout::Mono, depth);
    // Whole or not at all, as a program that watches the file needs it.
    let part = path.with_extension("part");
    let mut writer = SerWriter::create(fs::File::create(&part).unwrap(), options).unwrap();
    for frame in 0..10u16 {
        let sample = |i: usize| strength * (i % size.0 % 3) as u16 + (i as u16 + frame) % 2;
        let values = (0..size.0 * size.1).map(sample);
        let samples = match depth {
            0..=8 => Samples::U8(values.map(|v| v as u8).collect()),
            _ => Samples::U16(values.collect()),
        };
        writer.write_frame(&samples, None).unwrap();
    }
    writer.finish().unwrap();
    fs::rename(&part, path).unwrap();
    path.to_path_buf()
}

fn sha(path: &Path) -> String {
    let mut file = fs::File::open(path).unwrap();
    fingerprint(&mut file, &Default::default()).unwrap().unwrap().sha256
}

fn with_darks(paths: &[&Path]) -> Setting {
    let darks = paths.iter().map(|path| SavedPath::of(path)).collect();
    Setting::Calibration(CalibrationSettings { darks, ..CalibrationSettings::default() })
}

fn change(night: &mut Night, id: CaptureId, setting: Setting) {
    night.session.send(Command::Change { id, setting });
    night.rest();
}

/// A night of one capture in `home` and a dark beside its folder; what is found is kept in a cache.
fn night_with_dark() -> (Night, CaptureId, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let capture = capture_in(&home.path().join("captures"), "a", 1);
    let dark = dark(&home.path().join("dark.ser"), &capture, 3);
    let options = SessionOptions {
        cache: Some(Cache::under(home.path().join("kept"))),
        ..options(home.path())
    };
    let session = Session::open(options, || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.session.send(Command::Add(vec![night.folder()]));
    night.rest();
    let id = night.first();
    (night, id, dark)
}

#[test]
fn a_dark_that_changes_on_the_disk_is_noticed_and_nothing_old_is_used() {
    let (mut night, id, path) = night_with_dark();
    let plain = night.entry(id).stacked.clone().unwrap();
    change(&mut night, id, with_darks(&[&path]));
    let before = night.entry(id).stacked.clone().unwrap();
    assert_ne!(plain.key, before.key);
    assert_ne!(plain.stack.picture, before.stack.picture, "the dark does something");
    let first = night.entry(id).calibration().unwrap().dark.clone().unwrap();
    assert_eq!(first.input.sha256, sha(&path));
    let key = night.entry(id).survey_key().unwrap();
    assert!(night.entry(id).still_is_current());

    // The same name, size and number of frames; other values.
    let capture = night.entry(id).path.clone();
    dark(&path, &capture, 9);
    let other = sha(&path);
    night.until("the other dark", |s| {
        let dark = |e: &stillwright_night::session::Entry| {
            e.calibration().and_then(|c| c.dark.as_ref()).map(|d| d.input.sha256.clone())
        };
        s.is_idle()
            && s.entry(id).is_some_and(|e| dark(e).as_ref() == Some(&other) && e.still_is_current())
    });
    assert!(night.said().contains("dark or flat of this capture has changed"), "{}", night.said());
    assert_ne!(night.entry(id).survey_key().unwrap(), key);
    let after = night.entry(id).stacked.clone().unwrap();
    assert_ne!(after.stack.picture, before.stack.picture);

    // What it came to is what a run that knows nothing of before comes to, cache or not.
    let out = night.home.path().join("alone");
    let files = StillFiles::plan(&capture, Some(&out), &[], Existing::Keep);
    let alone = make_still(&files, &night.entry(id).recipe, &Silent).unwrap();
    assert_eq!(alone.stack.picture, after.stack.picture);

    // Gone: nothing is stacked with what is not there any more. Back: it goes on by itself.
    let away = path.with_extension("away");
    fs::rename(&path, &away).unwrap();
    night.until("words on the dark that is gone", |s| {
        matches!(&s.entries()[0].state, CaptureState::Failed { words } if words.contains("no dark fits"))
    });
    assert!(!night.entry(id).survey_is_current());
    fs::rename(&away, &path).unwrap();
    night.until("the dark again", |s| s.is_idle() && s.entries()[0].still_is_current());
}

#[test]
fn a_still_is_not_written_with_a_dark_that_has_changed_since() {
    let (mut night, id, path) = night_with_dark();
    change(&mut night, id, with_darks(&[&path]));
    let capture = night.entry(id).path.clone();
    dark(&path, &capture, 9);
    let target =
        ExportTarget { folder: Some(night.home.path().join("out")), existing: Existing::Keep };
    night.session.send(Command::MakeAll { ids: vec![id], target });
    night.until("an outcome", |s| s.last_all_stills().is_some() && s.is_idle());
    let all = night.session.last_all_stills().unwrap().clone();
    match &all.outcomes[0].1 {
        StillOutcome::Failed(words) => assert!(words.contains("ask again"), "{words}"),
        // Looked at in time: then it is of the dark as it is now.
        StillOutcome::Written(written) => {
            let dark = written.record.calibration.as_ref().unwrap().dark.as_ref().unwrap();
            assert_eq!(dark.input.sha256, sha(&path));
        }
        StillOutcome::Stopped => panic!("nobody stopped it"),
    }
}

#[test]
fn what_does_not_fit_is_said_and_undo_takes_it_back() {
    let (mut night, id, good) = night_with_dark();
    let small = write_dark(&night.home.path().join("small.ser"), (40, 30), 8, 3);
    change(&mut night, id, with_darks(&[&small]));
    let CaptureState::Failed { words } = &night.entry(id).state else {
        panic!("{:?}", night.entry(id).state)
    };
    assert!(words.contains("40 x 30 px") && words.contains("small.ser"), "{words}");
    // Asked for all the same: the frames that are still open from before are not passed off as calibrated.
    let target =
        ExportTarget { folder: Some(night.home.path().join("out")), existing: Existing::Keep };
    night.session.send(Command::MakeAll { ids: vec![id], target });
    night.until("an outcome", |s| s.last_all_stills().is_some() && s.is_idle());
    let outcome = &night.session.last_all_stills().unwrap().outcomes[0].1;
    assert!(
        matches!(outcome, StillOutcome::Failed(words) if words.contains("no dark fits")),
        "{outcome:?}"
    );
    // With one that fits beside it, the other is left aside, and the report says why.
    change(&mut night, id, with_darks(&[&small, &good]));
    let report = night.entry(id).calibration().unwrap();
    assert!(report.dark.as_ref().unwrap().input.path.ends_with("dark.ser"));
    assert_eq!(report.left_aside.len(), 1);
    assert!(report.left_aside[0].why.contains("40 x 30 px"), "{report:?}");
    assert_eq!(night.entry(id).state, CaptureState::Done);
    assert_eq!(night.session.undo_words(), Some("calibration"));
    night.session.send(Command::Undo);
    night.session.send(Command::Undo);
    night.rest();
    assert!(night.entry(id).recipe.calibration.is_empty());
    assert!(night.entry(id).calibration().is_none(), "{:?}", night.entry(id).state);
    assert_eq!(night.entry(id).state, CaptureState::Done);
    // Too many files for one recipe are told, and change nothing.
    let many: Vec<PathBuf> = (0..65).map(|i| PathBuf::from(format!("/night/{i}.ser"))).collect();
    let many: Vec<&Path> = many.iter().map(PathBuf::as_path).collect();
    change(&mut night, id, with_darks(&many));
    assert!(night.said().contains("at most 64"), "{}", night.said());
    assert!(night.entry(id).recipe.calibration.is_empty());
}

#[test]
fn a_dark_on_the_shelf_serves_and_is_neither_graded_nor_made_into_a_still() {
    let (mut night, id, dark) = night_with_dark();
    change(&mut night, id, with_darks(&[&dark]));
    night.session.send(Command::Add(vec![dark.clone()]));
    night.rest();
    let serving = night.session.entries().iter().find(|e| e.path == dark).unwrap();
    assert_eq!(serving.state, CaptureState::Serving);
    assert!(serving.graded.is_none() && serving.facts.is_some());
    let of = serving.id;
    assert_eq!(night.count(|e| matches!(e, Effect::Graded(g) if *g == of)), 0);
    let target =
        ExportTarget { folder: Some(night.home.path().join("out")), existing: Existing::Keep };
    night.session.send(Command::MakeAll { ids: Vec::new(), target });
    night.until("all stills", |s| s.last_all_stills().is_some() && s.is_idle());
    let made = night.session.last_all_stills().unwrap();
    let ids: Vec<CaptureId> = made.outcomes.iter().map(|still| still.0).collect();
    assert_eq!(ids, [id]);
    // The recipe given to all others does not calibrate the dark with itself.
    night.session.send(Command::CopyRecipe { from: id, to: vec![of] });
    night.rest();
    assert!(night.entry(of).recipe.calibration.is_empty());
    // Named no more, it is a capture like any other.
    change(&mut night, id, Setting::Calibration(CalibrationSettings::default()));
    assert_ne!(night.entry(of).state, CaptureState::Serving);
}

#[test]
fn the_night_file_and_the_cache_keep_apart_what_other_darks_gave() {
    let (mut night, id, path) = night_with_dark();
    change(&mut night, id, with_darks(&[&path]));
    let before = night.entry(id).stacked.clone().unwrap();
    let capture = night.entry(id).path.clone();
    night.until("a saved night", |s| s.is_saved());
    let Night { home, session, .. } = night;
    drop(session);
    // While nobody looked.
    dark(&path, &capture, 9);
    let options = SessionOptions {
        cache: Some(Cache::under(home.path().join("kept"))),
        ..options(home.path())
    };
    let session = Session::open(options, || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.rest();
    let id = night.first();
    let report = night.entry(id).calibration().unwrap();
    assert_eq!(report.dark.as_ref().unwrap().input.sha256, sha(&path));
    assert_ne!(night.entry(id).stacked.as_ref().unwrap().stack.picture, before.stack.picture);
}
