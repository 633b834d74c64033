//! What was found before is reused, and changes nothing: same files from a second run, from a
//! damaged cache, and with none at all.
#![allow(clippy::unwrap_used)]

mod cli;

use cli::{names, night, program};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// One still into a folder of its own: the bytes of stack and still, and the stages that took time.
fn still(
    capture: &Path,
    out: &Path,
    cache: &str,
    keep: &str,
    more: &[&str],
) -> (Vec<u8>, Vec<u8>, Value) {
    let ran = program()
        .env("STILLWRIGHT_CACHE", cache)
        .args(["still", "--keep", keep, "--overwrite", "--out"])
        .arg(out)
        .args(more)
        .arg(capture)
        .output()
        .unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let read = |name: &str| fs::read(out.join(name)).unwrap();
    let record = serde_json::from_slice(&read("IN.record.json")).unwrap();
    (read("IN.stack.fits"), read("IN.still.tif"), record)
}

fn seconds(record: &Value, stage: &str) -> f64 {
    let timings = record["timings"].as_array().unwrap();
    let timing = timings.iter().find(|t| t["stage"] == stage).unwrap();
    timing["seconds"].as_f64().unwrap()
}

#[test]
fn a_second_run_reuses_what_was_found_and_gives_the_same_files() {
    let (home, capture) = night();
    let (folder, out) = (home.path().join("found"), home.path().join("out"));
    let cache = folder.to_str().unwrap();
    let plain = still(&capture, &out, cache, "40", &["--no-cache"]);
    assert!(!folder.exists(), "--no-cache keeps nothing");
    let first = still(&capture, &out, cache, "40", &[]);
    assert_eq!(names(&folder).len(), 2, "{:?}", names(&folder));
    let second = still(&capture, &out, cache, "40", &[]);
    for run in [&first, &second] {
        assert!(run.0 == plain.0 && run.1 == plain.1, "the cache changed the result");
        assert_eq!(run.2["inputs"], plain.2["inputs"]);
        assert_eq!(run.2["found"], plain.2["found"]);
    }
    let work = |record: &Value| seconds(record, "survey") + seconds(record, "stack");
    assert!(work(&second.2) < 0.5 * work(&first.2), "{} {}", second.2, first.2);

    // Another keep: the survey serves, the stack is new.
    let other = still(&capture, &out, cache, "80", &[]);
    assert_ne!(other.0, first.0);
    assert_eq!(names(&folder).len(), 3);

    // Damage to every entry.
    for name in names(&folder) {
        let path = folder.join(name);
        let mut bytes = fs::read(&path).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        fs::write(&path, bytes).unwrap();
    }
    let mended = still(&capture, &out, cache, "40", &[]);
    assert!(mended.0 == plain.0 && mended.1 == plain.1, "a damaged entry was believed");
}

#[test]
fn other_bytes_of_the_same_size_and_time_are_another_capture() {
    let (home, capture) = night();
    let (folder, out) = (home.path().join("found"), home.path().join("out"));
    let cache = folder.to_str().unwrap();
    let before = still(&capture, &out, cache, "40", &[]);
    let changed = fs::metadata(&capture).unwrap().modified().unwrap();
    let mut bytes = fs::read(&capture).unwrap();
    // One frame is gone dark; where the samples of the cache's names fall does not matter.
    let frame = cli::WIDTH * cli::HEIGHT;
    bytes[cli::HEADER + 5 * frame..cli::HEADER + 6 * frame].fill(0);
    fs::write(&capture, &bytes).unwrap();
    fs::File::options().write(true).open(&capture).unwrap().set_modified(changed).unwrap();
    let after = still(&capture, &out, cache, "40", &[]);
    let fresh = still(&capture, &out, "", "40", &[]);
    assert!(after.0 == fresh.0 && after.0 != before.0);
    assert_ne!(after.2["inputs"], before.2["inputs"]);
}

#[test]
fn grades_are_reused_too_and_a_folder_that_cannot_be_does_no_harm() {
    let (home, capture) = night();
    let folder = home.path().join("found");
    let grade = |cache: &Path| {
        let ran = program()
            .env("STILLWRIGHT_CACHE", cache)
            .args(["grade", "--json"])
            .arg(&capture)
            .output()
            .unwrap();
        assert!(ran.status.success());
        String::from_utf8(ran.stdout).unwrap()
    };
    let first = grade(&folder);
    assert_eq!(names(&folder).len(), 1);
    assert_eq!(grade(&folder), first);
    let file = home.path().join("file");
    fs::write(&file, "no folder").unwrap();
    assert_eq!(grade(&file.join("found")), first);
}
