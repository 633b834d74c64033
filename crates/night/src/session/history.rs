//! Undo and redo: every step is the recipes before and after it.

use super::entry::CaptureId;
use crate::recipe::Recipe;
use crate::sheet::Sheet;
use std::sync::Arc;

/// One step that can be taken back.
#[derive(Clone, Debug)]
pub(crate) struct Step {
    /// What was done, in a few words: `keep`, `finish of 4 px detail`.
    pub words: String,
    /// Every recipe that changed: before, after.
    pub changes: Vec<(CaptureId, Arc<Recipe>, Arc<Recipe>)>,
    /// Every sheet that changed: before, after.
    pub sheets: Vec<(CaptureId, Arc<Sheet>, Arc<Sheet>)>,
}

impl Step {
    fn is_empty(&self) -> bool {
        self.changes.is_empty() && self.sheets.is_empty()
    }
}

/// Steps that were taken, and steps that were taken back.
#[derive(Debug, Default)]
pub(crate) struct History {
    undo: Vec<Step>,
    redo: Vec<Step>,
}

/// More steps than these are forgotten, the oldest first: a night's work has fewer.
const MOST: usize = 1000;

impl History {
    /// A step was taken; what had been taken back is forgotten. A step that changed nothing is
    /// none.
    pub fn record(&mut self, mut step: Step) {
        step.changes.retain(|(_, before, after)| before != after);
        step.sheets.retain(|(_, before, after)| before != after);
        if step.is_empty() {
            return;
        }
        self.redo.clear();
        self.undo.push(step);
        if self.undo.len() > MOST {
            self.undo.remove(0);
        }
    }

    /// The step to take back now; it can be taken again afterwards.
    pub fn undo(&mut self) -> Option<Step> {
        let step = self.undo.pop()?;
        self.redo.push(step.clone());
        Some(step)
    }

    /// The step to take again now.
    pub fn redo(&mut self) -> Option<Step> {
        let step = self.redo.pop()?;
        self.undo.push(step.clone());
        Some(step)
    }

    /// A capture left the night: its part of every step is forgotten.
    pub fn forget(&mut self, id: CaptureId) {
        for steps in [&mut self.undo, &mut self.redo] {
            for step in steps.iter_mut() {
                step.changes.retain(|change| change.0 != id);
                step.sheets.retain(|change| change.0 != id);
            }
            steps.retain(|step| !step.is_empty());
        }
    }

    /// What [`History::undo`] would take back.
    pub fn undo_words(&self) -> Option<&str> {
        self.undo.last().map(|step| step.words.as_str())
    }

    /// What [`History::redo`] would take again.
    pub fn redo_words(&self) -> Option<&str> {
        self.redo.last().map(|step| step.words.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_go_back_and_forth_and_new_ones_cut_off_the_undone() {
        let plain = Arc::new(Recipe::default());
        let mut other = Recipe::default();
        other.stack.scale = 2.0;
        let other = Arc::new(other);
        let step = |words: &str, id: u64| Step {
            words: words.into(),
            changes: vec![(CaptureId(id), Arc::clone(&plain), Arc::clone(&other))],
            sheets: Vec::new(),
        };
        let mut history = History::default();
        history.record(Step {
            words: "nothing".into(),
            changes: vec![(CaptureId(1), Arc::clone(&plain), Arc::clone(&plain))],
            sheets: Vec::new(),
        });
        assert!(history.undo().is_none());
        history.record(step("a", 1));
        history.record(step("b", 2));
        assert_eq!(history.undo().unwrap().words, "b");
        assert_eq!((history.undo_words(), history.redo_words()), (Some("a"), Some("b")));
        assert_eq!(history.redo().unwrap().words, "b");
        history.undo();
        history.record(step("c", 1));
        assert_eq!(history.redo_words(), None);
        history.forget(CaptureId(1));
        assert!(history.undo().is_none());
    }
}
