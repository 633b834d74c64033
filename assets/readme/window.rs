//! Makes the README's pictures of the window: `cargo run --release --example readme_window`.
//!
//! The real workbench over a simulated night, rendered without any graphics driver by the renderer
//! of the workbench's own tests: the bench with a still, the wiper with tiles by grade, red light.

use egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use std::path::Path;
use stillwright_night::atomic::Existing;
use stillwright_night::picture::Silent;
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::session::{CaptureState, Command, Places, Setting};
use stillwright_night::stacking::finish::Optics;
use stillwright_workbench::{Workbench, WorkbenchOptions};

#[path = "../pictured.rs"]
mod pictured;
#[path = "../../crates/workbench/tests/support/raster.rs"]
mod raster;

use pictured::{Window, press, save, wait};

fn main() -> anyhow::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("assets/readme");
    let work = tempfile::tempdir()?;
    let night = work.path().join("night of the school roof");
    std::fs::create_dir(&night)?;
    for (name, settings) in captures() {
        let files = SampleFiles::plan(&night, name);
        write_sample(&files, &settings, Existing::Keep, &Silent)?;
    }
    let options = WorkbenchOptions {
        files: vec![night],
        watch_memory: false,
        ..WorkbenchOptions::new(Places::under(work.path().join("places")))
    };
    let mut window = Harness::builder()
        .with_size([1600.0, 1000.0])
        .renderer(raster::Raster::default())
        .with_render_cursor(false)
        .build_eframe(|cc| Workbench::new(&cc.egui_ctx, options).expect("a fresh night opens"));

    wait(&mut window, |app| app.session().entries().len() == 3 && app.session().is_idle())?;
    window.get_by_label_contains("ridge-north: ").click();
    window.run_steps(3);
    describe_telescope(&mut window);
    wait(&mut window, done)?;
    save(&mut window, &folder.join("window.png"))?;
    for key in [Key::Num2, Key::T] {
        press(&mut window, key);
    }
    wait(&mut window, done)?;
    save(&mut window, &folder.join("window-wiper.png"))?;
    for key in [Key::Num1, Key::T, Key::R] {
        press(&mut window, key);
    }
    wait(&mut window, done)?;
    save(&mut window, &folder.join("window-red.png"))
}

fn captures() -> [(&'static str, SampleSettings); 3] {
    let mut ground = SampleSettings::demo(1);
    (ground.width, ground.height, ground.frames) = (480, 480, 400);
    let mut rough = SampleSettings::rough(2);
    rough.frames = 300;
    [("ridge-north", ground), ("basin-floor", rough), ("planet", SampleSettings::disc(3))]
}

/// What the owner of the simulated telescope would have typed.
fn describe_telescope(window: &mut Window) {
    let telescope = SampleSettings::demo(1).telescope;
    let pixel_um = 2.9;
    let optics = Optics {
        aperture_m: telescope.aperture_m,
        obstruction: telescope.obstruction,
        focal_length_m: pixel_um * 1e-6 / telescope.arcsec_per_px * 206_264.806_247_096_36,
        pixel_um,
        wavelength_m: telescope.wavelength_m,
    };
    let app = window.state_mut();
    if let Some(id) = app.session().selected().map(|entry| entry.id) {
        app.send(Command::Change { id, setting: Setting::Optics(Some(optics)) });
    }
}

fn done(app: &Workbench) -> bool {
    app.session().is_idle()
        && app.session().selected().is_some_and(|entry| entry.state == CaptureState::Done)
}
