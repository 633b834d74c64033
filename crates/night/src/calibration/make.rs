//! A master made of one capture and saved.

use super::choose::made_alone;
use super::master_file;
use super::report::MasterReport;
use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::error::NightError;
use crate::files::{folder_beside, same_file};
use crate::saved_path::SavedPath;
use std::path::{Path, PathBuf};
use stillwright_capture::Overrides;
use stillwright_picture::Progress;
use stillwright_seeing::calibration::MasterKind;

/// What is to be made, and where it goes.
#[derive(Clone, Debug)]
pub struct MasterFiles {
    /// What the master is for.
    pub kind: MasterKind,
    /// The capture of dark or flat frames.
    pub capture: PathBuf,
    /// Captures without light that belong to a flat, or their masters.
    pub dark_flats: Vec<PathBuf>,
    /// The file to be.
    pub master: PathBuf,
    /// Whether an existing file may be replaced.
    pub existing: Existing,
}

impl MasterFiles {
    /// `NAME.dark.fits`, `NAME.flat.fits` or `NAME.dark-flat.fits` in `out`, or else beside the capture.
    pub fn plan(
        kind: MasterKind,
        capture: &Path,
        dark_flats: &[PathBuf],
        out: Option<&Path>,
        existing: Existing,
    ) -> MasterFiles {
        let mut name = capture.file_stem().unwrap_or_default().to_os_string();
        name.push(format!(".{}.fits", kind.name()));
        let folder = out.map_or_else(|| folder_beside(capture), Path::to_path_buf);
        MasterFiles {
            kind,
            capture: capture.into(),
            dark_flats: dark_flats.to_vec(),
            master: folder.join(name),
            existing,
        }
    }
}

/// A master that is saved.
#[derive(Clone, Debug, serde::Serialize)]
pub struct MasterDone {
    /// The capture.
    pub file: String,
    /// What the master is for.
    pub kind: MasterKind,
    /// The file.
    pub master: String,
    /// How it was made.
    pub made: MasterReport,
    /// The dark that was taken off a flat.
    pub dark_flat: Option<MasterReport>,
}

/// Make a master of a capture and save it; the file appears whole or not at all.
///
/// # Errors
/// When the capture cannot be read or does not serve, or the file cannot be written; when stopped.
pub fn make_master(
    files: &MasterFiles,
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Result<MasterDone, NightError> {
    let inputs = files.dark_flats.iter().chain([&files.capture]);
    if inputs.into_iter().any(|input| same_file(input, &files.master)) {
        return Err(NightError::WouldReplaceInput { path: files.master.clone() });
    }
    // Refused before the work, not after it.
    let mut file = AtomicFile::create(&files.master, files.existing)?;
    let dark_flats: Vec<SavedPath> = files.dark_flats.iter().map(|p| SavedPath::of(p)).collect();
    let made = made_alone(files.kind, &files.capture, overrides, &dark_flats, progress)?;
    let name = files.capture.file_name().unwrap_or_default().to_string_lossy();
    let dark_flat = made.dark_flat.as_ref().map(|dark| dark.input.path.as_str());
    let origin = (name.as_ref(), made.report.input.sha256.as_str());
    master_file::write(&made.master, &made.facts, origin, dark_flat, &mut file)
        .map_err(|source| WriteError::Io { path: files.master.clone(), source })?;
    file.commit()?;
    Ok(MasterDone {
        file: files.capture.display().to_string(),
        kind: files.kind,
        master: files.master.display().to_string(),
        made: made.report.clone(),
        dark_flat: made.dark_flat.clone(),
    })
}
