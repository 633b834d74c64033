//! Calibration: which darks and flats belong to a capture, the masters made from them, and the
//! capture as calibrated frames.
//!
//! Nothing is calibrated silently: [`CalibrationReport`] says what was applied and what it was
//! matched by, and goes into the record; a dark or flat that was named and fits nothing is an error.

mod capture;
mod choose;
mod make;
mod master_file;
mod report;
mod settings;

pub use make::{MasterDone, MasterFiles, make_master};
pub use report::{CalibrationReport, LeftAside, MasterReport};
pub use settings::CalibrationSettings;

use crate::error::NightError;
use capture::CalibratedCapture;
use choose::choose;
use std::path::Path;
use std::sync::Arc;
use stillwright_capture::{Capture, Remark, RemarkCode};
use stillwright_picture::Progress;
use stillwright_seeing::calibration::bands::{find_bands, rms};
use stillwright_seeing::calibration::{Calibration, MasterKind};

/// Whether a file that begins with `head` is a saved master.
pub(crate) fn is_saved_master(head: &[u8]) -> bool {
    master_file::saved_in(head).is_some()
}

/// A capture whose frames are calibrated, and what was done to them; `None` where nothing was asked for.
pub struct Calibrated {
    /// The capture.
    pub capture: Box<dyn Capture>,
    /// What was done.
    pub report: Option<Arc<CalibrationReport>>,
}

/// Calibrate the frames of a capture that was opened from `path`, as they are read.
///
/// Masters are made from what `settings` name, or taken as they are where a saved master is named.
///
/// # Errors
/// When what was named cannot be read, is unfit, or does not match the capture; when stopped.
pub fn calibrated(
    capture: Box<dyn Capture>,
    path: &Path,
    settings: &CalibrationSettings,
    progress: &dyn Progress,
) -> Result<Calibrated, NightError> {
    if settings.is_empty() {
        return Ok(Calibrated { capture, report: None });
    }
    let facts = capture.facts().clone();
    let mut aside = Vec::new();
    let dark = choose(MasterKind::Dark, &settings.darks, &facts, path, None, &mut aside, progress)?;
    let flat = match settings.flats.is_empty() {
        true => None,
        false => choose(
            MasterKind::Flat,
            &settings.flats,
            &facts,
            path,
            Some(&settings.dark_flats),
            &mut aside,
            progress,
        )?,
    };
    let of = |made: &Option<Arc<choose::Made>>| made.as_ref().map(Arc::clone);
    let (dark, flat) = (of(&dark), of(&flat));
    let mut calibration = Calibration::from_masters(
        dark.as_ref().map(|made| &made.master),
        flat.as_ref().map(|made| &made.master),
    );
    let mut report = CalibrationReport {
        hot_samples: calibration.hot,
        dead_samples: calibration.dead,
        left_aside: aside,
        ..CalibrationReport::default()
    };
    if settings.reduce_bands {
        let bands = find_bands(&*capture, &calibration, progress)?;
        report.row_bands = rms(&bands.rows);
        report.column_bands = rms(&bands.columns);
        report.wander_px = Some(bands.wander_px);
        (calibration.rows, calibration.columns) = (bands.rows, bands.columns);
    }
    if let Some(dark) = &dark {
        report.dark = Some(dark.report.clone());
    }
    if let Some(flat) = &flat {
        report.flat = Some(flat.report.clone());
        report.dark_flat = flat.dark_flat.clone();
        if flat.dark_flat.is_none() && !flat.report.ready_made {
            report.notes.push(
                "the flat has no dark-flat: what its samples read without light counts as light, and \
                 shadows come out a little too shallow"
                    .into(),
            );
        }
        if dark.is_none() {
            report.notes.push(
                "there is a flat and no dark: what the capture's samples read without light is \
                 divided by the flat, too"
                    .into(),
            );
        }
    }
    let mut facts = facts;
    let remarks = report.sentences().into_iter();
    facts.notes.extend(remarks.map(|words| Remark::new(RemarkCode::Calibrated, words)));
    let report = Some(Arc::new(report));
    let capture = Box::new(CalibratedCapture::new(capture, calibration, facts));
    Ok(Calibrated { capture, report })
}
