//! Stills written by a session: the same bytes as without one, and a whole night unattended.
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::{Night, capture_in};
use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::cache::Cache;
use stillwright_night::choice::FrameRange;
use stillwright_night::export::Format;
use stillwright_night::files::StillFiles;
use stillwright_night::picture::Silent;
use stillwright_night::session::{
    Cancel, CaptureState, Command, Effect, ExportTarget, Session, Setting, StillOutcome,
};
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::{Bend, DetailScale, Optics};
use stillwright_night::still::make_still;

fn target(folder: &Path) -> ExportTarget {
    ExportTarget { folder: Some(folder.into()), existing: Existing::Keep }
}

fn same_bytes(a: &Path, b: &Path) {
    let (first, second) = (fs::read(a).unwrap(), fs::read(b).unwrap());
    assert!(first == second, "{} and {} differ", a.display(), b.display());
}

#[test]
fn a_session_gives_the_bytes_of_the_command_line() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let optics = Optics {
        aperture_m: 0.2032,
        obstruction: 0.35,
        focal_length_m: 2.85,
        pixel_um: 2.9,
        wavelength_m: 540e-9,
    };
    let scale = |gain| DetailScale { gain, hold_back: 1.2 };
    // Each set of changes makes a still: the automatic one, then ones that the person worked on.
    let sets: [&[Setting]; 4] = [
        &[],
        &[
            Setting::Optics(Some(optics)),
            Setting::Keep(Keep::Percent(45.0)),
            Setting::Exclude(FrameRange::new(2, 6)),
            Setting::Bend(Bend::Gamma(1.4)),
            Setting::Formats(vec![Format::Png, Format::Fits]),
            Setting::Caption(Some("by the chimney".into())),
        ],
        &[
            Setting::Scale(1.5),
            Setting::Include(FrameRange::one(4)),
            Setting::DetailScale { index: 0, scale: scale(2.5) },
            Setting::DetailScale { index: 2, scale: scale(0.7) },
        ],
        // The reference is there already, and so is where frames lie.
        &[Setting::Keep(Keep::Percent(20.0)), Setting::Scale(1.0)],
    ];
    let aligned_for = [None, None, None, Some(45.0)];
    for (number, set) in sets.iter().enumerate() {
        for setting in *set {
            // Through previews and half-way results, as a person gets there.
            night.session.send(Command::Preview { id, setting: setting.clone() });
            night.pump();
            night.session.send(Command::Commit);
            night.pump();
        }
        night.rest();
        assert_eq!(night.entry(id).recipe.stack.aligned_for, aligned_for[number]);
        let out = night.home.path().join(format!("session-{number}"));
        night.session.send(Command::Export { id, target: target(&out) });
        night.until("the still", |s| s.is_idle() && out.join("ridge.record.json").exists());
        let entry = night.entry(id);
        let written = entry.written.as_ref().unwrap();

        // The recipe goes to the command line as a file.
        let text = entry.recipe.to_commented_toml().unwrap();
        let recipe = Recipe::from_toml(&text).unwrap();
        assert_eq!(recipe, *entry.recipe);
        let plain = night.home.path().join(format!("plain-{number}"));
        let formats = &recipe.export.formats;
        let files = StillFiles::plan(&entry.path, Some(&plain), formats, Existing::Keep);
        let done = make_still(&files, &recipe, &Silent).unwrap();
        same_bytes(&written.files.stack, &done.files.stack);
        same_bytes(&written.files.still, &done.files.still);
        assert_eq!(written.files.others.len(), formats.len());
        for ((_, a), (_, b)) in written.files.others.iter().zip(&done.files.others) {
            same_bytes(a, b);
        }
        let record = &written.record;
        assert_eq!(record.recipe_resolved, done.record.recipe_resolved);
        assert_eq!(record.found.frames_usable, done.record.found.frames_usable);
        assert_eq!(record.inputs[0].sha256, done.record.inputs[0].sha256);
        assert_eq!(record.warnings, done.record.warnings);
        // And what the person saw is what was written.
        let seen = &night.entry(id).still.as_ref().unwrap().shown.picture;
        assert_eq!(**seen, *done.finished.picture);
    }
    let grades = night.count(|e| matches!(e, Effect::Graded(_)));
    assert_eq!(grades, 1, "all of that needs one survey");
}

