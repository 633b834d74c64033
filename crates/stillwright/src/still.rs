//! `still`: the whole job, one still per capture.

use crate::Status;
use crate::args::StillArgs;
use crate::run::{stopping, with_progress};
use crate::say::{self, Results, counted};
use serde::Serialize;
use std::io::Read;
use std::path::{Path, PathBuf};
use stillwright_night::Recipe;
use stillwright_night::atomic::{AtomicFile, Existing};
use stillwright_night::cache::Cache;
use stillwright_night::files::plan_each;
use stillwright_night::picture::Progress;
use stillwright_night::record::Record;
use stillwright_night::sequence::distinct;
use stillwright_night::stacking::{Pace, check_resampling};
use stillwright_night::still::{StillDone, make_still_with};

/// Longest recipe that is read, bytes: a hundred times the longest sensible one.
const LONGEST_RECIPE: u64 = 1 << 20;

/// The result of one capture, as a line of JSON.
#[derive(Serialize)]
struct StillLine<'a> {
    file: String,
    still: String,
    stack: String,
    record: String,
    others: Vec<String>,
    noise_map: Option<String>,
    detail_map: Option<String>,
    keep_percent: f32,
    scale: f32,
    pixfrac: Option<f32>,
    frames: usize,
    frames_used: usize,
    reference_frame: usize,
    seconds: f64,
    resolution_arcsec_or_px: Option<f64>,
    resolution_unit: &'static str,
    calibration: Vec<String>,
    warnings: &'a [String],
}

/// Make the still of each capture; a bad one costs the others nothing.
///
/// # Errors
/// None: what fails is told and shows in the status.
pub fn run(args: &StillArgs, results: &mut Results) -> anyhow::Result<Status> {
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
    recipe.stack.keep = args.keep.unwrap_or(recipe.stack.keep);
    recipe.stack.scale = args.scale.unwrap_or(recipe.stack.scale);
    recipe.stack.resampling = args.pixfrac.unwrap_or(recipe.stack.resampling);
    if let Err(words) = check_resampling(recipe.stack.resampling, recipe.stack.scale) {
        say::error(&words);
        return Ok(Status::Usage);
    }
    if args.patient {
        recipe.stack.pace = Pace::Patient;
    }
    recipe.export.formats.extend(&args.format);
    recipe.export.maps |= args.maps;
    let existing = if args.overwrite { Existing::Replace } else { Existing::Keep };
    if let Some(path) = &args.write_recipe {
        return write_recipe(&recipe, path, existing, results);
    }

    let files = distinct(&args.files);
    // Neither captures nor what they are calibrated with is ever replaced.
    let inputs: Vec<PathBuf> = files.iter().cloned().chain(recipe.calibration.paths()).collect();
    let wanted: Vec<_> = files.iter().map(|path| (path.clone(), recipe.export.clone())).collect();
    let plans = plan_each(&wanted, &inputs, args.out.as_deref(), existing);
    let mut status = Status::Done;
    for (file, plan) in files.iter().zip(plans) {
        if stopping() {
            return Ok(Status::Failed);
        }
        let recipe = recipe.clone();
        let cache = if args.no_cache { None } else { Cache::usual() };
        let done = match plan {
            Ok(files) => {
                let title = say::name_of(file);
                let work = move |progress: &dyn Progress| {
                    make_still_with(&files, &recipe, cache.as_ref(), progress)
                };
                with_progress(&title, work).map_err(|failure| failure.to_string())
            }
            Err(refused) => Err(refused.to_string()),
        };
        match done {
            Ok(done) => tell(&done, args.json, results),
            Err(words) => {
                status = Status::Failed;
                results.failure(file, &words, args.json);
            }
        }
    }
    Ok(status)
}

