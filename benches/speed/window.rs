//! What the window does when the person changes the keep: the same session, without a window.

use super::{Took, timed};
use std::path::Path;
use std::time::Duration;
use stillwright_night::session::{Command, Effect, Places, Session, SessionOptions, Setting};
use stillwright_night::stacking::Keep;

/// From the command to a new stack: half of `keep` after the first stack, of `keep`; and then twice of it.
pub fn changed_keeps(path: &Path, keep: f32) -> (Took, Took) {
    let home = tempfile::tempdir().unwrap();
    let options = SessionOptions::new(Places::under(home.path()));
    let mut session = Session::open(options, || {}).unwrap();
    session.send(Command::Add(vec![path.into()]));
    until(&mut session, |session, _| !session.entries().is_empty());
    let id = session.entries()[0].id;
    let mut stacked = |percent: f32| {
        timed(|| {
            let setting = Setting::Keep(Keep::Percent(percent));
            session.send(Command::Change { id, setting });
            until(&mut session, |_, effect| matches!(effect, Some(Effect::Stacked(_))));
        })
    };
    stacked(keep);
    let half = stacked(0.5 * keep).0;
    let twice = stacked(2.0 * keep).0;
    (half, twice)
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
