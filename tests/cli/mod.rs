//! What the tests of the command line share: the program, and small captures to feed it.
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use stillwright_night::atomic::Existing;
use stillwright_night::picture::Silent;
use stillwright_night::sample::{SampleSettings, Truth};
use stillwright_night::sample_night::{SampleFiles, write_sample};
use tempfile::TempDir;

pub const FRAMES: usize = 24;
pub const WIDTH: usize = 128;
pub const HEIGHT: usize = 96;
/// Bytes before the first frame of a SER file.
pub const HEADER: usize = 178;

/// The program, with nothing remembered from one run to the next: a test that compares two runs
/// must not compare one with itself.
pub fn program() -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_stillwright"));
    program.env("STILLWRIGHT_CACHE", "");
    program
}

/// A capture of 24 frames of 128 x 96 px, 8 bit, made once for all tests of a file.
pub fn capture_bytes() -> &'static [u8] {
    &sample().0
}

pub fn truth() -> &'static Truth {
    &sample().1
}

fn sample() -> &'static (Vec<u8>, Truth) {
    static MADE: OnceLock<(Vec<u8>, Truth)> = OnceLock::new();
    MADE.get_or_init(|| {
        let home = TempDir::new().unwrap();
        let files = SampleFiles::plan(home.path(), "small");
        let settings = SampleSettings::small(3);
        assert_eq!((settings.width, settings.height, settings.frames), (WIDTH, HEIGHT, FRAMES));
        let done = write_sample(&files, &settings, Existing::Keep, &Silent).unwrap();
        (std::fs::read(&files.capture).unwrap(), done.truth)
    })
}

/// A folder with a sound capture called `IN.ser`.
pub fn night() -> (TempDir, PathBuf) {
    let home = TempDir::new().unwrap();
    let capture = home.path().join("IN.ser");
    std::fs::write(&capture, capture_bytes()).unwrap();
    (home, capture)
}

/// What a run came to.
#[derive(Debug)]
pub struct Ran {
    pub status: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    pub fn of(output: Output) -> Ran {
        let ran = Ran {
            // A signal is no exit status: -1 equals none of the contract's.
            status: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).expect("text on standard output"),
            err: String::from_utf8(output.stderr).expect("text on standard error"),
        };
        assert!(!ran.err.contains("panicked"), "{ran:?}");
        ran
    }

    /// The lines of JSON.
    pub fn lines(&self) -> Vec<Value> {
        self.out
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")))
            .collect()
    }

    /// The last line of JSON: the result.
    pub fn result(&self) -> Value {
        self.lines().pop().unwrap_or_else(|| panic!("no result: {self:?}"))
    }
}

pub fn run(arguments: &[&str]) -> Ran {
    Ran::of(program().args(arguments).output().unwrap())
}

/// Run with a path among the arguments.
pub fn run_on(before: &[&str], file: &Path, after: &[&str]) -> Ran {
    Ran::of(program().args(before).arg(file).args(after).output().unwrap())
}

/// Names of everything in a folder, hidden files too, sorted.
pub fn names(folder: &Path) -> Vec<String> {
    let mut all: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    all.sort();
    all
}
