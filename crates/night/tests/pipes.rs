//! Paths that lead to pipes and devices, where files are expected: a word, and nobody waits for their writers.
#![cfg(unix)]
#![allow(clippy::unwrap_used, dead_code)]

mod session_support;

use session_support::{Night, capture_in, options};
use std::fs;
use std::path::Path;
use std::process::Command as Program;
use stillwright_night::atomic::Existing;
use stillwright_night::preferences::Preferences;
use stillwright_night::session::{CaptureState, Command, Session};
use stillwright_night::sheet::SheetChange;

fn pipe(path: &Path) {
    assert!(Program::new("mkfifo").arg(path).status().unwrap().success());
}

#[test]
fn pipes_in_the_place_of_files_hold_nobody_up() {
    let home = tempfile::tempdir().unwrap();
    let own = home.path().join("own");
    fs::create_dir_all(own.join("recipes")).unwrap();
    pipe(&own.join("recipes/evening.toml"));
    pipe(&own.join("night.toml"));
    pipe(&own.join("window.toml"));
    pipe(&home.path().join("pipe"));
    assert_eq!(Preferences::load(&own.join("window.toml")), Preferences::default());
    let capture = capture_in(home.path(), "a", 1);
    let session = Session::open(options(home.path()), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    let said = night.said();
    assert!(said.contains("evening.toml") && said.contains("night.toml"), "{said}");
    let pipe = night.home.path().join("pipe");
    // As a capture, a list of places, a reference picture, where results go.
    night.session.send(Command::Add(vec![capture, pipe.clone()]));
    night.rest();
    let entry = night.session.entries().iter().find(|e| e.path == pipe).unwrap();
    assert!(matches!(&entry.state, CaptureState::Failed { words } if words.contains("pipe")));
    night.session.send(Command::LoadPlaces(pipe.clone()));
    let id = night.session.entries().iter().find(|e| e.path != pipe).unwrap().id;
    night.session.send(Command::Sheet { id, change: SheetChange::Reference(Some(pipe)) });
    night.rest();
    assert!(night.session.place_list().is_none());
    let trouble = night.entry(id).beside.trouble.clone().unwrap();
    assert!(trouble.contains("a pipe"), "{trouble}");
    let target = stillwright_night::session::ExportTarget {
        folder: Some("/dev/null".into()),
        existing: Existing::Replace,
    };
    night.session.send(Command::MakeAll { ids: vec![id], target });
    night.until("an outcome", |s| s.last_all_stills().is_some() && s.is_idle());
    assert_eq!(night.session.last_all_stills().unwrap().counts(), (0, 1, 0));
}
