//! The session at work: captures in, grades, stacks and stills out; what is made anew and what is
//! not.
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::{Night, capture_in};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stillwright_night::capture::Overrides;
use stillwright_night::choice::FrameRange;
use stillwright_night::picture::Layout;
use stillwright_night::seeing::Rejection;
use stillwright_night::session::{
    Cancel, CaptureId, CaptureState, Command, Effect, Sampling, Setting,
};
use stillwright_night::stacking::finish::{DetailScale, Optics, Point, Sharpening};
use stillwright_night::stacking::halves::Region;
use stillwright_night::stacking::{Keep, finish};

fn graded(of: CaptureId) -> impl Fn(&Effect) -> bool {
    move |effect| matches!(effect, Effect::Graded(id) if *id == of)
}

fn stacked(of: CaptureId) -> impl Fn(&Effect) -> bool {
    move |effect| matches!(effect, Effect::Stacked(id) if *id == of)
}

fn optics() -> Optics {
    Optics {
        aperture_m: 0.2032,
        obstruction: 0.35,
        focal_length_m: 2.85,
        pixel_um: 2.9,
        wavelength_m: 540e-9,
    }
}

#[test]
fn a_folder_becomes_graded_captures_and_the_selected_one_a_still() {
    let mut night = Night::empty();
    let folder = night.folder();
    capture_in(&folder, "ridge-10", 1);
    capture_in(&folder.join("deep/er"), "ridge-2", 2);
    std::fs::write(folder.join("notes.txt"), "cold and damp").unwrap();
    std::fs::write(folder.join("empty.ser"), "").unwrap();
    night.session.send(Command::Add(vec![folder.clone()]));
    night.rest();
    let names: Vec<&str> = night.session.entries().iter().map(|e| e.name.as_str()).collect();
    assert_eq!(names, ["ridge-2.ser", "ridge-10.ser"]);
    let first = night.session.selected().unwrap();
    assert_eq!(first.name, "ridge-2.ser");
    assert_eq!(first.state, CaptureState::Done);
    let facts = first.facts.as_ref().unwrap();
    assert_eq!((facts.width, facts.height, facts.frames), (128, 96, 24));
    assert_eq!(first.stamp.unwrap().bytes, facts.file_bytes);
    let chart = first.chart.as_ref().unwrap();
    assert_eq!(chart.points.len(), 24);
    assert!(chart.kept > 0 && chart.points.iter().filter(|p| p.kept).count() == chart.kept);
    let best = first.thumbnail.as_ref().unwrap();
    assert_eq!(best.frame, chart.sorted[0]);
    assert_eq!(best.grey.len(), best.width * best.height);
    let still = first.still.as_ref().unwrap();
    assert_eq!(still.shown.picture.width(), 128);
    assert!(first.still_is_current() && first.stack_is_current() && first.partial.is_none());
    assert!(first.advice.is_some() && first.scales.len() >= 5);
    let (id, second) = (first.id, &night.session.entries()[1]);
    assert_eq!(second.state, CaptureState::Graded);
    assert!(second.stacked.is_none());
    assert_eq!(night.count(graded(id)), 1);

    // The same again adds nothing.
    night.session.send(Command::Add(vec![folder.join("ridge-10.ser"), folder]));
    night.rest();
    assert_eq!(night.session.entries().len(), 2);
    assert!(night.said().contains("in this night already"), "{}", night.said());
}

#[test]
fn a_change_makes_anew_what_depends_on_it_and_nothing_above() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let (survey, first) = {
        let entry = night.entry(id);
        (entry.graded.clone().unwrap(), entry.stacked.clone().unwrap())
    };
    night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(40.0)) });
    assert!(!night.entry(id).stack_is_current());
    night.rest();
    let second = night.entry(id).stacked.clone().unwrap();
    assert!(!Arc::ptr_eq(&first, &second));
    assert_eq!(second.stack.keep_percent, 40.0);
    assert!(Arc::ptr_eq(&survey, night.entry(id).graded.as_ref().unwrap()));
    // The advice found before still holds, whatever the person keeps.
    assert!(night.entry(id).advice.is_some());

    let before = night.entry(id).still.clone().unwrap();
    let white = Setting::White(Point::Level(0.9));
    night.session.send(Command::Change { id, setting: white });
    night.rest();
    let entry = night.entry(id);
    assert!(entry.still_is_current() && !Arc::ptr_eq(&before, entry.still.as_ref().unwrap()));
    assert!(Arc::ptr_eq(&second, entry.stacked.as_ref().unwrap()));
    assert_eq!(night.count(graded(id)), 1, "a capture is graded once");
    assert_eq!(night.count(stacked(id)), 2);

    // Going back to the automatic keep stacks, and does not grade.
    night.session.send(Command::Undo);
    night.session.send(Command::Undo);
    night.rest();
    let entry = night.entry(id);
    assert_eq!(entry.recipe.stack.keep, Keep::Auto);
    assert_eq!(entry.stacked.as_ref().unwrap().stack.picture, first.stack.picture);
    assert_eq!(night.count(graded(id)), 1);
    night.session.send(Command::Redo);
    assert_eq!(night.entry(id).recipe.stack.keep, Keep::Percent(40.0));
    assert_eq!(night.session.redo_words(), Some("white point"));
}

