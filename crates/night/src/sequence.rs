//! Picture files of a folder as one capture: which of them belong together, and opening them.

use crate::error::NightError;
use crate::files::open_plain;
use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stillwright_capture::{
    Bytes, Capture, CaptureError, FrameFiles, HEAD_BYTES, Overrides, Remark, is_picture, numbered,
    open_sequence,
};

/// What results are named; they lie beside captures and are none.
pub(crate) const RESULTS: [&str; 10] = [
    ".still.",
    ".still-float.",
    ".stack.",
    ".truth.",
    ".record.",
    ".dark.fits",
    ".flat.fits",
    ".dark-flat.fits",
    ".measured.",
    ".beside.",
];

/// Most files of a folder that are looked through.
const MOST_FILES: usize = 1_000_000;

/// The files of a sequence, in the order of their numbers.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Members {
    pub(crate) paths: Vec<PathBuf>,
    /// Gaps between the numbers.
    pub(crate) warnings: Vec<Remark>,
}

impl Members {
    /// The sequence that `path` stands for: a folder (the longest sequence of pictures in it), or
    /// a picture file with others beside it that differ in a number. `None` where it is no
    /// sequence.
    ///
    /// # Errors
    /// What the system says when it is asked for the files.
    pub(crate) fn of(path: &Path) -> io::Result<Option<Members>> {
        if fs::metadata(path)?.is_dir() {
            let names = picture_names(path)?;
            return Ok(Members::among(path, &names, None));
        }
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else { return Ok(None) };
        if !is_picture(&head_of(path)?) {
            return Ok(None);
        }
        let folder = crate::atomic::folder_of(path);
        let same_kind = |other: &String| extension(other) == extension(name);
        // A folder that may not be listed leaves the file by itself.
        let names = file_names(folder).unwrap_or_default();
        let names: Vec<String> = names.into_iter().filter(same_kind).collect();
        let member = names.iter().position(|other| other == name);
        Ok(member.and_then(|member| Members::among(folder, &names, Some(member))))
    }

    fn among(folder: &Path, names: &[String], member: Option<usize>) -> Option<Members> {
        let found = numbered(names, member)?;
        let paths = found.members.iter().map(|index| folder.join(&names[*index])).collect();
        Some(Members { paths, warnings: found.warnings })
    }

    /// Open them as one capture.
    pub(crate) fn open(self, overrides: &Overrides) -> Result<Box<dyn Capture>, CaptureError> {
        open_sequence(Box::new(OnDisk(self.paths)), self.warnings, overrides)
    }
}

/// Every file that a capture consists of, in order: `path` itself, or the members of a sequence.
///
/// # Errors
/// When the file is not there or the system does not say what is in the folder.
pub fn files_of(path: &Path) -> io::Result<Vec<PathBuf>> {
    let one_of_many = |members: &Members| {
        fs::metadata(path).is_ok_and(|facts| facts.is_dir()) || is_alone(&members.paths)
    };
    match Members::of(path)?.filter(one_of_many) {
        Some(members) => Ok(members.paths),
        None => Ok(vec![path.into()]),
    }
}

/// `paths` without those that an earlier one stands for already: of the members of a sequence, the first that
/// is named, however many a shell or a file manager lists.
pub fn distinct(paths: &[PathBuf]) -> Vec<PathBuf> {
    let real = |path: &Path| fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut covered: HashSet<PathBuf> = HashSet::new();
    let mut kept = Vec::new();
    for path in paths {
        if covered.contains(&real(path)) {
            continue;
        }
        kept.push(path.clone());
        // One file by itself is taken as often as it is named: that two results would bear one name is said.
        let members = files_of(path).unwrap_or_default();
        if members.len() > 1 {
            covered.extend(members.iter().map(|member| real(member)));
        }
    }
    kept
}

/// Whether each file holds one picture: cubes are captures by themselves, whatever lies beside.
pub(crate) fn is_alone(paths: &[PathBuf]) -> bool {
    let Some(first) = paths.first() else { return false };
    let Ok(file) = open_plain(first) else { return true };
    match stillwright_capture::open(Box::new(file), &Overrides::default()) {
        Ok(capture) => capture.frame_count() == 1,
        Err(_) => true,
    }
}

