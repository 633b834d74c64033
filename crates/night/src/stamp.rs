//! Files as they were when they were looked at: whether one has changed since is told from length and time.

use crate::calibration::CalibrationSettings;
use crate::sequence::files_of;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

/// A capture as it was when it was looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct FileStamp {
    /// Length, bytes.
    pub bytes: u64,
    /// Last change, ms since 1970, where the system tells; 0 where it does not.
    pub modified_ms: u64,
}

/// The files that a calibration names, as they were when they were looked at; `None` where one was not to be
/// had.
pub type CalibrationFiles = Vec<(PathBuf, Option<FileStamp>)>;

/// Files of a sequence that are looked at, spread over it with the last among them. It is done again and again: more,
/// and network disks are busy with nothing else.
const MOST_LOOKED_AT: usize = 64;

/// Length and time of change of a capture: of a sequence of pictures, all of them together (by those that are looked
/// at) and the last.
///
/// # Errors
/// What the system says.
pub(crate) fn stamp_of(path: &Path) -> io::Result<FileStamp> {
    let facts = fs::metadata(path)?;
    // A pipe would wait for whoever writes to it; what may not be looked into stands for itself.
    let plain = facts.is_file() || facts.is_dir();
    let files = if plain { files_of(path).unwrap_or_default() } else { Vec::new() };
    let mut stamp = FileStamp { bytes: 0, modified_ms: 0 };
    let mut add = |facts: &fs::Metadata| {
        let modified = facts.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
        let modified_ms = modified.map_or(0, |since| since.as_millis() as u64);
        stamp.bytes += facts.len();
        stamp.modified_ms = stamp.modified_ms.max(modified_ms);
    };
    match files.as_slice() {
        [] | [_] => add(&facts),
        many => {
            let n = many.len();
            let looked_at = n.min(MOST_LOOKED_AT);
            for i in 1..=looked_at {
                add(&fs::metadata(&many[i * n / looked_at - 1])?);
            }
            stamp.bytes = (u128::from(stamp.bytes) * n as u128 / looked_at as u128) as u64;
        }
    }
    Ok(stamp)
}

/// The files that a calibration names, as they are now.
pub(crate) fn calibration_files(settings: &CalibrationSettings) -> CalibrationFiles {
    let stamp = |path: PathBuf| {
        let stamp = stamp_of(&path).ok();
        (path, stamp)
    };
    settings.paths().map(stamp).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture of 4 x 2 px as a FITS file.
    fn picture() -> Vec<u8> {
        let cards =
            ["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 4", "NAXIS2  = 2", "END"];
        let mut bytes: Vec<u8> =
            cards.iter().flat_map(|card| format!("{card:<80}").into_bytes()).collect();
        bytes.resize(2880, b' ');
        bytes.resize(2 * 2880, 7);
        bytes
    }

    #[test]
    fn a_sequence_changes_when_any_of_its_pictures_does() {
        let home = tempfile::tempdir().unwrap();
        let at = |number: u32| home.path().join(format!("f_{number:03}.fits"));
        (1..=3).for_each(|number| fs::write(at(number), picture()).unwrap());
        let before = stamp_of(&at(1)).unwrap();
        assert_eq!(before.bytes, 3 * 2 * 2880);
        // One more, as a camera that goes on recording writes it.
        fs::write(at(4), picture()).unwrap();
        let grown = stamp_of(&at(1)).unwrap();
        assert_eq!(grown.bytes, 4 * 2 * 2880);
        // One of them written anew, a minute later.
        let file = fs::File::options().write(true).open(at(2)).unwrap();
        file.set_modified(std::time::SystemTime::now() + std::time::Duration::from_secs(60))
            .unwrap();
        assert_ne!(stamp_of(&at(1)).unwrap(), grown);
        // The folder stands for the same sequence; a file by itself for itself.
        assert_eq!(stamp_of(home.path()).unwrap().bytes, grown.bytes);
        fs::write(home.path().join("a.ser"), [0; 77]).unwrap();
        assert_eq!(stamp_of(&home.path().join("a.ser")).unwrap().bytes, 77);
        assert!(stamp_of(&home.path().join("nothing.ser")).is_err());
    }
}
