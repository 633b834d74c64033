//! A small sample night, a still from it, and how good it is against the known truth.
//!
//! The demonstration may be run again and again in the same folder. A list of what it wrote, with
//! hashes, stands there as `demo.json`; only files that are still as they were written are replaced, and anything
//! else stops it before the work.

use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::error::NightError;
use crate::files::{StillFiles, open_capture};
use crate::grade::frame_lines;
use crate::hash::{Fingerprint, fingerprint};
use crate::judge::{JudgeSettings, Judged, straight_error};
use crate::recipe::Recipe;
use crate::sample_night::{SampleFiles, write_sample};
use crate::still::{StillDone, make_still};
use ndarray::Array2;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use stillwright_capture::Overrides;
use stillwright_picture::{Picture, Progress, RawFrame, Samples};
use stillwright_sample::{SampleSettings, Truth};
use stillwright_stacking::finish::Optics;

/// The folder that is used when none is named.
pub const DEFAULT_FOLDER: &str = "stillwright-sample";

/// How many of the frames with the best grades are held against the truth; the best of them is
/// the best single frame, so that a misjudged grade does not flatter the still.
const CANDIDATES: usize = 12;

/// What the demonstration made and how good it is.
#[derive(Debug)]
pub struct DemoDone {
    /// The simulated capture and its truth.
    pub sample: SampleFiles,
    /// The still.
    pub still: StillDone,
    /// The still against the truth.
    pub still_judged: Judged,
    /// The best single frame against the truth.
    pub frame_judged: Judged,
    /// Which frame that is.
    pub best_frame: usize,
}

impl DemoDone {
    /// How many times closer to the truth the still is than the best single frame.
    pub fn times_closer(&self) -> f64 {
        self.frame_judged.error / self.still_judged.error
    }
}

/// Make a sample night in `folder` and a still from it.
///
/// # Errors
/// When a file is in the way, cannot be written, or the person asked to stop.
pub fn run_demo(
    folder: &Path,
    existing: Existing,
    progress: &dyn Progress,
) -> Result<DemoDone, NightError> {
    demo_of(folder, &SampleSettings::demo(1), existing, progress)
}

fn demo_of(
    folder: &Path,
    settings: &SampleSettings,
    existing: Existing,
    progress: &dyn Progress,
) -> Result<DemoDone, NightError> {
    let sample = SampleFiles::plan(folder, "ridge");
    let plan = |existing| StillFiles::plan(&sample.capture, None, &[], existing);
    let list = folder.join("demo.json");
    let all: Vec<PathBuf> =
        sample.all().into_iter().chain(plan(existing).all()).map(Path::to_path_buf).collect();
    let existing = match existing {
        Existing::Replace => Existing::Replace,
        Existing::Keep => {
            check_own(folder, &list, &all)?;
            Existing::Replace
        }
    };

    let night = write_sample(&sample, settings, existing, progress)?;
    let mut recipe = Recipe::default();
    recipe.finish.optics = Some(optics(settings));
    let still = make_still(&plan(existing), &recipe, progress)?;
    write_list(folder, &list, &all)?;

    let capture = open_capture(&sample.capture, &Overrides::default())?;
    let mut best: Vec<_> =
        frame_lines(&still.survey).into_iter().filter(|line| !line.rejected).collect();
    best.sort_by(|a, b| b.grade.total_cmp(&a.grade));
    let judged: Vec<(usize, Judged)> = best
        .par_iter()
        .take(CANDIDATES)
        .filter_map(|line| {
            let mut frame = RawFrame::black(capture.format());
            capture.read_frame(line.index, &mut frame).ok()?;
            let light = as_plane(&frame)?;
            Some((line.index, judge(&night.picture, &night.truth, &light, line.index).ok()?))
        })
        .collect();
    let (best_frame, frame_judged) = judged
        .into_iter()
        .min_by(|a, b| a.1.error.total_cmp(&b.1.error))
        .ok_or_else(|| words(&sample.capture, "no frame could be compared with the truth"))?;
    let light = still.finished.picture.plane(0).to_owned();
    let still_judged = judge(&night.picture, &night.truth, &light, still.survey.reference_index)
        .map_err(|error| words(&still.files.still, &error.to_string()))?;
    Ok(DemoDone { sample, still, still_judged, frame_judged, best_frame })
}

fn words(path: &Path, words: &str) -> NightError {
    NightError::Work { path: path.into(), words: words.into() }
}

/// Telescope and camera of a simulated night, as its owner would know them.
fn optics(settings: &SampleSettings) -> Optics {
    let telescope = &settings.telescope;
    let pixel_um = 2.9;
    let radians_per_px = telescope.arcsec_per_px / 206_264.806_247_096_36;
    Optics {
        aperture_m: telescope.aperture_m,
        obstruction: telescope.obstruction,
        focal_length_m: pixel_um * 1e-6 / radians_per_px,
        pixel_um,
        wavelength_m: telescope.wavelength_m,
    }
}

