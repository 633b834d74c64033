//! A path in a recipe or a night file.

use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// A path: text, or its bytes where it is none.
///
/// It is data: a file that is opened read-only as a capture, and nothing else is ever done with it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(untagged)]
pub enum SavedPath {
    /// A path in words.
    Text(String),
    /// The bytes of a path that is no text.
    Bytes(Vec<u8>),
}

impl SavedPath {
    /// The form in which `path` is saved.
    pub fn of(path: &Path) -> SavedPath {
        match path.to_str() {
            Some(text) => SavedPath::Text(text.into()),
            None => SavedPath::Bytes(path.as_os_str().as_encoded_bytes().to_vec()),
        }
    }

    /// The path.
    pub fn path(&self) -> PathBuf {
        match self {
            SavedPath::Text(text) => text.into(),
            SavedPath::Bytes(bytes) => os_string(bytes).into(),
        }
    }

    /// A path that does not say from where is told from `folder`.
    pub(crate) fn told_from(&mut self, folder: &Path) {
        let path = self.path();
        if path.is_relative() {
            *self = SavedPath::of(&folder.join(path));
        }
    }
}

#[cfg(unix)]
fn os_string(bytes: &[u8]) -> OsString {
    use std::os::unix::ffi::OsStringExt;
    OsString::from_vec(bytes.to_vec())
}

#[cfg(not(unix))]
fn os_string(bytes: &[u8]) -> OsString {
    String::from_utf8_lossy(bytes).into_owned().into()
}
