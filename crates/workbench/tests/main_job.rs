//! The whole job in the window, driven through labels and roles, without a display.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::accesskit::Role;
use egui::{Key, Modifiers, pos2};
use egui_kittest::kittest::{NodeT, Queryable};
use std::path::PathBuf;
use stillwright_night::Recipe;
use stillwright_night::session::CaptureState;
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::Sharpening;
use support::{Window, options, sample, small};

fn files_in(folder: &std::path::Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .map(|all| all.map(|e| e.unwrap().file_name().into_string().unwrap()).collect())
        .unwrap_or_default();
    names.sort();
    names
}

#[test]
fn from_dropped_capture_to_written_still_and_back_again() {
    let home = tempfile::tempdir().unwrap();
    let night = home.path().join("captures");
    let capture = sample(&night, "ridge-north", &small(1, 60));
    let before = std::fs::read(&capture).unwrap();
    let mut window = Window::open(options(home.path()));
    assert!(window.harness.query_by_label("Drop a night’s captures here").is_some());

    // Drop, and wait for the grades and the first still.
    window.drop_files(std::slice::from_ref(&capture));
    window.wait_done();
    let chart = window.entry().chart.clone().unwrap();
    assert_eq!(chart.points.len(), 60);
    // Drawing alone changes nothing.
    assert_eq!(*window.entry().recipe, Recipe::default());
    assert_eq!(window.harness.state().session().undo_words(), None);

    // Drag the keep from where it is to a quarter.
    let plot = window.harness.get_by_role_and_label(Role::Slider, "Keep").rect();
    let x = |percent: f32| plot.left() + percent / 100.0 * plot.width();
    let from = pos2(x(chart.keep_percent.unwrap()), plot.bottom() - 8.0);
    window.drag(from, pos2(x(25.0), plot.bottom() - 8.0));
    assert_eq!(window.entry().recipe.stack.keep, Keep::Percent(25.0));
    window.wait_done();
    assert!((window.entry().stacked.as_ref().unwrap().stack.keep_percent - 25.0).abs() < 0.01);

    // Brush a stretch of time out, and look that its frames take no part.
    let time = window.harness.get_by_role_and_label(Role::Slider, "Grade over time").rect();
    let at =
        |frame: f32| pos2(time.left() + 3.0 + frame / 59.0 * (time.width() - 6.0), time.center().y);
    window.drag(at(10.0), at(19.0));
    let excluded: Vec<_> =
        window.entry().recipe.frames.excluded().iter().map(|r| (r.first, r.last)).collect();
    assert_eq!(excluded, [(10, 19)]);
    window.wait_done();
    let chart = window.entry().chart.clone().unwrap();
    assert!(chart.points[10..20].iter().all(|point| point.rejected.is_some() && !point.kept));

    // A detail scale is moved from its rest.
    let scales = window.entry().scales.clone();
    let rest = scales[1].rest;
    let node = window.harness.get_by_role_and_label(Role::Slider, "Detail 4\u{2006}px");
    node.set_value_accesskit(7.5);
    window.harness.run_steps(2);
    assert_eq!(window.entry().scales[1].now.gain, 7.5);
    assert!(matches!(window.entry().recipe.finish.sharpening, Sharpening::DetailScales(_)));
    window.wait_done();

    // Undo takes back one thing after the other, redo brings the last back.
    window.key(Modifiers::COMMAND, Key::Z);
    assert_eq!(window.entry().recipe.finish.sharpening, Sharpening::Automatic);
    assert_eq!(window.entry().scales[1].now, rest);
    window.key(Modifiers::COMMAND, Key::Z);
    assert!(window.entry().recipe.frames.is_empty());
    window.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert_eq!(window.entry().recipe.frames.excluded().len(), 1);
    window.wait_done();

    // Export, and look at what was written.
    window.click("Export the still");
    window.wait("the files", |app| {
        app.session().is_idle() && app.session().selected().unwrap().written.is_some()
    });
    let written = files_in(&night.join("stills"));
    assert_eq!(
        written,
        ["ridge-north.record.json", "ridge-north.stack.fits", "ridge-north.still.tif"]
    );
    let record: serde_json::Value = serde_json::from_slice(
        &std::fs::read(night.join("stills/ridge-north.record.json")).unwrap(),
    )
    .unwrap();
    assert!(record.to_string().contains("25"), "{record}");
    assert_eq!(std::fs::read(&capture).unwrap(), before, "a capture is never written to");

    // Closed and opened again, the night is as it was.
    window.wait("the night on disk", |app| app.session().is_saved());
    let recipe = window.entry().recipe.clone();
    drop(window);
    let mut window = Window::open(options(home.path()));
    window.wait("the night", |app| !app.session().entries().is_empty());
    window.choose("ridge-north");
    assert_eq!(window.entry().recipe, recipe);
    window.wait_done();
}

