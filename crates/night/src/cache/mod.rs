//! What was found of captures before, kept in the user's cache folder: surveys, stacks, and how their hash stood on the way.
//!
//! An entry is named after everything it depends on: the capture (size, time of the last
//! change, and samples of its bytes), the slice of the recipe that matters, and the very program that
//! made it. An entry that is damaged, cut off or not understood counts as not there. Where a
//! still is made, the capture is hashed as a whole all the same (by several threads, along the marks that were kept of it:
//! [`Waymarks`]), and an entry that was made from other bytes is dropped and everything done anew ([`crate::still`]).
//!
//! The folder never grows beyond a limit: the entries used longest ago go first. Nothing depends on it, and it may be
//! deleted at any time. `STILLWRIGHT_CACHE` names another folder, or, when empty, turns it off.

mod bytes;
mod forms;
mod print;

pub(crate) use forms::{read_stack, read_survey, write_stack, write_survey};

use crate::atomic::{AtomicFile, Existing};
use crate::choice::FrameChoice;
use crate::hash::{Waymarks, hexadecimal};
use crate::recipe::Recipe;
use crate::sequence::files_of;
use sha2::{Digest, Sha256};
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use stillwright_capture::{Facts, Overrides};
use stillwright_seeing::{Survey, SurveySettings};
use stillwright_stacking::{Stack, StackSettings};

/// First bytes of every entry; the number changes with the form.
const MAGIC: &[u8; 20] = b"stillwright found 3\n";

/// Bytes before an entry's contents: magic, hash of the capture, length and hash of the contents.
const HEAD_BYTES: usize = 20 + 64 + 8 + 32;

/// The folder may hold this much unless told otherwise.
const LIMIT_BYTES: u64 = 2 << 30;

/// The environment variable that names the folder.
pub const FOLDER_VARIABLE: &str = "STILLWRIGHT_CACHE";

/// A folder of entries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cache {
    folder: PathBuf,
    limit_bytes: u64,
}

/// Something that was kept, and of which capture (SHA-256, where it was known then).
#[derive(Clone, Debug, PartialEq)]
pub struct Kept<T> {
    /// What was kept.
    pub value: T,
    /// SHA-256 of the capture it was made from; `None` where only samples of it were looked at.
    pub sha256: Option<String>,
}

/// The names of a capture's entries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keys {
    survey: String,
    stack: String,
    marks: String,
}

impl Keys {
    /// The names for a capture that was opened from `path` under `recipe`; `None` where it is not
    /// known to lie in that one file as a whole (a sequence of pictures does not), or where the
    /// file cannot be read.
    pub fn of_capture(path: &Path, facts: &Facts, recipe: &Recipe) -> Option<Keys> {
        ["SER", "AVI"].contains(&facts.format).then(|| Keys::of(path, recipe)).flatten()
    }

    /// The names for a capture in one file under `recipe`; `None` where it cannot be read.
    pub fn of(path: &Path, recipe: &Recipe) -> Option<Keys> {
        #[derive(serde::Serialize)]
        struct OfSurvey<'a>(&'a str, &'a str, &'a Overrides, &'a SurveySettings, &'a str);
        #[derive(serde::Serialize)]
        struct OfStack<'a>(&'a str, &'a FrameChoice, &'a StackSettings);
        let (content, program) = (print::of_file(path).ok()?, print::of_program()?);
        let name = |text: String| hexadecimal(&Sha256::digest(text.as_bytes()));
        let marks = format!("{}.marks", name(content.clone()));
        let calibration = of_calibration(recipe)?;
        let slice = OfSurvey(&content, &program, &recipe.capture, &recipe.survey, &calibration);
        let survey = name(serde_json::to_string(&slice).ok()?);
        let slice = OfStack(&survey, &recipe.frames, &recipe.stack);
        let stack = name(serde_json::to_string(&slice).ok()?);
        Some(Keys { survey: format!("{survey}.survey"), stack: format!("{stack}.stack"), marks })
    }
}

impl Cache {
    /// The usual folder of this account; `None` where there is none or it is turned off.
    pub fn usual() -> Option<Cache> {
        match std::env::var_os(FOLDER_VARIABLE) {
            Some(folder) if folder.is_empty() => None,
            Some(folder) => Some(Cache::under(folder)),
            None => {
                let folders = directories::ProjectDirs::from("", "", "stillwright")?;
                Some(Cache::under(folders.cache_dir().join("found")))
            }
        }
    }

    /// A folder of one's own.
    pub fn under(folder: impl Into<PathBuf>) -> Cache {
        Cache { folder: folder.into(), limit_bytes: LIMIT_BYTES }
    }

    /// The same folder with another limit.
    pub fn limited_to(self, limit_bytes: u64) -> Cache {
        Cache { limit_bytes, ..self }
    }

    /// The survey that was kept, if it is there and whole. Frames left out by hand are not marked.
    pub fn survey(&self, keys: &Keys) -> Option<Kept<Survey>> {
        let (contents, sha256) = self.load(&keys.survey)?;
        Some(Kept { value: read_survey(&contents)?, sha256 })
    }

