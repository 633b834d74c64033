//! How the files are: there, growing, gone.

use super::entry::CaptureId;
use super::key::FileStamp;
use super::lanes::{Look, Output};
use crate::jobs::Job;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, UNIX_EPOCH};
use stillwright_picture::Cancelled;

/// Time between two looks. Shorter wears on network disks; longer, and a recording that has just
/// ended is noticed late. A file that did not grow between two looks counts as complete.
const EVERY: Duration = Duration::from_secs(2);

/// Length and time of change of a file.
///
/// # Errors
/// What the system says.
pub(super) fn stamp_of(path: &Path) -> io::Result<FileStamp> {
    let facts = fs::metadata(path)?;
    let modified = facts.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
    let modified_ms = modified.map_or(0, |since| u64::try_from(since.as_millis()).unwrap_or(0));
    Ok(FileStamp { bytes: facts.len(), modified_ms })
}

/// Look at all files after a while.
pub(super) fn look(
    job: &Job<'_, Output>,
    files: Vec<(CaptureId, PathBuf)>,
) -> Result<Output, Cancelled> {
    job.pause(EVERY)?;
    let look = |(id, path): (CaptureId, PathBuf)| {
        let look = match stamp_of(&path) {
            Ok(stamp) => Look::There(stamp),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Look::Gone,
            Err(_) => Look::Unknown,
        };
        (id, look)
    };
    Ok(Output::Looked(files.into_iter().map(look).collect()))
}