#[test]
fn the_frame_under_the_cursor_is_shown_and_keys_move_it() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "ridge", &small(3, 30));
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[capture]);
    window.wait_done();
    let frame = |window: &Window| window.harness.state().session().frame().unwrap().index;
    let best = window.entry().chart.as_ref().unwrap().sorted[0];
    assert_eq!(frame(&window), best);

    let time = window.harness.get_by_role_and_label(Role::Slider, "Grade over time").rect();
    let x = time.left() + 3.0 + 7.0 / 29.0 * (time.width() - 6.0);
    for step in 0..3 {
        window.harness.hover_at(pos2(x - 2.0 + step as f32, time.center().y));
        window.harness.step();
    }
    window.wait("frame 8", |app| app.session().frame().unwrap().index == 7);

    window.harness.get_by_role_and_label(Role::Slider, "Grade over time").focus();
    window.harness.run_steps(2);
    window.key(Modifiers::NONE, Key::ArrowRight);
    window.key(Modifiers::NONE, Key::ArrowRight);
    window.wait("frame 10", |app| app.session().frame().unwrap().index == 9);
    // Mark three frames more and leave the stretch out; take one of it back in.
    for _ in 0..3 {
        window.key(Modifiers::SHIFT, Key::ArrowRight);
    }
    window.key(Modifiers::NONE, Key::Delete);
    let excluded = |window: &Window| -> Vec<(usize, usize)> {
        window.entry().recipe.frames.excluded().iter().map(|r| (r.first, r.last)).collect()
    };
    assert_eq!(excluded(&window), [(9, 12)]);
    window.key(Modifiers::NONE, Key::Insert);
    assert_eq!(excluded(&window), [(9, 11)]);

    // The keep from the keyboard, and back to the advice.
    window.harness.get_by_role_and_label(Role::Slider, "Keep").focus();
    window.harness.run_steps(2);
    window.key(Modifiers::NONE, Key::Home);
    assert_eq!(window.entry().recipe.stack.keep, Keep::Percent(1.0));
    window.key(Modifiers::NONE, Key::Backspace);
    assert_eq!(window.entry().recipe.stack.keep, Keep::Auto);
}

