//! `inspect`: what a capture holds, and what is wrong with it.

use crate::Status;
use crate::args::InspectArgs;
use crate::run::{each_report, with_progress};
use crate::say::{self, Results, counted};
use crate::still::read_recipe;
use std::path::Path;
use stillwright_night::inspect::{InspectReport, inspect_capture};
use stillwright_night::sequence::distinct;

/// Inspect each capture; a bad one costs the others nothing.
///
/// # Errors
/// None: what fails is told and shows in the status.
pub fn run(args: &InspectArgs, results: &mut Results) -> anyhow::Result<Status> {
    let recipe = match read_recipe(args.recipe.as_deref()) {
        Ok(recipe) => recipe,
        Err(words) => {
            say::error(&words);
            return Ok(Status::Usage);
        }
    };
    let optics = recipe.finish.optics;
    let mut overrides = recipe.capture;
    args.overrides.apply(&mut overrides);
    let work = |file: &Path| {
        let path = file.to_path_buf();
        with_progress(&say::name_of(file), move |progress| {
            inspect_capture(&path, &overrides, optics.as_ref(), progress)
        })
    };
    Ok(each_report(&distinct(&args.files), args.json, results, work, in_words))
}

fn in_words(report: &InspectReport) -> String {
    let mut lines = vec![report.file.clone()];
    let mut say = |text: String| lines.push(format!("  {text}"));
    let order = match (&report.byte_order, &report.justification) {
        (Some(order), Some(side)) => format!(", {order} byte first, {side}-justified"),
        _ => String::new(),
    };
    say(format!(
        "{}, {} x {} px, {}, {} bit{order}",
        report.format, report.width, report.height, report.layout, report.bit_depth
    ));
    let mut length =
        format!("{}, {}", counted(report.frames, "frame"), say::size(report.file_bytes));
    if let Some(last) = &report.last_file {
        length.push_str(&format!(" in {} to {last}", counted(report.files, "file")));
    }
    if let Some(duration) = report.duration_s {
        length.push_str(&format!(", {} long", say::seconds(duration)));
    }
    if let Some(rate) = report.frame_rate_hz {
        length.push_str(&format!(", {rate:.1} frames a second"));
    }
    if let Some(start) = &report.start_utc {
        length.push_str(&format!(", from {} UTC", start.replace('T', " ")));
    }
    say(length);
    let by = [&report.telescope, &report.instrument, &report.observer];
    let by: Vec<&str> = by.into_iter().map(|text| text.trim()).filter(|t| !t.is_empty()).collect();
    if !by.is_empty() {
        say(by.join(", "));
    }
    say(format!(
        "Brightness {:.0} % of full scale on average, {:.0} % at the bright end; {:.2} % clipped.",
        100.0 * report.exposure.mean,
        100.0 * report.exposure.bright,
        100.0 * report.exposure.clipped_share
    ));
    if let Some(steps) = report.exposure.noise_steps {
        say(format!("Noise {steps:.1} steps of the recording at that brightness."));
    }
    if let Some(sampling) = &report.sampling {
        say(format!(
            "A pixel is {:.3} arcsec wide; the telescope passes {:.2} cycles per px (0.5 is just \
             sampled).",
            sampling.pixel_arcsec, sampling.cutoff_cycles_per_px
        ));
    }
    for warning in &report.warnings {
        say(format!("Mind: {warning}"));
    }
    for note in &report.notes {
        say(format!("Note: {note}"));
    }
    if report.warnings.is_empty() {
        say("Nothing is wrong with it.".into());
    }
    lines.join("\n")
}
