//! Wiener deconvolution: the best linear estimate of what the telescope alone would show.

use super::fourier::{Edges, Filter};
use super::grid::ring_value;
use super::noise::NoiseModel;
use super::start::SignalModel;
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

/// Pixels around the picture that are filled with its mirror image while it is filtered, and
/// the margin a preview needs for its middle to look like the whole (within a hundredth of
/// the noise; this filter has no sharp end).
pub const MARGIN_PX: usize = 64;

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
    let blur = settings.blur.unwrap_or(model.blur);
    // The noise at the channel's mean brightness stands for all of it.
    let mean = plane.iter().map(|v| f64::from(*v)).sum::<f64>() / plane.len().max(1) as f64;
    let variance = noise.variance(mean);
    let curve = |f: f64| {
        let power = variance * ring_value(&noise.frequency, &noise.spectrum, f);
        model.wiener_gain(&blur, power, settings.noise_weight, f)
    };
    let mut out = vec![0.0; plane.len()];
    Filter::new(size, MARGIN_PX, Edges::Mirror, &curve).apply(plane, &mut out, progress, step)?;
    Ok(out)
}
