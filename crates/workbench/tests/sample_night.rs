//! From an empty shelf to a still, by the button of the sample night; and what is said on the way.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui_kittest::kittest::Queryable;
use stillwright_night::session::CaptureState;
use support::{Window, options, sample, small};

#[test]
fn the_button_of_the_empty_shelf_leads_to_a_still() {
    let home = tempfile::tempdir().unwrap();
    let mut window = Window::open(options(home.path()));
    assert!(window.harness.query_by_label("Drop a night’s captures here").is_some());
    window.click("Make a sample night");
    window.wait("words that it is being made", |app| {
        !app.session().activities().is_empty() || !app.session().entries().is_empty()
    });
    window.wait("the sample on the shelf", |app| app.session().entries().len() == 1);
    assert!(home.path().join("sample/ridge.ser").is_file());
    window.wait("its grades", |app| app.session().selected().is_some_and(|e| e.graded.is_some()));
    window.wait_done();
    let entry = window.entry();
    assert!(entry.still.is_some() && entry.chart.as_ref().is_some_and(|chart| chart.is_whole()));
    assert!(window.harness.query_by_label_contains("ridge: Still made").is_some());
    assert!(window.harness.state().session().messages().is_empty(), "nothing to complain about");
}

#[test]
fn points_come_while_frames_are_graded_and_a_stack_while_it_grows() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "long", &small(4, 300));
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[capture]);
    // Looked at after every frame of the window, for it is soon over.
    let (mut early, mut stacking) = (None, false);
    let until = std::time::Instant::now() + std::time::Duration::from_secs(240);
    loop {
        window.harness.step();
        assert!(std::time::Instant::now() < until, "{}", window.state());
        let session = window.harness.state().session();
        let Some(entry) = session.selected() else { continue };
        match &entry.state {
            CaptureState::Grading(_) => {
                let chart = entry.chart.as_ref().filter(|chart| !chart.is_whole());
                early = chart.map(|chart| (chart.points.len(), chart.frames)).or(early);
                assert!(window.harness.query_by_label_contains("long: Grading").is_some());
                assert!(window.harness.query_by_label("Grading").is_some());
            }
            CaptureState::Stacking(_) if entry.partial.is_some() => stacking = true,
            CaptureState::Done => break,
            _ => {}
        }
    }
    let (points, frames) = early.expect("points before the last frame was graded");
    assert!(points > 0 && points < frames && frames == 300, "{points} of {frames}");
    assert!(stacking, "a stack in the making");
    let chart = window.entry().chart.clone().unwrap();
    assert!(chart.is_whole() && chart.points.len() == 300);
}