    /// The stack that was kept, if it is there and whole.
    pub fn stack(&self, keys: &Keys) -> Option<Kept<Stack>> {
        let (contents, sha256) = self.load(&keys.stack)?;
        Some(Kept { value: read_stack(&contents)?, sha256 })
    }

    /// Keep a survey, before frames left out by hand are marked in it. What cannot be kept is not kept, without a word.
    pub fn keep_survey(&self, keys: &Keys, survey: &Survey, sha256: Option<&str>) {
        let _ = self.store(&keys.survey, &write_survey(survey), sha256);
    }

    /// Keep a stack likewise.
    pub fn keep_stack(&self, keys: &Keys, stack: &Stack, sha256: Option<&str>) {
        let _ = self.store(&keys.stack, &write_stack(stack), sha256);
    }

    /// How the capture's hash stood on the way when it was last hashed, whatever the recipe.
    pub fn waymarks(&self, keys: &Keys) -> Option<Waymarks> {
        Waymarks::from_bytes(&self.load(&keys.marks)?.0)
    }

    /// Keep that, if it is of use and not kept already.
    pub fn keep_waymarks(&self, keys: &Keys, marks: Option<&Waymarks>) {
        if let Some(marks) = marks.filter(|m| m.serve() && self.waymarks(keys).as_ref() != Some(m))
        {
            let _ = self.store(&keys.marks, &marks.to_bytes(), Some(&marks.print().sha256));
        }
    }

    /// Drop what was kept under these names.
    pub fn forget(&self, keys: &Keys) {
        for name in [&keys.survey, &keys.stack, &keys.marks] {
            let _ = fs::remove_file(self.folder.join(name));
        }
    }

    fn load(&self, name: &str) -> Option<(Vec<u8>, Option<String>)> {
        let mut file = File::open(self.folder.join(name)).ok()?;
        let length = file.metadata().ok()?.len();
        let mut head = [0u8; HEAD_BYTES];
        file.read_exact(&mut head).ok()?;
        let (magic, rest) = head.split_at(MAGIC.len());
        let (sha256, rest) = rest.split_at(64);
        let (count, hash) = rest.split_at(8);
        let count = u64::from_le_bytes(count.try_into().ok()?);
        // Checked before anything is allocated.
        let whole = length == count.checked_add(HEAD_BYTES as u64)? && count <= self.limit_bytes;
        if magic != MAGIC || !whole {
            return None;
        }
        let mut contents = vec![0u8; usize::try_from(count).ok()?];
        file.read_exact(&mut contents).ok()?;
        if Sha256::digest(&contents).as_slice() != hash {
            return None;
        }
        // The time of the last use; where it cannot be set, that of the making stands.
        let _ = file.set_modified(SystemTime::now());
        let known = sha256.iter().any(|byte| *byte != b'-');
        let sha256 = String::from_utf8(sha256.to_vec()).ok().filter(|_| known);
        Some((contents, sha256))
    }

    fn store(&self, name: &str, contents: &[u8], sha256: Option<&str>) -> io::Result<()> {
        let bytes = contents.len() as u64 + HEAD_BYTES as u64;
        if bytes > self.limit_bytes / 2 {
            return Ok(());
        }
        fs::create_dir_all(&self.folder)?;
        self.make_room(bytes)?;
        let path = self.folder.join(name);
        let mut file = AtomicFile::create(&path, Existing::Replace).map_err(io::Error::other)?;
        file.write_all(MAGIC)?;
        let unknown = "-".repeat(64);
        let sha256 = sha256.filter(|text| text.len() == 64).unwrap_or(&unknown);
        file.write_all(sha256.as_bytes())?;
        file.write_all(&(contents.len() as u64).to_le_bytes())?;
        file.write_all(Sha256::digest(contents).as_slice())?;
        file.write_all(contents)?;
        file.commit().map_err(io::Error::other)
    }

    /// Delete the entries used longest ago until `bytes` more fit.
    fn make_room(&self, bytes: u64) -> io::Result<()> {
        let mut entries: Vec<(SystemTime, u64, PathBuf)> = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let (path, facts) = entry.and_then(|e| Ok((e.path(), e.metadata()?)))?;
            let ours =
                path.extension().is_some_and(|e| e == "survey" || e == "stack" || e == "marks");
            if ours && facts.is_file() {
                entries.push((facts.modified()?, facts.len(), path));
            }
        }
        entries.sort();
        let mut total: u64 = entries.iter().map(|(_, length, _)| length).sum();
        for (_, length, path) in entries {
            if total + bytes <= self.limit_bytes {
                break;
            }
            fs::remove_file(path)?;
            total -= length;
        }
        Ok(())
    }
}

/// What frames are calibrated with, contents of the files included; `None` where it is not in single files
/// that can be read.
fn of_calibration(recipe: &Recipe) -> Option<String> {
    let settings = &recipe.calibration;
    let mut words = serde_json::to_string(settings).ok()?;
    for path in settings.paths() {
        let files = files_of(&path).ok()?;
        let [file] = files.as_slice() else { return None };
        words += &print::of_file(file).ok()?;
    }
    Some(words)
}

#[cfg(test)]
mod tests;