#[test]
fn all_stills_are_made_and_a_bad_capture_costs_the_others_nothing() {
    let mut night = Night::empty();
    let folder = night.folder();
    for (seed, name) in ["a", "b", "c"].into_iter().enumerate() {
        capture_in(&folder, name, seed as u64 + 1);
    }
    // One whose frames are all black, behind a good header.
    let bad = fs::read(folder.join("b.ser")).unwrap();
    let dark: Vec<u8> = bad.iter().enumerate().map(|(i, v)| if i < 178 { *v } else { 0 }).collect();
    fs::write(folder.join("b.ser"), dark).unwrap();
    night.session.send(Command::Add(vec![folder.clone()]));
    night.until("captures", |s| s.entries().len() == 3);
    let out = night.home.path().join("out");
    night.session.send(Command::MakeAll { ids: vec![], target: target(&out) });
    assert_eq!(night.session.queue().unwrap().total, 3);
    night.until("the queue", |s| s.last_all_stills().is_some());
    let all = night.session.last_all_stills().unwrap().clone();
    assert_eq!(all.counts(), (2, 1, 0), "{}", all.words());
    assert_eq!(all.words(), "2 stills written, 1 failed");
    assert!(matches!(&all.outcomes[1].1, StillOutcome::Failed(words) if words.contains("b.ser")));
    assert!(night.said().contains("b.ser"));
    for name in ["a", "c"] {
        assert!(out.join(format!("{name}.still.tif")).exists());
    }
    assert!(!out.join("b.still.tif").exists());
    assert!(night.session.queue().is_none());
    night.rest();
    let states: Vec<_> = night.session.entries().iter().map(|e| e.state.clone()).collect();
    assert!(states[0] == CaptureState::Done && states[2] == CaptureState::Done, "{states:?}");
    assert!(matches!(states[1], CaptureState::Failed { .. }));
    assert_eq!(night.count(|e| matches!(e, Effect::Graded(_))), 2);

    // Again, into the same folder: refused before any work, unless replacing is allowed.
    night.session.send(Command::MakeAll { ids: vec![], target: target(&out) });
    night.until("a refusal", |s| s.last_all_stills().is_some_and(|a| a.counts() == (0, 3, 0)));
    let said = night.said();
    assert!(said.contains("exists already") && !said.contains("--o"), "{said}");
    let ids = vec![night.first()];
    let over = ExportTarget { folder: Some(out), existing: Existing::Replace };
    night.session.send(Command::MakeAll { ids, target: over });
    night.until("a still", |s| s.last_all_stills().is_some_and(|a| a.counts() == (1, 0, 0)));
}

#[test]
fn a_queue_that_is_stopped_says_what_came_out_and_leaves_no_half_file() {
    let mut night = Night::with(&["a", "b", "c"]);
    let out = night.home.path().join("out");
    night.session.send(Command::MakeAll { ids: vec![], target: target(&out) });
    night.until("the second", |s| s.queue().is_none_or(|q| q.done >= 1));
    night.session.send(Command::Cancel(Cancel::MakeAll));
    night.until("the end", |s| s.last_all_stills().is_some());
    let all = night.session.last_all_stills().unwrap().clone();
    let (written, failed, stopped) = all.counts();
    assert!(
        all.stopped && written >= 1 && failed == 0 && written + stopped == 3,
        "{}",
        all.words()
    );
    night.rest();
    for name in fs::read_dir(&out).unwrap().map(|e| e.unwrap().file_name()) {
        let name = name.into_string().unwrap();
        assert!(!name.contains("partial"), "{name}");
    }
}

