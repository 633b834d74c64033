//! The real window.

use crate::app::{Workbench, WorkbenchOptions};
use std::sync::{Arc, Mutex, PoisonError};
use stillwright_night::session::OpenError;

/// Why there is no window.
#[derive(Debug)]
pub enum WindowError {
    /// The night could not be opened.
    Night(OpenError),
    /// The system gives no window.
    System(String),
}

impl std::fmt::Display for WindowError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            WindowError::Night(error) => error.fmt(f),
            WindowError::System(words) => write!(
                f,
                "no window could be opened: {words}\n  on a machine without a screen, stills are made with: stillwright still CAPTURE"
            ),
        }
    }
}

impl std::error::Error for WindowError {}

/// Is given the times of the frames, as text.
pub type Report = Box<dyn FnOnce(&str)>;

/// Open the window and stay until it is closed. With `report`, the times of its frames are handed
/// there at the end.
///
/// # Errors
/// When the night cannot be opened, or when the system gives no window.
pub fn run(options: WorkbenchOptions, report: Option<Report>) -> Result<(), WindowError> {
    let viewport = egui::ViewportBuilder::default()
        .with_title("Stillwright")
        .with_app_id("stillwright")
        .with_inner_size([1440.0, 900.0])
        .with_min_inner_size([960.0, 600.0])
        .with_icon(egui::IconData::default())
        .with_drag_and_drop(true);
    let native = eframe::NativeOptions {
        viewport,
        renderer: eframe::Renderer::Glow,
        ..eframe::NativeOptions::default()
    };
    let refused: Arc<Mutex<Option<OpenError>>> = Arc::default();
    let theirs = Arc::clone(&refused);
    let ran = eframe::run_native(
        "stillwright",
        native,
        Box::new(move |cc| match Workbench::new(&cc.egui_ctx, options) {
            Ok(mut workbench) => {
                if report.is_some() {
                    workbench.watch_processor();
                }
                Ok(Box::new(Reporting { workbench, report }))
            }
            Err(error) => {
                let words = error.to_string();
                *theirs.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
                Err(words.into())
            }
        }),
    );
    if let Some(error) = refused.lock().unwrap_or_else(PoisonError::into_inner).take() {
        return Err(WindowError::Night(error));
    }
    ran.map_err(|error| WindowError::System(error.to_string()))
}

/// The workbench, and what is to be told at its end.
struct Reporting {
    workbench: Workbench,
    report: Option<Report>,
}

impl eframe::App for Reporting {
    fn logic(&mut self, ctx: &egui::Context, frame: &mut eframe::Frame) {
        self.workbench.logic(ctx, frame);
    }

    fn ui(&mut self, ui: &mut egui::Ui, frame: &mut eframe::Frame) {
        self.workbench.ui(ui, frame);
    }

    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        self.workbench.clear_color(visuals)
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        if let Some(report) = self.report.take() {
            report(&self.workbench.pace().report());
        }
    }
}
