//! `sample`: simulated captures with truth beside them.

use crate::Status;
use crate::args::{SampleArgs, SampleKind};
use crate::run::{stopping, with_progress};
use crate::say::{self, Results, counted};
use serde::Serialize;
use stillwright_night::NightError;
use stillwright_night::atomic::Existing;
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};

/// The result, as a line of JSON.
#[derive(Serialize)]
struct SampleLine<'a> {
    captures: &'a [SampleFiles],
}

/// Simulate and write each capture that was asked for.
///
/// # Errors
/// None: what fails is told and shows in the status.
pub fn run(args: &SampleArgs, results: &mut Results) -> anyhow::Result<Status> {
    let existing = if args.overwrite { Existing::Replace } else { Existing::Keep };
    let mut planned = Vec::new();
    for kind in &args.kind {
        let (name, settings) = settings(*kind, args);
        if let Err(error) = settings.check() {
            say::error(&error.to_string());
            return Ok(Status::Usage);
        }
        let files = SampleFiles::plan(&args.out, name);
        if planned.iter().all(|(known, _)| *known != files) {
            planned.push((files, settings));
        }
    }
    for (files, _) in &planned {
        files.check(existing)?;
    }
    let mut written = Vec::new();
    for (files, settings) in planned {
        if stopping() {
            return Ok(Status::Failed);
        }
        let title = say::name_of(&files.capture);
        let frames = settings.frames;
        let done = with_progress(&title, move |progress| {
            Ok::<_, NightError>(write_sample(&files, &settings, existing, progress)?.files)
        })?;
        if !args.json {
            results.line(&format!(
                "{}\n  {}; the true picture and the truth of each frame lie beside it:\n  {}\n  {}",
                done.capture.display(),
                counted(frames, "frame"),
                done.truth_picture.display(),
                done.truth.display()
            ));
        }
        written.push(done);
    }
    if args.json {
        results.json(&SampleLine { captures: &written });
    }
    Ok(Status::Done)
}

fn settings(kind: SampleKind, args: &SampleArgs) -> (&'static str, SampleSettings) {
    let (name, mut settings) = match kind {
        SampleKind::Ground => ("ground", SampleSettings::demo(args.seed)),
        SampleKind::Rough => ("rough", SampleSettings::rough(args.seed)),
        SampleKind::Disc => ("disc", SampleSettings::disc(args.seed)),
        SampleKind::Small => ("small", SampleSettings::small(args.seed)),
    };
    if let Some(frames) = args.frames {
        settings.frames = frames as usize;
        settings.camera.blank_frames = settings.camera.blank_frames.min(settings.frames / 4);
    }
    if let Some((width, height)) = args.size {
        (settings.width, settings.height) = (width, height);
    }
    if let Some(seeing) = args.seeing {
        settings.air.d_over_r0 = seeing;
    }
    (name, settings)
}
