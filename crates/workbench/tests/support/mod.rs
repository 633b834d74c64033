//! The real workbench without a display, and sample captures for it.
#![allow(dead_code)]

pub mod raster;

use egui::{Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use raster::Raster;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stillwright_night::atomic::Existing;
use stillwright_night::picture::Silent;
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::session::{CaptureState, Entry, Places};
use stillwright_workbench::{Workbench, WorkbenchOptions};

/// Longest time that anything may take here; on a busy machine of few processors, too.
const PATIENCE: Duration = Duration::from_secs(240);

/// The window under test.
pub struct Window {
    /// egui's test harness around the real workbench.
    pub harness: Harness<'static, Workbench>,
}

/// Options with everything of the program's own under `home`.
pub fn options(home: &Path) -> WorkbenchOptions {
    let mut options = WorkbenchOptions::new(Places::under(home.join("night")));
    options.sample_folder = home.join("sample");
    // What changes from run to run would spoil the pictures.
    options.watch_memory = false;
    options
}

/// Write a simulated capture and give its path.
pub fn sample(folder: &Path, name: &str, settings: &SampleSettings) -> PathBuf {
    std::fs::create_dir_all(folder).unwrap();
    let files = SampleFiles::plan(folder, name);
    write_sample(&files, settings, Existing::Keep, &Silent).unwrap();
    files.capture
}

/// A capture of 160 x 120 px that is graded and stacked within seconds.
pub fn small(seed: u64, frames: usize) -> SampleSettings {
    let mut settings = SampleSettings::small(seed);
    (settings.width, settings.height, settings.frames) = (160, 120, frames);
    settings
}

#[derive(Debug)]
struct Dropped(PathBuf);

impl egui::DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        std::fs::read(&self.0).map_err(|error| error.to_string())
    }
}

impl Window {
    /// Open a window of 1280 x 800.
    pub fn open(options: WorkbenchOptions) -> Window {
        Window::open_sized(options, 1280.0, 800.0)
    }

    /// Open a window.
    pub fn open_sized(options: WorkbenchOptions, width: f32, height: f32) -> Window {
        let mut harness = Harness::builder()
            .with_size(Vec2::new(width, height))
            .with_max_steps(12)
            .renderer(Raster::default())
            .with_render_cursor(false)
            .build_eframe(|cc| Workbench::new(&cc.egui_ctx, options).unwrap());
        harness.run_steps(2);
        Window { harness }
    }

    /// Drop files on the window.
    pub fn drop_files(&mut self, paths: &[PathBuf]) {
        for path in paths {
            let file: egui::DroppedFileHandle = Arc::new(Dropped(path.clone()));
            self.harness.input_mut().dropped_files.push(file);
        }
        self.harness.step();
    }

    /// Let the window run until `done`, and until everything on the screen is sharp.
    pub fn wait(&mut self, what: &str, done: impl Fn(&Workbench) -> bool) {
        let until = Instant::now() + PATIENCE;
        let mut quiet = 0;
        while quiet < 4 {
            self.harness.step();
            let app = self.harness.state();
            let there = done(app) && app.is_settled();
            quiet = if there { quiet + 1 } else { 0 };
            if !there {
                assert!(Instant::now() < until, "waited in vain for: {what}: {}", self.state());
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    }

    /// Wait until nothing is to be done any more.
    pub fn wait_idle(&mut self) {
        self.wait("nothing left to do", |app| app.session().is_idle());
    }

    /// Where the captures stand, for messages.
    pub fn state(&self) -> String {
        let session = self.harness.state().session();
        let states = session.entries().iter().map(|e| format!("{} {:?}", e.name, e.state));
        let messages = session.messages().iter().map(|m| m.words.clone());
        states.chain(messages).collect::<Vec<_>>().join("; ")
    }

    /// The selected capture.
    pub fn entry(&self) -> &Entry {
        self.harness.state().session().selected().expect("nothing is selected")
    }

    /// Wait until the still of the selected capture is there.
    pub fn wait_done(&mut self) {
        self.wait("the still", |app| {
            app.session().is_idle()
                && app.session().selected().is_some_and(|e| e.state == CaptureState::Done)
        });
    }

    /// Click what has this label.
    pub fn click(&mut self, label: &str) {
        self.harness.get_by_label(label).click();
        self.harness.run_steps(2);
    }

    /// Select the capture of this name on the shelf.
    pub fn choose(&mut self, name: &str) {
        let card = format!("{name}: ");
        self.harness.get_by_label_contains(&card).click();
        self.harness.run_steps(2);
    }

    /// Press, move in steps, let go.
    pub fn drag(&mut self, from: Pos2, to: Pos2) {
        let harness = &mut self.harness;
        harness.hover_at(from);
        harness.step();
        harness.drag_at(from);
        harness.step();
        for step in 1..=4 {
            harness.hover_at(from.lerp(to, step as f32 / 4.0));
            harness.step();
        }
        harness.drop_at(to);
        harness.run_steps(2);
    }

    /// Press a key.
    pub fn key(&mut self, modifiers: egui::Modifiers, key: egui::Key) {
        self.harness.key_press_modifiers(modifiers, key);
        self.harness.run_steps(2);
    }

    /// Put the pointer away.
    pub fn no_pointer(&mut self) {
        self.harness.remove_cursor();
        self.harness.run_steps(3);
    }

    /// The window as a picture.
    pub fn picture(&mut self) -> image::RgbaImage {
        self.harness.render().unwrap()
    }
}
