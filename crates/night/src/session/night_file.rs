//! The night file: captures, the recipe of each (frames left out included), and which is looked at.
//!
//! ```toml
//! version = 1
//! [[capture]]
//! path = "/home/someone/night/ridge-03.ser"
//! stamp = { bytes = 2121856, modified_ms = 1795639200000 }
//! [capture.recipe]
//! ...
//! [end]
//! captures = 1
//! ```
//!
//! It is written whole or not at all. A file that cannot be read is set aside under another name
//! and never overwritten. A lock file beside it keeps a second session away; the system lets go of
//! the lock when the program ends, however it ends.

use super::key::FileStamp;
use crate::atomic::{AtomicFile, Existing, WriteError, folder_of, make_folder};
use crate::files::open_plain;
use crate::recipe::Recipe;
use crate::saved_path::SavedPath;
use crate::sheet::Sheet;
use serde::{Deserialize, Serialize};
use std::fs::{self, File, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// The version of night files that this program writes, and the newest that it reads.
const NIGHT_VERSION: u32 = 1;

/// Longest night file that is read, bytes: ten thousand captures with long recipes.
const LONGEST: u64 = 64 << 20;

/// What the file holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NightFile {
    pub version: u32,
    /// Which capture is looked at, from 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub selected: Option<usize>,
    /// A list of named places to label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub places: Option<SavedPath>,
    #[serde(default)]
    pub capture: Vec<SavedCapture>,
    /// Stands last: a file that was cut would otherwise pass, for what a recipe leaves out has its
    /// default.
    pub end: End,
}

/// The end of the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct End {
    /// How many captures stand before it.
    captures: usize,
}

/// One capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SavedCapture {
    pub path: SavedPath,
    /// The file as it was when it was last seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stamp: Option<FileStamp>,
    pub recipe: Recipe,
    /// What was marked and measured.
    #[serde(default, skip_serializing_if = "Sheet::is_empty")]
    pub sheet: Sheet,
}

impl NightFile {
    pub fn new(selected: Option<usize>, capture: Vec<SavedCapture>) -> NightFile {
        let end = End { captures: capture.len() };
        NightFile { version: NIGHT_VERSION, selected, places: None, capture, end }
    }

    /// Write it.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&self, path: &Path) -> Result<(), String> {
        let text = toml::to_string(self).map_err(|e| format!("the night cannot be saved: {e}"))?;
        let write = || -> Result<(), WriteError> {
            let mut file = AtomicFile::create(path, Existing::Replace)?;
            file.write_all(text.as_bytes())
                .map_err(|source| WriteError::Io { path: path.into(), source })?;
            file.commit()
        };
        write().map_err(|error| format!("the night could not be saved\n  {error}"))
    }

    fn parse(text: &str) -> Result<NightFile, String> {
        let table: toml::Table = toml::from_str(text).map_err(|e| e.to_string())?;
        if let Some(toml::Value::Integer(found)) = table.get("version")
            && *found != i64::from(NIGHT_VERSION)
        {
            return Err(format!(
                "it has version {found}, and this program reads version {NIGHT_VERSION}"
            ));
        }
        let night: NightFile = toml::from_str(text).map_err(|e| e.to_string())?;
        if night.end.captures != night.capture.len() {
            let found = night.capture.len();
            return Err(format!("{} captures were expected, found {found}", night.end.captures));
        }
        for saved in &night.capture {
            saved.recipe.check().map_err(|e| e.to_string())?;
            saved.sheet.check()?;
        }
        Ok(night)
    }
}

/// Whether `text` is a night, and if so, whether the same night is read again from what is written of it.
pub(crate) fn night_again(text: &str) -> Option<bool> {
    let night = NightFile::parse(text).ok()?;
    let written = toml::to_string(&night).ok();
    Some(written.is_some_and(|written| NightFile::parse(&written).as_ref() == Ok(&night)))
}

/// What opening the night gave.
pub(super) struct Opening {
    /// The night; empty when there was none or it could not be read.
    pub night: NightFile,
    /// Held as long as the session lives; `None` when the folder cannot be written to.
    pub lock: Option<File>,
    /// Whether the night may be saved.
    pub may_save: bool,
    /// What the person should know.
    pub troubles: Vec<String>,
}

