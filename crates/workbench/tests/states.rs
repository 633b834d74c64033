//! What the window says of every state a capture can be in, and what it looks like then.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::Rect;
use egui_kittest::SnapshotOptions;
use egui_kittest::kittest::{NodeT, Queryable};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command as Program, Stdio};
use stillwright_night::session::{CaptureState, Entry, Saving};
use support::{Window, options, sample, small};

/// A simulated capture whose frames are there `times` over, so that work on it takes its time.
fn long(folder: &Path, name: &str, times: u8) -> PathBuf {
    const HEADER: usize = 178;
    let settings = small(5, 20);
    let path = sample(folder, name, &settings);
    let once = std::fs::read(&path).unwrap();
    let bytes =
        20 * settings.width * settings.height * if settings.camera.bit_depth > 8 { 2 } else { 1 };
    let mut file = std::fs::File::create(&path).unwrap();
    // The number of frames stands at byte 38; without a trailer the frames have no times.
    file.write_all(&once[..38]).unwrap();
    file.write_all(&(20 * u32::from(times)).to_le_bytes()).unwrap();
    file.write_all(&once[42..HEADER]).unwrap();
    for _ in 0..times {
        file.write_all(&once[HEADER..HEADER + bytes]).unwrap();
    }
    path
}

/// The card of the only capture.
fn card(window: &Window, name: &str) -> String {
    let label = format!("{name}: ");
    let card = window.harness.get_by_label_contains(&label);
    card.accesskit_node().label().unwrap_or_default()
}

/// Hold the window against the kept picture `name`, without the places named by `hidden`, which are
/// another in every run.
fn hold(window: &mut Window, name: &str, hidden: &[Rect]) {
    for rect in hidden {
        window.harness.mask(*rect);
    }
    let options = SnapshotOptions::new().threshold(0.8).max_failed_pixels(400);
    window.harness.snapshot_options(name, &options);
}

/// Step until the capture is in a state that `there` knows.
fn step_until(window: &mut Window, what: &str, there: impl Fn(&Entry) -> bool) {
    seen_before(window, what, |_| false, there);
}

/// The same; false when `over` was seen first.
fn seen_before(
    window: &mut Window,
    what: &str,
    over: impl Fn(&Entry) -> bool,
    there: impl Fn(&Entry) -> bool,
) -> bool {
    let until = std::time::Instant::now() + std::time::Duration::from_secs(240);
    loop {
        window.harness.step();
        let session = window.harness.state().session();
        if session.selected().is_some_and(&there) {
            return true;
        }
        if session.selected().is_some_and(&over) {
            return false;
        }
        assert!(std::time::Instant::now() < until, "waited in vain for {what}: {}", window.state());
    }
}

/// What is another in every run while frames are graded: how far it is, and which frame was read by
/// then. Grades are another at each step.
fn moving(window: &Window, grading: bool) -> Vec<Rect> {
    let size = window.harness.ctx.content_rect();
    let rect = |label: &str| window.harness.get_by_label_contains(label).rect();
    let card = rect("long: ");
    let foot = Rect::from_min_max(egui::pos2(0.0, size.bottom() - 32.0), size.right_bottom());
    let thumbnail = Rect::from_min_size(card.left_top(), egui::vec2(72.0, 60.0));
    // The time left is not known at once; with it, the box is a line higher.
    let bar = rect("Progress of long");
    let left = Rect::from_min_size(
        bar.left_top() - egui::vec2(20.0, 8.0),
        bar.size() + egui::vec2(40.0, 56.0),
    );
    let mut hidden = vec![foot, thumbnail, rect("Frame "), left];
    if grading {
        let below = card.left_top() + egui::vec2(8.0, 58.0);
        hidden.push(Rect::from_min_max(below, card.right_bottom()));
        hidden.extend(["Grade over time", "Keep"].map(|name| {
            window.harness.get_by_role_and_label(egui::Role::Slider, name).rect().expand(24.0)
        }));
    }
    hidden
}

/// Grades are there in part some time after the first share of the work; on a busy machine the window may be held up while the work goes on, so that a moment that is to be seen is over before
/// it is drawn: then another window tries.
#[test]
fn work_shows_how_far_it_is_and_can_be_stopped() {
    let seen = (0..20).any(|_| work_is_seen_and_stopped());
    assert!(seen, "in twenty windows the moments of work were over before they could be drawn");
}

/// Whether everything that is to be seen was seen in time.
fn work_is_seen_and_stopped() -> bool {
    let home = tempfile::tempdir().unwrap();
    let capture = long(home.path(), "long", 200);
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[capture]);
    // Grades come in batches, on another way than how far it is.
    let graded_in_part = |entry: &Entry| {
        entry.chart.is_some()
            && matches!(entry.state, CaptureState::Grading(advance) if advance.share() > 0.1)
    };
    let done = |entry: &Entry| entry.state == CaptureState::Done;
    if !seen_before(&mut window, "grading", done, graded_in_part) {
        return false;
    }
    assert!(card(&window, "long").starts_with("long: Grading"), "{}", card(&window, "long"));
    let progress = window.harness.get_by_label("Progress of long.ser");
    let share = progress.accesskit_node().numeric_value().unwrap();
    assert!((10.0..=100.0).contains(&share), "{share}");
    let hidden = moving(&window, true);
    hold(&mut window, "grading", &hidden);
    // Of the first moment, before anything has come together.
    let stacking =
        |entry: &Entry| entry.partial.is_none() && matches!(entry.state, CaptureState::Stacking(_));
    if !seen_before(&mut window, "stacking", done, stacking) {
        return false;
    }
    let hidden = moving(&window, false);
    hold(&mut window, "stacking", &hidden);
    window.click("Cancel");
    let ends = [CaptureState::Stopped, CaptureState::Done];
    window.wait("an end", |app| {
        app.session().selected().is_some_and(|entry| ends.contains(&entry.state))
    });
    if window.entry().state == CaptureState::Done {
        return false;
    }
    assert_eq!(card(&window, "long"), "long: Stopped");
    assert!(window.harness.query_by_label("Nothing more is done until you ask.").is_some());
    window.click("Try again");
    window.wait_done();
    assert!(card(&window, "long").starts_with("long: Still made · best "));
    true
}

