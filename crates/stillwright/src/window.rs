//! The window.

use crate::args::WindowArgs;
use crate::{Status, say};
use std::path::PathBuf;
use stillwright_night::cache::Cache;
use stillwright_night::session::Places;
use stillwright_workbench::{Report, WorkbenchOptions};

/// Open the window and stay until it is closed.
pub fn run(args: WindowArgs) -> Status {
    let Some(places) = args.night.map(Places::under).or_else(Places::usual) else {
        say::error(
            "this account has no home folder to keep the night in\n  name one with: stillwright --night DIR",
        );
        return Status::Failed;
    };
    // Paths are kept in the night, which is opened from other folders, too.
    let absolute = |path: PathBuf| std::path::absolute(&path).unwrap_or(path);
    let mut options = WorkbenchOptions {
        files: args.files.into_iter().map(absolute).collect(),
        ..WorkbenchOptions::new(places)
    };
    options.session.cache = if args.no_cache { None } else { Cache::usual() };
    let report: Option<Report> =
        if args.measure_frames { Some(Box::new(|text| eprint!("{text}"))) } else { None };
    match stillwright_workbench::run(options, report) {
        Ok(()) => Status::Done,
        Err(error) => {
            say::error(&error.to_string());
            Status::Failed
        }
    }
}
