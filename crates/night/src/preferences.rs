//! How the window looks: kept from one time to the next, apart from any night.

use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::files::open_plain;
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};
use std::path::Path;

/// Most that is read of the file, bytes.
const LONGEST: u64 = 1 << 20;

/// Kept choices. What is missing or makes no sense has its default.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Preferences {
    /// Name of the light: `dark`, `light` or `red`.
    pub light: String,
    /// Size of everything in the window, 0.75 to 2.5.
    pub text_scale: f32,
    /// Folder for stills; empty: beside the captures.
    pub export_folder: String,
}

impl Default for Preferences {
    fn default() -> Self {
        Preferences { light: "dark".into(), text_scale: 1.0, export_folder: String::new() }
    }
}

impl Preferences {
    /// Read them; a file that is not there or cannot be understood gives the defaults.
    pub fn load(path: &Path) -> Preferences {
        let mut text = String::new();
        let read = open_plain(path).and_then(|file| file.take(LONGEST).read_to_string(&mut text));
        Preferences::parse(if read.is_ok() { &text } else { "" })
    }

    /// Choices from their text; nonsense gives the defaults.
    pub(crate) fn parse(text: &str) -> Preferences {
        let mut read: Preferences = toml::from_str(text).unwrap_or_default();
        if !(0.75..=2.5).contains(&read.text_scale) {
            read.text_scale = 1.0;
        }
        read
    }

    /// Write them; the file appears whole or not at all.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), WriteError> {
        let io = |source| WriteError::Io { path: path.into(), source };
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(io)?;
        }
        let text = toml::to_string(self).map_err(|e| io(std::io::Error::other(e)))?;
        let mut file = AtomicFile::create(path, Existing::Replace)?;
        file.write_all(text.as_bytes()).map_err(io)?;
        file.commit()?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn choices_come_back_and_nonsense_does_no_harm() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("deep/window.toml");
        assert_eq!(Preferences::load(&path), Preferences::default());
        let chosen = Preferences { light: "red".into(), text_scale: 1.25, ..Default::default() };
        chosen.save(&path).unwrap();
        assert_eq!(Preferences::load(&path), chosen);
        std::fs::write(&path, "text_scale = 900.0\nlight = \"red\"").unwrap();
        assert_eq!(Preferences::load(&path).text_scale, 1.0);
        std::fs::write(&path, "\0").unwrap();
        assert_eq!(Preferences::load(&path), Preferences::default());
    }
}