#[test]
fn failures_of_the_disk_are_told_in_words() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let in_the_way = night.home.path().join("stills");
    fs::write(&in_the_way, "a file").unwrap();
    night.session.send(Command::Export { id, target: target(&in_the_way) });
    night.until("words", |s| !s.messages().is_empty());
    let said = night.said();
    assert!(said.contains("a file stands where a folder is needed"), "{said}");
    assert_eq!(night.entry(id).state, CaptureState::Done, "the work is not lost");
    let message = night.session.messages()[0].id;
    night.session.send(Command::Read(message));
    assert!(night.session.messages().is_empty());

    // Without a folder of its own: beside the capture.
    night.session.send(Command::Export { id, target: ExportTarget::default() });
    let still = night.folder().join("stills/ridge.still.tif");
    night.until("the still", |s| s.is_idle() && still.exists());
    // What was written is no capture, and is not taken for one.
    night.session.send(Command::Add(vec![night.folder()]));
    night.rest();
    assert_eq!(night.session.entries().len(), 1);
}

#[test]
fn a_sample_night_is_made_and_taken_in() {
    let mut night = Night::empty();
    let folder = night.home.path().join("sample");
    night.session.send(Command::MakeSampleNight { folder: folder.clone() });
    night.until("work", |s| s.activities().iter().any(|a| a.advance.is_some()));
    night.session.send(Command::Cancel(Cancel::Gathering));
    night.rest();
    assert!(night.session.entries().is_empty());
    assert!(!folder.join("ridge.ser").exists());
}

/// Sessions reuse what earlier ones found, and give the same bytes.
#[test]
fn what_was_found_before_is_used_and_checked_before_anything_is_written() {
    let home = tempfile::tempdir().unwrap();
    let capture = capture_in(&home.path().join("captures"), "ridge", 1);
    let cache = home.path().join("cache");
    let entries = || -> Vec<PathBuf> {
        let all = fs::read_dir(&cache).map(|all| all.map(|e| e.unwrap().path()).collect());
        let mut all: Vec<PathBuf> = all.unwrap_or_default();
        all.retain(|path| path.extension().is_some_and(|e| e == "stack" || e == "survey"));
        all.sort();
        all
    };
    let run = |number: usize, tries: usize| {
        let mut options = session_support::options(&home.path().join(format!("own-{number}")));
        options.cache = Some(Cache::under(&cache));
        let session = Session::open(options, || {}).unwrap();
        let home = tempfile::tempdir().unwrap();
        let mut night = Night { home, session, effects: Vec::new() };
        night.session.send(Command::Add(vec![capture.clone()]));
        night.rest();
        let (id, out) = (night.first(), home_of(&capture).join(format!("out-{number}")));
        let mut said = Vec::new();
        for _ in 0..tries {
            night.session.send(Command::Export { id, target: target(&out) });
            night.until("an end", |s| s.is_idle());
            said.push(night.said());
            night.session.send(Command::ReadAll);
        }
        night.until("a kept stack", |_| entries().len() == 2);
        (out, said)
    };
    let (first, said) = run(1, 1);
    assert_eq!(said, [""]);
    let old = std::time::SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000_000);
    for entry in entries() {
        fs::File::options().write(true).open(entry).unwrap().set_modified(old).unwrap();
    }
    let (second, said) = run(2, 1);
    assert_eq!(said, [""]);
    for entry in entries() {
        // The time of the last use.
        assert!(fs::metadata(&entry).unwrap().modified().unwrap() > old, "{}", entry.display());
    }
    for name in ["ridge.stack.fits", "ridge.still.tif"] {
        same_bytes(&first.join(name), &second.join(name));
    }

    // A stack that was made from other bytes (here only its word for them) is not believed.
    let stack =
        entries().into_iter().find(|e| e.extension().is_some_and(|e| e == "stack")).unwrap();
    let mut bytes = fs::read(&stack).unwrap();
    bytes[20..84].fill(b'a');
    fs::write(&stack, bytes).unwrap();
    let (third, said) = run(3, 2);
    assert!(said[0].contains("not the one that was graded before"), "{said:?}");
    assert_eq!(said[1], "");
    for name in ["ridge.stack.fits", "ridge.still.tif"] {
        same_bytes(&first.join(name), &third.join(name));
    }
}

fn home_of(capture: &Path) -> PathBuf {
    capture.parent().unwrap().to_path_buf()
}
