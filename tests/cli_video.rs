//! The decoder of compressed video, seen from outside: how it is called, and what becomes of the program when it
//! is not there, hangs, talks without end or lies. The decoders here are scripts put in its place.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod cli;

use cli::{Ran, program};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Bytes that are taken for an MP4 file.
const MP4: &[u8] = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom\0\0\0\x08free";

/// The answer of a probe that has found a video of 8 x 4 px.
const ANSWER: &str =
    r#"{"streams":[{"codec_name":"h264","width":8,"height":4,"pix_fmt":"gray","nb_frames":"3"}]}"#;

struct Bench {
    home: TempDir,
    video: PathBuf,
}

impl Bench {
    /// A folder with a video of this name and with the two programs, as shell scripts.
    fn new(name: &str, ffprobe: &str, ffmpeg: &str) -> Bench {
        let home = TempDir::new().unwrap();
        let bin = home.path().join("bin");
        fs::create_dir(&bin).unwrap();
        for (name, script) in [("ffprobe", ffprobe), ("ffmpeg", ffmpeg)] {
            let path = bin.join(name);
            fs::write(&path, format!("#!/bin/sh\n{script}\n")).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        }
        let video = home.path().join(name);
        fs::write(&video, MP4).unwrap();
        Bench { home, video }
    }

    fn command(&self, name: &str) -> Command {
        let mut command = program();
        let path = format!("{}:/usr/bin:/bin", self.home.path().join("bin").display());
        command.env("PATH", path).env("HOME", self.home.path()).args([name, "--json"]);
        command.arg(&self.video).stdin(Stdio::null());
        command
    }

    fn inspect(&self) -> Ran {
        Ran::of(self.command("inspect").output().unwrap())
    }
}

/// What a decoder says of three frames of 32 bytes of grey 7, and the frames themselves.
fn frames() -> String {
    // Adler-32 begun with 0: a = 32 * 7, b = 7 * (1 + ... + 32).
    let sum = (7 * 32 * 33 / 2) << 16 | (7 * 32);
    let lines: Vec<String> = (0..3).map(|i| format!("0, {i}, {i}, 1, 32, 0x{sum:08x}")).collect();
    format!(
        "case \"$*\" in\n*-version*) echo 'ffmpeg version 6.0' ;;\n*framecrc*) printf '#tb 0: 1/25\\n{}\\n' ;;\n\
         *) head -c 96 /dev/zero | tr '\\0' '\\7' ;;\nesac",
        lines.join("\\n")
    )
}

#[test]
fn it_is_called_with_arguments_that_no_name_can_bend() {
    let note = "printf '%s\\n' \"$0\" \"$@\" --- >> \"$HOME/calls\"\n";
    for name in
        ["plain.mp4", "$(touch gone) `id`; rm -f x.mp4", "-i.mp4", "concat:a|b.mp4", "http:__x.mp4"]
    {
        let probe = format!("{note}echo '{ANSWER}'");
        let bench = Bench::new(name, &probe, &format!("{note}{}", frames()));
        let ran = bench.inspect();
        assert_eq!(ran.status, 0, "{name}: {ran:?}");
        assert_eq!(ran.result()["frames"], 3, "{name}");
        let calls = fs::read_to_string(bench.home.path().join("calls")).unwrap();
        let calls: Vec<Vec<&str>> = calls
            .split("---\n")
            .map(|call| call.lines().collect())
            .filter(|c: &Vec<&str>| c.len() > 2)
            .collect();
        assert!(calls.len() >= 2, "{calls:?}");
        let whole = format!("file:{}", bench.video.display());
        for call in &calls {
            // One argument, whole, behind -i; one protocol; one container; no question asked.
            let after = |option: &str| {
                call.iter()
                    .position(|word| *word == option)
                    .and_then(|at| call.get(at + 1))
                    .copied()
            };
            assert_eq!(after("-i"), Some(whole.as_str()), "{call:?}");
            assert_eq!(after("-protocol_whitelist"), Some("file"), "{call:?}");
            assert!(after("-f").is_some() && after("-max_pixels").is_some(), "{call:?}");
            assert!(call[0].ends_with("ffprobe") || call.contains(&"-nostdin"), "{call:?}");
        }
        let left = cli::names(bench.home.path());
        assert_eq!(left.len(), 3, "{left:?}");
    }
}

