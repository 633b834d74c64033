//! House rules, asserted: who may import whom, how long a file may be, and that no check is
//! switched off.
//!
//! Data flows one way: picture, then capture, seeing, stacking, then night, then the program. A
//! crate knows what stands under it and nothing beside or above it. A crate's manifest and its
//! sources are both read: the manifest says what could be imported, the sources what is (the
//! standard library stands in no manifest).
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "house/source.rs"]
mod source;

use source::{code_of, dependencies_of, names_path};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// What a crate may know of the house, and what of the world it may not.
struct Rule {
    folder: &'static str,
    may_import: &'static [&'static str],
    never: &'static [&'static [&'static str]],
}

const FILES: &[&str] = &["std::fs", "memmap2", "tempfile"];
const THREADS: &[&str] = &["rayon"];
const CODECS: &[&str] = &["image", "png", "tiff"];
const FOURIER: &[&str] = &["rustfft", "realfft"];
const BYTES: &[&str] = &["byteorder"];
const WINDOW: &[&str] =
    &["egui", "eframe", "egui_extras", "egui_plot", "egui_tiles", "egui_kittest", "winit", "rfd"];

/// The table. `workbench` has its rule before it is built.
const HOUSE: &[Rule] = &[
    Rule { folder: "picture", may_import: &[], never: &[FILES, THREADS, CODECS, WINDOW] },
    // The reader handles open files but opens none: see `the_reader_opens_no_file`.
    Rule { folder: "capture", may_import: &["picture"], never: &[FOURIER, WINDOW] },
    Rule { folder: "seeing", may_import: &["picture"], never: &[FILES, WINDOW] },
    Rule { folder: "stacking", may_import: &["picture", "seeing"], never: &[FILES, WINDOW] },
    Rule { folder: "moon", may_import: &["picture"], never: &[FILES, CODECS, WINDOW] },
    Rule { folder: "sample", may_import: &["picture"], never: &[WINDOW] },
    Rule {
        folder: "night",
        may_import: &["picture", "capture", "seeing", "stacking", "moon", "sample"],
        never: &[WINDOW],
    },
    Rule {
        folder: "workbench",
        may_import: &["picture", "night"],
        never: &[FILES, THREADS, FOURIER, BYTES],
    },
    Rule { folder: "stillwright", may_import: &["picture", "night", "workbench"], never: &[] },
];

/// Everything a crate consists of.
struct Crate {
    manifest: String,
    /// Path and text of the sources that are built into the crate (`src`).
    sources: Vec<(PathBuf, String)>,
    /// The same of its tests, benches and examples: they may open files and start threads.
    tests: Vec<(PathBuf, String)>,
}

