//! What a capture holds, and what is wrong with it.

use crate::error::NightError;
use crate::exposure::{exposure_warnings, look_at_exposure};
use crate::files::open_capture_watched;
use crate::sampling::Sampling;
use crate::sequence::files_of;
use crate::timing::Timing;

pub use crate::exposure::Exposure;
use serde::Serialize;
use std::path::{Path, PathBuf};
use stillwright_capture::{Capture, Facts, Overrides, RemarkCode};
use stillwright_picture::Progress;
use stillwright_stacking::finish::Optics;

/// What a capture holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InspectReport {
    /// The capture, as it was named.
    pub file: String,
    /// Files that it consists of: one, or the pictures of a sequence.
    pub files: usize,
    /// Name of the last of them, without its folder, where there are several.
    pub last_file: Option<String>,
    /// Length of all of them.
    pub file_bytes: u64,
    /// Name of the format.
    pub format: String,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Whole frames.
    pub frames: usize,
    /// Frames that the header promises.
    pub frames_promised: Option<i64>,
    /// Bits of a sample.
    pub bit_depth: u8,
    /// Colour of the samples: `mono`, `rggb`, ... `rgb`.
    pub layout: String,
    /// `little` or `big`; `None` where samples are single bytes.
    pub byte_order: Option<String>,
    /// `right` or `left`; `None` where samples are single bytes.
    pub justification: Option<String>,
    /// Length of the recording.
    pub duration_s: Option<f64>,
    /// Mean frame rate, 1/s.
    pub frame_rate_hz: Option<f64>,
    /// Start, UTC.
    pub start_utc: Option<String>,
    /// Who observed.
    pub observer: String,
    /// The camera.
    pub instrument: String,
    /// The telescope.
    pub telescope: String,
    /// How the frames are exposed.
    pub exposure: Exposure,
    /// Regularity of the frames' times, where they are known.
    pub timing: Option<Timing>,
    /// Sampling against the telescope's limit, where the optics are known.
    pub sampling: Option<Sampling>,
    /// What is wrong and what it costs, a sentence each.
    pub warnings: Vec<String>,
    /// The first of them in a few words, for where there is little room.
    #[serde(skip)]
    pub headline: Option<String>,
    /// What is worth knowing but costs nothing, a sentence each.
    pub notes: Vec<String>,
}

/// Look at a capture: its header, its length, its times, and some of its frames; `optics` are those
/// of the telescope and camera, where they are known.
///
/// # Errors
/// When the capture cannot be read at all, or when the person asked to stop.
pub fn inspect_capture(
    path: &Path,
    overrides: &Overrides,
    optics: Option<&Optics>,
    progress: &dyn Progress,
) -> Result<InspectReport, NightError> {
    let capture = open_capture_watched(path, overrides, progress)?;
    let mut report = inspect_opened(path, &*capture, progress)?;
    if let Some(optics) = optics {
        let sampling = Sampling::of(optics);
        report.notes.extend(sampling.words());
        report.sampling = Some(sampling);
    }
    Ok(report)
}

/// Look at a capture that is open already; `path` is its file.
///
/// # Errors
/// When the person asked to stop, or when the length of the file cannot be told.
pub fn inspect_opened(
    path: &Path,
    capture: &dyn Capture,
    progress: &dyn Progress,
) -> Result<InspectReport, NightError> {
    let facts = capture.facts();
    let exposure = look_at_exposure(capture, progress)?;
    let messages = |remarks: &[stillwright_capture::Remark]| -> Vec<String> {
        remarks.iter().map(|remark| remark.message.clone()).collect()
    };
    let mut warnings = messages(&facts.warnings);
    warnings.extend(exposure_warnings(&exposure, facts));
    let timing = Timing::of(capture, progress)?;
    warnings.extend(timing.iter().flat_map(Timing::warnings));
    warnings.extend(slow(facts.frame_rate_hz));
    let notes = messages(&facts.notes);
    let files = files_of(path).map_err(|e| NightError::read(path, e))?;
    let last = files.last().filter(|_| files.len() > 1).and_then(|last| last.file_name());
    Ok(InspectReport {
        file: path.display().to_string(),
        files: files.len(),
        last_file: last.map(|name| name.to_string_lossy().into_owned()),
        file_bytes: length_of(&files).map_err(|e| NightError::read(path, e))?,
        format: facts.format.to_string(),
        width: facts.width,
        height: facts.height,
        frames: facts.frames,
        frames_promised: facts.declared_frames,
        bit_depth: facts.bit_depth,
        layout: facts.layout.name().to_string(),
        byte_order: facts.byte_order.map(|order| order.name().to_string()),
        justification: facts.justification.map(|side| side.name().to_string()),
        duration_s: facts.duration_s,
        frame_rate_hz: facts.frame_rate_hz,
        start_utc: facts.start_utc.map(crate::clock::to_millisecond),
        observer: facts.observer.clone(),
        instrument: facts.instrument.clone(),
        telescope: facts.telescope.clone(),
        exposure,
        headline: headline(facts, &warnings),
        warnings,
        timing,
        sampling: None,
        notes,
    })
}

/// The first warning in a few words; a recording that was cut off is told with what is left of it.
fn headline(facts: &Facts, warnings: &[String]) -> Option<String> {
    let has = |code: RemarkCode| facts.warnings.iter().any(|remark| remark.code == code);
    let frames = grouped(facts.frames);
    if has(RemarkCode::Truncated) {
        return Some(format!("Cut off while recording: {frames} whole frames"));
    }
    let first = warnings.first()?;
    if has(RemarkCode::FrameCount) && facts.warnings.first().is_some_and(|r| r.message == *first) {
        return Some(format!("Its header miscounts: {frames} whole frames"));
    }
    // What it is stands first; what to do about it follows.
    let end = first.find([';', ':', '(']).unwrap_or(first.len());
    let mut letters = first[..end].trim_end().chars();
    let capital = letters.next()?.to_uppercase();
    Some(capital.chain(letters).collect())
}

/// A count with a thin space every three digits.
fn grouped(n: usize) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push('\u{2006}');
        }
        out.push(digit);
    }
    out
}

/// Frames a second below which few of the air's still moments are caught: the picture changes every
/// 10 to 50 ms (common practice, no source).
const SLOW_HZ: f64 = 15.0;

fn slow(rate_hz: Option<f64>) -> Option<String> {
    let rate = rate_hz.filter(|rate| *rate < SLOW_HZ)?;
    Some(format!(
        "only {rate:.1} frames a second: still moments between them are missed; a smaller field, \
         shorter exposures or a faster connection give more"
    ))
}

/// Bytes of all files of a capture.
fn length_of(files: &[PathBuf]) -> std::io::Result<u64> {
    files.iter().map(|file| Ok(std::fs::metadata(file)?.len())).sum()
}
