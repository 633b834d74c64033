//! Simulated captures as files, with the truth beside them.
//!
//! `NAME.ser` is the capture; `NAME.truth.tif` what a perfect telescope would have shown (32-bit
//! float, colours side by side, with a margin); `NAME.truth.json` the [`Truth`]: settings,
//! margin, optical cut-off, and every frame's shift, ripple and blur.

use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::error::NightError;
use crate::export::{Caption, ExportError, Format, write_picture};
use crate::record::PROGRAM;
use serde::Serialize;
use std::io::Write;
use std::path::{Path, PathBuf};
use stillwright_capture::{CaptureError, SerOptions, SerWriter, Ticks};
use stillwright_picture::{Picture, Progress};
use stillwright_sample::{INSTRUMENT, OBSERVER, SampleCapture, SampleSettings, TELESCOPE, Truth};

/// The files of one simulated capture.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SampleFiles {
    /// The capture, SER.
    pub capture: PathBuf,
    /// The true picture, 32-bit float TIFF.
    pub truth_picture: PathBuf,
    /// What is true of each frame, JSON.
    pub truth: PathBuf,
}

impl SampleFiles {
    /// The files of a capture called `name` in `folder`.
    pub fn plan(folder: &Path, name: &str) -> SampleFiles {
        SampleFiles {
            capture: folder.join(format!("{name}.ser")),
            truth_picture: folder.join(format!("{name}.truth.tif")),
            truth: folder.join(format!("{name}.truth.json")),
        }
    }

    /// All three.
    pub fn all(&self) -> [&Path; 3] {
        [&self.capture, &self.truth_picture, &self.truth]
    }

    /// Refuse, before any work is done, what could not be written afterwards.
    ///
    /// # Errors
    /// When one of the files is there already and is to stay.
    pub fn check(&self, existing: Existing) -> Result<(), NightError> {
        let there = self.all().into_iter().find(|path| path.symlink_metadata().is_ok());
        match there {
            Some(path) if existing == Existing::Keep => {
                Err(WriteError::Exists { path: path.into() }.into())
            }
            _ => Ok(()),
        }
    }
}

/// A simulated capture that has been written.
#[derive(Clone, Debug)]
pub struct SampleDone {
    /// Where its files are.
    pub files: SampleFiles,
    /// The truth.
    pub truth: Truth,
    /// The true picture.
    pub picture: Picture,
}

/// Simulate a capture and write it with its truth. All three files appear together at the end.
///
/// # Errors
/// When a setting is out of its range, a file cannot be written, or the person asked to stop; no
/// file is left behind then.
pub fn write_sample(
    files: &SampleFiles,
    settings: &SampleSettings,
    existing: Existing,
    progress: &dyn Progress,
) -> Result<SampleDone, NightError> {
    settings.check()?;
    files.check(existing)?;
    let night = SampleCapture::prepare(settings)?;
    let depth = u8::try_from(settings.camera.bit_depth)
        .map_err(|_| NightError::Setting("camera.bit_depth must be 8 to 16".into()))?;
    let mut options =
        SerOptions::new(settings.width, settings.height, settings.camera.layout, depth);
    options.observer = OBSERVER.into();
    options.instrument = INSTRUMENT.into();
    options.telescope = TELESCOPE.into();
    options.start_utc = Some(Ticks(night.ticks_utc(0)));
    options.start_local = options.start_utc;

    let out = AtomicFile::create(&files.capture, existing)?;
    let failed = |error: CaptureError| match error {
        CaptureError::Io { source, .. } => {
            NightError::Write(WriteError::Io { path: files.capture.clone(), source })
        }
        source => NightError::Capture { path: files.capture.clone(), source },
    };
    let mut writer = SerWriter::create(out, options).map_err(failed)?;
    let truth = night.render_all(progress, |index, frame| {
        writer.write_frame(&frame.samples, Some(Ticks(night.ticks_utc(index)))).map_err(failed)
    })?;
    let mut capture = writer.finish().map_err(failed)?;
    capture.flush_to_disk()?;

    let mut picture_file = AtomicFile::create(&files.truth_picture, existing)?;
    let caption = Caption {
        content: "what a perfect telescope of this aperture would show".into(),
        program: PROGRAM.into(),
        values: "Values are linear light above the black level; 1.0 is the camera's full scale."
            .into(),
        ..Caption::default()
    };
    write_picture(Format::Tiff32, night.picture(), &caption, &mut picture_file).map_err(
        |error| match error {
            ExportError::Io(source) => WriteError::Io { path: files.truth_picture.clone(), source },
            ExportError::DoesNotFit(reason) => {
                WriteError::Format { path: files.truth_picture.clone(), reason }
            }
        },
    )?;
    picture_file.flush_to_disk()?;

    let mut truth_file = AtomicFile::create(&files.truth, existing)?;
    serde_json::to_writer(&mut truth_file, &truth)
        .map_err(std::io::Error::from)
        .and_then(|()| truth_file.write_all(b"\n"))
        .map_err(|source| WriteError::Io { path: files.truth.clone(), source })?;
    truth_file.flush_to_disk()?;

    for file in [capture, picture_file, truth_file] {
        file.commit()?;
    }
    Ok(SampleDone { files: files.clone(), truth, picture: night.picture().clone() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::open_capture;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use stillwright_capture::Overrides;
    use stillwright_picture::{Cancelled, Silent, Stage};

    fn tiny() -> SampleSettings {
        let mut settings = SampleSettings::small(5);
        (settings.width, settings.height, settings.frames) = (64, 48, 6);
        settings
    }

    #[test]
    fn a_capture_and_its_truth_stand_side_by_side() {
        let home = tempfile::tempdir().unwrap();
        let files = SampleFiles::plan(&home.path().join("night"), "tiny");
        let done = write_sample(&files, &tiny(), Existing::Keep, &Silent).unwrap();
        let capture = open_capture(&files.capture, &Overrides::default()).unwrap();
        let facts = capture.facts();
        assert_eq!((facts.width, facts.height, facts.frames), (64, 48, 6));
        assert!(facts.has_times && facts.warnings.is_empty(), "{:?}", facts.warnings);
        let truth: Truth = serde_json::from_slice(&std::fs::read(&files.truth).unwrap()).unwrap();
        assert_eq!(truth.frames.len(), 6);
        assert_eq!(done.picture.width(), 64 + 2 * truth.margin_px);
        let again = write_sample(&files, &tiny(), Existing::Keep, &Silent);
        assert!(matches!(again, Err(NightError::Write(WriteError::Exists { .. }))));
    }

    #[test]
    fn a_night_given_up_leaves_nothing() {
        struct Impatient(AtomicUsize);
        impl Progress for Impatient {
            fn advance(&self, _: Stage, _: usize, _: usize) -> Result<(), Cancelled> {
                if self.0.fetch_add(1, Ordering::Relaxed) == 0 { Ok(()) } else { Err(Cancelled) }
            }
        }
        let home = tempfile::tempdir().unwrap();
        let files = SampleFiles::plan(home.path(), "tiny");
        let stopped =
            write_sample(&files, &tiny(), Existing::Keep, &Impatient(AtomicUsize::new(0)));
        assert!(matches!(stopped, Err(NightError::Cancelled)));
        assert_eq!(std::fs::read_dir(home.path()).unwrap().count(), 0);
    }
}
