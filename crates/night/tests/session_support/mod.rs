//! A session without a window, on small simulated captures.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use stillwright_night::atomic::Existing;
use stillwright_night::picture::Silent;
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::session::{
    CaptureId, Command, Effect, Entry, Places, Session, SessionOptions,
};

/// Longest time that anything in these tests may take on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(180);

/// A folder with captures, and a session whose own files lie in it too.
pub struct Night {
    pub home: tempfile::TempDir,
    pub session: Session,
    pub effects: Vec<Effect>,
}

/// A small capture called `name` in `folder`.
pub fn capture_in(folder: &Path, name: &str, seed: u64) -> PathBuf {
    let files = SampleFiles::plan(folder, name);
    write_sample(&files, &SampleSettings::small(seed), Existing::Keep, &Silent).unwrap();
    files.capture
}

pub fn options(home: &Path) -> SessionOptions {
    SessionOptions::new(Places::under(home.join("own")))
}

impl Night {
    /// A night without captures.
    pub fn empty() -> Night {
        let home = tempfile::tempdir().unwrap();
        let session = Session::open(options(home.path()), || {}).unwrap();
        Night { home, session, effects: Vec::new() }
    }

    /// A night with the named captures taken in and all work done.
    pub fn with(names: &[&str]) -> Night {
        let mut night = Night::empty();
        let folder = night.folder();
        for (seed, name) in names.iter().enumerate() {
            capture_in(&folder, name, seed as u64 + 1);
        }
        night.session.send(Command::Add(vec![folder]));
        night.rest();
        night
    }

    /// The folder of the captures.
    pub fn folder(&self) -> PathBuf {
        self.home.path().join("captures")
    }

    /// Take in what there is.
    pub fn pump(&mut self) {
        let effects = self.session.pump();
        self.effects.extend(effects);
    }

    /// Until `done` says so.
    #[track_caller]
    pub fn until(&mut self, what: &str, done: impl Fn(&Session) -> bool) {
        let begun = Instant::now();
        loop {
            self.pump();
            if done(&self.session) {
                return;
            }
            if begun.elapsed() > PATIENCE {
                let states: Vec<_> =
                    self.session.entries().iter().map(|e| (&e.name, &e.state)).collect();
                panic!("waited in vain for: {what}\n{states:?}\n{:?}", self.session.messages());
            }
            self.session.wait(Duration::from_millis(100));
        }
    }

    /// Until all work is done.
    #[track_caller]
    pub fn rest(&mut self) {
        self.until("all work done", |session| session.is_idle());
    }

    /// The only capture, or the first.
    pub fn first(&self) -> CaptureId {
        self.session.entries()[0].id
    }

    pub fn entry(&self, id: CaptureId) -> &Entry {
        self.session.entry(id).unwrap()
    }

    /// How many effects so far are of the kind that `of` names.
    pub fn count(&self, of: impl Fn(&Effect) -> bool) -> usize {
        self.effects.iter().filter(|effect| of(effect)).count()
    }

    /// All unread messages in one.
    pub fn said(&self) -> String {
        let words: Vec<&str> = self.session.messages().iter().map(|m| m.words.as_str()).collect();
        words.join("\n")
    }
}
