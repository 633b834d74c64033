//! Maps of a stack as files: how noisy each sample is, and how fine the detail is place by place.
//!
//! Both are FITS files of 32-bit floats on the stack's grid, so that any viewer lays them over the stack. Where nothing is known
//! they hold "not a number", as the standard has it for missing values of floats (FITS Standard 4.0, section 5.3).

use crate::error::NightError;
use std::path::PathBuf;
use stillwright_picture::{Picture, Progress};
use stillwright_stacking::{Stack, detail_map, noise_ratio};

/// Where the maps of one still go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MapFiles {
    /// Standard deviation of each sample of the stack.
    pub noise: PathBuf,
    /// Period of the finest detail, place by place.
    pub detail: PathBuf,
}

/// One map, ready to be written.
pub(crate) struct Map {
    /// Its file.
    pub path: PathBuf,
    /// What it is, in words.
    pub content: &'static str,
    /// What its values mean.
    pub values: String,
    /// The map.
    pub picture: Picture,
}

/// What records and pictures call them.
pub(crate) const NOISE: &str = "noise of each sample of the stack";
/// See [`NOISE`].
pub(crate) const DETAIL: &str = "detail of the stack, place by place";

/// Both maps of a stack.
///
/// # Errors
/// When the person asked to stop.
pub(crate) fn maps(
    files: &MapFiles,
    stack: &Stack,
    progress: &dyn Progress,
) -> Result<[Map; 2], NightError> {
    let ratio = noise_ratio(stack.pixfrac, stack.scale);
    let noise = Map {
        path: files.noise.clone(),
        content: NOISE,
        values: format!(
            "Values are standard deviations in units of the stack (1.0 is the camera's full scale), from the halves of \
             the stack; not a number where no frame gave light. Neighbouring samples are alike: the noise of a large \
             area is {ratio:.2} times what independent samples would give."
        ),
        picture: stack.noise.clone(),
    };
    let [a, b] = &stack.halves;
    let found = detail_map([a, b], stack.scale, progress)?;
    let window = found.as_ref().map_or_else(
        || "the stack is smaller than a window: nothing is known".into(),
        |map| format!("windows of {} px, which fade out to their edges", map.window_px),
    );
    let nothing = || {
        Picture::black(1, stack.picture.height(), stack.picture.width()).planes.mapv(|_| f32::NAN)
    };
    let detail = Map {
        path: files.detail.clone(),
        content: DETAIL,
        values: format!(
            "Values are periods (a bright and a dark line together) in px of the stack, at which the Fourier ring \
             correlation of its halves falls below the half-bit curve (van Heel and Schatz 2005), in {window}; not a \
             number where there is too little structure to tell."
        ),
        picture: found.map_or_else(|| Picture { planes: nothing() }, |map| map.picture),
    };
    Ok([noise, detail])
}
