//! Kept frames, laid while somebody may look on.

use crate::accumulate::Accumulator;
use crate::align::{Bench, Chosen, Frames, Lay};
use crate::credible::Expected;
use crate::keep::Ranks;
use crate::stack::{StackError, Watcher};
use std::ops::Range;
use stillwright_picture::{Cancelled, Picture, Progress, Stage};

/// Kept frames: the index of each, and the half it belongs to.
#[derive(Clone, Copy)]
pub(crate) struct Kept<'a> {
    pub ranks: &'a Ranks<'a>,
    /// The bands of each of the sums that are made at once.
    pub parts: &'a [Range<usize>],
    pub frames: &'a [(usize, usize)],
}

impl Frames for Kept<'_> {
    fn count(&self) -> usize {
        self.frames.len()
    }

    fn chosen(&self, number: usize) -> Chosen {
        let (index, half) = self.frames[number];
        Chosen { index, weights: self.ranks.weights_in(index, self.parts), half }
    }
}

/// Frames that are laid on an aligner while somebody may look on.
#[derive(Clone, Copy)]
pub(crate) struct Watched<'a> {
    pub bench: &'a Bench<'a>,
    pub on: Lay<'a>,
    pub expected: Option<&'a Expected>,
    /// What stands where nothing was added.
    pub fallback: &'a Picture,
    pub progress: &'a dyn Progress,
    pub watcher: Option<Watcher<'a>>,
    /// Frames that come together.
    pub frames: usize,
    /// Steps of the whole work.
    pub total: usize,
}

impl Watched<'_> {
    /// Add the frames `chosen`, before which `before` are done, to `sums`, the first `shown` of which are what comes together. Returns the
    /// frames that could not be read.
    ///
    /// # Errors
    /// When cancelled.
    pub fn add(
        &self,
        chosen: Kept<'_>,
        before: usize,
        sums: &mut [Accumulator],
        shown: usize,
    ) -> Result<Vec<usize>, StackError> {
        let (mut lost, mut done, frames) = (Vec::new(), 0, chosen.frames.len());
        while done < frames {
            let end = if self.watcher.is_some() { next_look(done, frames) } else { frames };
            let say = Onward { progress: self.progress, done: before + done, total: self.total };
            let some = Kept { frames: &chosen.frames[done..end], ..chosen };
            let say = (Stage::Stacking, &say as &dyn Progress);
            lost.extend(self.bench.add_all(&some, self.on, self.expected, sums, say)?);
            done = end;
            if let Some(look) = self.watcher.filter(|_| before + done < self.total)
                && let Some(so_far) = Accumulator::together(&sums[..shown])
            {
                look(so_far.whole(Some(self.fallback)), before + done, self.frames);
            }
        }
        Ok(lost)
    }
}

/// How many frames are to be in before the stack is looked at again: twice as many as last time
/// while there are few, then an eighth of all more. In whole batches of 32, the most that are
/// aligned at once.
fn next_look(done: usize, total: usize) -> usize {
    let step = done.clamp(total / 32, (total / 8).max(1)).max(1);
    (done + step.next_multiple_of(32)).min(total)
}

/// Progress of one part of the frames as progress of all.
pub(crate) struct Onward<'a> {
    pub progress: &'a dyn Progress,
    /// What is behind the part.
    pub done: usize,
    pub total: usize,
}

impl Progress for Onward<'_> {
    fn advance(&self, stage: Stage, done: usize, _total: usize) -> Result<(), Cancelled> {
        self.progress.advance(stage, self.done + done, self.total)
    }

    fn check(&self) -> Result<(), Cancelled> {
        self.progress.check()
    }
}