#[test]
fn a_file_that_grows_and_one_that_is_gone() {
    let home = tempfile::tempdir().unwrap();
    let capture = sample(home.path(), "ridge-north", &small(1, 40));
    let mut window = Window::open(options(home.path()));
    window.drop_files(std::slice::from_ref(&capture));
    window.wait_done();
    // The recording goes on.
    let mut file = std::fs::File::options().append(true).open(&capture).unwrap();
    file.write_all(&vec![90; 160 * 120]).unwrap();
    drop(file);
    step_until(&mut window, "growth", |entry| entry.state == CaptureState::Growing);
    assert_eq!(card(&window, "ridge-north"), "ridge-north: Still being recorded");
    window.wait_done();
    let aside = home.path().join("elsewhere");
    std::fs::rename(&capture, &aside).unwrap();
    window.wait("words that it is gone", |app| {
        app.session().selected().is_some_and(|e| e.state == CaptureState::Gone)
    });
    assert_eq!(card(&window, "ridge-north"), "ridge-north: The file is gone");
    let words = window.harness.query_all_by_label_contains("Connect its disk again");
    let words: Vec<Rect> = words.map(|node| node.rect()).collect();
    assert_eq!(words.len(), 1, "what to do about it");
    window.wait("the night on disk", |app| app.session().is_saved());
    window.no_pointer();
    hold(&mut window, "gone", &words);
    std::fs::rename(&aside, &capture).unwrap();
    window.wait_done();
    assert!(window.state().contains("there again"), "{}", window.state());
}

/// A disk of `kb` kilobytes, as long as this lives; `None` where none can be made.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn at(path: PathBuf, kb: usize) -> Option<SmallDisk> {
        std::fs::create_dir_all(&path).unwrap();
        let mounted = Program::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={kb}k,mode=777"), "tmpfs"])
            .arg(&path)
            .stderr(Stdio::null())
            .status();
        mounted.is_ok_and(|status| status.success()).then(|| SmallDisk(path))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Program::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_is_told_and_what_was_chosen_is_saved_when_there_is_room() {
    let home = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::at(home.path().join("night"), 300) else {
        println!("skipped: a small disk can only be mounted as root, outside a container");
        return;
    };
    let capture = sample(home.path(), "ridge-north", &small(1, 40));
    let mut window = Window::open(options(home.path()));
    window.drop_files(&[capture]);
    window.wait_done();
    window.wait("the night on disk", |app| app.session().is_saved());
    let filler = disk.0.join("filler");
    let _ = std::fs::File::create(&filler).unwrap().write_all(&[0; 300 * 1024]);
    window.key(egui::Modifiers::NONE, egui::Key::F5);
    let plot = window.harness.get_by_label("Keep").rect();
    let y = plot.bottom() - 8.0;
    let keep = window.entry().chart.as_ref().unwrap().keep_percent.unwrap();
    let x = |percent: f32| plot.left() + percent / 100.0 * plot.width();
    window.drag(egui::pos2(x(keep), y), egui::pos2(x(60.0), y));
    window.wait_done();
    window.wait("no room", |app| app.session().saving() == Saving::Failed);
    assert!(window.harness.query_by_label("Night not saved").is_some());
    assert!(window.state().contains("disk is full"), "{}", window.state());
    window.no_pointer();
    hold(&mut window, "full", &[]);
    std::fs::remove_file(&filler).unwrap();
    window.wait("the night on disk", |app| app.session().is_saved());
    assert!(window.harness.query_by_label("Night saved").is_some());
    assert!(window.state().contains("saved again"), "{}", window.state());
}

#[test]
fn numbered_pictures_go_by_their_first_and_last() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("pictures");
    std::fs::create_dir(&folder).unwrap();
    for number in 1..=12u8 {
        let mut picture = image::GrayImage::new(40, 30);
        for (x, y, pixel) in picture.enumerate_pixels_mut() {
            pixel.0 = [(x * 3 + y * 2) as u8 + number];
        }
        picture.save(folder.join(format!("moon_{number:03}.png"))).unwrap();
    }
    let mut options = options(home.path());
    (options.session.grade_unasked, options.session.stack_unasked) = (false, false);
    let mut window = Window::open(options);
    window.drop_files(&[folder]);
    window.wait("the sequence", |app| {
        app.session().selected().is_some_and(|e| e.facts.is_some()) && app.session().is_idle()
    });
    assert_eq!(card(&window, "moon_001 to 012"), "moon_001 to 012: Waiting");
    assert_eq!(window.entry().name, "moon_001.png to moon_012.png");
    assert_eq!(window.entry().facts.as_ref().unwrap().files, 12);
}
