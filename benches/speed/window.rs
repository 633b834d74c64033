//! What the window does when the person changes the keep or moves a slider: the same session, without a window.

use super::{Took, timed};
use std::path::Path;
use std::time::Duration;
use stillwright_night::session::{
    CaptureId, Command, Effect, Places, Session, SessionOptions, Setting,
};
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::DetailScale;
use stillwright_night::stacking::halves::Region;

/// Further positions of the slider that are waited for.
const STEPS: usize = 12;

/// What was waited for.
pub struct Waited {
    /// From the command to a new stack of half of the keep, after the first stack; and of twice the keep.
    pub half: Took,
    pub twice: Took,
    /// Wait for the visible region, 800 x 700 px at most, finished after a slider has moved for the first time; median of the further
    /// moves; and, after the slider was let go of, the wait for the picture as a whole.
    pub first_seen: Took,
    pub seen: Took,
    pub whole: Took,
}

/// Stack with `keep`, move a slider, and change the keep.
pub fn waited(path: &Path, keep: f32) -> Waited {
    let home = tempfile::tempdir().unwrap();
    let options = SessionOptions::new(Places::under(home.path()));
    let mut session = Session::open(options, || {}).unwrap();
    session.send(Command::Add(vec![path.into()]));
    until(&mut session, |session, _| !session.entries().is_empty());
    let id = session.entries()[0].id;
    let stack = |session: &mut Session, percent: f32| {
        timed(|| {
            let setting = Setting::Keep(Keep::Percent(percent));
            session.send(Command::Change { id, setting });
            until(session, |_, effect| matches!(effect, Some(Effect::Stacked(_))));
        })
    };
    stack(&mut session, keep);
    let [first_seen, seen, whole] = slider(&mut session, id);
    let half = stack(&mut session, 0.5 * keep).0;
    let twice = stack(&mut session, 2.0 * keep).0;
    Waited { half, twice, first_seen, seen, whole }
}

/// Waits for the visible region, first and further ones, and for the whole picture.
fn slider(session: &mut Session, id: CaptureId) -> [Took; 3] {
    until(session, |session, _| session.is_idle() && session.entries()[0].still_is_current());
    let still = session.entries()[0].still.clone().unwrap();
    let (height, width) = (still.finished.picture.height(), still.finished.picture.width());
    let (w, h) = (width.min(800), height.min(700));
    let region = Region { left: (width - w) / 2, top: (height - h) / 2, width: w, height: h };
    session.send(Command::LookAt { id, region: Some(region) });
    let mut moved = |step: usize| {
        let scale = DetailScale { gain: 1.5 + 0.1 * step as f32, hold_back: 1.0 };
        let setting = Setting::DetailScale { index: 1, scale };
        let (took, ()) = timed(|| {
            session.send(Command::Preview { id, setting });
            until(session, |session, _| {
                let entry = &session.entries()[0];
                entry.preview.as_ref().is_some_and(|preview| preview.is_current(entry))
            });
        });
        took
    };
    let first = moved(0);
    let mut further: Vec<Took> = (1..=STEPS).map(moved).collect();
    further.sort_by(|a, b| a.wall_s.total_cmp(&b.wall_s));
    let (whole, ()) = timed(|| {
        session.send(Command::Commit);
        until(session, |session, _| session.entries()[0].still_is_current());
    });
    [first, further[STEPS / 2], whole]
}

/// Let the session work until `done`, asked for each effect and in between.
fn until(session: &mut Session, done: impl Fn(&Session, Option<&Effect>) -> bool) {
    loop {
        let effects = session.pump();
        if effects.iter().any(|effect| done(session, Some(effect))) || done(session, None) {
            return;
        }
        session.wait(Duration::from_millis(5));
    }
}
