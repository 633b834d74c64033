//! Starting values of the finish: the sharpening that best undoes the blur that is left.
//!
//! From the signal's law ([`SignalModel`]) and the measured noise `N` follows the best linear estimate,
//! `W(f) = S / (S + N) / T` (Wiener). The smooth model stands in for the measured curve there:
//! noise in a ring's correlation, divided by a small `T`, would come out as rings in the
//! picture (on two simulated captures the bare curve gave 1.4 to 5 times the error).

use super::detail::{DetailScale, DetailSettings, MOST_GAIN, passing_shares};
use super::noise::NoiseModel;
use super::signal::SignalModel;
use super::wiener::{self, WienerSettings};
use ndarray::{Array2, s};
use stillwright_picture::{Picture, Silent};

/// Detail scales of the starting values: coarser ones hold no noise worth mentioning.
const SCALES: usize = 4;
/// Largest side of the part of a picture that starting values are tried on, px.
const TRIAL_SIDE: usize = 1024;
/// Hold-back of the starting values, in standard deviations. At 1 empty sky keeps specks, at 2
/// faint detail goes; between them the error against the truth changes by 1 %.
const HOLD_BACK: f32 = 1.5;

/// Starting values: the blur undone by Wiener's estimate, and on top of it detail scales that
/// hold back what is only noise, each lifted by what the hold-back takes from its structure.
///
/// `plane` is a representative part of the channel, on which that loss is measured. The linear
/// estimate is the best *on the whole*; on it, empty ground keeps amplified noise that crisp
/// ground hides. The hold-back adapts it from place to place. Detail scales without the
/// deconvolution, their gains fitted to Wiener's curve (with a Gaussian before them), were
/// tried and dropped: their octave-wide bands cannot follow the curve where it turns down at
/// the noise, and left 1.10 to 1.46 times the best filter's error on eight simulated stacks
/// where this leaves 1.01 to 1.29.
pub(crate) fn starting_values(
    model: &SignalModel,
    noise: &NoiseModel,
    plane: &[f32],
    width: usize,
) -> DetailSettings {
    let undo = WienerSettings { blur: Some(model.blur), ..WienerSettings::default() };
    let scale = DetailScale { gain: 1.0, hold_back: HOLD_BACK };
    let mut settings =
        DetailSettings { scales: vec![scale; SCALES], smooth_px: 0.0, undo: Some(undo) };
    let size = (plane.len() / width.max(1), width);
    let sharp = wiener::deconvolve(plane, size, &undo, model, noise, &Silent, (0, 1));
    let left = noise.filtered(|f| wiener::gain(&undo, model, noise, f));
    let passing = sharp.map(|sharp| passing_shares(&sharp, width, &settings, &left));
    for (scale, passing) in settings.scales.iter_mut().zip(passing.unwrap_or_default()) {
        // Below a third the scale is noise on the whole: nothing to make up for.
        let made_up = 1.0 / passing.max(1.0 / 3.0);
        scale.gain = ((made_up * 1000.0).round() as f32 / 1000.0).clamp(0.0, MOST_GAIN);
    }
    settings
}

/// The middle of the picture's light, of bounded size.
pub(crate) fn trial_part(picture: &Picture) -> Array2<f32> {
    let light = picture.luminance();
    let (height, width) = light.dim();
    let (h, w) = (height.min(TRIAL_SIDE), width.min(TRIAL_SIDE));
    let (top, left) = ((height - h) / 2, (width - w) / 2);
    light.slice(s![top..top + h, left..left + w]).to_owned()
}
