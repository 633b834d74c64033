//! The only opener of files: captures read-only, and the names of what is made of them.

use crate::atomic::{Existing, WriteError, folder_of};
use crate::error::NightError;
use crate::export::Format;
use crate::maps::MapFiles;
use crate::recipe::ExportSettings;
use crate::sequence::{Members, no_sequence};
use crate::video;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use stillwright_capture::{Capture, CaptureError, Overrides};
use stillwright_picture::{Progress, Silent};

/// Open a capture, read-only: a file, or a sequence of numbered pictures (their folder, or any one
/// of them).
///
/// # Errors
/// When there is no such file, when it may not be read, or when it is no capture.
pub fn open_capture(path: &Path, overrides: &Overrides) -> Result<Box<dyn Capture>, NightError> {
    open_capture_watched(path, overrides, &Silent)
}

/// [`open_capture`], which tells its progress where that takes long: compressed video is decoded
/// once from end to end.
///
/// # Errors
/// As [`open_capture`], and when the person asked to stop.
pub fn open_capture_watched(
    path: &Path,
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Result<Box<dyn Capture>, NightError> {
    // Looked at before it is opened: opening a pipe would wait for whoever writes to it.
    let facts = fs::metadata(path).map_err(|e| NightError::read(path, e))?;
    let trouble = |source| NightError::Capture { path: path.into(), source };
    if facts.is_dir() {
        let members = Members::of(path).map_err(|e| NightError::read(path, e))?;
        let members = members.ok_or_else(|| no_sequence(path))?;
        return members.open(overrides).map_err(trouble);
    }
    if !facts.is_file() {
        return Err(NightError::NotAFile {
            path: path.into(),
            found: "a device or a pipe",
            remedy: "copy the capture to a disk first",
        });
    }
    let file = File::open(path).map_err(|e| NightError::read(path, e))?;
    match stillwright_capture::open(Box::new(file), overrides) {
        Err(CaptureError::NeedsDecoder(fault)) => video::open(path, fault, overrides, progress),
        // One of a sequence, most likely; a cube is a capture by itself.
        Ok(capture) if capture.frame_count() > 1 => Ok(capture),
        alone => match Members::of(path) {
            Ok(Some(members)) => members.open(overrides).map_err(trouble),
            _ => alone.map_err(trouble),
        },
    }
}

/// Open a plain file, or one that a link leads to. A path from a night file or a recipe may name anything: opening a
/// pipe would wait for whoever writes to it, and a device has no end.
///
/// # Errors
/// What the system says; or that it is none.
pub(crate) fn open_plain(path: &Path) -> io::Result<File> {
    if !fs::metadata(path)?.is_file() {
        let words = "a file was expected, and it is a folder, a device or a pipe";
        return Err(io::Error::new(io::ErrorKind::InvalidInput, words));
    }
    File::open(path)
}

/// Open one file, whatever lies beside it.
///
/// # Errors
/// As [`open_capture`].
pub(crate) fn open_alone(
    path: &Path,
    overrides: &Overrides,
) -> Result<Box<dyn Capture>, NightError> {
    let file = File::open(path).map_err(|e| NightError::read(path, e))?;
    stillwright_capture::open(Box::new(file), overrides)
        .map_err(|source| NightError::Capture { path: path.into(), source })
}

/// The folder that `path` lies in.
pub(crate) fn folder_beside(path: &Path) -> PathBuf {
    folder_of(path).to_path_buf()
}

/// Where the files of one still go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StillFiles {
    /// The capture.
    pub capture: PathBuf,
    /// The finished still, 16-bit TIFF.
    pub still: PathBuf,
    /// The stack before the finish, 32-bit float FITS.
    pub stack: PathBuf,
    /// The record.
    pub record: PathBuf,
    /// The still in further formats.
    pub others: Vec<(Format, PathBuf)>,
    /// Maps of the stack's noise and detail, where they are wanted.
    pub maps: Option<MapFiles>,
    /// Whether existing files may be replaced.
    pub existing: Existing,
}