/// Hold a picture with the pixel grid of frame `index` against the truth.
fn judge(
    picture: &Picture,
    truth: &Truth,
    light: &Array2<f32>,
    index: usize,
) -> Result<Judged, crate::judge::JudgeError> {
    let margin = truth.margin_px as f64;
    let near = truth
        .frames
        .get(index)
        .map(|frame| (margin - f64::from(frame.shift.x_px), margin - f64::from(frame.shift.y_px)));
    let cutoff = truth.cutoff_cycles_per_px.first().copied().unwrap_or(0.5);
    let settings = JudgeSettings { near, reach_px: 6.0, ..JudgeSettings::new(cutoff) };
    straight_error(picture.plane(0), light.view(), &settings)
}

/// A mono frame as light.
fn as_plane(frame: &RawFrame) -> Option<Array2<f32>> {
    let shape = (frame.format.height, frame.format.width);
    let values: Vec<f32> = match &frame.samples {
        Samples::U8(values) => values.iter().map(|v| f32::from(*v)).collect(),
        Samples::U16(values) => values.iter().map(|v| f32::from(*v)).collect(),
        Samples::F32(values) => values.clone(),
    };
    Array2::from_shape_vec(shape, values).ok()
}

/// Most that is read of the list of those files, bytes.
const LONGEST_LIST: u64 = 1 << 20;

/// One file that a demonstration wrote.
#[derive(Debug, Serialize, Deserialize)]
struct Listed {
    file: PathBuf,
    bytes: u64,
    sha256: String,
}

/// Refuse to replace anything that an earlier demonstration did not write itself.
fn check_own(folder: &Path, list: &Path, all: &[PathBuf]) -> Result<(), NightError> {
    let mut bytes = Vec::new();
    let read = crate::files::open_plain(list)
        .and_then(|file| file.take(LONGEST_LIST).read_to_end(&mut bytes));
    let listed: Vec<Listed> = match read {
        Err(_) => Vec::new(),
        // Somebody else's file of this name would be replaced, too.
        Ok(_) => {
            serde_json::from_slice(&bytes).map_err(|_| WriteError::Exists { path: list.into() })?
        }
    };
    for path in all.iter().filter(|path| path.symlink_metadata().is_ok()) {
        let name = path.strip_prefix(folder).unwrap_or(path);
        let known = listed.iter().find(|entry| entry.file == name);
        let own = known.is_some_and(|entry| {
            path.symlink_metadata().is_ok_and(|facts| facts.is_file())
                && print_of(path)
                    .is_some_and(|now| now.bytes == entry.bytes && now.sha256 == entry.sha256)
        });
        if !own {
            return Err(WriteError::Exists { path: path.clone() }.into());
        }
    }
    Ok(())
}

fn print_of(path: &Path) -> Option<Fingerprint> {
    fingerprint(&mut File::open(path).ok()?, &AtomicBool::new(false)).ok().flatten()
}

fn write_list(folder: &Path, list: &Path, all: &[PathBuf]) -> Result<(), NightError> {
    let entries: Vec<Listed> = all
        .iter()
        .filter_map(|path| {
            let print = print_of(path)?;
            let file = path.strip_prefix(folder).unwrap_or(path).to_path_buf();
            Some(Listed { file, bytes: print.bytes, sha256: print.sha256 })
        })
        .collect();
    let mut file = AtomicFile::create(list, Existing::Replace)?;
    serde_json::to_writer_pretty(&mut file, &entries)
        .map_err(std::io::Error::from)
        .and_then(|()| file.write_all(b"\n"))
        .map_err(|source| WriteError::Io { path: list.into(), source })?;
    file.commit()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_its_own_untouched_files_are_replaced() {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path();
        let list = folder.join("demo.json");
        let all = [folder.join("ridge.ser"), folder.join("stills/ridge.still.tif")];
        assert!(check_own(folder, &list, &all).is_ok());
        std::fs::create_dir(folder.join("stills")).unwrap();
        for path in &all {
            std::fs::write(path, b"ours").unwrap();
        }
        assert!(check_own(folder, &list, &all).is_err(), "files without a list are not ours");
        write_list(folder, &list, &all).unwrap();
        assert!(check_own(folder, &list, &all).is_ok());
        std::fs::write(&all[1], b"retouched").unwrap();
        let refused = check_own(folder, &list, &all).unwrap_err();
        assert!(refused.to_string().contains("ridge.still.tif"), "{refused}");
        std::fs::remove_file(&all[1]).unwrap();
        assert!(check_own(folder, &list, &all).is_ok());
        std::fs::write(&list, b"a shopping list").unwrap();
        assert!(check_own(folder, &list, &all).is_err());
    }

    #[test]
    fn the_optics_of_a_simulated_night_have_its_cut_off() {
        let settings = SampleSettings::demo(1);
        let known = settings.cutoff_cycles_per_px(settings.telescope.wavelength_m);
        assert!((optics(&settings).cutoff_cycles_per_px() / known - 1.0).abs() < 1e-9);
    }
}
