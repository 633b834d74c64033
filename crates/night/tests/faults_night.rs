//! Nothing is lost, where a night is saved: a disk that is full, or turns read-only, while the night is saved;
//! permission lost in the midst of the work; two programs at once; what killed programs leave behind.
//!
//! Each is really done, and each test prints what it tried (`-- --nocapture`).
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::{Night, PATIENCE, capture_in};
use std::fs::{self, File};
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command as Program, Stdio};
use std::sync::Once;
use std::time::{Duration, Instant, SystemTime};
use stillwright_night::Recipe;
use stillwright_night::atomic::{AtomicFile, Existing};
use stillwright_night::files::StillFiles;
use stillwright_night::picture::{Cancelled, Progress, Stage};
use stillwright_night::session::{Command, OpenError, Places, Session, SessionOptions, Setting};
use stillwright_night::stacking::Keep;
use stillwright_night::still::make_still;

/// A small disk of its own; `None`, with a word, where none can be had.
struct Disk(PathBuf);

impl Disk {
    fn mounted(at: &Path, size_kb: usize) -> Option<Disk> {
        fs::create_dir(at).unwrap();
        let options = format!("size={size_kb}k,mode=777");
        let mounted = Program::new("mount")
            .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
            .arg(at)
            .stderr(Stdio::null())
            .status();
        if mounted.is_ok_and(|status| status.success()) {
            return Some(Disk(at.to_path_buf()));
        }
        println!("skipped: a small disk can only be mounted as root, outside a container");
        None
    }

    /// Fill it but for some kilobytes; the filler's path.
    fn fill(&self, room_kb: usize) -> PathBuf {
        let filler = self.0.join("filler");
        let mut file = File::create(&filler).unwrap();
        while file.write_all(&[7; 1024]).is_ok() {}
        let length = file.metadata().unwrap().len();
        file.set_len(length.saturating_sub(room_kb as u64 * 1024)).unwrap();
        filler
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Program::new("umount").arg(&self.0).status();
    }
}

/// A folder that nobody may write to, root included, until this is dropped; what is open stays open.
struct ReadOnly(PathBuf);

impl ReadOnly {
    fn made(folder: &Path) -> ReadOnly {
        let mount = |arguments: &[&str]| {
            let done = Program::new("mount").args(arguments).arg(folder).status();
            assert!(done.unwrap().success(), "{arguments:?}");
        };
        mount(&["--bind", folder.to_str().unwrap()]);
        let made = ReadOnly(folder.to_path_buf());
        mount(&["-o", "remount,bind,ro"]);
        made
    }
}

impl Drop for ReadOnly {
    fn drop(&mut self) {
        let _ = Program::new("umount").arg(&self.0).status();
    }
}

fn quiet(own: &Path) -> SessionOptions {
    let options = SessionOptions::new(Places::under(own));
    SessionOptions { grade_unasked: false, stack_unasked: false, ..options }
}

fn keep_of(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.trim_end().lines().last().unwrap().starts_with("captures ="), "{text}");
    text.lines().find(|line| line.contains("percent")).unwrap_or("no keep").trim().to_string()
}

