//! Finding captures in folders: by what files hold, never by their names.

use super::lanes::Output;
use crate::error::NightError;
use crate::jobs::Job;
use crate::sequence::{RESULTS, distinct, first_of_each, head_of};
use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;
use stillwright_capture::{FORMATS, is_picture};
use stillwright_picture::Cancelled;

/// Folders within folders that are walked, and captures that are taken at most.
const DEEPEST: usize = 16;
const MOST: usize = 10_000;

/// Find the captures that `paths` name or hold, in order; those in `known` are left out. Files that
/// were named themselves are taken whatever they hold: opening them will say what is wrong.
pub(super) fn gather(
    job: &Job<'_, Output>,
    paths: Vec<PathBuf>,
    known: &[PathBuf],
) -> Result<Output, Cancelled> {
    let mut walk = Walk {
        job,
        seen: known.iter().map(|path| real(path)).collect(),
        folders: HashSet::new(),
        files: Vec::new(),
        known: 0,
        troubles: Vec::new(),
    };
    for path in distinct(&paths) {
        let path = std::path::absolute(&path).unwrap_or(path);
        match fs::metadata(&path) {
            Ok(facts) if facts.is_dir() => {
                let (before, known) = (walk.files.len(), walk.known);
                walk.folder(&path, 0)?;
                if walk.files.len() == before && walk.known == known {
                    let shown = path.display();
                    walk.troubles.push(format!("no capture was found in this folder\n  {shown}"));
                }
            }
            Ok(_) => walk.take(path),
            Err(error) => walk.troubles.push(NightError::read(path, error).to_string()),
        }
    }
    Ok(Output::Found { files: walk.files, known: walk.known, troubles: walk.troubles })
}

struct Walk<'a, 'b> {
    job: &'a Job<'b, Output>,
    seen: HashSet<PathBuf>,
    folders: HashSet<PathBuf>,
    files: Vec<PathBuf>,
    known: usize,
    troubles: Vec<String>,
}

impl Walk<'_, '_> {
    fn take(&mut self, path: PathBuf) {
        if !self.seen.insert(real(&path)) {
            self.known += 1;
        } else if self.files.len() < MOST {
            self.files.push(path);
        }
    }

    fn folder(&mut self, folder: &Path, depth: usize) -> Result<(), Cancelled> {
        self.job.pause(Duration::ZERO)?;
        // A link may lead back to a folder above.
        if depth > DEEPEST || !self.folders.insert(real(folder)) {
            return Ok(());
        }
        let listed = match fs::read_dir(folder) {
            Ok(listed) => listed,
            Err(error) => {
                self.troubles.push(NightError::read(folder, error).to_string());
                return Ok(());
            }
        };
        let mut paths: Vec<PathBuf> = listed.flatten().map(|entry| entry.path()).collect();
        paths.sort_by(|a, b| by_name(a, b));
        let mut pictures = Vec::new();
        for path in paths {
            self.job.pause(Duration::ZERO)?;
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            if name.starts_with('.') || RESULTS.iter().any(|part| name.contains(part)) {
                continue;
            }
            match fs::metadata(&path) {
                Ok(facts) if facts.is_dir() => self.folder(&path, depth + 1)?,
                Ok(facts) if facts.is_file() => match holds(&path) {
                    Holds::Capture => self.take(path),
                    Holds::Picture => pictures.push(path),
                    Holds::Else => {}
                },
                _ => {}
            }
        }
        // Numbered pictures are one capture, which goes by its first file.
        first_of_each(pictures).into_iter().for_each(|path| self.take(path));
        Ok(())
    }
}

/// The file that a path leads to, links followed; the path itself where the system does not say.
fn real(path: &Path) -> PathBuf {
    fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf())
}

/// What a file holds, by how it begins.
#[derive(PartialEq)]
enum Holds {
    Capture,
    /// A picture, which may be one of a sequence.
    Picture,
    Else,
}

fn holds(path: &Path) -> Holds {
    let Ok(head) = head_of(path) else { return Holds::Else };
    if head.is_empty() {
        Holds::Else
    } else if is_picture(&head) {
        Holds::Picture
    } else if FORMATS.iter().any(|format| (format.recognise)(&head)) {
        Holds::Capture
    } else {
        Holds::Else
    }
}

/// Order by name, numbers in it by their value (`r2` before `r10`), then by the whole path.
pub(super) fn by_name(a: &Path, b: &Path) -> std::cmp::Ordering {
    let key = |path: &Path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
        natural(&name)
    };
    key(a).cmp(&key(b)).then_with(|| a.cmp(b))
}

#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Piece {
    Number(u128),
    Words(String),
}

fn natural(name: &str) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let mut rest = name;
    while !rest.is_empty() {
        let digits = rest.chars().next().is_some_and(|c| c.is_ascii_digit());
        let end = rest.find(|c: char| c.is_ascii_digit() != digits).unwrap_or(rest.len());
        let (piece, after) = rest.split_at(end);
        pieces.push(match piece.parse() {
            Ok(number) if digits => Piece::Number(number),
            _ => Piece::Words(piece.into()),
        });
        rest = after;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_count_as_numbers() {
        let mut names = ["r10.ser", "R2.ser", "r1.ser", "a.ser", "r1b.ser", "10.ser", "9.ser"];
        names.sort_by(|a, b| by_name(Path::new(a), Path::new(b)));
        assert_eq!(names, ["9.ser", "10.ser", "a.ser", "r1.ser", "r1b.ser", "R2.ser", "r10.ser"]);
    }
}