#[test]
fn without_one_it_says_what_to_install() {
    let bench = Bench::new("a.mp4", "", "");
    fs::remove_dir_all(bench.home.path().join("bin")).unwrap();
    let mut command = bench.command("inspect");
    let ran = Ran::of(command.env("PATH", bench.home.path().join("bin")).output().unwrap());
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("install ffmpeg") && ran.err.trim_end().ends_with("a.mp4"), "{ran:?}");
}

#[test]
fn answers_that_lie_or_never_end_are_errors() {
    let huge = r#"echo '{"streams":[{"width":100000,"height":100000}]}'"#;
    let none = "echo '{\"streams\":[]}'";
    let echo = format!("echo '{ANSWER}'");
    let lines = "case \"$*\" in *-version*) echo x ;; *) yes '0, 0, 0, 1, 31, 0x1' | head -c 3000000 ;; esac";
    let long = "case \"$*\" in *-version*) echo x ;; *) head -c 3000000 /dev/zero ;; esac";
    for (what, ffprobe, ffmpeg) in [
        ("an answer without end", "yes x", "exit 0"),
        ("no answer", "exit 0", "exit 0"),
        ("a picture larger than any", huge, "exit 0"),
        ("no video", none, "exit 0"),
        ("noise", "head -c 100000 /dev/urandom", "exit 0"),
        ("frames of another size", echo.as_str(), lines),
        ("a line without end", echo.as_str(), long),
        ("no frame", echo.as_str(), "exit 1"),
        (
            "words without end",
            echo.as_str(),
            "yes 'a word of error' | head -c 30000000 >&2; exit 1",
        ),
    ] {
        let bench = Bench::new("a.mp4", ffprobe, ffmpeg);
        let begun = Instant::now();
        let ran = bench.inspect();
        println!(
            "{what}: {:.1} s: {}",
            begun.elapsed().as_secs_f64(),
            ran.err.lines().next().unwrap_or("")
        );
        assert_eq!(ran.status, 1, "{what}: {ran:?}");
        assert!(ran.err.starts_with("error: ") && ran.err.len() < 2000, "{what}: {ran:?}");
        assert!(ran.err.trim_end().ends_with("a.mp4"), "{what}: {ran:?}");
    }
}

/// A child that does not outlive a test which fails.
struct Ended(std::process::Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn is_alive(pid: &str) -> bool {
    Command::new("kill").args(["-0", pid]).stderr(Stdio::null()).status().unwrap().success()
}

#[test]
fn a_decoder_that_hangs_is_left_by_a_request_to_stop_and_does_not_live_on() {
    let hang =
        "case \"$*\" in *-version*) echo x ;; *) echo $$ > \"$HOME/pid\"; exec sleep 1000 ;; esac";
    let bench = Bench::new("a.mp4", &format!("echo '{ANSWER}'"), hang);
    let child =
        bench.command("still").stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut child = Ended(child);
    let pid = bench.home.path().join("pid");
    let written = |path: &Path| fs::read_to_string(path).is_ok_and(|text| text.ends_with('\n'));
    for _ in 0..6000 {
        if written(&pid) {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let decoder = fs::read_to_string(&pid).unwrap().trim().to_string();
    assert!(is_alive(&decoder));
    let sent = Command::new("kill").args(["-INT", &child.0.id().to_string()]).status().unwrap();
    assert!(sent.success());
    assert_eq!(child.0.wait().unwrap().code(), Some(1));
    assert!(!is_alive(&decoder), "the decoder outlived the program");
    assert!(!bench.home.path().join("stills").exists());
}
