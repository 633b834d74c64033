//! How a long computation tells where it is, and asks whether to go on.

/// The person asked to stop; nothing is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("cancelled")]
pub struct Cancelled;

/// What is being done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Stage {
    /// Decoding compressed video once, to know its frames.
    Opening,
    /// Making a master from dark or flat frames.
    Calibrating,
    /// Looking at a few frames to choose a reference.
    Sampling,
    /// Reading every frame: grade, shift, brightness.
    Grading,
    /// Building the reference from the best frames.
    Reference,
    /// Finding out how much to keep.
    Advising,
    /// Aligning and adding the kept frames.
    Stacking,
    /// Sharpening, tone, colour.
    Finishing,
    /// Writing files.
    Writing,
    /// Computing a simulated capture.
    Simulating,
    /// Looking through coming nights.
    Searching,
}

impl Stage {
    /// The stage in a word or two, for a progress line.
    pub fn words(self) -> &'static str {
        match self {
            Stage::Opening => "opening",
            Stage::Calibrating => "calibrating",
            Stage::Sampling => "looking in",
            Stage::Grading => "grading",
            Stage::Reference => "making the reference",
            Stage::Advising => "weighing how much to keep",
            Stage::Stacking => "stacking",
            Stage::Finishing => "finishing",
            Stage::Writing => "writing",
            Stage::Simulating => "simulating",
            Stage::Searching => "searching",
        }
    }
}

/// Called by long computations from whichever thread they run on, many times a second;
/// implementations that draw must thin the calls out themselves.
pub trait Progress: Sync {
    /// `done` of `total` steps of `stage` are behind us.
    ///
    /// # Errors
    /// [`Cancelled`] asks the computation to stop and to hand the error up unchanged.
    fn advance(&self, stage: Stage, done: usize, total: usize) -> Result<(), Cancelled>;

    /// Asks only whether to go on, from the midst of a step; called every few milliseconds of work, so
    /// it must cost next to nothing. Where nothing is said, a step is always finished.
    ///
    /// # Errors
    /// [`Cancelled`] as for [`Progress::advance`].
    fn check(&self) -> Result<(), Cancelled> {
        Ok(())
    }
}

/// Says nothing, never stops.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silent;

impl Progress for Silent {
    fn advance(&self, _stage: Stage, _done: usize, _total: usize) -> Result<(), Cancelled> {
        Ok(())
    }
}
