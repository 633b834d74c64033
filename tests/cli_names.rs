//! Names are data: control characters, bytes that are no text, very long ones, links, recipes that point anywhere.
#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod cli;

use cli::{Ran, capture_bytes, names, night, program, run_on};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::symlink;
use std::path::Path;

fn still(capture: &Path, more: &[&OsStr]) -> Ran {
    let output =
        program().args(["still", "--keep", "50"]).args(more).arg(capture).output().unwrap();
    Ran::of(output)
}

#[test]
fn odd_names_of_captures_make_stills_of_the_same_odd_names() {
    let long = "x".repeat(240);
    for name in [
        OsString::from("a\u{1b}[2J\u{7}b\nc.ser"),
        OsString::from("-o.ser"),
        OsString::from("$(touch gone) `id` ;'\".ser"),
        OsString::from_vec(b"bytes \xff\xfe.ser".to_vec()),
        OsString::from(format!("{}.ser", &long[..200])),
    ] {
        let home = tempfile::tempdir().unwrap();
        let capture = home.path().join(&name);
        fs::write(&capture, capture_bytes()).unwrap();
        let ran = still(&capture, &[]);
        assert_eq!(ran.status, 0, "{name:?}: {ran:?}");
        // A terminal obeys control characters: none reaches it.
        for text in [&ran.out, &ran.err] {
            assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{text:?}");
        }
        let stem = Path::new(&name).file_stem().unwrap().to_owned();
        for suffix in [".still.tif", ".stack.fits", ".record.json"] {
            let mut made = stem.clone();
            made.push(suffix);
            assert!(home.path().join("stills").join(&made).is_file(), "{made:?}");
        }
        assert_eq!(fs::read(&capture).unwrap(), capture_bytes());
        assert_eq!(fs::read_dir(home.path()).unwrap().count(), 2);
    }
    // Too long for what is added: told, and nothing is left behind.
    let home = tempfile::tempdir().unwrap();
    let capture = home.path().join(format!("{}.ser", &"x".repeat(248)));
    fs::write(&capture, capture_bytes()).unwrap();
    let ran = still(&capture, &[]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.starts_with("error: "), "{ran:?}");
    let left = fs::read_dir(home.path().join("stills")).map_or(0, |all| all.count());
    assert_eq!(left, 0, "{ran:?}");
}

#[test]
fn links_lead_to_captures_and_never_to_their_replacement() {
    let (home, capture) = night();
    let elsewhere = tempfile::tempdir().unwrap();
    // A link to the capture is read.
    let link = home.path().join("link.ser");
    symlink(&capture, &link).unwrap();
    assert_eq!(still(&link, &[]).status, 0);
    // A result whose name is a link: kept as any file, and with --overwrite the link goes, not what it leads to.
    let precious = elsewhere.path().join("precious.txt");
    fs::write(&precious, "words").unwrap();
    let out = home.path().join("out");
    fs::create_dir(&out).unwrap();
    symlink(&precious, out.join("IN.still.tif")).unwrap();
    let into = [OsStr::new("--out"), out.as_os_str()];
    let ran = still(&capture, &into);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("exists already"), "{ran:?}");
    let ran = still(&capture, &[into[0], into[1], OsStr::new("--overwrite")]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(fs::read_to_string(&precious).unwrap(), "words");
    assert!(out.join("IN.still.tif").symlink_metadata().unwrap().is_file());
    // A link that leads back to the capture is never replaced.
    let odd = home.path().join("odd");
    fs::create_dir(&odd).unwrap();
    symlink(&capture, odd.join("IN.stack.fits")).unwrap();
    let into = [OsStr::new("--out"), odd.as_os_str(), OsStr::new("--overwrite")];
    let ran = still(&capture, &into);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("never done"), "{ran:?}");
    // Links in a ring are told.
    let ring = home.path().join("ring.ser");
    symlink(&ring, &ring).unwrap();
    assert_eq!(still(&ring, &[]).status, 1);
    assert_eq!(fs::read(&capture).unwrap(), capture_bytes());
}

