//! The night file: it comes back, survives what can befall it, and never touches a capture.
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::{Night, capture_in, options};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use stillwright_night::choice::FrameRange;
use stillwright_night::session::{
    CaptureState, Command, Effect, OpenError, Saving, Session, SessionOptions, Setting,
};
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::Bend;

/// A session that only reads and writes its files: nothing is graded unasked.
fn quiet(home: &Path) -> SessionOptions {
    SessionOptions { grade_unasked: false, stack_unasked: false, ..options(home) }
}

/// A night with two captures, nothing graded.
fn night_of_two() -> Night {
    let home = tempfile::tempdir().unwrap();
    let session = Session::open(quiet(home.path()), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    let folder = night.folder();
    capture_in(&folder, "a", 1);
    capture_in(&folder, "b", 2);
    night.session.send(Command::Add(vec![folder]));
    night.rest();
    assert_eq!(night.session.entries().len(), 2);
    night
}

fn change(night: &mut Night, setting: Setting) {
    let id = night.first();
    night.session.send(Command::Change { id, setting });
}

/// End the session, and open its night again.
fn again(night: Night) -> Night {
    let Night { home, session, .. } = night;
    drop(session);
    let session = Session::open(quiet(home.path()), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.rest();
    night
}

fn bytes_of(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut all: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.clone(), fs::read(path).unwrap()))
        .collect();
    all.sort();
    all
}

#[test]
fn a_night_comes_back_as_it_was_left() {
    let mut night = night_of_two();
    let captures = bytes_of(&night.folder());
    change(&mut night, Setting::Keep(Keep::Percent(33.0)));
    change(&mut night, Setting::Exclude(FrameRange::new(3, 7)));
    change(&mut night, Setting::Caption(Some("thin clouds".into())));
    let second = night.session.entries()[1].id;
    night.session.send(Command::Select(Some(second)));
    let recipe = night.session.entries()[0].recipe.clone();
    let night = again(night);
    let entries = night.session.entries();
    assert_eq!(entries.len(), 2);
    assert_eq!(entries[0].recipe, recipe);
    assert_eq!(night.session.selected().unwrap().name, "b.ser");
    assert!(entries.iter().all(|e| e.facts.is_some()), "the captures were opened again");
    assert!(night.session.messages().is_empty(), "{}", night.said());
    assert_eq!(bytes_of(&night.folder()), captures, "a capture was touched");
}

#[test]
fn it_is_saved_by_itself_and_a_kill_loses_nothing() {
    let mut night = night_of_two();
    change(&mut night, Setting::Keep(Keep::Percent(12.5)));
    night.until("a saved night", |s| s.is_saved());
    assert!(night.count(|effect| matches!(effect, Effect::Saved)) > 0);
    // What a kill leaves behind: the file as it is now, and a lock that nobody holds.
    let own = night.session.night_path().parent().unwrap().to_path_buf();
    let copy = tempfile::tempdir().unwrap();
    fs::create_dir(copy.path().join("own")).unwrap();
    for entry in fs::read_dir(&own).unwrap().map(|entry| entry.unwrap().path()) {
        if entry.is_file() {
            fs::copy(&entry, copy.path().join("own").join(entry.file_name().unwrap())).unwrap();
        }
    }
    // A preview that was not let go is no change yet.
    let id = night.first();
    night.session.send(Command::Preview { id, setting: Setting::Keep(Keep::Percent(99.0)) });
    let session = Session::open(quiet(copy.path()), || {}).unwrap();
    assert_eq!(session.entries()[0].recipe.stack.keep, Keep::Percent(12.5));
    assert_eq!(session.entries().len(), 2);
}

/// The name of a folder, for the copy of this test that is to be killed.
const TO_BE_KILLED: &str = "STILLWRIGHT_TEST_TO_BE_KILLED";

