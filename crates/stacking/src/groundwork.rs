//! What every stack of a survey rests on, whatever its keep and its scale: the reference, ready to have
//! frames aligned to it, and what is credible of a frame.

use crate::advice::KeepAdvice;
use crate::align::{Bench, settings_for};
use crate::credible::Expected;
use crate::dispersion::{channel_offsets, laid_together};
use crate::fields::Fields;
use crate::keep::kept_frames;
use crate::parts::Remembered;
use crate::reference;
use crate::stack::{StackError, StackSettings};
use std::sync::OnceLock;
use stillwright_picture::{Picture, Progress};
use stillwright_seeing::ripple::Aligner;

/// The reference of a survey. It depends on the frames that can be used, on [`StackSettings::tile_px`] and on
/// [`StackSettings::reject_outliers`], not on the keep.
pub struct Groundwork {
    /// Mean of the best frames in true geometry, its colours laid on each other.
    pub(crate) picture: Picture,
    pub(crate) aligner: Aligner,
    /// Displacement of each channel against the middle one, px.
    pub(crate) offsets: [(f32, f32); 3],
    pub(crate) expected: Option<Expected>,
    /// Frames that could be graded but not be read again.
    pub(crate) lost: Vec<usize>,
    /// Frames that can be used.
    usable: usize,
    /// Where frames lie, as far as that is known.
    pub(crate) fields: Fields,
    /// What the last stack was added up from.
    pub(crate) parts: Remembered,
    /// The keep to take, once that was asked.
    pub(crate) advice: OnceLock<KeepAdvice>,
}

/// What a stack needs to remember while it is made, for some frames are laid twice.
const ONE_STACK_BYTES: usize = 16 << 20;

impl std::fmt::Debug for Groundwork {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let size = (self.picture.width(), self.picture.height());
        out.debug_struct("Groundwork").field("size", &size).finish_non_exhaustive()
    }
}

impl Groundwork {
    /// Whether every frame that it was to be made of could be read.
    pub fn is_whole(&self) -> bool {
        self.lost.is_empty()
    }

    /// Remember for the next stack of a keep that is no larger where frames lie, in at most `limit_bytes`, instead of little more
    /// than one stack needs; and what the last stack was added up from, in at most 256 MiB. The stacks are the same.
    #[must_use]
    pub fn remembering(self, limit_bytes: usize) -> Groundwork {
        Groundwork { fields: Fields::new(limit_bytes), parts: Remembered::wanted(), ..self }
    }

    /// Whether frames that were aligned for a keep of `percent` are remembered.
    pub fn remembers(&self, percent: f32) -> bool {
        self.fields.are_there(kept_frames(self.usable, percent))
    }

    /// Frames that were aligned for stacks on it so far.
    pub fn frames_aligned(&self) -> usize {
        self.fields.found()
    }

    /// Build it; `primaries` that the air drew apart are laid back on one another.
    pub(crate) fn build(
        bench: &Bench<'_>,
        settings: &StackSettings,
        primaries: bool,
        progress: &dyn Progress,
    ) -> Result<Groundwork, StackError> {
        let format = bench.source.format();
        let ripple = settings_for(bench.survey, &format, settings.tile_px);
        let reference = reference::build(bench, ripple, progress)?;
        progress.check()?;
        let aligner = Aligner::new(&reference.light, ripple, reference::light_noise(bench));
        progress.check()?;
        let halves = reference.halves.filter(|_| primaries);
        let offsets =
            halves.map_or([(0.0, 0.0); 3], |halves| channel_offsets(&reference.picture, &halves));
        let picture = laid_together(&reference.picture, &offsets);
        progress.check()?;
        let noise = &bench.survey.noise;
        let expected = settings.reject_outliers.then(|| Expected::from_stack(&picture, noise));
        Ok(Groundwork {
            picture,
            aligner,
            offsets,
            expected,
            lost: reference.lost,
            usable: bench.survey.usable().len(),
            fields: Fields::new(ONE_STACK_BYTES),
            parts: Remembered::default(),
            advice: OnceLock::new(),
        })
    }
}
