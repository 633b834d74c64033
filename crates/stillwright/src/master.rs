//! `master`: one quiet picture of many dark or flat frames, saved.

use crate::Status;
use crate::args_calibration::{KindArg, MasterArgs};
use crate::run::{each_report, with_progress};
use crate::say::{self, Results, counted};
use std::path::Path;
use stillwright_night::atomic::Existing;
use stillwright_night::calibration::{MasterDone, MasterFiles, make_master};
use stillwright_night::capture::Overrides;
use stillwright_night::sequence::distinct;

/// Make a master of each capture; a bad one costs the others nothing.
///
/// # Errors
/// None: what fails is told and shows in the status.
pub fn run(args: &MasterArgs, results: &mut Results) -> anyhow::Result<Status> {
    if args.kind != KindArg::Flat && !args.dark_flat.is_empty() {
        say::error("--dark-flat is taken off a flat: leave it out, or say --kind flat");
        return Ok(Status::Usage);
    }
    let existing = if args.overwrite { Existing::Replace } else { Existing::Keep };
    let mut overrides = Overrides::default();
    args.overrides.apply(&mut overrides);
    let work = |file: &Path| {
        let out = args.out.as_deref();
        let files = MasterFiles::plan(args.kind.kind(), file, &args.dark_flat, out, existing);
        with_progress(&say::name_of(file), move |progress| {
            make_master(&files, &overrides, progress)
        })
    };
    Ok(each_report(&distinct(&args.files), args.json, results, work, in_words))
}

fn in_words(done: &MasterDone) -> String {
    let made = &done.made;
    let mut lines = vec![done.file.clone(), format!("  master  {}", done.master)];
    let left_out = match made.frames_left_out {
        0 => String::new(),
        n => format!(", {n} left out"),
    };
    lines.push(format!(
        "  Mean of {}{left_out}; {:.3} % of the values were left out as outliers.",
        counted(made.frames, "frame"),
        100.0 * made.clipped_share
    ));
    let noise = made.noise.map_or(String::new(), |noise| format!(", noise {:.4} %", 100.0 * noise));
    lines.push(format!("  Level {:.2} % of full scale{noise}.", 100.0 * made.level));
    if let Some(dark) = &done.dark_flat {
        lines.push(format!("  Taken off each frame first: {}", dark.input.path));
    }
    lines.join("\n")
}