impl StillFiles {
    /// The files for `capture`, named after it, in `out` or else in a folder `stills` beside it.
    pub fn plan(
        capture: &Path,
        out: Option<&Path>,
        formats: &[Format],
        existing: Existing,
    ) -> StillFiles {
        let folder = match out {
            Some(folder) => folder.to_path_buf(),
            None => folder_of(capture).join("stills"),
        };
        let stem = capture.file_stem().unwrap_or_default();
        let named = |suffix: &str| {
            let mut name = stem.to_os_string();
            name.push(suffix);
            folder.join(name)
        };
        let mut others: Vec<(Format, PathBuf)> = Vec::new();
        for format in formats {
            let path = named(format.facts().still_suffix);
            if *format != Format::Tiff16 && others.iter().all(|(known, _)| known != format) {
                others.push((*format, path));
            }
        }
        StillFiles {
            capture: capture.into(),
            still: named(Format::Tiff16.facts().still_suffix),
            stack: named(".stack.fits"),
            record: named(".record.json"),
            others,
            maps: None,
            existing,
        }
    }

    /// The same files, and maps of the stack beside them where these are wanted.
    #[must_use]
    pub fn with_maps(self, wanted: bool) -> StillFiles {
        // `NAME.stack.fits` has the name to go by.
        let named = |what: &str| self.stack.with_extension("").with_extension(what);
        let maps = MapFiles { noise: named("noise.fits"), detail: named("detail.fits") };
        StillFiles { maps: wanted.then_some(maps), ..self }
    }

    /// Every file, in the order in which they appear.
    pub fn all(&self) -> impl Iterator<Item = &Path> {
        let others = self.others.iter().map(|(_, path)| path.as_path());
        let maps = self.maps.iter().flat_map(|maps| [maps.noise.as_path(), &maps.detail]);
        let first = [self.stack.as_path(), &self.still];
        first.into_iter().chain(others).chain(maps).chain([self.record.as_path()])
    }

    /// Refuse, before any work is done, what could not be written afterwards.
    ///
    /// # Errors
    /// When a file exists and is to stay, or is one of `captures`.
    pub fn check(&self, captures: &[PathBuf]) -> Result<(), NightError> {
        for path in self.all() {
            if path.symlink_metadata().is_err() {
                continue;
            }
            if captures.iter().any(|capture| same_file(path, capture)) {
                return Err(NightError::WouldReplaceInput { path: path.into() });
            }
            if self.existing == Existing::Keep {
                return Err(WriteError::Exists { path: path.into() }.into());
            }
        }
        Ok(())
    }
}

/// Plan the files of several captures and check them all; a capture that has to be refused
/// costs the others nothing.
pub fn plan_stills(
    captures: &[PathBuf],
    out: Option<&Path>,
    formats: &[Format],
    existing: Existing,
) -> Vec<Result<StillFiles, NightError>> {
    let export = ExportSettings { formats: formats.to_vec(), ..ExportSettings::default() };
    let wanted: Vec<_> = captures.iter().map(|path| (path.clone(), export.clone())).collect();
    plan_each(&wanted, captures, out, existing)
}

/// [`plan_stills`] with what is to be written of each capture; none of `captures` is ever replaced.
pub fn plan_each(
    wanted: &[(PathBuf, ExportSettings)],
    captures: &[PathBuf],
    out: Option<&Path>,
    existing: Existing,
) -> Vec<Result<StillFiles, NightError>> {
    let mut taken: Vec<(PathBuf, &Path)> = Vec::new();
    wanted
        .iter()
        .map(|(capture, export)| {
            let files = StillFiles::plan(capture, out, &export.formats, existing);
            let files = files.with_maps(export.maps);
            if let Some((_, first)) = taken.iter().find(|(still, _)| *still == files.still) {
                let (first, path) = (first.to_path_buf(), capture.clone());
                return Err(NightError::SameName { first, path });
            }
            taken.push((files.still.clone(), capture));
            files.check(captures)?;
            Ok(files)
        })
        .collect()
}