#[test]
fn a_killed_program_has_let_go_of_its_night_and_lost_nothing_saved() {
    if let Some(home) = std::env::var_os(TO_BE_KILLED).map(PathBuf::from) {
        let session = Session::open(quiet(&home), || {}).unwrap();
        let mut night = Night { home: tempfile::tempdir().unwrap(), session, effects: Vec::new() };
        night.session.send(Command::Add(vec![home.join("captures")]));
        night.until("a capture", |s| s.entries().len() == 1 && s.is_idle());
        change(&mut night, Setting::Keep(Keep::Percent(7.5)));
        night.until("a saved night", |s| s.is_saved());
        fs::write(home.join("saved"), "").unwrap();
        loop {
            night.session.wait(std::time::Duration::from_millis(50));
            night.pump();
        }
    }
    let home = tempfile::tempdir().unwrap();
    let capture = capture_in(&home.path().join("captures"), "a", 1);
    let before = fs::read(&capture).unwrap();
    let mut program = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_killed_program_has_let_go_of_its_night_and_lost_nothing_saved"])
        .env(TO_BE_KILLED, home.path())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let begun = std::time::Instant::now();
    while !home.path().join("saved").exists() && begun.elapsed() < session_support::PATIENCE {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let locked = Session::open(quiet(home.path()), || {});
    program.kill().unwrap();
    program.wait().unwrap();
    assert!(matches!(locked, Err(OpenError::Locked { .. })), "it ran, and had the night");
    let session = Session::open(quiet(home.path()), || {}).unwrap();
    assert!(session.messages().is_empty(), "{:?}", session.messages());
    assert_eq!(session.entries()[0].recipe.stack.keep, Keep::Percent(7.5));
    assert_eq!(fs::read(&capture).unwrap(), before);
}

#[test]
fn a_file_that_makes_no_sense_is_set_aside_and_said() {
    let good = {
        let night = night_of_two();
        let path = night.session.night_path().to_path_buf();
        let Night { home, session, .. } = night;
        drop(session);
        let text = fs::read(&path).unwrap();
        drop(home);
        text
    };
    let mut newer = b"version = 99\n".to_vec();
    newer.extend_from_slice(b"comet = true\n");
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("garbage", vec![0, 255, 7, 200, 13]),
        ("a shopping list", b"milk, bread, collimation cap".to_vec()),
        ("an empty file", Vec::new()),
        ("a newer night", newer),
        ("cut in the middle", good[..good.len() / 2].to_vec()),
        ("cut near its end", good[..good.len() - 30].to_vec()),
        ("a senseless keep", b"version = 1\n[[capture]]\npath = \"a\"\n[capture.recipe.stack]\nkeep = { percent = -3.0 }\n".to_vec()),
    ];
    for (what, bytes) in cases {
        let home = tempfile::tempdir().unwrap();
        let night = home.path().join("own/night.toml");
        fs::create_dir(home.path().join("own")).unwrap();
        fs::write(&night, &bytes).unwrap();
        let mut session = Session::open(quiet(home.path()), || {}).unwrap();
        let said: Vec<_> = session.messages().iter().map(|m| m.words.clone()).collect();
        assert!(said.len() == 1 && said[0].contains("set aside"), "{what}: {said:?}");
        let aside = home.path().join("own/night.unreadable-1.toml");
        assert_eq!(fs::read(&aside).unwrap(), bytes, "{what}");
        assert!(session.entries().is_empty());
        // The session is of use all the same, and its own file a good one.
        let capture = capture_in(home.path(), "c", 1);
        session.send(Command::Add(vec![capture]));
        let mut night = Night { home, session, effects: Vec::new() };
        night.rest();
        let night = again(night);
        assert_eq!(night.session.entries().len(), 1, "{what}");
    }
}

#[test]
fn a_second_window_on_the_same_night_is_refused() {
    let night = Night::empty();
    let refused = Session::open(options(night.home.path()), || {});
    let Err(error @ OpenError::Locked { .. }) = refused else { panic!("two at once") };
    assert!(error.to_string().contains("another window"), "{error}");
    let Night { home, session, .. } = night;
    drop(session);
    assert!(Session::open(options(home.path()), || {}).is_ok());
}

#[cfg(unix)]
#[test]
fn a_folder_that_cannot_be_used_is_said_and_nothing_is_lost() {
    let home = tempfile::tempdir().unwrap();
    // A file stands where the folder should be: nobody may write there, root included.
    fs::write(home.path().join("own"), "in the way").unwrap();
    let session = Session::open(options(home.path()), || {}).unwrap();
    let words = &session.messages()[0].words;
    assert!(words.contains("not saved") && !words.contains("--out"), "{words}");
    assert!(!session.is_saved());
    drop(session);
    assert_eq!(fs::read(home.path().join("own")).unwrap(), b"in the way");
}

#[test]
fn what_could_not_be_saved_is_told_once_and_saved_when_it_can_be() {
    let mut night = night_of_two();
    night.until("a saved night", |s| s.is_saved());
    let own = night.home.path().join("own");
    let aside = night.home.path().join("aside");
    fs::rename(&own, &aside).unwrap();
    // A file stands where the folder should be: nobody may write there, root included.
    fs::write(&own, "in the way").unwrap();
    change(&mut night, Setting::Keep(Keep::Percent(20.0)));
    night.until("no room for it", |s| s.saving() == Saving::Failed);
    change(&mut night, Setting::Keep(Keep::Percent(30.0)));
    let tries = std::time::Instant::now();
    night.until("the second try", |s| {
        tries.elapsed().as_millis() > 1000 && s.saving() == Saving::Failed
    });
    assert_eq!(night.said().matches("could not").count(), 1, "{}", night.said());
    fs::remove_file(&own).unwrap();
    fs::rename(&aside, &own).unwrap();
    night.until("a saved night", |s| s.is_saved());
    assert!(night.said().contains("saved again"), "{}", night.said());
    let night = again(night);
    assert_eq!(night.session.entries()[0].recipe.stack.keep, Keep::Percent(30.0));
}

