//! How the files are: there, growing, gone, and whether darks and flats are what they were.

use super::Session;
use super::entry::CaptureId;
use super::lanes::{Look, Output};
use super::message::Weight;
use crate::calibration::CalibrationSettings;
use crate::jobs::Job;
use crate::stamp::{CalibrationFiles, calibration_files, stamp_of};
use std::io;
use std::path::PathBuf;
use std::time::Duration;
use stillwright_picture::{Cancelled, Progress};

/// Time between two looks. Shorter wears on network disks; longer, and a recording that has just
/// ended is noticed late. A file that did not grow between two looks counts as complete.
const EVERY: Duration = Duration::from_secs(2);

/// What is looked at of one capture.
pub(super) struct Watched {
    pub id: CaptureId,
    pub path: PathBuf,
    pub calibration: CalibrationSettings,
}

/// Look at all files after a while.
pub(super) fn look(job: &Job<'_, Output>, all: Vec<Watched>) -> Result<Output, Cancelled> {
    job.pause(EVERY)?;
    // A night's captures share their darks and flats.
    let mut known: Vec<(CalibrationSettings, CalibrationFiles)> = Vec::new();
    let mut looks = Vec::with_capacity(all.len());
    for Watched { id, path, calibration } in all {
        job.check()?;
        let look = match stamp_of(&path) {
            Ok(stamp) => Look::There(stamp),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Look::Gone,
            Err(_) => Look::Unknown,
        };
        let found = known.iter().find(|(settings, _)| *settings == calibration);
        let files = match found {
            Some((_, files)) => files.clone(),
            None => {
                let files = calibration_files(&calibration);
                known.push((calibration, files.clone()));
                files
            }
        };
        looks.push((id, look, files));
    }
    Ok(Output::Looked(looks))
}

impl Session {
    /// How a capture is now.
    pub(super) fn looked(&mut self, id: CaptureId, look: Look) {
        let Some(entry) = self.entry_mut(id) else { return };
        let shown = entry.path.display().to_string();
        let told = match look {
            Look::Unknown => None,
            Look::Gone if entry.inner.gone => None,
            Look::Gone => {
                entry.inner.gone = true;
                entry.inner.growing = false;
                let words = "the file is gone: was it moved or renamed, or its disk unplugged? It is looked for on";
                Some((Weight::Trouble, words))
            }
            Look::There(stamp) => {
                let came_back = std::mem::take(&mut entry.inner.gone);
                let told = came_back.then_some((Weight::Note, "the file is there again"));
                // Before the first opening nothing is known to compare with.
                let Some(before) = entry.stamp.replace(stamp) else {
                    entry.stamp = None;
                    entry.inner.to_open |= came_back;
                    return;
                };
                if stamp.bytes > before.bytes {
                    entry.inner.growing = true;
                    entry.inner.to_open = false;
                    entry.inner.failed = None;
                } else if stamp != before {
                    entry.inner.to_open = true;
                    entry.inner.failed = None;
                } else if std::mem::take(&mut entry.inner.growing) || came_back {
                    entry.inner.to_open = true;
                }
                told
            }
        };
        if let Some((weight, words)) = told {
            self.tell(weight, Some(id), format!("{words}\n  {shown}"));
        }
    }

    /// A dark or flat that is another one than before: what it was taken off is opened and graded anew.
    pub(super) fn looked_at_calibration(&mut self, id: CaptureId, files: CalibrationFiles) {
        let Some(entry) = self.entry_mut(id) else { return };
        let inner = &mut entry.inner;
        let failed = inner.failed.is_some();
        let known = if failed { &mut inner.tried_files } else { &mut inner.calibration_files };
        if *known == files {
            return;
        }
        if !known.iter().map(|f| &f.0).eq(files.iter().map(|f| &f.0)) {
            // Named anew since: it is being opened, or this is the first look since that failed.
            if failed {
                *known = files;
            }
            return;
        }
        let other = known.iter().zip(&files).find(|(before, now)| before != now);
        let words = other.map(|(_, (path, stamp))| {
            let what = if stamp.is_some() { "has changed" } else { "is gone" };
            let path = path.display();
            format!("a dark or flat of this capture {what}; it is opened and graded anew\n  {path}")
        });
        *known = files;
        inner.to_open = true;
        inner.failed = None;
        if let Some(words) = words {
            self.tell(Weight::Note, Some(id), words);
        }
    }
}
