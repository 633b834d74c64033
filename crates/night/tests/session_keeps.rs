//! A person tries keeps: what is remembered of where frames lie is used, and the recipe says so.
#![allow(clippy::unwrap_used, dead_code)]

mod session_support;

use session_support::Night;
use stillwright_night::Recipe;
use stillwright_night::choice::FrameRange;
use stillwright_night::session::{CaptureId, Command, Setting};
use stillwright_night::stacking::Keep;

fn keep(percent: f32) -> Setting {
    Setting::Keep(Keep::Percent(percent))
}

impl Night {
    /// Change a setting and wait; what the recipe then says that frames are aligned for.
    fn change(&mut self, id: CaptureId, setting: Setting) -> Option<f32> {
        self.session.send(Command::Change { id, setting });
        let said = self.aligned_for(id);
        self.rest();
        let entry = self.entry(id);
        assert!(entry.stack_is_current() && said == entry.recipe.stack.aligned_for);
        said
    }

    /// Forget where frames lie.
    fn forget(&mut self, id: CaptureId) {
        self.session.send(Command::Stack(id));
        self.rest();
    }

    fn aligned_for(&self, id: CaptureId) -> Option<f32> {
        self.entry(id).recipe.stack.aligned_for
    }
}

#[test]
fn less_follows_what_was_aligned_and_more_is_aligned_anew() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    assert_eq!(night.aligned_for(id), None);
    // The automatic keep before, whatever it was.
    let advised = night.entry(id).stacked.as_ref().unwrap().stack.keep_percent;
    assert_eq!(night.change(id, keep(0.5 * advised)), Some(advised));
    night.forget(id);
    assert_eq!(night.change(id, keep(60.0)), None);
    assert_eq!(night.change(id, keep(80.0)), None);
    assert_eq!(night.change(id, keep(40.0)), Some(80.0));
    // Still less, and back: all along the same fields.
    assert_eq!(night.change(id, keep(20.0)), Some(80.0));
    assert_eq!(night.change(id, keep(40.0)), Some(80.0));
    assert_eq!(night.change(id, Setting::Scale(1.5)), Some(80.0));
    assert_eq!(night.change(id, Setting::Scale(1.0)), Some(80.0));
    // The automatic keep may be more.
    assert_eq!(night.change(id, Setting::Keep(Keep::Auto)), Some(80.0));
    let aligned_for = night.entry(id).stacked.as_ref().unwrap().stack.keep_percent.max(80.0);
    assert_eq!(night.change(id, keep(10.0)), Some(aligned_for));
    night.forget(id);
    assert_eq!(night.change(id, keep(80.0)), None);
    assert_eq!(night.change(id, keep(40.0)), Some(80.0));
    let stack = night.entry(id).stacked.clone().unwrap();

    // Undone and done again: the same picture.
    night.session.send(Command::Undo);
    night.rest();
    assert_eq!(night.aligned_for(id), None);
    night.session.send(Command::Redo);
    night.rest();
    assert_eq!(night.aligned_for(id), Some(80.0));
    assert_eq!(night.entry(id).stacked.as_ref().unwrap().stack.picture, stack.stack.picture);
}

#[test]
fn what_no_longer_serves_is_not_asked_for() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    night.forget(id);
    night.change(id, keep(80.0));
    assert_eq!(night.change(id, keep(30.0)), Some(80.0));
    // Fewer frames: another ranking, another reference.
    assert_eq!(night.change(id, Setting::Exclude(FrameRange::new(2, 5))), None);
    assert_eq!(night.change(id, keep(20.0)), Some(30.0));
    assert_eq!(night.change(id, Setting::TilePx(48)), None);
    assert_eq!(night.change(id, keep(10.0)), Some(20.0));
    assert_eq!(night.change(id, Setting::RejectOutliers(false)), None);
    // A drag goes by what is stacked, not by where the slider came along.
    for percent in [90.0, 70.0, 15.0] {
        night.session.send(Command::Preview { id, setting: keep(percent) });
        assert_eq!(night.aligned_for(id), None);
    }
    night.session.send(Command::Preview { id, setting: keep(5.0) });
    assert_eq!(night.aligned_for(id), Some(10.0));
    night.session.send(Command::Revert);
    assert_eq!(night.aligned_for(id), None);
}

#[test]
fn a_recipe_for_others_does_not_say_what_one_capture_was_aligned_for() {
    let mut night = Night::with(&["a", "b"]);
    let (a, b) = (night.session.entries()[0].id, night.session.entries()[1].id);
    night.session.send(Command::Select(Some(a)));
    night.rest();
    night.forget(a);
    night.change(a, keep(70.0));
    assert_eq!(night.change(a, keep(30.0)), Some(70.0));
    night.session.send(Command::CopyRecipe { from: a, to: vec![b] });
    assert_eq!(night.entry(b).recipe.stack.keep, Keep::Percent(30.0));
    assert_eq!(night.aligned_for(b), None);
    night.session.send(Command::SaveRecipe { from: a, name: "usual".into() });
    night.rest();
    let kept = night.session.named_recipes().iter().find(|named| named.name == "usual").unwrap();
    assert_eq!(kept.recipe.stack.aligned_for, None);
    // Nothing of the other capture is remembered.
    assert_eq!(night.aligned_for(a), Some(70.0));
    night.session.send(Command::Select(Some(b)));
    night.rest();
    assert_eq!(night.change(b, keep(60.0)), None);
    night.session.send(Command::Select(Some(a)));
    night.rest();
    assert_eq!(night.change(a, keep(20.0)), None);
    // A recipe that a person brings is taken as it is.
    let mut recipe = Recipe::clone(&night.entry(a).recipe);
    recipe.stack.aligned_for = Some(50.0);
    assert_eq!(night.change(a, Setting::Whole(Box::new(recipe))), Some(50.0));
}