fn violations(rule: &Rule, subject: &Crate) -> Vec<String> {
    let mut found = Vec::new();
    let siblings: Vec<&str> = HOUSE
        .iter()
        .map(|row| row.folder)
        .filter(|folder| *folder != rule.folder && !rule.may_import.contains(folder))
        .collect();
    let imported = dependencies_of(&subject.manifest);
    let package = |folder: &str| format!("stillwright_{folder}");
    for folder in &siblings {
        let name = package(folder);
        if imported.contains(&name) {
            found.push(format!("{}: the manifest depends on {name}", rule.folder));
        }
        for (path, code) in subject.sources.iter().chain(&subject.tests) {
            if names_path(code, &name) {
                found.push(format!("{}: {} imports {name}", rule.folder, path.display()));
            }
        }
    }
    for name in rule.never.iter().copied().flatten() {
        // What only tests use (a temporary folder, say) stands in the manifest, too.
        let for_tests = ["tempfile"].contains(name);
        if !for_tests && imported.iter().any(|dependency| dependency == name) {
            found.push(format!("{}: the manifest depends on {name}", rule.folder));
        }
        for (path, code) in &subject.sources {
            if names_path(code, name) {
                found.push(format!("{}: {} imports {name}", rule.folder, path.display()));
            }
        }
    }
    found
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut files = Vec::new();
    for path in entries.map(|entry| entry.unwrap().path()) {
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

fn crate_folders() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(root().join("crates"))
        .unwrap()
        .map(|entry| entry.unwrap())
        .filter(|entry| entry.path().is_dir())
        .map(|entry| entry.file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert!(!names.is_empty());
    names
}

fn load(folder: &str) -> Crate {
    let home = root().join("crates").join(folder);
    // The program's manifest is the workspace's.
    let manifest = if folder == "stillwright" { root() } else { &home }.join("Cargo.toml");
    let read = |path: PathBuf| {
        let code = code_of(&fs::read_to_string(&path).unwrap());
        (path.strip_prefix(root()).unwrap().to_path_buf(), code)
    };
    let sources: Vec<_> = rust_files(&home.join("src")).into_iter().map(read).collect();
    assert!(!sources.is_empty(), "{folder} has no sources");
    let tests =
        ["tests", "benches", "examples"].iter().flat_map(|part| rust_files(&home.join(part)));
    Crate {
        manifest: fs::read_to_string(manifest).unwrap(),
        sources,
        tests: tests.map(read).collect(),
    }
}

#[test]
fn every_crate_has_a_row_in_the_table() {
    for folder in crate_folders() {
        let rows = HOUSE.iter().filter(|row| row.folder == folder).count();
        assert_eq!(rows, 1, "crates/{folder} needs one row in the table of this test");
    }
}

#[test]
fn nobody_imports_leftwards_or_sideways() {
    let folders = crate_folders();
    let found: Vec<String> = HOUSE
        .iter()
        .filter(|row| folders.iter().any(|folder| folder == row.folder))
        .flat_map(|row| violations(row, &load(row.folder)))
        .collect();
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn the_table_has_no_circle() {
    // Each crate may only know crates that can be built before it.
    let mut built: Vec<&str> = Vec::new();
    while built.len() < HOUSE.len() {
        let next = HOUSE.iter().find(|row| {
            !built.contains(&row.folder) && row.may_import.iter().all(|name| built.contains(name))
        });
        built.push(next.expect("a circle among the crates that are left").folder);
    }
}

#[test]
fn the_reader_opens_no_file() {
    // It is handed open files and never a path.
    for (path, code) in load("capture").sources {
        for opening in ["File::open", "File::create", "OpenOptions", "fs::read", "fs::write"] {
            assert!(!names_path(&code, opening), "{} says {opening}", path.display());
        }
    }
}

#[test]
fn files_are_short_enough_to_be_read() {
    let mut lengths = BTreeMap::new();
    for part in ["crates", "tests", "benches"] {
        for path in rust_files(&root().join(part)) {
            let lines = fs::read_to_string(&path).unwrap().lines().count();
            lengths.insert(path.strip_prefix(root()).unwrap().to_path_buf(), lines);
        }
    }
    assert!(lengths.len() > 50, "only {} sources were found", lengths.len());
    let long: Vec<String> = lengths
        .iter()
        .filter(|(_, lines)| **lines > 500)
        .map(|(path, lines)| format!("{}: {lines} lines, at most 500", path.display()))
        .collect();
    assert!(long.is_empty(), "\n{}", long.join("\n"));
}

#[test]
fn no_check_is_switched_off() {
    let folders = ["crates", "tests", "benches"];
    for path in folders.iter().flat_map(|part| rust_files(&root().join(part))) {
        let code = code_of(&fs::read_to_string(&path).unwrap());
        for off in ["if false", "#[ignore", "assert!(true"] {
            assert!(!code.contains(off), "{} has a check that cannot fail: {off}", path.display());
        }
    }
}

/// A crate that breaks one rule or none.
fn made_up(manifest: &str, source: &str) -> Crate {
    let sources = vec![(PathBuf::from("src/lib.rs"), code_of(source))];
    Crate { manifest: manifest.into(), sources, tests: Vec::new() }
}

#[test]
fn offenders_are_caught() {
    let rule = |folder: &str| HOUSE.iter().find(|row| row.folder == folder).unwrap();
    for (folder, manifest, source) in [
        ("seeing", "", "use std::fs;"),
        ("seeing", "", "use std::{io, fs::File};"),
        ("seeing", "", "use std :: { io::{Read, Write},\n    fs };"),
        ("seeing", "", "fn f() { let _ = std::fs::read(\"x\"); }"),
        ("seeing", "", "use stillwright_stacking::stack;"),
        ("seeing", "[dependencies]\nstillwright-capture.workspace = true", ""),
        ("seeing", "[dev-dependencies]\nstillwright-sample = { path = \"../sample\" }", ""),
        ("seeing", "[dependencies.stillwright-night]\npath = \"../night\"", ""),
        (
            "seeing",
            "[dependencies]\nother = { package = \"stillwright-capture\", path = \"x\" }",
            "",
        ),
        ("picture", "[dependencies]\nrayon = \"1\"", ""),
        ("picture", "[target.'cfg(unix)'.dependencies]\nimage = \"0.25\"", ""),
        ("picture", "", "use rayon::prelude::*;"),
        ("picture", "", "extern crate rayon;"),
        ("picture", "", "use {rayon, std::io};"),
        ("capture", "[dependencies]\nrealfft.workspace = true", ""),
        ("stacking", "", "/* a /* nested */ remark */ use egui::Ui;"),
        ("night", "[dependencies]\nstillwright-workbench = \"1\"", ""),
        ("workbench", "", "let c = '\"'; use std::fs; let d = '\"';"),
        ("stillwright", "[dependencies]\nstillwright-stacking.workspace = true", ""),
    ] {
        let found = violations(rule(folder), &made_up(manifest, source));
        assert_eq!(found.len(), 1, "{folder}: {manifest} {source}: {found:?}");
    }
}

#[test]
fn the_innocent_are_left_alone() {
    let rule = |folder: &str| HOUSE.iter().find(|row| row.folder == folder).unwrap();
    for (folder, manifest, source) in [
        (
            "seeing",
            "[dependencies]\nrayon = \"1\"\nstillwright-picture = \"1\"",
            "use rayon::iter;",
        ),
        ("seeing", "", "//! This crate never says use std::fs;\nuse std::io;"),
        ("seeing", "", "/// See [`std::fs`].\nfn f() -> &'static str { \"use std::fs;\" }"),
        ("seeing", "", "let s = r#\"use \"std::fs\";\"#; let t = b\"\\\"std::fs::\";"),
        ("seeing", "", "use std::{io, os::unix::fs::FileExt};"),
        ("seeing", "[dev-dependencies]\ntempfile = \"3\"", "mod my_std { } use crate::fs::std;"),
        ("picture", "# rayon = \"1\"\n[features]\nrayon = []", "let image = 3; let x = image;"),
        ("picture", "[workspace.dependencies]\nrayon = \"1\"", "fn rayon() {}"),
        ("capture", "", "struct stillwright_seeing_glass;"),
    ] {
        let found = violations(rule(folder), &made_up(manifest, source));
        assert!(found.is_empty(), "{folder}: {found:?}");
    }
}