#[test]
fn frames_are_brushed_out_and_back_in() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let all = night.entry(id).chart.clone().unwrap();
    let before = night.entry(id).stacked.clone().unwrap();
    let out = Setting::Exclude(FrameRange::new(15, 4));
    night.session.send(Command::Change { id, setting: out });
    let chart = night.entry(id).chart.clone().unwrap();
    assert!((4..=15).all(|i| chart.points[i].rejected == Some(Rejection::Excluded)));
    assert!((4..=15).all(|i| !chart.points[i].kept && !chart.sorted.contains(&i)));
    assert_eq!(chart.points[4].grade, all.points[4].grade);
    night.rest();
    let fewer = night.entry(id).stacked.clone().unwrap();
    assert_ne!(fewer.stack.picture, before.stack.picture);
    assert!(fewer.stack.frames_used <= 12);
    assert_eq!(night.session.undo_words(), Some("leaving out of frames"));

    night.session.send(Command::Change { id, setting: Setting::Include(FrameRange::new(0, 99)) });
    night.rest();
    assert_eq!(night.entry(id).chart.as_ref().unwrap().sorted, all.sorted);
    assert_eq!(night.entry(id).stacked.as_ref().unwrap().stack.picture, before.stack.picture);
    assert_eq!(night.count(graded(id)), 1);

    // Nothing left is told in words, and the way back is open.
    let everything = Setting::Exclude(FrameRange::new(0, usize::MAX));
    night.session.send(Command::Change { id, setting: everything });
    night.rest();
    assert!(
        matches!(&night.entry(id).state, CaptureState::Failed { words }
        if words.contains("no frame")),
        "{:?}",
        night.entry(id).state
    );
    night.session.send(Command::Undo);
    night.rest();
    assert_eq!(night.entry(id).state, CaptureState::Done);
}

#[test]
fn a_drag_is_one_step_and_stacks_once() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    for percent in [90.0, 80.0, 60.0, 50.0] {
        night.session.send(Command::Preview { id, setting: Setting::Keep(Keep::Percent(percent)) });
        night.pump();
        assert_eq!(night.entry(id).chart.as_ref().unwrap().keep_percent, Some(percent));
        assert!(night.entry(id).stack_is_current(), "stacked before the slider was let go");
    }
    assert_eq!(night.session.undo_words(), None);
    night.session.send(Command::Commit);
    night.rest();
    assert_eq!(night.count(stacked(id)), 2);
    assert_eq!(night.session.undo_words(), Some("keep"));
    night.session.send(Command::Undo);
    assert_eq!(night.entry(id).recipe.stack.keep, Keep::Auto);
    assert_eq!(night.session.undo_words(), None);

    night.session.send(Command::Preview { id, setting: Setting::Scale(2.0) });
    night.session.send(Command::Revert);
    assert_eq!(night.entry(id).recipe.stack.scale, 1.0);
    // A value out of its range is refused in words.
    night.session.send(Command::Change { id, setting: Setting::Scale(f32::NAN) });
    assert_eq!(night.entry(id).recipe.stack.scale, 1.0);
    assert!(night.said().contains("scale is NaN"), "{}", night.said());
}