#[test]
fn captures_that_are_gone_grow_or_change_are_told() {
    let mut night = night_of_two();
    let folder = night.folder();
    let [a, b] = ["a.ser", "b.ser"].map(|name| folder.join(name));
    night.until("a saved night", |s| s.is_saved());
    fs::rename(&a, folder.join("elsewhere")).unwrap();
    night.until("gone", |s| s.entries()[0].state == CaptureState::Gone);
    assert!(night.said().contains("gone"), "{}", night.said());
    fs::rename(folder.join("elsewhere"), &a).unwrap();
    night.until("there again", |s| s.entries()[0].state != CaptureState::Gone);

    // A recording that goes on: it is waited for, then opened anew.
    let frames = night.session.entries()[1].facts.as_ref().unwrap().frames;
    let whole = fs::read(&b).unwrap();
    let mut file = fs::File::options().append(true).open(&b).unwrap();
    file.write_all(&whole[178..178 + 128 * 96 * 3]).unwrap();
    drop(file);
    night.until("growing", |s| s.entries()[1].state == CaptureState::Growing);
    let opened = night.count(|e| matches!(e, Effect::Opened(_)));
    night.until("quiet", |s| s.entries()[1].state != CaptureState::Growing);
    night.rest();
    assert!(night.count(|e| matches!(e, Effect::Opened(_))) > opened);
    assert!(night.session.entries()[1].facts.as_ref().unwrap().frames >= frames);

    // While nobody looked, one was replaced and one deleted.
    let Night { home, session, .. } = night;
    drop(session);
    fs::write(&b, &whole[..whole.len() / 2]).unwrap();
    fs::remove_file(&a).unwrap();
    let session = Session::open(quiet(home.path()), || {}).unwrap();
    let mut night = Night { home, session, effects: Vec::new() };
    night.rest();
    assert!(night.said().contains("has changed since"), "{}", night.said());
    assert_eq!(night.session.entries().len(), 2, "what is gone stays on the shelf");
    night.until("words for the one that is gone", |s| s.entries()[0].state == CaptureState::Gone);
}

#[test]
fn taking_a_card_off_deletes_nothing() {
    let mut night = night_of_two();
    change(&mut night, Setting::Keep(Keep::Percent(20.0)));
    let (first, second) = (night.first(), night.session.entries()[1].id);
    night.session.send(Command::Remove(first));
    assert_eq!(night.session.entries().len(), 1);
    assert_eq!(night.session.selected().unwrap().id, second);
    assert_eq!(night.session.undo_words(), None, "its steps went with it");
    night.session.send(Command::Remove(first));
    night.session.send(Command::Change { id: first, setting: Setting::Scale(2.0) });
    let mut night = again(night);
    assert_eq!(night.session.entries().len(), 1);
    assert!(night.folder().join("a.ser").exists());
    night.session.send(Command::Add(vec![night.home.path().join("captures/nowhere.ser")]));
    night.rest();
    assert!(night.said().contains("check the spelling"), "{}", night.said());
}

#[test]
fn recipes_are_copied_kept_used_and_forgotten() {
    let mut night = night_of_two();
    let (first, second) = (night.first(), night.session.entries()[1].id);
    change(&mut night, Setting::Bend(Bend::Gamma(1.5)));
    change(&mut night, Setting::Exclude(FrameRange::one(4)));
    night.session.send(Command::CopyRecipe { from: first, to: vec![second] });
    let copied = night.session.entry(second).unwrap().recipe.clone();
    assert_eq!(copied.finish.tone.bend, Bend::Gamma(1.5));
    assert!(copied.frames.is_empty(), "frames left out belong to one capture");
    night.session.send(Command::Undo);
    assert_eq!(night.session.entry(second).unwrap().recipe.finish.tone.bend, Bend::Linear);

    let name = "soft: shadows".to_string();
    night.session.send(Command::SaveRecipe { from: first, name });
    assert!(night.said().contains("cannot be the name"), "{}", night.said());
    for name in ["soft shadows", "bright"] {
        night.session.send(Command::SaveRecipe { from: first, name: name.into() });
    }
    night.until("two names", |s| s.named_recipes().len() == 2);
    let mut night = again(night);
    let names: Vec<&str> = night.session.named_recipes().iter().map(|n| n.name.as_str()).collect();
    assert_eq!(names, ["bright", "soft shadows"]);
    let second = night.session.entries()[1].id;
    let named = "soft shadows".to_string();
    night.session.send(Command::UseRecipe { name: named.clone(), to: vec![second] });
    assert_eq!(night.session.entry(second).unwrap().recipe.finish.tone.bend, Bend::Gamma(1.5));
    assert_eq!(night.session.undo_words(), Some("recipe \"soft shadows\""));
    night.session.send(Command::ForgetRecipe { name: named });
    night.until("one name", |s| s.named_recipes().len() == 1);
    // The command line reads the same file.
    let text = fs::read_to_string(night.home.path().join("own/recipes/bright.toml")).unwrap();
    let read = stillwright_night::Recipe::from_toml(&text).unwrap();
    assert_eq!(read.finish.tone.bend, Bend::Gamma(1.5));
}
