//! What a recipe says of calibration.

use crate::saved_path::SavedPath;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Most files that one recipe may name for each purpose.
const MOST: usize = 64;

/// What frames are calibrated with. Of several darks or flats, each capture takes the one that matches
/// it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CalibrationSettings {
    /// Captures without light, exposed as the night's captures are, or masters made of them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub darks: Vec<SavedPath>,
    /// Captures of an even light, or masters made of them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flats: Vec<SavedPath>,
    /// Captures without light, exposed as the flats are, or masters made of them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub dark_flats: Vec<SavedPath>,
    /// Even out rows and columns that read too much in every frame.
    pub reduce_bands: bool,
}

impl CalibrationSettings {
    /// Whether nothing is asked for.
    pub fn is_empty(&self) -> bool {
        self.paths().next().is_none() && !self.reduce_bands
    }

    /// Every file that is named.
    pub fn paths(&self) -> impl Iterator<Item = PathBuf> {
        self.darks.iter().chain(&self.flats).chain(&self.dark_flats).map(SavedPath::path)
    }

    /// Paths that do not say from where are told from `folder`: that of the recipe's file.
    pub fn tell_from(&mut self, folder: &Path) {
        let all = self.darks.iter_mut().chain(&mut self.flats).chain(&mut self.dark_flats);
        all.for_each(|path| path.told_from(folder));
    }

    /// What is wrong with it, in words.
    pub(crate) fn check(&self) -> Result<(), String> {
        for (name, paths) in
            [("darks", &self.darks), ("flats", &self.flats), ("dark_flats", &self.dark_flats)]
        {
            if paths.len() > MOST {
                let found = paths.len();
                return Err(format!(
                    "calibration: {name} names {found} files, expected at most {MOST}"
                ));
            }
        }
        if !self.dark_flats.is_empty() && self.flats.is_empty() {
            return Err(
                "calibration: there are dark_flats, and no flats that they belong to".into()
            );
        }
        Ok(())
    }
}