/// Whether two names lead to the same file, links followed.
pub(crate) fn same_file(a: &Path, b: &Path) -> bool {
    match (fs::canonicalize(a), fs::canonicalize(b)) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stills_are_named_after_their_capture() {
        let plan = |capture: &str, out: Option<&str>| {
            StillFiles::plan(
                Path::new(capture),
                out.map(Path::new),
                &[Format::Png, Format::Tiff16, Format::Png],
                Existing::Keep,
            )
        };
        let files = plan("night/IN.ser", Some("DIR"));
        assert_eq!(files.still, Path::new("DIR/IN.still.tif"));
        assert_eq!(files.stack, Path::new("DIR/IN.stack.fits"));
        assert_eq!(files.record, Path::new("DIR/IN.record.json"));
        assert_eq!(files.others, [(Format::Png, PathBuf::from("DIR/IN.still.png"))]);
        assert_eq!(files.all().count(), 4);
        let maps = files.with_maps(true);
        let names: Vec<_> = maps.all().filter_map(Path::file_name).collect();
        assert_eq!(names[3..5], ["IN.noise.fits", "IN.detail.fits"]);
        let named = plan("night/a.b.ser", None).with_maps(true).maps.unwrap();
        assert_eq!(named.noise, Path::new("night/stills/a.b.noise.fits"));
        let files = plan("night/a.b.ser", None);
        assert_eq!(files.still, Path::new("night/stills/a.b.still.tif"));
        assert_eq!(plan("x.ser", None).still, Path::new("./stills/x.still.tif"));
    }

    #[test]
    fn what_cannot_be_written_is_refused_before_the_work() {
        let home = tempfile::tempdir().unwrap();
        let file = |name: &str| {
            let path = home.path().join(name);
            fs::write(&path, name).unwrap();
            path
        };
        let (first, second) = (file("one.ser"), file("two.ser"));
        fs::create_dir(home.path().join("other")).unwrap();
        let namesake = file("other/one.ser");
        file("two.record.json");
        let captures = [first.clone(), second, namesake.clone()];
        let plan = |existing| plan_stills(&captures, Some(home.path()), &[], existing);

        let plans = plan(Existing::Keep);
        assert!(plans[0].is_ok());
        assert!(matches!(&plans[1], Err(NightError::Write(WriteError::Exists { path }))
            if path.ends_with("two.record.json")));
        assert!(matches!(&plans[2], Err(NightError::SameName { first: a, path: b })
            if *a == first && *b == namesake));
        assert!(plan(Existing::Replace)[1].is_ok());

        // A capture that bears the name of a result is safe even when replacing was asked for.
        let odd = file("odd.still.tif");
        let source = file("odd.ser");
        let plans = plan_stills(&[source, odd], Some(home.path()), &[], Existing::Replace);
        assert!(matches!(plans[0], Err(NightError::WouldReplaceInput { .. })));
    }

    #[test]
    fn only_files_are_opened() {
        let home = tempfile::tempdir().unwrap();
        let open = |path: &Path| match open_capture(path, &Overrides::default()) {
            Ok(_) => panic!("opened"),
            Err(error) => error.to_string(),
        };
        for (path, words) in [
            (home.path().to_path_buf(), "a folder without numbered pictures"),
            (home.path().join("nothing.ser"), "check the spelling"),
            (PathBuf::from(if cfg!(unix) { "/dev/null" } else { "NUL" }), "a device"),
        ] {
            let said = open(&path);
            assert!(said.contains(words), "{said}");
            assert!(said.ends_with(&path.display().to_string()), "{said}");
        }
    }
}
