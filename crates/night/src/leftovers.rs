//! Hidden files that a killed program left behind, swept away.
//!
//! A file in the making ([`crate::atomic::AtomicFile`]) bears a hidden name and is locked as long as its writer
//! lives; the system lets go of the lock when a program ends, however it ends. So one that can be locked has no
//! writer any more. Where the disk knows no locks, nothing is swept.

use std::collections::HashSet;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

/// How the names of files in the making begin and end; six letters or digits stand between.
pub(crate) const PREFIX: &str = ".stillwright-";
pub(crate) const SUFFIX: &str = ".partial";
const LETTERS: usize = 6;

/// Files changed within this time are left alone: one that was made a moment ago may not be locked yet, and clocks
/// of network disks differ. Longer, and a nearly full disk keeps what it does not need.
const YOUNG: Duration = Duration::from_secs(60);

/// Folders of a run that are remembered as swept.
const MOST_FOLDERS: usize = 256;

/// Lock a file in the making for its writer. A disk without locks keeps what is left behind.
pub(crate) fn claim(file: &File) {
    let _ = file.try_lock();
}

/// Sweep `folder` when this run writes into it for the first time.
pub(crate) fn sweep_once(folder: &Path) {
    static SWEPT: Mutex<Option<HashSet<PathBuf>>> = Mutex::new(None);
    let mut swept = SWEPT.lock().unwrap_or_else(PoisonError::into_inner);
    let swept = swept.get_or_insert_with(HashSet::new);
    if swept.len() >= MOST_FOLDERS {
        swept.clear();
    }
    if swept.insert(folder.to_path_buf()) {
        sweep(folder, SystemTime::now());
    }
}

/// Delete what killed programs left in `folder`; how many files that were. What cannot be deleted stays, without a
/// word: it is hidden, and no work depends on it.
pub(crate) fn sweep(folder: &Path, now: SystemTime) -> usize {
    let Ok(listed) = fs::read_dir(folder) else { return 0 };
    let ours = listed.flatten().filter(|entry| entry.file_name().to_str().is_some_and(is_ours));
    ours.filter(|entry| is_left(&entry.path(), now) && fs::remove_file(entry.path()).is_ok())
        .count()
}

fn is_ours(name: &str) -> bool {
    let middle = name.strip_prefix(PREFIX).and_then(|rest| rest.strip_suffix(SUFFIX));
    middle.is_some_and(|m| m.len() == LETTERS && m.bytes().all(|c| c.is_ascii_alphanumeric()))
}

/// Whether it is a plain file, not young, and nobody's.
fn is_left(path: &Path, now: SystemTime) -> bool {
    let Ok(facts) = fs::symlink_metadata(path) else { return false };
    let age = facts.modified().ok().and_then(|changed| now.duration_since(changed).ok());
    facts.is_file()
        && age.is_some_and(|age| age >= YOUNG)
        && File::options().write(true).open(path).is_ok_and(|file| file.try_lock().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::atomic::{AtomicFile, Existing};
    use std::io::Write;

    fn names(folder: &Path) -> Vec<String> {
        let all = fs::read_dir(folder).unwrap();
        let mut all: Vec<String> =
            all.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        all.sort();
        all
    }

    fn later() -> SystemTime {
        SystemTime::now() + 2 * YOUNG
    }

    #[test]
    fn what_nobody_writes_any_more_goes_and_all_else_stays() {
        let home = tempfile::tempdir().unwrap();
        let others = [
            ".stillwright-abc123.partial.txt",
            ".stillwright-abc12.partial",
            ".stillwright-abc1234.partial",
            ".stillwright-abc/23.partial",
            ".stillwright-ab.123.partial",
            "stillwright-abc123.partial",
            ".other-abc123.partial",
            "ridge.ser",
        ]
        .map(|name| name.replace('/', "-"));
        for name in &others {
            fs::write(home.path().join(name), "theirs").unwrap();
        }
        fs::create_dir(home.path().join(".stillwright-folder.partial")).unwrap();
        fs::write(home.path().join(".stillwright-aB3xYz.partial"), "left").unwrap();
        assert_eq!(sweep(home.path(), SystemTime::now()), 0, "it is young");
        assert_eq!(sweep(home.path(), later()), 1);
        let mut expected = others.to_vec();
        expected.push(".stillwright-folder.partial".into());
        expected.sort();
        assert_eq!(names(home.path()), expected);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_and_what_it_leads_to_stay() {
        let home = tempfile::tempdir().unwrap();
        let precious = home.path().join("precious");
        fs::write(&precious, "words").unwrap();
        std::os::unix::fs::symlink(&precious, home.path().join(".stillwright-abc123.partial"))
            .unwrap();
        assert_eq!(sweep(home.path(), later()), 0);
        assert_eq!(names(home.path()).len(), 2);
    }

    #[test]
    fn a_file_that_is_being_written_is_not_swept_however_old() {
        let home = tempfile::tempdir().unwrap();
        let target = home.path().join("still.tif");
        let mut file = AtomicFile::create(&target, Existing::Keep).unwrap();
        file.write_all(b"light").unwrap();
        assert_eq!(sweep(home.path(), later()), 0);
        file.commit().unwrap();
        assert_eq!(names(home.path()), ["still.tif"]);
    }

    #[test]
    fn a_folder_is_swept_when_it_is_written_into() {
        let home = tempfile::tempdir().unwrap();
        let left = home.path().join(".stillwright-abc123.partial");
        fs::write(&left, "left").unwrap();
        let old = SystemTime::now() - 2 * YOUNG;
        File::options().write(true).open(&left).unwrap().set_modified(old).unwrap();
        AtomicFile::create(&home.path().join("a.tif"), Existing::Keep).unwrap().commit().unwrap();
        assert_eq!(names(home.path()), ["a.tif"]);
    }
}