/// Take the lock and read the night. `None`: another session has it.
pub(super) fn open(path: &Path) -> Option<Opening> {
    let night = NightFile::new(None, Vec::new());
    let mut opening = Opening { night, lock: None, may_save: true, troubles: Vec::new() };
    match take_lock(path) {
        Ok(None) => return None,
        Ok(lock) => opening.lock = lock,
        Err(words) => {
            opening.may_save = false;
            opening.troubles.push(format!("this night is not saved: {words}"));
        }
    }
    match read(path) {
        Ok(None) => {}
        Ok(Some(Ok(night))) => opening.night = night,
        Ok(Some(Err(reason))) => match set_aside(path) {
            Ok(aside) => opening.troubles.push(format!(
                "the saved night could not be read and was set aside; nothing in it is lost: {reason}\n  {}",
                aside.display()
            )),
            Err(error) => {
                opening.may_save = false;
                opening.troubles.push(format!(
                    "the saved night could not be read ({reason}), nor be set aside ({error}); this \
                     night is not saved, so that nothing is overwritten\n  {}",
                    path.display()
                ));
            }
        },
        Err(error) => {
            opening.may_save = false;
            opening.troubles.push(format!(
                "the saved night cannot be read: {error}; this night is not saved, so that nothing \
                 is overwritten\n  {}",
                path.display()
            ));
        }
    }
    Some(opening)
}

/// The night in the file: `None` when there is no file, an inner error when it makes no sense.
fn read(path: &Path) -> io::Result<Option<Result<NightFile, String>>> {
    let file = match open_plain(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other?,
    };
    let mut bytes = Vec::new();
    file.take(LONGEST + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LONGEST {
        return Ok(Some(Err("it is longer than any night".into())));
    }
    Ok(Some(match String::from_utf8(bytes) {
        Ok(text) => NightFile::parse(&text),
        Err(_) => Err("it is no text".into()),
    }))
}

/// Rename the file to a name that is free.
fn set_aside(path: &Path) -> io::Result<PathBuf> {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    for number in 1..1000 {
        let aside = folder_of(path).join(format!("{stem}.unreadable-{number}.toml"));
        if aside.symlink_metadata().is_err() {
            fs::rename(path, &aside)?;
            return Ok(aside);
        }
    }
    Err(io::ErrorKind::AlreadyExists.into())
}

/// The lock; `None` when another session holds it.
fn take_lock(path: &Path) -> Result<Option<File>, String> {
    make_folder(folder_of(path)).map_err(|e| e.to_string())?;
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(".lock");
    let lock = path.with_file_name(name);
    let cannot = |e: io::Error| format!("{e}\n  {}", lock.display());
    let file =
        File::options().create(true).truncate(false).write(true).open(&lock).map_err(cannot)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => Err(cannot(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::FrameRange;

    #[test]
    fn what_is_written_is_read_again() {
        let mut recipe = Recipe::default();
        recipe.frames.exclude(FrameRange::new(3, 9));
        recipe.finish = toml::from_str(
            "optics = { aperture_m = 0.2032, focal_length_m = 4.063, pixel_um = 2.9 }\n",
        )
        .unwrap();
        let stamp = Some(FileStamp { bytes: 7, modified_ms: 1_795_639_200_123 });
        let saved = |path, recipe: &Recipe| SavedCapture {
            path,
            stamp,
            recipe: recipe.clone(),
            sheet: Sheet { clock_ahead_s: 90.0, ..Sheet::default() },
        };
        let mut night = NightFile::new(
            Some(1),
            vec![
                saved(SavedPath::Text("/a/b \"c\".ser".into()), &recipe),
                saved(SavedPath::Bytes(vec![47, 255, 46]), &Recipe::default()),
            ],
        );
        night.places = Some(SavedPath::Text("/lists/places.csv".into()));
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("deep/night.toml");
        night.write(&path).unwrap();
        assert_eq!(read(&path).unwrap().unwrap().unwrap(), night);
        let empty = NightFile::new(None, Vec::new());
        empty.write(&path).unwrap();
        assert_eq!(read(&path).unwrap().unwrap().unwrap(), empty);
    }
}
