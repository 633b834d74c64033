//! Maps of the stack over the still: asked for by key, menu and button, what they say, and what they look like.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod support;

use egui::{Key, Modifiers};
use egui_kittest::SnapshotOptions;
use egui_kittest::kittest::{NodeT, Queryable};
use stillwright_night::session::MapKind;
use support::{Window, options, sample, small};

fn hold(window: &mut Window, name: &str) {
    window.wait("the map", |app| {
        let session = app.session();
        let laid = session.laid().zip(session.selected());
        session.is_saved() && laid.is_none_or(|(kind, entry)| entry.map(kind).is_some())
    });
    window.no_pointer();
    let options = SnapshotOptions::new().threshold(0.8).max_failed_pixels(400);
    window.harness.snapshot_options(name, &options);
}

/// The words of the scale; none where no map is laid.
fn scale(window: &Window) -> Option<String> {
    let node = window.harness.query_by_label_contains("Scale of the map of");
    node.and_then(|node| node.accesskit_node().label())
}

#[test]
fn maps_are_laid_told_and_put_away() {
    let home = tempfile::tempdir().unwrap();
    let mut settings = small(1, 80);
    (settings.width, settings.height) = (240, 180);
    // Wanders to one side, so that its rims are noisier.
    (settings.mount.drift_x_px_s, settings.mount.drift_y_px_s) = (4.0, 0.0);
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[sample(home.path(), "ridge-north", &settings)]);
    window.wait_done();
    assert!(scale(&window).is_none());
    window.key(Modifiers::NONE, Key::K);
    hold(&mut window, "map-detail");
    let words = scale(&window).expect("a scale");
    assert!(words.contains("of detail") && words.contains("px"), "{words}");
    // Under the pointer, in the foot, where the pixel's own values stand.
    let still = window.harness.get_by_label("Still of ridge-north.ser").rect();
    window.harness.hover_at(still.center());
    window.harness.run_steps(3);
    assert!(window.harness.query_by_label_contains("detail to ").is_some());
    // The same key puts it away; the button goes on from one to the next.
    window.key(Modifiers::NONE, Key::K);
    assert!(scale(&window).is_none());
    window.click("Map");
    window.click("Map: detail");
    assert_eq!(window.harness.state().session().laid(), Some(MapKind::Noise));
    window.key(Modifiers::NONE, Key::R);
    hold(&mut window, "map-noise-red");
    let red = window.picture();
    assert!(red.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0), "only red leaves it");
    let words = scale(&window).expect("a scale");
    assert!(words.contains("of noise") && words.contains('%'), "{words}");
    window.harness.hover_at(still.center());
    window.harness.run_steps(3);
    assert!(window.harness.query_by_label_contains("of full scale, light ").is_some());
    window.click("Map: noise");
    assert!(scale(&window).is_none());
    assert_eq!(window.harness.state().session().laid(), None);
    // From the menu.
    window.click("View");
    window.harness.get_by_label_contains("Noise over the still").click();
    window.harness.run_steps(3);
    assert_eq!(window.harness.state().session().laid(), Some(MapKind::Noise));
}
