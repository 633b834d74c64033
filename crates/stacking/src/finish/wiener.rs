//! Wiener deconvolution: the best linear estimate of what the telescope alone would show.

use super::fourier::{Edges, Filter};
use super::grid::ring_value;
use super::noise::NoiseModel;
use super::signal::SignalModel;
use super::transfer::ResidualBlur;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, Progress};

/// Wiener deconvolution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WienerSettings {
    /// The blur to undo; none given: the one estimated from the stack.
    pub blur: Option<ResidualBlur>,
    /// How much the noise counts: 1 leaves the least error, 0.1 is sharper and noisier, 10
    /// softer and cleaner; 0.001 to 1000.
    pub noise_weight: f64,
}

impl Default for WienerSettings {
    fn default() -> Self {
        WienerSettings { blur: None, noise_weight: 1.0 }
    }
}

impl WienerSettings {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        self.blur.map_or(Ok(()), |b| b.check())?;
        if !(1e-3..=1e3).contains(&self.noise_weight) {
            let found = self.noise_weight;
            return Err(format!("wiener: noise_weight is {found}, expected 0.001 to 1000"));
        }
        Ok(())
    }
}

/// Pixels around the picture that are filled with its mirror image while it is filtered, and
/// the margin a preview needs for its middle to look like the whole (within a hundredth of
/// the noise; this filter has no sharp end).
pub const MARGIN_PX: usize = 64;

/// Gain at `frequency`; the noise at the channel's mean brightness stands for all of it.
pub(crate) fn gain(
    settings: &WienerSettings,
    model: &SignalModel,
    noise: &NoiseModel,
    frequency: f64,
) -> f64 {
    let blur = settings.blur.unwrap_or(model.blur);
    let white = noise.variance(noise.mean_brightness);
    let power = white * ring_value(&noise.frequency, &noise.spectrum, frequency);
    model.wiener_gain(&blur, power, settings.noise_weight, frequency)
}

/// Deconvolve one channel (row-major, height x width).
///
/// # Errors
/// [`Cancelled`], asked for between the passes.
pub(crate) fn deconvolve(
    plane: &[f32],
    size: (usize, usize),
    settings: &WienerSettings,
    model: &SignalModel,
    noise: &NoiseModel,
    progress: &dyn Progress,
    step: (usize, usize),
) -> Result<Vec<f32>, Cancelled> {
    filtered(plane, size, &|f| gain(settings, model, noise, f), progress, step)
}

/// One channel (row-major, height x width) with this gain over frequency.
///
/// # Errors
/// [`Cancelled`], asked for between the passes.
pub(super) fn filtered(
    plane: &[f32],
    size: (usize, usize),
    gain: &(dyn Fn(f64) -> f64 + Sync),
    progress: &dyn Progress,
    step: (usize, usize),
) -> Result<Vec<f32>, Cancelled> {
    let mut out = vec![0.0; plane.len()];
    let mut filter = Filter::new(size, MARGIN_PX, Edges::Mirror, gain, progress)?;
    filter.apply(plane, &mut out, progress, step)?;
    Ok(out)
}
