//! What can be asked of calibration on the command line.

use crate::args::OverrideArgs;
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};
use stillwright_night::calibration::CalibrationSettings;
use stillwright_night::saved_path::SavedPath;
use stillwright_night::seeing::calibration::MasterKind;

/// What frames are calibrated with.
#[derive(Debug, Default, Args)]
#[command(next_help_heading = "Darks and flats")]
pub struct CalibrationArgs {
    /// Dark: recorded with the cap on, exposure and gain as for the captures; or a master made of one. Name several, and
    /// each capture takes the one that matches it.
    #[arg(long, value_name = "FILE")]
    pub dark: Vec<PathBuf>,
    /// Flat: an evenly lit surface through the same telescope and camera, against dust shadows and dark corners; or a master
    /// made of one.
    #[arg(long, value_name = "FILE")]
    pub flat: Vec<PathBuf>,
    /// Dark for the flat: the cap on, exposure and gain as for the flat; or a master made of one.
    #[arg(long, value_name = "FILE")]
    pub dark_flat: Vec<PathBuf>,
    /// Even out stripes of rows and columns that are the same in every frame; the picture must have wandered.
    #[arg(long)]
    pub reduce_bands: bool,
}

impl CalibrationArgs {
    /// Put what was given into `settings`; files that are named here take the place of the recipe's.
    ///
    /// # Errors
    /// What makes no sense, in words.
    pub fn apply(&self, settings: &mut CalibrationSettings) -> Result<(), String> {
        for (given, named) in [
            (&self.dark, &mut settings.darks),
            (&self.flat, &mut settings.flats),
            (&self.dark_flat, &mut settings.dark_flats),
        ] {
            if !given.is_empty() {
                *named = given.iter().map(|path| SavedPath::of(&from_root(path))).collect();
            }
        }
        settings.reduce_bands |= self.reduce_bands;
        if !settings.dark_flats.is_empty() && settings.flats.is_empty() {
            return Err(
                "--dark-flat belongs to a flat, and there is none: name it with --flat".into()
            );
        }
        Ok(())
    }
}

/// A path that means the same from everywhere.
fn from_root(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf())
}

/// Arguments of `master`.
#[derive(Debug, Args)]
pub struct MasterArgs {
    /// Captures with the cap on, or of an even light, best of 50 frames or more.
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// What the frames are.
    #[arg(long, value_name = "KIND", value_enum)]
    pub kind: KindArg,
    /// With --kind flat: the dark that is taken off the flat; a capture, or a master made of one.
    #[arg(long, value_name = "FILE")]
    pub dark_flat: Vec<PathBuf>,
    /// Folder for the masters; each goes beside its capture when left out.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace files that are there already.
    #[arg(long)]
    pub overwrite: bool,
    /// Print one line of JSON per master.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub overrides: OverrideArgs,
}

/// Kinds of masters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum KindArg {
    /// The cap on; exposure and gain as for the captures.
    Dark,
    /// An evenly lit surface, through the same telescope and camera.
    Flat,
    /// The cap on; exposure and gain as for the flats.
    DarkFlat,
}

impl KindArg {
    /// The kind.
    pub fn kind(self) -> MasterKind {
        match self {
            KindArg::Dark => MasterKind::Dark,
            KindArg::Flat => MasterKind::Flat,
            KindArg::DarkFlat => MasterKind::DarkFlat,
        }
    }
}