#[test]
fn paths_in_a_recipe_are_opened_as_captures_and_nothing_else() {
    let (home, capture) = night();
    let recipe = home.path().join("recipe.toml");
    for (path, words) in [
        ("\"/dev/zero\"", "a device or a pipe"),
        ("\"/etc/passwd\"", "found plain text"),
        ("\"$(touch gone)\"", "cannot be read"),
        ("\"| touch gone\"", "cannot be read"),
        ("\"concat:IN.ser|IN.ser\"", "cannot be read"),
        ("\"../../../../../../nowhere/dark.ser\"", "cannot be read"),
        ("[47, 255, 0, 46]", "cannot be read"),
    ] {
        fs::write(&recipe, format!("[calibration]\ndarks = [{path}]\n")).unwrap();
        let with = [OsStr::new("--recipe"), recipe.as_os_str()];
        let ran = still(&capture, &with);
        assert_eq!(ran.status, 1, "{path}: {ran:?}");
        assert!(ran.err.contains("no dark fits") && ran.err.contains(words), "{path}: {ran:?}");
    }
    assert_eq!(names(home.path()), ["IN.ser", "recipe.toml"]);
    // A dark that bears the name of a result stays.
    let out = home.path().join("IN.stack.fits");
    fs::write(&out, "a dark").unwrap();
    let here = [
        OsStr::new("--dark"),
        out.as_os_str(),
        OsStr::new("--out"),
        home.path().as_os_str(),
        OsStr::new("--overwrite"),
    ];
    let ran = still(&capture, &here);
    assert!(ran.status == 1 && ran.err.contains("never done"), "{ran:?}");
    assert_eq!(fs::read(&out).unwrap(), b"a dark");
}

#[test]
fn members_of_one_sequence_are_one_capture_however_many_are_named() {
    let home = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    for i in 0..4 {
        let path = home.path().join(format!("f_{i:03}.png"));
        let picture =
            image::GrayImage::from_fn(40, 36, |x, y| image::Luma([(x * 5 + y * 3 + i) as u8]));
        picture.save(&path).unwrap();
        files.push(path);
    }
    let output = program().args(["inspect", "--json"]).args(&files).output().unwrap();
    let lines = Ran::of(output).lines();
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert_eq!(lines[0]["frames"], 4);
    // A capture in one file is one by itself, whatever else is named.
    let (own, capture) = night();
    let other = own.path().join("IN2.ser");
    fs::write(&other, capture_bytes()).unwrap();
    let output =
        program().args(["inspect", "--json"]).args([&capture, &other]).args(&files).output();
    assert_eq!(Ran::of(output.unwrap()).lines().len(), 3);
}

#[test]
fn the_output_says_what_frames_were_calibrated_with() {
    let (home, capture) = night();
    // The capture's first frames as they are serve as a dark of the right size only when dark.
    let mut dark = capture_bytes().to_vec();
    dark[cli::HEADER..cli::HEADER + cli::FRAMES * cli::WIDTH * cli::HEIGHT].fill(3);
    let path = home.path().join("dark.ser");
    fs::write(&path, dark).unwrap();
    let dark = path.to_str().unwrap();
    let ran = run_on(&["still", "--keep", "50", "--dark", dark], &capture, &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert!(ran.out.contains("Calibrated: dark: the mean of 24 frames of"), "{ran:?}");
    let record = fs::read(home.path().join("stills/IN.record.json")).unwrap();
    let record: serde_json::Value = serde_json::from_slice(&record).unwrap();
    assert_eq!(record["calibration"]["dark"]["frames"], 24);
    assert!(record["recipe"]["calibration"]["darks"][0].as_str().unwrap().ends_with("dark.ser"));
    let ran = run_on(&["grade", "--json", "--dark", dark], &capture, &[]);
    assert!(ran.result()["calibration"][0].as_str().unwrap().contains("dark.ser"), "{ran:?}");
    // Without: nothing is said, and nothing done.
    let ran = run_on(&["grade", "--json"], &capture, &[]);
    assert_eq!(ran.result()["calibration"].as_array().unwrap().len(), 0);
    // A master is made once, and not over another.
    let ran = run_on(&["master", "--kind", "dark", "--json"], &path, &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let master = home.path().join("dark.dark.fits");
    assert_eq!(ran.result()["master"].as_str().unwrap(), master.to_str().unwrap());
    let ran = run_on(&["master", "--kind", "dark"], &path, &[]);
    assert!(ran.status == 1 && ran.err.contains("exists already"), "{ran:?}");
    let ran = run_on(&["grade", "--json", "--dark", master.to_str().unwrap()], &capture, &[]);
    assert!(ran.result()["calibration"][0].as_str().unwrap().contains("saved master"), "{ran:?}");
    // What makes no sense is a wrong use.
    for wrong in [
        vec!["still", "--dark-flat", dark],
        vec!["master", "--kind", "dark", "--dark-flat", dark],
        vec!["master", "--kind", "light"],
    ] {
        assert_eq!(run_on(&wrong, &capture, &[]).status, 2, "{wrong:?}");
    }
}
