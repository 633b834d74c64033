//! Nothing is lost: the work is killed at random moments, files shrink and vanish while they are read, disks fill up.
//! After every fault the originals have their bytes, nothing incomplete bears a final name, the night can be read,
//! and the work resumes.
//!
//! 12 kills by default; `STILLWRIGHT_FAULTS=200` for the long form, with `-- --nocapture` to see them counted.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::{Night, PATIENCE, capture_in, options};
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command as Program, Stdio};
use std::time::{Duration, Instant};
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::capture::Overrides;
use stillwright_night::export::Format;
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::hash::fingerprint;
use stillwright_night::picture::{Cancelled, Progress, RawFrame, Silent, Stage};
use stillwright_night::session::{Command, ExportTarget, Session, SessionOptions, Setting};
use stillwright_night::stacking::Keep;
use stillwright_night::still::make_still;

/// The name of a folder, for the copy of this program that is to be killed.
const TO_BE_KILLED: &str = "STILLWRIGHT_TEST_FAULTS_IN";

fn faults_wanted() -> usize {
    std::env::var("STILLWRIGHT_FAULTS").ok().and_then(|n| n.parse().ok()).unwrap_or(12)
}

fn sha(path: &Path) -> String {
    let mut file = File::open(path).unwrap();
    fingerprint(&mut file, &Default::default()).unwrap().unwrap().sha256
}

fn settings(home: &Path) -> SessionOptions {
    SessionOptions { grade_unasked: true, stack_unasked: true, ..options(home) }
}

/// What the program to be killed does, again and again: takes the night in, changes settings, exports all stills.
fn work_until_killed(home: &Path) {
    let session = Session::open(settings(home), || {}).unwrap();
    let mut night = Night { home: tempfile::tempdir().unwrap(), session, effects: Vec::new() };
    night.session.send(Command::Add(vec![home.join("captures")]));
    night.until("captures", |s| s.entries().len() == 2);
    fs::write(home.join("begun"), "").unwrap();
    let formats = vec![Format::Png, Format::Fits, Format::Jpeg];
    for round in 0u32.. {
        let ids: Vec<_> = night.session.entries().iter().map(|entry| entry.id).collect();
        for id in &ids {
            let keep = Setting::Keep(Keep::Percent(20.0 + (round % 7) as f32));
            night.session.send(Command::Change { id: *id, setting: keep });
            let setting = Setting::Formats(formats.clone());
            night.session.send(Command::Change { id: *id, setting });
        }
        let target =
            ExportTarget { folder: Some(home.join("stills")), existing: Existing::Replace };
        night.session.send(Command::MakeAll { ids, target });
        night.rest();
    }
}

/// Every file under a final name can be read to its end; how many there are.
fn whole(stills: &Path) -> usize {
    let mut found = 0;
    for entry in fs::read_dir(stills).into_iter().flatten() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.starts_with('.') {
            assert!(name.starts_with(".stillwright-") && name.ends_with(".partial"), "{name}");
            continue;
        }
        found += 1;
        if name.ends_with(".json") {
            let text = fs::read(&path).unwrap();
            let record: serde_json::Value = serde_json::from_slice(&text).unwrap();
            assert!(record["outputs"].as_array().is_some_and(|all| all.len() == 6), "{name}");
            continue;
        }
        // By itself, for the names of a night's stills look like a sequence's.
        let alone = tempfile::tempdir().unwrap();
        let copy = alone.path().join(path.file_name().unwrap());
        fs::copy(&path, &copy).unwrap();
        let picture = open_capture(&copy, &Overrides::default())
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!((picture.facts().width, picture.facts().height), (128, 96), "{name}");
        picture.read_frame(0, &mut RawFrame::black(picture.format())).unwrap();
        if name.ends_with(".fits") {
            assert_eq!(fs::metadata(&path).unwrap().len() % 2880, 0, "{name}");
        }
    }
    found
}