fn tell(done: &StillDone, json: bool, results: &mut Results) {
    let (record, files) = (&done.record, &done.files);
    if json {
        let (figure, unit) = record.resolution.figure();
        results.json(&StillLine {
            file: files.capture.display().to_string(),
            still: files.still.display().to_string(),
            stack: files.stack.display().to_string(),
            record: files.record.display().to_string(),
            others: files.others.iter().map(|(_, path)| path.display().to_string()).collect(),
            noise_map: files.maps.as_ref().map(|maps| maps.noise.display().to_string()),
            detail_map: files.maps.as_ref().map(|maps| maps.detail.display().to_string()),
            keep_percent: record.keep_percent,
            scale: record.stack.scale,
            pixfrac: record.stack.pixfrac,
            frames: record.found.frames,
            frames_used: record.frames_used,
            reference_frame: record.reference_frame,
            seconds: record.seconds,
            resolution_arcsec_or_px: figure,
            resolution_unit: unit,
            calibration: calibration_in_words(record),
            warnings: &record.warnings,
        });
        return;
    }
    for warning in &record.warnings {
        say::note(&format!("Mind: {warning}"));
    }
    results.line(&in_words(done));
}

/// The result in words.
pub fn in_words(done: &StillDone) -> String {
    let (record, files) = (&done.record, &done.files);
    let mut lines = vec![
        files.capture.display().to_string(),
        format!("  still   {}", files.still.display()),
        format!("  stack   {}", files.stack.display()),
    ];
    for (format, path) in &files.others {
        lines.push(format!("  {:<7} {}", format.facts().name, path.display()));
    }
    if let Some(maps) = &files.maps {
        lines.push(format!("  noise   {}", maps.noise.display()));
        lines.push(format!("  detail  {}", maps.detail.display()));
    }
    lines.push(format!("  record  {}", files.record.display()));
    lines.push(format!(
        "  Kept the best {} of {} at each place; {} gave light to some place. {}.",
        say::percent(record.keep_percent),
        counted(record.found.frames_usable, "usable frame"),
        counted(record.frames_used, "frame"),
        say::seconds(record.seconds)
    ));
    if let Some(pixfrac) = record.stack.pixfrac {
        lines.push(format!("  Drizzled, drops of {pixfrac:.2} of a pixel's side."));
    }
    lines.push(format!("  {}", detail_in_words(record)));
    for done in calibration_in_words(record) {
        lines.push(format!("  Calibrated: {done}."));
    }
    lines.join("\n")
}

/// What the frames were calibrated with, a sentence each.
fn calibration_in_words(record: &Record) -> Vec<String> {
    record.calibration.as_ref().map(|report| report.sentences()).unwrap_or_default()
}

fn detail_in_words(record: &Record) -> String {
    let resolution = &record.resolution;
    match (resolution.detail_arcsec, resolution.telescope_limit_arcsec, resolution.detail_px) {
        (Some(detail), Some(limit), _) => {
            format!("Detail to {detail:.2} arcsec (telescope {limit:.2}).")
        }
        (_, _, Some(detail)) => format!(
            "Detail to {detail:.1} px. With the telescope in the recipe, it would be told in arcsec."
        ),
        _ => "The picture is too small to tell how fine its detail is.".into(),
    }
}

/// The recipe in `path`, or the default one.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read_recipe(path: Option<&Path>) -> Result<Recipe, String> {
    let Some(path) = path else { return Ok(Recipe::default()) };
    let shown = path.display();
    let mut text = String::new();
    let file = std::fs::File::open(path);
    file.and_then(|file| file.take(LONGEST_RECIPE + 1).read_to_string(&mut text)).map_err(|e| {
        format!("the recipe cannot be read: {e}\n  check the spelling, and that it is a text file\n  {shown}")
    })?;
    if text.len() as u64 > LONGEST_RECIPE {
        return Err(format!("a recipe of at most 1 MB was expected\n  {shown}"));
    }
    let mut recipe = Recipe::from_toml(&text).map_err(|e| format!("{e}\n  {shown}"))?;
    let folder = std::path::absolute(path).ok().and_then(|path| Some(path.parent()?.to_path_buf()));
    if let Some(folder) = folder {
        recipe.calibration.tell_from(&folder);
    }
    Ok(recipe)
}

fn write_recipe(
    recipe: &Recipe,
    path: &Path,
    existing: Existing,
    results: &mut Results,
) -> anyhow::Result<Status> {
    let text = recipe.to_commented_toml()?;
    if path == Path::new("-") {
        results.line(text.trim_end());
        return Ok(Status::Done);
    }
    let mut file = AtomicFile::create(path, existing)?;
    std::io::Write::write_all(&mut file, text.as_bytes())?;
    file.commit()?;
    results.line(&path.display().to_string());
    Ok(Status::Done)
}
