//! Maps of the stack over the still: made on request, kept beside the stack, gone with it.
#![allow(clippy::unwrap_used, dead_code)]

mod session_support;

use session_support::Night;
use std::sync::Arc;
use stillwright_night::picture::Picture;
use stillwright_night::session::{Cancel, Command, Effect, Entry, MapKind, Setting};
use stillwright_night::stacking::finish::Point;
use stillwright_night::stacking::{Keep, Stack};

fn made(night: &Night) -> usize {
    night.count(|effect| matches!(effect, Effect::Mapped(_)))
}

/// Mean of a picture in its middle, over what a map's four cells there hold.
fn middle(picture: &Picture) -> f32 {
    let (x, y) = (picture.width() / 2, picture.height() / 2);
    let near = picture.planes.slice(ndarray::s![0, y - 10..y + 10, x - 10..x + 10]);
    near.iter().sum::<f32>() / near.len() as f32
}

fn middle_noise(stack: &Stack) -> f32 {
    middle(&stack.noise)
}

#[test]
fn a_map_is_made_when_asked_for_once_for_each_stack() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    assert!(night.session.laid().is_none() && made(&night) == 0, "nothing unasked");
    for (kind, count) in [(MapKind::Detail, 1), (MapKind::Noise, 2), (MapKind::Detail, 2)] {
        night.session.send(Command::Lay(Some(kind)));
        night.rest();
        assert_eq!((night.session.laid(), made(&night)), (Some(kind), count));
        assert!(night.entry(id).map(kind).is_some_and(|map| map.kind == kind));
    }
    // The noise of the map is that of the stack.
    let entry = night.entry(id);
    let stack = &entry.stacked.as_ref().unwrap().stack;
    let noise = entry.map(MapKind::Noise).unwrap();
    let mean = middle_noise(stack);
    let found = noise.value(0.5, 0.5).unwrap();
    assert!((found / mean - 1.0).abs() < 0.02, "{found} {mean}");
    let times = noise.light_over_noise(0.5, 0.5).unwrap();
    let light = middle(&stack.picture);
    assert!((times * found / light - 1.0).abs() < 0.05, "{times} {found} {light}");
    // A finish is another one of the same stack: the maps stay.
    let before = Arc::clone(noise);
    night.session.send(Command::Change { id, setting: Setting::White(Point::Level(0.9)) });
    night.rest();
    let same = |entry: &Entry| Arc::ptr_eq(entry.map(MapKind::Noise).unwrap(), &before);
    assert!(same(night.entry(id)) && made(&night) == 2);
    // Another keep is another stack: they go, and the one that is laid is made anew.
    night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(60.0)) });
    night.rest();
    assert_eq!(made(&night), 3);
    assert!(night.entry(id).map(MapKind::Noise).is_none(), "nobody asks for it");
    assert!(night.entry(id).map(MapKind::Detail).is_some());
    night.session.send(Command::Lay(None));
    night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(50.0)) });
    night.rest();
    assert_eq!(made(&night), 3);
    assert!(night.entry(id).map(MapKind::Detail).is_none());
}

#[test]
fn a_stack_that_changes_meanwhile_takes_no_map_of_the_one_before() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let first = Arc::clone(night.entry(id).stacked.as_ref().unwrap());
    // Asked for again and again while the stack is made anew: whatever comes when, it is of the stack that is there.
    night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(60.0)) });
    for round in 0..40 {
        let kind = if round % 2 == 0 { MapKind::Noise } else { MapKind::Detail };
        night.session.send(Command::Lay(Some(kind)));
        night.pump();
        if let Some(stacked) = night.entry(id).stacked.as_ref()
            && !Arc::ptr_eq(stacked, &first)
        {
            break;
        }
    }
    night.session.send(Command::Lay(Some(MapKind::Noise)));
    night.rest();
    let entry = night.entry(id);
    let stack = &entry.stacked.as_ref().unwrap().stack;
    assert!(!Arc::ptr_eq(entry.stacked.as_ref().unwrap(), &first));
    let map = entry.map(MapKind::Noise).unwrap();
    let (now, before) = (middle_noise(stack), middle_noise(&first.stack));
    assert!((now / before - 1.0).abs() > 0.02, "the two stacks can be told apart: {now} {before}");
    let found = map.value(0.5, 0.5).unwrap();
    assert!(
        (found / now - 1.0).abs() < 0.5 * (found / before - 1.0).abs(),
        "{found} {now} {before}"
    );
}

#[test]
fn a_map_in_the_making_can_be_stopped_and_leaves_its_capture_alone() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    night.session.send(Command::Lay(Some(MapKind::Detail)));
    assert!(night.session.activities().iter().any(|a| a.cancel == Cancel::Map));
    night.session.send(Command::Cancel(Cancel::Map));
    night.rest();
    assert_eq!((night.session.laid(), made(&night)), (None, 0));
    assert!(night.entry(id).still_is_current() && night.entry(id).stack_is_current());
    // Taken off the night in the midst of it.
    night.session.send(Command::Lay(Some(MapKind::Detail)));
    night.session.send(Command::Remove(id));
    night.rest();
    assert_eq!(made(&night), 0);
}
