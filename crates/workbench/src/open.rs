//! The system's own chooser of files, on a thread of its own.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use stillwright_night::seeing::calibration::MasterKind;
use stillwright_night::session::CaptureId;

/// What files are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Captures for the night.
    Captures,
    /// Darks, flats or dark-flats for a capture.
    Calibration(CaptureId, MasterKind),
}

type Chosen = (Purpose, Vec<PathBuf>);

#[derive(Default)]
struct State {
    open: bool,
    chosen: Option<Chosen>,
}

/// Asks for files without ever holding the window up.
pub struct Opener {
    state: Arc<Mutex<State>>,
    wake: Arc<dyn Fn() + Send + Sync>,
}

impl Opener {
    /// `wake` is called when something was chosen, or when the person thought better of it.
    pub fn new(wake: impl Fn() + Send + Sync + 'static) -> Opener {
        Opener { state: Arc::default(), wake: Arc::new(wake) }
    }

    /// Whether a chooser is open.
    pub fn busy(&self) -> bool {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).open
    }

    /// Ask for captures.
    pub fn files(&self) {
        self.ask(Purpose::Captures, || {
            rfd::FileDialog::new().set_title("Open captures").pick_files().unwrap_or_default()
        });
    }

    /// Ask for darks, flats or dark-flats of a capture.
    pub fn calibration(&self, id: CaptureId, kind: MasterKind) {
        let title = match kind {
            MasterKind::Dark => "Choose darks",
            MasterKind::Flat => "Choose flats",
            MasterKind::DarkFlat => "Choose dark-flats",
        };
        self.ask(Purpose::Calibration(id, kind), move || {
            rfd::FileDialog::new().set_title(title).pick_files().unwrap_or_default()
        });
    }

    /// Ask for folders with captures.
    pub fn folder(&self) {
        self.ask(Purpose::Captures, || {
            let title = "Open folders with captures";
            rfd::FileDialog::new().set_title(title).pick_folders().unwrap_or_default()
        });
    }

    /// What was chosen since the last call, and for what; empty when the chooser was closed without a choice,
    /// or when the system has none.
    pub fn take(&self) -> Option<Chosen> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).chosen.take()
    }

    fn ask(&self, purpose: Purpose, chooser: impl FnOnce() -> Vec<PathBuf> + Send + 'static) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.open {
            return;
        }
        let (theirs, wake) = (Arc::clone(&self.state), Arc::clone(&self.wake));
        let thread = std::thread::Builder::new().name("chooser".into()).spawn(move || {
            // The chooser may fail in ways of the desktop's own; that is no reason to go down.
            let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(chooser));
            let mut state = theirs.lock().unwrap_or_else(PoisonError::into_inner);
            state.open = false;
            state.chosen = Some((purpose, caught.unwrap_or_default()));
            drop(state);
            wake();
        });
        state.open = thread.is_ok();
    }
}