/// The captures among picture files of one folder: the first file of each sequence, and cubes, which hold
/// many pictures each. Single pictures are left out, for a picture alone is a result or a snapshot
/// far more often than a capture.
pub(crate) fn first_of_each(paths: Vec<PathBuf>) -> Vec<PathBuf> {
    let mut rest = paths;
    let mut firsts = Vec::new();
    while !rest.is_empty() {
        let name =
            |path: &PathBuf| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let names: Vec<String> = rest.iter().map(name).collect();
        let Some(found) = numbered(&names, None) else { break };
        let members: Vec<PathBuf> = found.members.iter().map(|i| rest[*i].clone()).collect();
        if is_alone(&members) {
            firsts.extend(members.first().cloned());
        } else {
            firsts.extend(members.iter().cloned());
        }
        let taken: HashSet<&PathBuf> = members.iter().collect();
        rest.retain(|path| !taken.contains(path));
    }
    firsts.extend(rest.into_iter().filter(|path| !is_alone(std::slice::from_ref(path))));
    firsts
}

/// The beginning of a file.
pub(crate) fn head_of(path: &Path) -> io::Result<Vec<u8>> {
    let mut head = Vec::with_capacity(HEAD_BYTES);
    open_plain(path)?.take(HEAD_BYTES as u64).read_to_end(&mut head)?;
    Ok(head)
}

fn extension(name: &str) -> String {
    name.rsplit_once('.').map_or(String::new(), |(_, extension)| extension.to_ascii_lowercase())
}

