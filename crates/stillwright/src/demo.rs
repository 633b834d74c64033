//! `demo`: a small sample night and a still from it.

use crate::Status;
use crate::args::DemoArgs;
use crate::run::with_progress;
use crate::say::{self, Results};
use serde::Serialize;
use std::time::Instant;
use stillwright_night::atomic::Existing;
use stillwright_night::demo::run_demo;
use stillwright_night::judge::Judged;

/// The result, as a line of JSON.
#[derive(Serialize)]
struct DemoLine<'a> {
    capture: String,
    truth_picture: String,
    truth: String,
    still: String,
    stack: String,
    record: String,
    keep_percent: f32,
    frames_used: usize,
    best_frame: usize,
    still_against_truth: &'a Judged,
    best_frame_against_truth: &'a Judged,
    times_closer: f64,
    seconds: f64,
}

/// Run the demonstration and say what came of it.
///
/// # Errors
/// When a file is in the way or cannot be written, or the person asked to stop.
pub fn run(args: &DemoArgs, results: &mut Results) -> anyhow::Result<Status> {
    let begun = Instant::now();
    let existing = if args.overwrite { Existing::Replace } else { Existing::Keep };
    let out = args.out.clone();
    let done = with_progress("demo", move |progress| run_demo(&out, existing, progress))?;
    let seconds = begun.elapsed().as_secs_f64();
    let (sample, files, record) = (&done.sample, &done.still.files, &done.still.record);
    if args.json {
        results.json(&DemoLine {
            capture: sample.capture.display().to_string(),
            truth_picture: sample.truth_picture.display().to_string(),
            truth: sample.truth.display().to_string(),
            still: files.still.display().to_string(),
            stack: files.stack.display().to_string(),
            record: files.record.display().to_string(),
            keep_percent: record.keep_percent,
            frames_used: record.frames_used,
            best_frame: done.best_frame,
            still_against_truth: &done.still_judged,
            best_frame_against_truth: &done.frame_judged,
            times_closer: done.times_closer(),
            seconds,
        });
        return Ok(Status::Done);
    }
    let (still, frame) = (&done.still_judged, &done.frame_judged);
    results.line(&format!(
        "A simulated capture, with what a perfect telescope would have shown:\n  {}\n  {}\n\
         The still made from it:\n  {}\n  {} (before the finish)\n  {} (how it was made)\n\
         \n\
         Against the known truth, the still is {:.1} times closer than the best single frame \
         (frame {}):\n\
         what sharpening cannot mend is {:.0} % of the picture in the frame and {:.0} % in the still.\n\
         As they are, blur and all, the frame is off by {:.0} % and the still by {:.0} %.\n\
         True detail reaches {:.1} px in the frame and {:.1} px in the still.\n\
         \n\
         Kept the best {} at each place. {} in all.\n\
         Your own captures: stillwright still CAPTURE.ser",
        sample.capture.display(),
        sample.truth_picture.display(),
        files.still.display(),
        files.stack.display(),
        files.record.display(),
        done.times_closer(),
        done.best_frame,
        100.0 * frame.error,
        100.0 * still.error,
        100.0 * frame.error_as_it_is,
        100.0 * still.error_as_it_is,
        frame.true_detail_px,
        still.true_detail_px,
        say::percent(record.keep_percent),
        say::seconds(seconds)
    ));
    Ok(Status::Done)
}
