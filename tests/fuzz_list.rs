//! The fuzz targets stand in one list: those of `fuzz/targets.rs`, of cargo-fuzz and of the kept corpus are the same,
//! and the fuzzed program is built from the very versions of the dependencies that the program is.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

fn text(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// What stands between `before` and the next quote in each line that has it.
fn quoted(text: &str, before: &str) -> BTreeSet<String> {
    let found = |line: &str| Some(line.split_once(before)?.1.split_once('"')?.0.to_string());
    text.lines().filter_map(found).collect()
}

fn files(folder: &str) -> BTreeSet<String> {
    let all = fs::read_dir(root().join(folder)).unwrap();
    all.map(|e| e.unwrap().path().file_stem().unwrap().to_string_lossy().into_owned()).collect()
}

#[test]
fn every_target_is_built_by_cargo_fuzz_and_has_a_corpus() {
    let rows = quoted(&text("fuzz/targets.rs"), "Target { name: \"");
    assert!(rows.len() >= 14, "{rows:?}");
    let manifest = text("fuzz/Cargo.toml");
    let (_, bins) = manifest.split_once("[[bin]]").unwrap();
    assert_eq!(quoted(bins, "name = \""), rows, "fuzz/Cargo.toml");
    assert_eq!(files("fuzz/fuzz_targets"), rows, "fuzz/fuzz_targets");
    for name in &rows {
        let source = text(&format!("fuzz/fuzz_targets/{name}.rs"));
        assert!(source.contains(&format!("guarded::run(\"{name}\", bytes)")), "{name}: {source}");
    }
    // What the cache keeps changes with the program: its corpus is made when it is needed.
    let mut with_corpus = files("fuzz/corpus");
    with_corpus.insert("kept".into());
    assert_eq!(with_corpus, rows, "fuzz/corpus");
}

/// The versions of each package in a lock file.
fn versions(lock: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut all: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in lock.split("[[package]]").skip(1) {
        let value = |key: &str| quoted(package, &format!("{key} = \"")).into_iter().next();
        let (name, version) = (value("name").unwrap(), value("version").unwrap());
        all.entry(name).or_default().insert(version);
    }
    all
}

#[test]
fn the_fuzzed_program_has_the_dependencies_of_the_program() {
    let (ours, theirs) = (versions(&text("Cargo.lock")), versions(&text("fuzz/Cargo.lock")));
    let mut shared = 0;
    for (name, versions) in &theirs {
        if let Some(known) = ours.get(name) {
            shared += 1;
            assert!(
                versions.is_subset(known),
                "{name}: {versions:?} in fuzz/Cargo.lock, {known:?} here"
            );
        }
    }
    assert!(shared > 60, "{shared} packages in common");
    // Beyond them: what libFuzzer needs.
    let own: Vec<&String> = theirs.keys().filter(|name| !ours.contains_key(*name)).collect();
    let expected = ["arbitrary", "libfuzzer-sys", "stillwright-fuzz"];
    assert!(own.iter().all(|name| expected.contains(&name.as_str())), "{own:?}");
}
