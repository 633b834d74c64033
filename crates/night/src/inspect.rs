//! What a capture holds, and what is wrong with it.

use crate::error::NightError;
use crate::files::open_capture;
use serde::Serialize;
use std::path::Path;
use stillwright_capture::{Capture, Overrides};
use stillwright_picture::{Progress, RawFrame, Samples, Stage};

/// Frames, spread over the capture, that are looked at for the exposure.
const FRAMES_LOOKED_AT: usize = 24;

/// Share of clipped samples above which a capture counts as overexposed. A few stuck pixels, or the
/// glint of one peak, stay below it.
const CLIPPED_TOO_MUCH: f64 = 0.005;

/// Level that the brightest samples (all but one in a thousand) should reach at least, share of
/// full scale. Below it, more than three of the camera's bits are given away.
const TOO_DARK: f64 = 0.1;

/// What a capture holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InspectReport {
    /// The capture, as it was named.
    pub file: String,
    /// Length of the file.
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
    /// What is wrong and what it costs, a sentence each.
    pub warnings: Vec<String>,
    /// What is worth knowing but costs nothing, a sentence each.
    pub notes: Vec<String>,
}

/// How the frames are exposed, from some frames spread over the capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Exposure {
    /// Frames looked at.
    pub frames: usize,
    /// Mean brightness, share of full scale.
    pub mean: f64,
    /// Level that one sample in a thousand lies above, share of full scale.
    pub bright: f64,
    /// Share of samples at full scale.
    pub clipped_share: f64,
    /// Frames without any light.
    pub blank: usize,
    /// Frames that could not be read.
    pub unreadable: usize,
}

/// Look at a capture: its header, its length, and some of its frames.
///
/// # Errors
/// When the capture cannot be read at all, or when the person asked to stop.
pub fn inspect_capture(
    path: &Path,
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Result<InspectReport, NightError> {
    let capture = open_capture(path, overrides)?;
    inspect_opened(path, &*capture, progress)
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
    warnings.extend(exposure_warnings(&exposure));
    Ok(InspectReport {
        file: path.display().to_string(),
        file_bytes: std::fs::metadata(path).map_err(|e| NightError::read(path, e))?.len(),
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
        warnings,
        notes: messages(&facts.notes),
    })
}

fn look_at_exposure(
    capture: &dyn Capture,
    progress: &dyn Progress,
) -> Result<Exposure, NightError> {
    let count = capture.frame_count();
    let looked_at = count.min(FRAMES_LOOKED_AT);
    let format = capture.format();
    let white = f64::from(format.white);
    let mut frame = RawFrame::black(format);
    // Levels in 1024 steps of full scale; the last bin is full scale itself.
    let mut levels = vec![0u64; 1025];
    let (mut sum, mut samples) = (0.0, 0u64);
    let mut found = Exposure { frames: looked_at, ..Exposure::default() };
    for i in 0..looked_at {
        progress.advance(Stage::Sampling, i, looked_at)?;
        let index = i * count / looked_at;
        if capture.read_frame(index, &mut frame).is_err() {
            found.unreadable += 1;
            continue;
        }
        let mut brightest = 0.0f64;
        let mut darkest = f64::INFINITY;
        let mut take = |value: f64| {
            let share = (value / white).clamp(0.0, 1.0);
            levels[(share * 1024.0) as usize] += 1;
            sum += share;
            samples += 1;
            brightest = brightest.max(share);
            darkest = darkest.min(share);
        };
        match &frame.samples {
            Samples::U8(values) => values.iter().for_each(|v| take(f64::from(*v))),
            Samples::U16(values) => values.iter().for_each(|v| take(f64::from(*v))),
            Samples::F32(values) => values.iter().for_each(|v| take(f64::from(*v))),
        }
        if brightest <= darkest {
            found.blank += 1;
        }
    }
    progress.advance(Stage::Sampling, looked_at, looked_at)?;
    if samples > 0 {
        found.mean = sum / samples as f64;
        found.clipped_share = levels[1024] as f64 / samples as f64;
        let mut above = 0;
        let allowed = samples / 1000;
        let bin = levels.iter().rposition(|n| {
            above += n;
            above > allowed
        });
        found.bright = bin.unwrap_or(0) as f64 / 1024.0;
    }
    Ok(found)
}

/// What the exposure should have been, a sentence each.
fn exposure_warnings(exposure: &Exposure) -> Vec<String> {
    let mut all = Vec::new();
    let read = exposure.frames - exposure.unreadable;
    if exposure.unreadable > 0 {
        all.push(format!(
            "{} of the {} frames looked at could not be read: check the disk and its cable",
            exposure.unreadable, exposure.frames
        ));
    }
    if read > 0 && exposure.blank == read {
        all.push("no light in any of the frames looked at: was the cap on?".to_string());
        return all;
    }
    if exposure.clipped_share > CLIPPED_TOO_MUCH {
        all.push(format!(
            "overexposed: {:.1} % of the samples are at full scale, and their detail is lost; \
             expose or amplify less",
            100.0 * exposure.clipped_share
        ));
    }
    if read > 0 && exposure.bright < TOO_DARK {
        all.push(format!(
            "very dark: all but one sample in a thousand stay below {:.0} % of full scale; expose or \
             amplify more",
            100.0 * (exposure.bright + 1.0 / 1024.0)
        ));
    }
    all
}