#[test]
fn sliders_know_their_rest_position_and_a_region_is_finished_first() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    night.session.send(Command::Change { id, setting: Setting::Optics(Some(optics())) });
    night.rest();
    let entry = night.entry(id);
    let figures = entry.optics.unwrap();
    assert!((figures.pixel_arcsec - 0.2099).abs() < 1e-3 && figures.sampling == Sampling::Good);
    let resolution = entry.measures.as_ref().unwrap().resolution;
    assert!(resolution.detail_arcsec.is_some() && resolution.telescope_limit_arcsec.is_some());
    let scales = entry.scales.clone();
    assert!(scales.iter().all(|s| s.now == s.rest && s.noise > 0.0));
    assert!(scales.iter().any(|s| s.rest != DetailScale::default()));
    assert!((scales[1].size_arcsec.unwrap() - 4.0 * figures.pixel_arcsec).abs() < 1e-9);
    assert!(
        (scales[0].held_below - f64::from(scales[0].now.hold_back) * scales[0].noise).abs() < 1e-12
    );

    let tone_before = entry.still.as_ref().unwrap().finished.used.tone;
    let region = Region { left: 30, top: 20, width: 40, height: 50 };
    night.session.send(Command::LookAt { id, region: Some(region) });
    let moved = DetailScale { gain: 3.0, hold_back: 1.0 };
    let setting = Setting::DetailScale { index: 1, scale: moved };
    night.session.send(Command::Preview { id, setting });
    assert_eq!(night.entry(id).scales[1].now, moved);
    night.until("the preview", |s| {
        let entry = s.selected().unwrap();
        entry.preview.as_ref().is_some_and(|p| p.is_current(entry)) || entry.still_is_current()
    });
    let preview = night.entry(id).preview.clone().expect("the region comes before the whole");
    assert_eq!(preview.region, region);
    night.session.send(Command::Commit);
    night.rest();
    let whole = night.entry(id).still.clone().unwrap();
    // The tone's automatic points move with the sharpening; until the whole is there, the preview has
    // those of the last one. So compare the light before the tone, where neither is clipped.
    let linear = |v: f32, tone: &finish::Tone| match (tone.black, tone.white) {
        (Point::Level(black), Point::Level(white)) => black + v * (white - black),
        _ => panic!("an unresolved tone"),
    };
    let of_whole = whole.shown.picture.planes.slice(ndarray_s(region));
    let mut compared = 0;
    for (a, b) in of_whole.iter().zip(preview.shown.picture.planes.iter()) {
        if [a, b].iter().all(|v| **v > 0.0 && **v < 1.0) {
            let (a, b) = (linear(*a, &whole.finished.used.tone), linear(*b, &tone_before));
            assert!((a - b).abs() < 2e-3, "{a} {b}");
            compared += 1;
        }
    }
    assert!(compared > 1000, "{compared}");
    assert!(night.entry(id).preview.is_none());

    night.session.send(Command::Change { id, setting: Setting::RestDetailScale(1) });
    assert_eq!(night.entry(id).recipe.finish.sharpening, Sharpening::Automatic);
}

/// The slice of all channels of a region.
fn ndarray_s(
    region: Region,
) -> ndarray::SliceInfo<[ndarray::SliceInfoElem; 3], ndarray::Ix3, ndarray::Ix3> {
    let (top, left) = (region.top, region.left);
    ndarray::s![.., top..top + region.height, left..left + region.width]
}

#[test]
fn a_preview_of_a_region_is_the_whole_bit_for_bit_where_the_tone_is_given() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    for setting in [Setting::Black(Point::Level(0.05)), Setting::White(Point::Level(0.9))] {
        night.session.send(Command::Change { id, setting });
    }
    night.rest();
    let scales = vec![DetailScale { gain: 2.0, hold_back: 1.0 }; 2];
    let detail = finish::DetailSettings { scales, ..Default::default() };
    let region = Region { left: 50, top: 40, width: 30, height: 20 };
    night.session.send(Command::LookAt { id, region: Some(region) });
    let setting = Setting::Sharpening(Sharpening::DetailScales(detail));
    night.session.send(Command::Preview { id, setting });
    night.until("the preview", |s| s.selected().unwrap().preview.is_some());
    let preview = night.entry(id).preview.clone().unwrap();
    night.session.send(Command::Commit);
    night.rest();
    let whole = night.entry(id).still.clone().unwrap();
    assert_eq!(whole.shown.picture.planes.slice(ndarray_s(region)), preview.shown.picture.planes);
}