/// A night on the disk that is to fail, saved with a keep of 10 %.
fn night_on(disk: &Disk, home: tempfile::TempDir) -> Night {
    let capture = capture_in(home.path(), "a", 1);
    let session = Session::open(quiet(&disk.0.join("own")), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.session.send(Command::Add(vec![capture]));
    night.until("a capture", |s| s.entries().len() == 1 && s.is_idle());
    keep(&mut night, 10.0);
    night.until("a saved night", |s| s.is_saved());
    night
}

fn keep(night: &mut Night, percent: f32) {
    let id = night.first();
    let setting = Setting::Keep(Keep::Percent(percent));
    night.session.send(Command::Change { id, setting });
}

#[test]
fn a_disk_that_is_full_or_read_only_while_the_night_is_saved() {
    let home = tempfile::tempdir().unwrap();
    let Some(disk) = Disk::mounted(&home.path().join("disk"), 400) else { return };
    let place = disk.0.clone();
    let mut night = night_on(&disk, home);
    let file = night.session.night_path().to_path_buf();
    let before = keep_of(&file);
    assert!(before.contains("10"), "{before}");
    let mut faults = 0;
    for (round, what) in ["full", "full but for 1 kB", "read-only"].into_iter().enumerate() {
        let (mut filler, mut read_only) = (None, None);
        match what {
            "full" => filler = Some(disk.fill(0)),
            "full but for 1 kB" => filler = Some(disk.fill(1)),
            _ => read_only = Some(ReadOnly::made(&place.join("own"))),
        }
        let saved = keep_of(&file);
        night.session.send(Command::ReadAll);
        let percent = 20.0 + round as f32;
        keep(&mut night, percent);
        night.until("words on the failure", |s| {
            s.messages().iter().any(|m| m.words.contains("could not be saved"))
        });
        faults += 1;
        let said = night.said();
        let expected = if what == "read-only" { "read-only" } else { "disk is full" };
        assert!(said.contains(expected), "{what}: {said}");
        assert!(!night.session.is_saved(), "{what}");
        // What was saved before is whole, and nothing lies beside it.
        assert_eq!(keep_of(&file), saved, "{what}");
        let hidden = fs::read_dir(place.join("own")).unwrap().flatten();
        let hidden = hidden.filter(|e| e.file_name().to_string_lossy().ends_with(".partial"));
        assert_eq!(hidden.count(), 0, "{what}");
        // Room again: the next change takes the last one along.
        drop(read_only.take());
        if let Some(filler) = filler {
            fs::remove_file(filler).unwrap();
        }
        keep(&mut night, percent + 0.5);
        night.until("a saved night", |s| s.is_saved());
        assert!(keep_of(&file).contains(&format!("{}", percent + 0.5)), "{what}");
    }
    // Its end finds no room either: what was saved before stays.
    let saved = keep_of(&file);
    let filler = disk.fill(0);
    keep(&mut night, 77.0);
    let Night { home, session, .. } = night;
    drop(session);
    assert_eq!(keep_of(&file), saved);
    fs::remove_file(filler).unwrap();
    let session = Session::open(quiet(&place.join("own")), || {}).unwrap();
    assert!(session.messages().is_empty() && session.entries().len() == 1);
    drop((session, disk, home));
    println!(
        "{} times no room or no right while the night was saved: {} faults, 0 lost",
        faults + 1,
        faults + 1
    );
}

/// Does something once a stage has come so far.
struct Meanwhile<F: Fn() + Sync> {
    stage: Stage,
    done: Once,
    act: F,
}

impl<F: Fn() + Sync> Progress for Meanwhile<F> {
    fn advance(&self, stage: Stage, _done: usize, _total: usize) -> Result<(), Cancelled> {
        if stage == self.stage {
            self.done.call_once(&self.act);
        }
        Ok(())
    }
}

/// The name of a folder, for the copy of this program without special rights.
const WITHOUT_RIGHTS: &str = "STILLWRIGHT_TEST_WITHOUT_RIGHTS_IN";

/// This program again, as an account that permissions bind; `None`, with a word, where that is not to be had.
fn as_nobody(test: &str, home: &Path) -> Option<Program> {
    let id = Program::new("id").arg("-u").output().ok()?.stdout;
    let own = std::env::current_exe().unwrap();
    let mut program = if String::from_utf8_lossy(&id).trim() == "0" {
        let account = ["--reuid", "65534", "--regid", "65534", "--clear-groups"];
        let tried = Program::new("setpriv").args(account).arg(&own).arg("--list").output();
        if !tried.is_ok_and(|tried| tried.status.success()) {
            println!("skipped: run as root, and no other account can run the program");
            return None;
        }
        let mut program = Program::new("setpriv");
        program.args(account).arg(&own);
        program
    } else {
        Program::new(own)
    };
    program.args(["--exact", test, "--nocapture"]).env(WITHOUT_RIGHTS, home);
    Some(program)
}

#[test]
fn permission_lost_in_the_midst_of_the_work() {
    const NAME: &str = "permission_lost_in_the_midst_of_the_work";
    if let Some(home) = std::env::var_os(WITHOUT_RIGHTS).map(PathBuf::from) {
        return lose_permission(&home);
    }
    let home = tempfile::tempdir().unwrap();
    fs::set_permissions(home.path(), fs::Permissions::from_mode(0o777)).unwrap();
    capture_in(home.path(), "sample", 3);
    let Some(mut program) = as_nobody(NAME, home.path()) else { return };
    let output = program.output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    let line = said.lines().find(|line| line.contains("0 lost"));
    println!("{}", line.unwrap_or_else(|| panic!("{said}")));
}

fn lose_permission(home: &Path) {
    let mode = |path: &Path, bits| {
        fs::set_permissions(path, fs::Permissions::from_mode(bits)).unwrap();
    };
    let (mut faults, mut made, mut told) = (0, 0, 0);
    for stage in
        [Stage::Sampling, Stage::Grading, Stage::Reference, Stage::Stacking, Stage::Writing]
    {
        for what in ["of the capture", "of its folder", "of the folder for the stills"] {
            let place = tempfile::tempdir_in(home).unwrap();
            let (night, out) = (place.path().join("night"), place.path().join("out"));
            fs::create_dir(&night).unwrap();
            fs::create_dir(&out).unwrap();
            let capture = night.join("a.ser");
            fs::copy(home.join("sample.ser"), &capture).unwrap();
            let bytes = fs::read(&capture).unwrap();
            let files = StillFiles::plan(&capture, Some(&out), &[], Existing::Keep);
            let act = || match what {
                "of the capture" => mode(&capture, 0o000),
                "of its folder" => mode(&night, 0o000),
                _ => mode(&out, 0o555),
            };
            let progress = Meanwhile { stage, done: Once::new(), act };
            let mut recipe = Recipe::default();
            recipe.stack.keep = Keep::Percent(40.0);
            let result = make_still(&files, &recipe, &progress);
            assert!(progress.done.is_completed(), "{stage:?} was never reached");
            mode(&night, 0o755);
            mode(&capture, 0o644);
            mode(&out, 0o755);
            faults += 1;
            let left = fs::read_dir(&out).unwrap().count();
            match result {
                Ok(_) => {
                    made += 1;
                    assert_eq!(left, 3, "{stage:?} {what}");
                }
                Err(error) => {
                    told += 1;
                    let words = error.to_string();
                    assert!(words.contains("permission"), "{stage:?} {what}: {words}");
                    assert_eq!(left, 0, "{stage:?} {what}: {words}");
                }
            }
            assert_eq!(fs::read(&capture).unwrap(), bytes, "{stage:?} {what}");
        }
    }
    assert!(told >= 3 && made >= 3, "{made} made, {told} told");
    println!(
        "{faults} faults (permission lost at five stages): {made} stills made of what was open, {told} told, 0 lost"
    );
}

/// The name of a folder and what to do in it, for the copy of this program that is killed.
const TO_BE_KILLED: &str = "STILLWRIGHT_TEST_HOLDING_IN";

/// A copy of this program that has done its part in `home`, and holds on to it.
struct Holding(Child);

impl Holding {
    fn started(test: &str, home: &Path) -> Holding {
        let child = Program::new(std::env::current_exe().unwrap())
            .args(["--exact", test])
            .env(TO_BE_KILLED, home)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let begun = Instant::now();
        while !home.join("ready").exists() {
            assert!(begun.elapsed() < PATIENCE);
            std::thread::sleep(Duration::from_millis(5));
        }
        fs::remove_file(home.join("ready")).unwrap();
        Holding(child)
    }

    fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Holding {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn hold_on(home: &Path) -> ! {
    fs::write(home.join("ready"), "").unwrap();
    loop {
        std::thread::sleep(Duration::from_secs(1));
    }
}

#[test]
fn two_programs_on_one_night_and_the_second_changes_nothing() {
    const NAME: &str = "two_programs_on_one_night_and_the_second_changes_nothing";
    if let Some(home) = std::env::var_os(TO_BE_KILLED).map(PathBuf::from) {
        let session = Session::open(quiet(&home.join("own")), || {}).unwrap();
        let mut night = Night { home: tempfile::tempdir().unwrap(), session, effects: Vec::new() };
        night.session.send(Command::Add(vec![home.join("a.ser")]));
        night.until("a saved night", |s| s.entries().len() == 1 && s.is_idle() && s.is_saved());
        hold_on(&home);
    }
    let home = tempfile::tempdir().unwrap();
    capture_in(home.path(), "a", 1);
    let own = home.path().join("own");
    let mut refused = 0;
    for _ in 0..3 {
        let first = Holding::started(NAME, home.path());
        let night = fs::read(own.join("night.toml")).unwrap();
        for _ in 0..4 {
            assert!(matches!(Session::open(quiet(&own), || {}), Err(OpenError::Locked { .. })));
            refused += 1;
        }
        assert_eq!(fs::read(own.join("night.toml")).unwrap(), night);
        first.kill();
        let session = Session::open(quiet(&own), || {}).unwrap();
        assert!(session.messages().is_empty() && session.entries().len() == 1);
    }
    println!("{refused} times a second program on one night: {refused} refused, 0 lost");
}

fn hidden(folder: &Path) -> Vec<PathBuf> {
    let all = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    all.filter(|path| path.extension().is_some_and(|e| e == "partial")).collect()
}

fn make_old(paths: &[PathBuf]) {
    for path in paths {
        let file = File::options().write(true).open(path).unwrap();
        file.set_modified(SystemTime::now() - Duration::from_secs(3600)).unwrap();
    }
}

fn write_into(folder: &Path) {
    let mut file = AtomicFile::create(&folder.join("ours.txt"), Existing::Replace).unwrap();
    file.write_all(b"words").unwrap();
    file.commit().unwrap();
}

#[test]
fn parts_of_killed_programs_are_swept_and_those_of_living_ones_are_not() {
    const NAME: &str = "parts_of_killed_programs_are_swept_and_those_of_living_ones_are_not";
    if let Some(home) = std::env::var_os(TO_BE_KILLED).map(PathBuf::from) {
        let mut parts = Vec::new();
        for folder in ["alive", "dead"] {
            let mut file =
                AtomicFile::create(&home.join(folder).join("theirs.tif"), Existing::Keep).unwrap();
            file.write_all(&[7; 1 << 20]).unwrap();
            file.flush_to_disk().unwrap();
            parts.push(file);
        }
        hold_on(&home);
    }
    let home = tempfile::tempdir().unwrap();
    let [alive, dead] = ["alive", "dead"].map(|name| home.path().join(name));
    let child = Holding::started(NAME, home.path());
    assert_eq!((hidden(&alive).len(), hidden(&dead).len()), (1, 1));
    // However old it looks: its writer lives.
    make_old(&hidden(&alive));
    make_old(&hidden(&dead));
    write_into(&alive);
    assert_eq!(hidden(&alive).len(), 1, "a living program's part was swept");
    child.kill();
    assert_eq!(hidden(&dead).len(), 1, "a killed program cannot tidy up");
    write_into(&dead);
    assert_eq!(hidden(&dead).len(), 0, "the next program into the folder does");
    assert_eq!(fs::read_dir(&dead).unwrap().count(), 1);
    println!("a part of a living program left alone, one of a killed program swept");
}
