//! Why something asked of the night could not be done.

use crate::atomic::{WriteError, advice};
use std::io;
use std::path::PathBuf;
use stillwright_capture::CaptureError;
use stillwright_moon::plan::SearchError;
use stillwright_picture::Cancelled;
use stillwright_sample::SampleError;
use stillwright_seeing::SeeingError;
use stillwright_stacking::StackError;
use stillwright_stacking::finish::FinishError;

/// What went wrong, in words for the person: what and where, then what to do, the path last.
#[derive(Debug, thiserror::Error)]
pub enum NightError {
    /// The person asked to stop; nothing is wrong.
    #[error("stopped on request; no file was left behind")]
    Cancelled,
    /// A file cannot be opened or read.
    #[error("the file cannot be read: {source}\n  {}\n  {}", advice_on_reading(source), path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Not a file at all.
    #[error("a capture file was expected, and this is {found}\n  {remedy}\n  {}", path.display())]
    NotAFile {
        /// What stands there.
        path: PathBuf,
        /// What it is.
        found: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// The capture cannot be used.
    #[error("{source}\n  {}", path.display())]
    Capture {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: CaptureError,
    },
    /// The frames cannot be made into a still.
    #[error("{words}\n  {}", path.display())]
    Work {
        /// The capture.
        path: PathBuf,
        /// What went wrong and what to do.
        words: String,
    },
    /// A result cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// A result would take the place of a capture.
    #[error(
        "this result would replace a capture, which is never done\n  \
         choose another folder with --out\n  {}",
        path.display()
    )]
    WouldReplaceInput {
        /// The capture.
        path: PathBuf,
    },
    /// Two captures would give files of the same name.
    #[error(
        "two captures would give a still of the same name, and this one came second (the first: {})\n  \
         give each its own folder with --out\n  {}",
        first.display(),
        path.display()
    )]
    SameName {
        /// The capture that came first.
        first: PathBuf,
        /// The capture that is refused.
        path: PathBuf,
    },
    /// A setting for a simulated night, or a wish for a coming one, is wrong.
    #[error("{0}")]
    Setting(String),
}

impl NightError {
    /// Whether this is no failure but the answer to a request to stop.
    pub fn is_cancelled(&self) -> bool {
        matches!(self, NightError::Cancelled)
    }

    pub(crate) fn read(path: impl Into<PathBuf>, source: io::Error) -> NightError {
        NightError::Read { path: path.into(), source }
    }

    pub(crate) fn seeing(path: impl Into<PathBuf>, error: SeeingError) -> NightError {
        match error {
            SeeingError::Cancelled(_) => NightError::Cancelled,
            other => NightError::Work { path: path.into(), words: other.to_string() },
        }
    }

    pub(crate) fn stacking(path: impl Into<PathBuf>, error: StackError) -> NightError {
        match error {
            StackError::Cancelled(_) => NightError::Cancelled,
            other => NightError::Work { path: path.into(), words: other.to_string() },
        }
    }

    pub(crate) fn finishing(path: impl Into<PathBuf>, error: FinishError) -> NightError {
        match error {
            FinishError::Cancelled(_) => NightError::Cancelled,
            other => NightError::Work { path: path.into(), words: other.to_string() },
        }
    }
}

impl From<Cancelled> for NightError {
    fn from(_: Cancelled) -> NightError {
        NightError::Cancelled
    }
}

impl From<SampleError> for NightError {
    fn from(error: SampleError) -> NightError {
        match error {
            SampleError::Cancelled(_) => NightError::Cancelled,
            other => NightError::Setting(other.to_string()),
        }
    }
}

impl From<SearchError> for NightError {
    fn from(error: SearchError) -> NightError {
        match error {
            SearchError::Cancelled => NightError::Cancelled,
            other => NightError::Setting(other.to_string()),
        }
    }
}

fn advice_on_reading(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::NotFound => "check the spelling, and that its disk is connected",
        io::ErrorKind::PermissionDenied => {
            "this account may not read it: change its permissions, or copy it as the account that may"
        }
        _ => advice(error),
    }
}
