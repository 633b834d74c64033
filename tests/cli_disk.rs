//! Disks that are full, read-only or not ours; readers that go away; Ctrl-C.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod cli;

use cli::{Ran, names, night, program, run_on};
use std::fs::{self, File};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Run in a shell that lets no file grow beyond `blocks` of 512 bytes. The signal that goes with
/// it is ignored, so that writing fails as on a full disk.
fn run_with_room(blocks: usize, arguments: &[&str]) -> Ran {
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\"");
    let output = Command::new("sh")
        .env("STILLWRIGHT_CACHE", "")
        .args(["-c", &script, "sh", env!("CARGO_BIN_EXE_stillwright")])
        .args(arguments)
        .output()
        .unwrap();
    Ran::of(output)
}

#[test]
fn a_disk_that_fills_up_leaves_nothing_behind() {
    let (home, capture) = night();
    // The still takes 24 kB, the stack 52 kB, the record more: each in turn finds no room.
    for blocks in [0, 1, 30, 60, 90] {
        let ran =
            run_with_room(blocks, &["still", "--keep", "50", "--json", capture.to_str().unwrap()]);
        assert_eq!(ran.status, 1, "{blocks}: {ran:?}");
        assert!(ran.err.contains("no part of it was left behind"), "{blocks}: {ran:?}");
        let stills = home.path().join("stills");
        assert!(names(&stills).is_empty(), "{blocks}: {:?}", names(&stills));
    }
    let out = home.path().join("night");
    let ran = run_with_room(30, &["sample", "--kind", "small", "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(names(&out).is_empty());
    assert_eq!(run_with_room(100_000, &["still", capture.to_str().unwrap()]).status, 0);
}

#[test]
fn results_that_cannot_be_told_are_an_error() {
    let full = Path::new("/dev/full");
    if !full.exists() {
        println!("skipped: this system has no /dev/full");
        return;
    }
    let (home, capture) = night();
    let out = File::options().write(true).open(full).unwrap();
    let output = program()
        .args(["still", "--json", "--keep", "50"])
        .arg(&capture)
        .stdout(out)
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    let ran = Ran::of(output);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("standard output"), "{ran:?}");
    // The still itself is there.
    assert_eq!(names(&home.path().join("stills")).len(), 3);
}

#[test]
fn a_reader_that_goes_away_is_no_fault() {
    let (home, capture) = night();
    let mut child = program()
        .args(["still", "--json", "--keep", "50"])
        .arg(&capture)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    assert!(!String::from_utf8_lossy(&output.stderr).contains("panicked"));
    assert_eq!(names(&home.path().join("stills")).len(), 3);
}

/// The program as an account without special rights; `None`, with a word, where that is
/// not to be had.
fn as_nobody() -> Option<Command> {
    let am_root =
        String::from_utf8_lossy(&Command::new("id").arg("-u").output().ok()?.stdout).trim() == "0";
    if !am_root {
        return Some(program());
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]);
    command.arg(env!("CARGO_BIN_EXE_stillwright")).env("STILLWRIGHT_CACHE", "");
    let mut trial = Command::new("setpriv");
    trial.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]);
    let works = trial.arg(env!("CARGO_BIN_EXE_stillwright")).arg("--version").output();
    match works {
        Ok(output) if output.status.success() => Some(command),
        _ => {
            println!("skipped: run as root, and no other account can run the program");
            None
        }
    }
}