#[test]
fn overrides_open_and_grade_the_capture_anew() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let overrides = Overrides { layout: Layout::from_name("rggb"), ..Overrides::default() };
    night.session.send(Command::Change { id, setting: Setting::Overrides(overrides) });
    assert_eq!(night.entry(id).state, CaptureState::Opening);
    night.rest();
    assert_eq!(night.entry(id).facts.as_ref().unwrap().layout, "rggb");
    assert_eq!(night.entry(id).still.as_ref().unwrap().shown.picture.channels(), 3);
    assert_eq!(night.count(graded(id)), 2);
    // An override that does not fit is told, and can be taken back.
    let twelve = Overrides { bit_depth: Some(16), ..Overrides::default() };
    night.session.send(Command::Change { id, setting: Setting::Overrides(twelve) });
    night.rest();
    night.session.send(Command::Undo);
    night.rest();
    assert_eq!(night.entry(id).state, CaptureState::Done);
}

#[test]
fn frames_are_fetched_and_the_newest_wish_wins() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    for index in 0..24 {
        night.session.send(Command::ShowFrame { id, index });
    }
    night.until("frame 23", |s| s.frame().is_some_and(|frame| frame.index == 23));
    let shown = night.count(|effect| matches!(effect, Effect::FrameShown(_)));
    assert!(shown < 24, "every frame on the way was fetched");
    let frame = night.session.frame().unwrap();
    assert_eq!(frame.shown.picture.width(), 128);
    assert!(frame.grade.is_some() && frame.shown.stretch.white > frame.shown.stretch.black);
    assert!(frame.time_utc.as_ref().unwrap().len() == 23);
    night.session.send(Command::ShowFrame { id, index: 9999 });
    night.until("words", |s| s.frame_trouble().is_some());
}

#[test]
fn stopping_takes_hold_within_a_tenth_of_a_second_and_stale_results_are_dropped() {
    let mut night = Night::empty();
    let folder = night.folder();
    capture_in(&folder, "ridge", 1);
    night.session.send(Command::Add(vec![folder]));
    night.until("work", |s| !s.entries().is_empty() && s.entries()[0].facts.is_some());
    let id = night.first();
    night.session.send(Command::Cancel(Cancel::All));
    let begun = Instant::now();
    assert_eq!(night.entry(id).state, CaptureState::Stopped, "the card says so at once");
    night.until("an end", |s| s.is_idle());
    let took = begun.elapsed();
    assert!(took < Duration::from_millis(100), "{took:?}");
    assert!(night.entry(id).graded.is_none());
    // Nothing begins again unasked.
    std::thread::sleep(Duration::from_millis(50));
    night.pump();
    assert!(night.session.is_idle());

    night.session.send(Command::Stack(id));
    night.until("stacking", |s| matches!(s.entries()[0].state, CaptureState::Stacking(_)));
    // Another keep while it stacks: what runs is of no use any more.
    for percent in [70.0, 55.0, 35.0] {
        night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(percent)) });
    }
    night.rest();
    assert_eq!(night.entry(id).stacked.as_ref().unwrap().stack.keep_percent, 35.0);
    assert_eq!(night.count(stacked(id)), 1, "a stale stack was handed out");

    night.session.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(80.0)) });
    night.until("stacking", |s| matches!(s.entries()[0].state, CaptureState::Stacking(_)));
    let begun = Instant::now();
    night.session.send(Command::Cancel(Cancel::Capture(id)));
    night.rest();
    let took = begun.elapsed();
    assert!(took < Duration::from_millis(100), "{took:?}");
    assert_eq!(night.entry(id).state, CaptureState::Stopped);
    assert_eq!(night.entry(id).stacked.as_ref().unwrap().stack.keep_percent, 35.0);
}

#[test]
fn a_stack_in_the_making_is_seen_and_the_result_is_that_of_a_stack_alone() {
    let mut night = Night::empty();
    let folder = night.folder();
    capture_in(&folder, "ridge", 3);
    night.session.send(Command::Add(vec![folder]));
    night.until("a stack in the making", |s| {
        s.entries().first().is_some_and(|entry| entry.partial.is_some() || entry.stacked.is_some())
    });
    let partial = night.session.entries()[0].partial.clone().expect("seen before the stack");
    assert_eq!(partial.shown.picture.width(), 128);
    assert!(
        partial.frames < partial.total && partial.shown.stretch.white > partial.shown.stretch.black
    );
    night.rest();
    let entry = &night.session.entries()[0];
    let source =
        stillwright_night::files::open_capture(&entry.path, &Overrides::default()).unwrap();
    let alone = stillwright_night::stacking::stack(
        &*source,
        &entry.graded.as_ref().unwrap().survey,
        &entry.recipe.stack,
        &stillwright_night::picture::Silent,
    )
    .unwrap();
    assert_eq!(alone.picture, entry.stacked.as_ref().unwrap().stack.picture);
}
