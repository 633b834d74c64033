//! `grade`: grades and shifts of every frame.

use crate::Status;
use crate::args::GradeArgs;
use crate::run::{each_report, with_progress};
use crate::say::{self, Results, counted};
use crate::still::read_recipe;
use std::collections::BTreeMap;
use std::path::Path;
use stillwright_night::cache::Cache;
use stillwright_night::grade::{GradeReport, grade_capture_with};
use stillwright_night::sequence::distinct;

/// Sharpest frames that are named in the text.
const NAMED: usize = 5;

/// Grade each capture; a bad one costs the others nothing.
///
/// # Errors
/// None: what fails is told and shows in the status.
pub fn run(args: &GradeArgs, results: &mut Results) -> anyhow::Result<Status> {
    let mut recipe = match read_recipe(args.recipe.as_deref()) {
        Ok(recipe) => recipe,
        Err(words) => {
            say::error(&words);
            return Ok(Status::Usage);
        }
    };
    args.overrides.apply(&mut recipe.capture);
    if let Err(words) = args.calibration.apply(&mut recipe.calibration) {
        say::error(&words);
        return Ok(Status::Usage);
    }
    let work = |file: &Path| {
        let (path, recipe) = (file.to_path_buf(), recipe.clone());
        let cache = if args.no_cache { None } else { Cache::usual() };
        with_progress(&say::name_of(file), move |progress| {
            grade_capture_with(&path, &recipe, cache.as_ref(), progress)
        })
    };
    Ok(each_report(&distinct(&args.files), args.json, results, work, in_words))
}

fn in_words(report: &GradeReport) -> String {
    let mut lines = vec![report.file.clone()];
    let mut say = |text: String| lines.push(format!("  {text}"));
    let usable = report.sharpest_first();
    let all = report.frames.len();
    if usable.len() == all {
        say(format!("All of {} can be used.", counted(all, "frame")));
    } else {
        say(format!("{} of {} can be used.", usable.len(), counted(all, "frame")));
        let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
        for frame in &report.frames {
            if let Some(reason) = &frame.reason {
                *reasons.entry(reason).or_default() += 1;
            }
        }
        for (reason, count) in reasons {
            say(format!("  {}: {reason}", counted(count, "frame")));
        }
    }
    if let (Some(best), Some(middle)) = (usable.first(), usable.get(usable.len() / 2)) {
        say(format!(
            "Grades: {:.2} at best, {:.2} in the middle (larger is sharper; the mean is 1).",
            best.grade, middle.grade
        ));
        let named: Vec<String> = usable
            .iter()
            .take(NAMED)
            .map(|frame| format!("{} ({:.2})", frame.index, frame.grade))
            .collect();
        say(format!("Sharpest frames: {}.", named.join(", ")));
    }
    let wander = usable.iter().map(|f| f.shift_x.hypot(f.shift_y)).fold(0.0, f32::max);
    say(format!(
        "Shifts are measured against frame {}; the scene wanders by up to {wander:.1} px.",
        report.reference_frame
    ));
    for done in &report.calibration {
        say(format!("Calibrated: {done}."));
    }
    say("Every frame by itself: add --json.".into());
    for warning in &report.warnings {
        say(format!("Mind: {warning}"));
    }
    lines.join("\n")
}