#[test]
fn captures_that_may_not_be_read_and_folders_that_may_not_be_written() {
    let Some(mut reading) = as_nobody() else { return };
    let Some(mut writing) = as_nobody() else { return };
    let (home, capture) = night();
    let mode =
        |path: &Path, bits| fs::set_permissions(path, fs::Permissions::from_mode(bits)).unwrap();
    mode(home.path(), 0o755);

    mode(&capture, 0o000);
    let ran = Ran::of(reading.arg("inspect").arg(&capture).output().unwrap());
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("permissions") && ran.err.trim_end().ends_with("IN.ser"), "{ran:?}");

    mode(&capture, 0o644);
    let locked = home.path().join("locked");
    fs::create_dir(&locked).unwrap();
    mode(&locked, 0o555);
    let ran = Ran::of(
        writing
            .args(["still", "--keep", "50", "--out"])
            .arg(&locked)
            .arg(&capture)
            .output()
            .unwrap(),
    );
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("permissions") && ran.err.contains("locked"), "{ran:?}");
    assert!(names(&locked).is_empty());
}

#[test]
fn a_file_where_a_folder_should_be() {
    let (home, capture) = night();
    let in_the_way = home.path().join("stills");
    fs::write(&in_the_way, "a list").unwrap();
    let ran = run_on(&["still"], &capture, &["--keep", "50"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_eq!(fs::read(&in_the_way).unwrap(), b"a list");
}

/// A child that does not outlive a test which fails.
struct Ended(std::process::Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_request_to_stop_tidies_up() {
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("night");
    // More frames than can be simulated before the request comes.
    let child = program()
        .args(["sample", "--kind", "small", "--frames", "2000", "--out"])
        .arg(&out)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut child = Ended(child);
    // Wait for the hidden file, so that there is something to tidy up.
    let begun = || out.is_dir() && !names(&out).is_empty();
    for _ in 0..6000 {
        if begun() {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    assert!(begun());
    let hidden = names(&out);
    assert!(hidden.len() == 1 && hidden[0].starts_with('.'), "{hidden:?}");
    let sent = Command::new("kill").args(["-INT", &child.0.id().to_string()]).status().unwrap();
    assert!(sent.success());
    let status = child.0.wait().unwrap();
    assert_eq!(status.code(), Some(1));
    assert!(names(&out).is_empty(), "{:?}", names(&out));
}

#[test]
fn two_programs_at_once_on_one_capture() {
    let (home, capture) = night();
    let stills = home.path().join("stills");
    let start = |more: &[&str]| {
        let child = program()
            .args(["still", "--keep", "50"])
            .args(more)
            .arg(&capture)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn();
        Ended(child.unwrap())
    };
    let ended = |mut child: Ended| {
        let mut err = String::new();
        std::io::Read::read_to_string(child.0.stderr.as_mut().unwrap(), &mut err).unwrap();
        (child.0.wait().unwrap().code(), err)
    };
    let bytes = |name: &str| fs::read(stills.join(name)).unwrap();
    let mut both_refused = 0;
    let mut alone: Option<(Vec<u8>, Vec<u8>)> = None;
    for more in [&[][..], &["--overwrite"], &[], &["--overwrite"]] {
        if more.is_empty() && stills.exists() {
            fs::remove_dir_all(&stills).unwrap();
        }
        let (first, second) = (start(more), start(more));
        let outcomes = [ended(first), ended(second)];
        for (code, err) in &outcomes {
            let refused = *code == Some(1) && more.is_empty() && err.contains("exists already");
            assert!(*code == Some(0) || refused, "{more:?}: {code:?} {err}");
        }
        let done = outcomes.iter().filter(|(code, _)| *code == Some(0)).count();
        assert!(done >= 1 || more.is_empty(), "{outcomes:?}");
        both_refused += usize::from(done == 0);
        // Whatever came first: every file is whole, and of the one still that there is.
        for name in names(&stills) {
            assert!(!name.starts_with('.'), "{name}");
        }
        if done > 0 {
            assert_eq!(names(&stills).len(), 3);
            let made = (bytes("IN.still.tif"), bytes("IN.stack.fits"));
            assert!(*alone.get_or_insert(made.clone()) == made, "{more:?}");
        }
    }
    println!(
        "4 times two programs at once on one capture, {both_refused} times neither took all names: 0 lost"
    );
}
