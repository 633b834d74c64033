//! Files that appear whole or not at all.

use crate::leftovers::{PREFIX, SUFFIX, claim, sweep_once};
use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use tempfile::{Builder, NamedTempFile};

/// Whether a file that is already there may be replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// It stays, and the new file is refused.
    Keep,
    /// It is replaced, in one step.
    Replace,
}

/// Why a file could not be written. The path comes last.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// A file of this name is there already.
    #[error(
        "this file exists already and stays as it is\n  \
         choose another folder with --out, or say --overwrite to replace it\n  {}",
        path.display()
    )]
    Exists {
        /// The file that exists.
        path: PathBuf,
    },
    /// The folder cannot be made or entered.
    #[error("the folder for the results cannot be used: {source}\n  {}\n  {}", advice(source), path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Writing stopped half-way; nothing was left behind.
    #[error(
        "the file could not be written, and no part of it was left behind: {source}\n  {}\n  {}",
        advice(source),
        path.display()
    )]
    Io {
        /// The file that was to be.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The picture does not fit the format.
    #[error("{reason}\n  {}", path.display())]
    Format {
        /// The file that was to be.
        path: PathBuf,
        /// What does not fit and what to do.
        reason: String,
    },
}

/// What to do about an error of the system, in a short sentence.
pub(crate) fn advice(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "the disk is full: free some space, or choose another disk with --out"
        }
        io::ErrorKind::FileTooLarge => {
            "the disk or your account allows no file that large: choose another disk with --out"
        }
        io::ErrorKind::PermissionDenied => {
            "this account may not do that here: check the permissions, or choose another place"
        }
        io::ErrorKind::ReadOnlyFilesystem => "the disk is read-only: choose another one with --out",
        io::ErrorKind::NotFound => "check the spelling, and that the disk is connected",
        io::ErrorKind::NotADirectory | io::ErrorKind::AlreadyExists => {
            "a file stands where a folder is needed: choose another place with --out"
        }
        io::ErrorKind::IsADirectory => {
            "a folder stands where a file is needed: choose another place with --out"
        }
        _ => "check that the disk is connected and healthy, then try again",
    }
}

/// A file in the making: written under a hidden name in the folder of its target, and given its
/// own name when it is complete. Dropped before that, it vanishes; what a killed program leaves
/// behind is swept away when the next one writes into the folder.
///
/// Cost: one `fsync` of the file and one of its folder at [`AtomicFile::commit`].
#[derive(Debug)]
pub struct AtomicFile {
    writer: BufWriter<NamedTempFile>,
    target: PathBuf,
    existing: Existing,
}

impl AtomicFile {
    /// Begin the file `target`; its folder is made as needed.
    ///
    /// # Errors
    /// When `target` exists and is to stay, or when the folder cannot be written to.
    pub fn create(target: &Path, existing: Existing) -> Result<AtomicFile, WriteError> {
        if existing == Existing::Keep && target.symlink_metadata().is_ok() {
            return Err(WriteError::Exists { path: target.into() });
        }
        let folder = folder_of(target);
        make_folder(folder)?;
        sweep_once(folder);
        let mut builder = Builder::new();
        builder.prefix(PREFIX).suffix(SUFFIX);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As any new file: the account's umask takes its share away.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let temp = builder
            .tempfile_in(folder)
            .map_err(|source| WriteError::Folder { path: folder.into(), source })?;
        claim(temp.as_file());
        let writer = BufWriter::with_capacity(1 << 18, temp);
        Ok(AtomicFile { writer, target: target.into(), existing })
    }

    /// The name that the file is going to have.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Bring everything onto the disk, still under the hidden name. After this only the
    /// naming can fail.
    ///
    /// # Errors
    /// When the disk is full or fails.
    pub fn flush_to_disk(&mut self) -> Result<(), WriteError> {
        let done = self.writer.flush().and_then(|()| self.writer.get_ref().as_file().sync_all());
        done.map_err(|source| WriteError::Io { path: self.target.clone(), source })
    }

    /// Give the finished file its name, in one step.
    ///
    /// # Errors
    /// When the disk is full or fails, and when a file of this name has come up meanwhile and
    /// is to stay. The hidden file is gone then.
    pub fn commit(mut self) -> Result<(), WriteError> {
        self.flush_to_disk()?;
        let AtomicFile { writer, target, existing } = self;
        let temp = writer
            .into_inner()
            .map_err(|e| WriteError::Io { path: target.clone(), source: e.into_error() })?;
        match existing {
            Existing::Replace => temp
                .persist(&target)
                .map(drop)
                .map_err(|e| WriteError::Io { path: target.clone(), source: e.error })?,
            Existing::Keep => name_without_replacing(temp, &target)?,
        }
        sync_folder(folder_of(&target));
        Ok(())
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.writer.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer.flush()
    }
}

impl Seek for AtomicFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.writer.seek(to)
    }
}