#[test]
fn killed_at_any_moment_nothing_is_lost() {
    if let Some(home) = std::env::var_os(TO_BE_KILLED).map(PathBuf::from) {
        return work_until_killed(&home);
    }
    let wanted = faults_wanted();
    let home = tempfile::tempdir().unwrap();
    let captures = home.path().join("captures");
    let originals = [capture_in(&captures, "a", 1), capture_in(&captures, "b", 2)];
    let hashes = originals.each_ref().map(|path| sha(path));
    let stills = home.path().join("stills");
    let mut chance = 12_345u64;
    let (mut seen_whole, mut seen_partial, mut while_writing, mut saved) = (0, 0, 0, 0);
    for fault in 0..wanted {
        let _ = fs::remove_file(home.path().join("begun"));
        let mut program = Program::new(std::env::current_exe().unwrap())
            .args(["--exact", "killed_at_any_moment_nothing_is_lost"])
            .env(TO_BE_KILLED, home.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let begun = Instant::now();
        while !home.path().join("begun").exists() && begun.elapsed() < PATIENCE {
            std::thread::sleep(Duration::from_millis(2));
        }
        chance =
            chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        // Now and then at once, mostly somewhere within the first rounds of work.
        let wait = Duration::from_millis((chance >> 33) % if fault % 5 == 0 { 40 } else { 1500 });
        std::thread::sleep(wait);
        program.kill().unwrap();
        let status = program.wait().unwrap();
        assert!(status.code().is_none(), "it ended by itself: {status}");

        for (path, hash) in originals.iter().zip(&hashes) {
            assert_eq!(&sha(path), hash, "fault {fault}: {} was touched", path.display());
        }
        seen_whole += whole(&stills);
        let hidden: Vec<PathBuf> = fs::read_dir(&stills)
            .into_iter()
            .flatten()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension() == Some(OsStr::new("partial")))
            .collect();
        seen_partial += hidden.len();
        while_writing += usize::from(!hidden.is_empty());
        hidden.iter().for_each(|path| fs::remove_file(path).unwrap());
        let quiet =
            SessionOptions { grade_unasked: false, stack_unasked: false, ..options(home.path()) };
        let session = Session::open(quiet, || {}).unwrap();
        let said: Vec<_> = session.messages().iter().map(|m| format!("{m:?}")).collect();
        assert!(said.is_empty(), "fault {fault}: {said:?}");
        saved += usize::from(session.entries().len() == 2);
    }

    // The work resumes: every still is made, and is the one that an undisturbed run makes.
    let session = Session::open(settings(home.path()), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.session.send(Command::Add(vec![captures]));
    night.until("captures", |s| s.entries().len() == 2);
    night.rest();
    let recipe = Recipe { stack: keep(30.0), ..Recipe::default() };
    let ids: Vec<_> = night.session.entries().iter().map(|entry| entry.id).collect();
    for id in &ids {
        let setting = Setting::Whole(Box::new(recipe.clone()));
        night.session.send(Command::Change { id: *id, setting });
    }
    let target = ExportTarget { folder: Some(stills.clone()), existing: Existing::Replace };
    night.session.send(Command::MakeAll { ids, target });
    night.rest();
    let undisturbed = tempfile::tempdir().unwrap();
    for original in &originals {
        let files = StillFiles::plan(original, Some(undisturbed.path()), &[], Existing::Keep);
        make_still(&files, &recipe, &Silent).unwrap();
        for path in [&files.still, &files.stack] {
            let resumed = stills.join(path.file_name().unwrap());
            assert_eq!(sha(path), sha(&resumed), "{}", resumed.display());
        }
    }
    println!(
        "{wanted} kills while grading, stacking, exporting and saving ({while_writing} while writing, \
         {seen_partial} hidden parts; {seen_whole} files under final names looked at, all whole; the saved night \
         had both captures {saved} times and could be read every time): {wanted} faults, 0 lost"
    );
}

fn keep(percent: f32) -> stillwright_night::stacking::StackSettings {
    stillwright_night::stacking::StackSettings {
        keep: Keep::Percent(percent),
        ..Default::default()
    }
}

/// Does something to a file once a stage has come so far.
struct Meanwhile<F: Fn() + Sync> {
    stage: Stage,
    after: usize,
    done: std::sync::Once,
    act: F,
}

impl<F: Fn() + Sync> Progress for Meanwhile<F> {
    fn advance(&self, stage: Stage, done: usize, _total: usize) -> Result<(), Cancelled> {
        if stage == self.stage && done >= self.after {
            self.done.call_once(&self.act);
        }
        Ok(())
    }
}

#[test]
fn files_that_shrink_vanish_or_grow_while_they_are_read() {
    let (mut faults, mut made, mut told) = (0, 0, 0);
    let source = tempfile::tempdir().unwrap();
    let sample = capture_in(source.path(), "a", 3);
    for stage in
        [Stage::Sampling, Stage::Grading, Stage::Reference, Stage::Stacking, Stage::Writing]
    {
        for what in
            ["shrinks by half", "shrinks to nothing", "vanishes", "grows", "its folder vanishes"]
        {
            let home = tempfile::tempdir().unwrap();
            let capture = home.path().join("night/a.ser");
            fs::create_dir(home.path().join("night")).unwrap();
            fs::copy(&sample, &capture).unwrap();
            let out = home.path().join("out");
            let files = StillFiles::plan(&capture, Some(&out), &[], Existing::Keep);
            let length = fs::metadata(&capture).unwrap().len();
            let open = || File::options().write(true).open(&capture).unwrap();
            let act = || match what {
                "shrinks by half" => open().set_len(length / 2).unwrap(),
                "shrinks to nothing" => open().set_len(0).unwrap(),
                "vanishes" => fs::remove_file(&capture).unwrap(),
                "grows" => {
                    let mut file = File::options().append(true).open(&capture).unwrap();
                    file.write_all(&[7; 100_000]).unwrap();
                }
                _ => fs::remove_dir_all(capture.parent().unwrap()).unwrap(),
            };
            let progress = Meanwhile { stage, after: 0, done: std::sync::Once::new(), act };
            let result =
                make_still(&files, &Recipe { stack: keep(40.0), ..Recipe::default() }, &progress);
            assert!(progress.done.is_completed(), "{stage:?} was never reached");
            faults += 1;
            match result {
                // What was read in time is enough, and what is written is whole.
                Ok(done) => {
                    made += 1;
                    assert!(done.record.frames_used > 0);
                    let warned =
                        done.record.warnings.iter().any(|w| w.contains("changed or vanished"));
                    assert!(warned, "{stage:?} {what}: {:?}", done.record.warnings);
                    let names = fs::read_dir(&out).unwrap().count();
                    assert_eq!(names, 3, "{stage:?} {what}");
                }
                Err(error) => {
                    told += 1;
                    assert!(error.to_string().len() > 20, "{stage:?} {what}: {error}");
                    let left = fs::read_dir(&out).map_or(0, |all| all.count());
                    assert_eq!(left, 0, "{stage:?} {what}: {error}");
                }
            }
        }
    }
    println!(
        "{faults} faults (files shrinking, growing and vanishing at five stages): {made} stills made of what was \
         read, {told} told and nothing left behind, 0 lost"
    );
}

#[test]
fn a_disk_that_is_truly_full() {
    let home = tempfile::tempdir().unwrap();
    let disk = home.path().join("disk");
    fs::create_dir(&disk).unwrap();
    let mounted = Program::new("mount")
        .args(["-t", "tmpfs", "-o", "size=300k,mode=777", "tmpfs"])
        .arg(&disk)
        .stderr(Stdio::null())
        .status();
    if !mounted.is_ok_and(|status| status.success()) {
        println!("skipped: a small disk can only be mounted as root, outside a container");
        return;
    }
    struct Unmount(PathBuf);
    impl Drop for Unmount {
        fn drop(&mut self) {
            let _ = Program::new("umount").arg(&self.0).status();
        }
    }
    let unmount = Unmount(disk.clone());
    let capture = capture_in(&home.path().join("night"), "a", 3);
    let before = sha(&capture);
    let recipe = Recipe { stack: keep(40.0), ..Recipe::default() };
    // From no room to nearly enough: each file in turn is the one that does not fit.
    let mut faults = 0;
    for room_kb in (0..140).step_by(20) {
        let filler = disk.join("filler");
        let _ = fs::remove_file(&filler);
        let mut file = File::create(&filler).unwrap();
        let _ = file.write_all(&vec![0; (300 - room_kb) * 1024]);
        drop(file);
        let out = disk.join("out");
        let files = StillFiles::plan(&capture, Some(&out), &[], Existing::Keep);
        match make_still(&files, &recipe, &Silent) {
            Ok(_) => {
                assert_eq!(fs::read_dir(&out).unwrap().count(), 3);
                fs::remove_dir_all(&out).unwrap();
            }
            Err(error) => {
                faults += 1;
                assert!(error.to_string().contains("disk is full"), "{error}");
                assert_eq!(fs::read_dir(&out).map_or(0, |all| all.count()), 0, "{error}");
            }
        }
        assert_eq!(sha(&capture), before);
    }
    drop(unmount);
    assert!(faults >= 3, "{faults}");
    println!("{faults} times a full disk: {faults} faults, 0 lost");
}