#[test]
fn folders_recipes_and_all_stills() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("night");
    sample(&folder, "one", &small(4, 24));
    sample(&folder.join("deeper"), "two", &small(5, 24));
    std::fs::write(folder.join("broken.ser"), b"LUCAM-RECORDER and no more").unwrap();
    let mut window = Window::open(options(home.path()));
    window.drop_files(std::slice::from_ref(&folder));
    window.wait("three captures", |app| {
        app.session().entries().len() == 3 && app.session().is_idle()
    });
    window.choose("one");
    window.wait_done();

    // Words of what is wrong, on the card and in a message.
    let broken = window.harness.get_by_label_contains("broken: ");
    let words = broken.accesskit_node().label().unwrap();
    assert!(words.len() > "broken: ".len() + 10, "{words}");

    // Optics are typed; they give the scale.
    for (name, text) in [("Aperture", "203"), ("Focal length", "4060 mm"), ("Pixel", "2,4")] {
        let field = window.harness.get_by_role_and_label(Role::SpinButton, name);
        field.click();
        window.harness.run_steps(2);
        window.harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
        let field = window.harness.get_by_label(name);
        field.type_text(text);
        window.harness.run_steps(1);
        window.key(Modifiers::NONE, Key::Enter);
    }
    let figures = window.entry().optics.expect("the optics are known");
    assert!((figures.pixel_arcsec - 0.1219).abs() < 1e-3, "{figures:?}");
    window.wait_done();

    // The recipe goes from one to the other.
    window.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::C);
    window.choose("two");
    assert!(window.entry().recipe.finish.optics.is_none());
    window.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::V);
    assert!(window.entry().recipe.finish.optics.is_some());
    let field = window.harness.get_by_role_and_label(Role::SpinButton, "Aperture");
    assert!(field.value().is_some_and(|words| words.contains("203")), "the fields follow");

    // And under a name.
    window.key(Modifiers::COMMAND, Key::S);
    window.harness.get_by_label("Name of the recipe").type_text("my telescope");
    window.harness.run_steps(2);
    window.harness.get_by_role_and_label(Role::Button, "Keep").click();
    window.harness.run_steps(2);
    window.wait("the kept recipe", |app| app.session().named_recipes().len() == 1);
    assert_eq!(window.harness.state().session().named_recipes()[0].name, "my telescope");

    // All stills, unattended: two come out, one failed, and it is said.
    window.wait_idle();
    window.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::E);
    window.wait("the queue", |app| app.session().is_idle() && app.session().queue().is_none());
    assert!(window.harness.query_by_label("What came out").is_some());
    let said = window.harness.query_by_label_contains("2 stills written, 1 failed");
    assert!(said.is_some());
    for still in ["stills/one.still.tif", "deeper/stills/two.still.tif"] {
        assert!(folder.join(still).is_file(), "{still}");
    }
    window.click("Close");

    // Taking a card off leaves its file.
    window.choose("two");
    window.key(Modifiers::COMMAND, Key::Delete);
    assert_eq!(window.harness.state().session().entries().len(), 2);
    assert!(folder.join("deeper/two.ser").is_file());
}

#[test]
fn a_path_can_be_typed_and_messages_stay_until_they_are_read() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "typed", &small(6, 24));
    let mut window = Window::open(options(home.path()));
    window.key(Modifiers::COMMAND, Key::O);
    window
        .harness
        .get_by_label("Path of a capture or folder")
        .type_text(&format!("\"{}\"", capture.display()));
    window.harness.run_steps(2);
    window.click("Open");
    window.wait("the capture", |app| app.session().entries().len() == 1);
    let missing: PathBuf = home.path().join("nothing-here.ser");
    window.drop_files(&[missing]);
    window.wait("words about it", |app| !app.session().messages().is_empty());
    window.click("1 message");
    assert!(window.harness.query_all_by_label_contains("nothing-here").next().is_some());
    window.click("Read");
    assert!(window.harness.state().session().messages().is_empty());
    window.wait("the still", |app| {
        app.session().selected().is_some_and(|e| e.state == CaptureState::Done)
    });
}

#[test]
fn everything_that_can_be_acted_on_has_a_name() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "names", &small(7, 24));
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[capture]);
    window.wait_done();
    for fold in
        ["Read it otherwise, folded", "More about stacking, folded", "Noise held back, folded"]
    {
        window.click(fold);
    }
    for key in [Key::Num2, Key::Num3, Key::Num1, Key::F1] {
        window.key(Modifiers::NONE, key);
        assert!(
            window.harness.unnamed_widgets().is_empty(),
            "{:?}",
            window.harness.unnamed_widgets()
        );
    }
    window.key(Modifiers::NONE, Key::Escape);
    for (role, name) in [
        (Role::Image, "Frame 1"),
        (Role::Image, "Still of names.ser"),
        (Role::Slider, "Grade over time"),
        (Role::Slider, "Keep"),
        (Role::Button, "Export the still"),
    ] {
        let found = window.harness.query_all_by_role(role).any(|node| {
            let label = node.accesskit_node().label().unwrap_or_default();
            label.starts_with(name) || (name == "Frame 1" && label.starts_with("Frame "))
        });
        assert!(found, "{role:?} {name}");
    }
}