/// Names of the plain files of a folder, results and hidden ones left out.
fn file_names(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)?.flatten().take(MOST_FILES) {
        // Names that are no text cannot be numbered.
        let Ok(name) = entry.file_name().into_string() else { continue };
        let plain = entry.file_type().is_ok_and(|kind| kind.is_file() || kind.is_symlink());
        if plain && !name.starts_with('.') && !RESULTS.iter().any(|part| name.contains(part)) {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}

/// The names of those that hold pictures, by the content of one file of each extension.
fn picture_names(folder: &Path) -> io::Result<Vec<String>> {
    let names = file_names(folder)?;
    let mut known: Vec<(String, bool)> = Vec::new();
    let mut pictures = Vec::new();
    for name in names {
        let kind = extension(&name);
        let holds = match known.iter().find(|(other, _)| *other == kind) {
            Some((_, holds)) => *holds,
            None => {
                let path = folder.join(&name);
                let plain = fs::metadata(&path).is_ok_and(|facts| facts.is_file());
                let holds = plain && head_of(&path).is_ok_and(|head| is_picture(&head));
                known.push((kind, holds));
                holds
            }
        };
        if holds {
            pictures.push(name);
        }
    }
    Ok(pictures)
}

/// The error for a folder without a sequence.
pub(crate) fn no_sequence(folder: &Path) -> NightError {
    NightError::NotAFile {
        path: folder.into(),
        found: "a folder without numbered pictures",
        remedy: "name the capture files in it",
    }
}

struct OnDisk(Vec<PathBuf>);

impl FrameFiles for OnDisk {
    fn count(&self) -> usize {
        self.0.len()
    }

    fn name(&self, index: usize) -> String {
        let name = self.0.get(index).and_then(|path| path.file_name()).unwrap_or_default();
        name.to_string_lossy().into_owned()
    }

    fn open(&self, index: usize) -> io::Result<Arc<dyn Bytes>> {
        let path = self.0.get(index).ok_or(io::ErrorKind::NotFound)?;
        // A pipe in the place of a picture would make its reader wait for ever.
        Ok(Arc::new(open_plain(path)?))
    }
}

/// Files read one after another as if they were one.
pub(crate) struct Joined {
    rest: std::vec::IntoIter<PathBuf>,
    now: File,
}

impl Joined {
    /// Begin with the first of `paths`.
    pub(crate) fn open(paths: Vec<PathBuf>) -> io::Result<Joined> {
        let mut rest = paths.into_iter();
        let first = rest.next().ok_or(io::ErrorKind::NotFound)?;
        Ok(Joined { rest, now: open_plain(&first)? })
    }
}

impl Read for Joined {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        loop {
            let n = self.now.read(buf)?;
            if n > 0 || buf.is_empty() {
                return Ok(n);
            }
            let Some(next) = self.rest.next() else { return Ok(0) };
            self.now = open_plain(&next)?;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::open_capture;
    use image::ImageEncoder;
    use stillwright_picture::{RawFrame, Samples};

    fn picture(path: &Path, level: u8) {
        let file = File::create(path).unwrap();
        let encoder = image::codecs::png::PngEncoder::new(file);
        encoder.write_image(&[level; 12], 4, 3, image::ExtendedColorType::L8).unwrap();
    }

    #[test]
    fn a_folder_and_any_member_give_the_whole_sequence() {
        let home = tempfile::tempdir().unwrap();
        for number in [1, 2, 3, 5, 10] {
            picture(&home.path().join(format!("r{number}.png")), number);
        }
        picture(&home.path().join("r1.still.png"), 99);
        picture(&home.path().join("other.PNG"), 98);
        fs::write(home.path().join("r4.txt"), "no picture").unwrap();
        let overrides = Overrides::default();
        for path in [home.path().to_path_buf(), home.path().join("r5.png")] {
            let capture = open_capture(&path, &overrides).unwrap();
            assert_eq!(capture.frame_count(), 5, "{}", path.display());
            assert_eq!(capture.facts().warnings.len(), 1, "{:?}", capture.facts().warnings);
            let mut frame = RawFrame::black(capture.format());
            for (index, level) in [1, 2, 3, 5, 10].into_iter().enumerate() {
                capture.read_frame(index, &mut frame).unwrap();
                assert_eq!(frame.samples, Samples::U8(vec![level; 12]));
            }
            let files = files_of(&path).unwrap();
            assert_eq!(files.len(), 5);
            let mut all = Vec::new();
            Joined::open(files.clone()).unwrap().read_to_end(&mut all).unwrap();
            let apart: Vec<u8> = files.iter().flat_map(|file| fs::read(file).unwrap()).collect();
            assert_eq!(all, apart);
        }
        // A picture that no number ties to others is a capture of one frame.
        let alone = open_capture(&home.path().join("other.PNG"), &overrides).unwrap();
        assert_eq!(alone.frame_count(), 1);
        let paths = ["r1.png", "r2.png", "other.PNG"].map(|name| home.path().join(name)).to_vec();
        assert_eq!(first_of_each(paths), [home.path().join("r1.png")]);
        // A member that is gone afterwards costs only its frame.
        let capture = open_capture(home.path(), &overrides).unwrap();
        fs::remove_file(home.path().join("r2.png")).unwrap();
        let mut frame = RawFrame::black(capture.format());
        let error = capture.read_frame(1, &mut frame).unwrap_err().to_string();
        assert!(error.contains("r2.png"), "{error}");
        assert!(capture.read_frame(2, &mut frame).is_ok());
    }

    #[test]
    fn a_cube_beside_a_sequence_is_a_capture_too() {
        let home = tempfile::tempdir().unwrap();
        let fits = |name: &str, planes: usize| {
            let cards = [
                "SIMPLE  =                    T".to_string(),
                "BITPIX  =                    8".to_string(),
                "NAXIS   =                    3".to_string(),
                "NAXIS1  =                    4".to_string(),
                "NAXIS2  =                    3".to_string(),
                format!("NAXIS3  = {planes:>20}"),
                "END".to_string(),
            ];
            let mut bytes: Vec<u8> =
                cards.iter().flat_map(|card| format!("{card:<80}").into_bytes()).collect();
            bytes.resize(2880, b' ');
            bytes.resize(2 * 2880, 7);
            let path = home.path().join(name);
            fs::write(&path, bytes).unwrap();
            path
        };
        let (cube, other, single) = (fits("a-u8.fits", 5), fits("b.fits", 4), fits("c.fits", 1));
        for number in [1, 2] {
            picture(&home.path().join(format!("r{number}.png")), number);
        }
        let first = home.path().join("r1.png");
        let all = [cube.clone(), other.clone(), single, first.clone(), home.path().join("r2.png")];
        assert_eq!(first_of_each(all.to_vec()), [first, cube, other]);
    }

    #[test]
    fn a_folder_without_pictures_is_refused() {
        let home = tempfile::tempdir().unwrap();
        fs::write(home.path().join("a1.txt"), "x").unwrap();
        fs::write(home.path().join("a2.txt"), "x").unwrap();
        let error = open_capture(home.path(), &Overrides::default()).err().unwrap().to_string();
        assert!(error.contains("a folder without numbered pictures"), "{error}");
    }
}
