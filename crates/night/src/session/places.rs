//! Where a session keeps its own files.

use crate::cache::Cache;
use std::path::PathBuf;

/// Where the night and the named recipes lie. Captures are never written to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Places {
    /// The night file, TOML; made when needed.
    pub night: PathBuf,
    /// The folder of named recipes; made when needed.
    pub recipes: PathBuf,
}

impl Places {
    /// The usual places of this account; `None` where it has no home.
    pub fn usual() -> Option<Places> {
        let folders = directories::ProjectDirs::from("", "", "stillwright")?;
        Some(Places {
            night: folders.data_dir().join("night.toml"),
            recipes: folders.config_dir().join("recipes"),
        })
    }

    /// Both under one folder.
    pub fn under(folder: impl Into<PathBuf>) -> Places {
        let folder = folder.into();
        Places { night: folder.join("night.toml"), recipes: folder.join("recipes") }
    }
}

/// How a session behaves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionOptions {
    /// Where it keeps its files.
    pub places: Places,
    /// Grade captures as they come, without being asked.
    pub grade_unasked: bool,
    /// Stack and finish the selected capture, without being asked.
    pub stack_unasked: bool,
    /// Bytes of stacks and stills kept in memory for captures that are not selected; beyond it the
    /// ones looked at longest ago are made anew when they are wanted.
    pub memory_bytes: u64,
    /// Where surveys and stacks are kept from run to run; nowhere when left out.
    pub cache: Option<Cache>,
}

impl SessionOptions {
    /// The usual behaviour, with nothing kept from run to run but the night itself.
    pub fn new(places: Places) -> SessionOptions {
        SessionOptions {
            places,
            grade_unasked: true,
            stack_unasked: true,
            memory_bytes: 1 << 30,
            cache: None,
        }
    }
}