/// Name `temp` so that nobody's file is lost, even one that comes up in the same moment: by a
/// rename that refuses to replace or by a hard link (both in `tempfile`); where the disk knows
/// neither (memory cards), by claiming the name with an empty file that is our own to replace.
fn name_without_replacing(temp: NamedTempFile, target: &Path) -> Result<(), WriteError> {
    let refused = match temp.persist_noclobber(target) {
        Ok(_) => return Ok(()),
        Err(refused) => refused,
    };
    if refused.error.kind() == io::ErrorKind::AlreadyExists {
        return Err(WriteError::Exists { path: target.into() });
    }
    match File::options().write(true).create_new(true).open(target) {
        Ok(_claim) => match refused.file.persist(target) {
            Ok(_) => Ok(()),
            Err(failed) => {
                let _ = fs::remove_file(target);
                Err(WriteError::Io { path: target.into(), source: failed.error })
            }
        },
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
            Err(WriteError::Exists { path: target.into() })
        }
        Err(source) => Err(WriteError::Io { path: target.into(), source }),
    }
}

/// The folder that `target` lies in.
pub(crate) fn folder_of(target: &Path) -> &Path {
    match target.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Make a folder and those above it.
pub(crate) fn make_folder(folder: &Path) -> Result<(), WriteError> {
    fs::create_dir_all(folder).map_err(|source| WriteError::Folder { path: folder.into(), source })
}

/// A name survives a power cut only when its folder has reached the disk too. Not every disk
/// can do that, and the file itself is safe: an error here is no failure.
fn sync_folder(folder: &Path) {
    if let Ok(handle) = File::open(folder) {
        let _ = handle.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut all: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        all.sort();
        all
    }

    #[test]
    fn a_file_appears_when_it_is_whole_and_not_before() {
        let home = tempfile::tempdir().unwrap();
        let target = home.path().join("deep/er/still.tif");
        let mut file = AtomicFile::create(&target, Existing::Keep).unwrap();
        file.write_all(b"light").unwrap();
        file.flush_to_disk().unwrap();
        assert!(!target.exists());
        file.commit().unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"light");
        assert_eq!(names(target.parent().unwrap()), ["still.tif"]);
    }

    #[test]
    fn a_file_given_up_leaves_nothing() {
        let home = tempfile::tempdir().unwrap();
        let mut file = AtomicFile::create(&home.path().join("still.tif"), Existing::Keep).unwrap();
        file.write_all(&[7; 1 << 20]).unwrap();
        assert_eq!(names(home.path()).len(), 1);
        drop(file);
        assert!(names(home.path()).is_empty());
    }

    #[test]
    fn nothing_is_replaced_unasked_not_even_a_late_comer() {
        let home = tempfile::tempdir().unwrap();
        let target = home.path().join("still.tif");
        let mut file = AtomicFile::create(&target, Existing::Keep).unwrap();
        file.write_all(b"ours").unwrap();
        fs::write(&target, b"theirs").unwrap();
        assert!(matches!(file.commit(), Err(WriteError::Exists { .. })));
        assert_eq!(fs::read(&target).unwrap(), b"theirs");
        assert!(matches!(
            AtomicFile::create(&target, Existing::Keep),
            Err(WriteError::Exists { .. })
        ));
        assert_eq!(names(home.path()), ["still.tif"]);

        let mut asked = AtomicFile::create(&target, Existing::Replace).unwrap();
        asked.write_all(b"ours").unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"theirs");
        asked.commit().unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"ours");
        assert_eq!(names(home.path()), ["still.tif"]);
    }

    #[cfg(unix)]
    #[test]
    fn a_dangling_link_counts_as_a_file_that_is_there() {
        let home = tempfile::tempdir().unwrap();
        let target = home.path().join("still.tif");
        std::os::unix::fs::symlink(home.path().join("nowhere"), &target).unwrap();
        assert!(matches!(
            AtomicFile::create(&target, Existing::Keep),
            Err(WriteError::Exists { .. })
        ));
    }

    #[cfg(unix)]
    #[test]
    fn results_may_be_read_like_any_new_file() {
        use std::os::unix::fs::PermissionsExt;
        let home = tempfile::tempdir().unwrap();
        let plain = home.path().join("plain");
        fs::write(&plain, b"").unwrap();
        let target = home.path().join("still.tif");
        AtomicFile::create(&target, Existing::Keep).unwrap().commit().unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&target), mode(&plain));
    }

    #[test]
    fn a_file_in_the_place_of_a_folder_is_named() {
        let home = tempfile::tempdir().unwrap();
        let in_the_way = home.path().join("stills");
        fs::write(&in_the_way, b"").unwrap();
        let error = AtomicFile::create(&in_the_way.join("a.tif"), Existing::Keep).unwrap_err();
        let words = error.to_string();
        assert!(words.ends_with("stills"), "{words}");
        assert!(words.contains("--out"), "{words}");
    }
}
