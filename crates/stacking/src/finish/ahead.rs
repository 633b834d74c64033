//! What sliders need to know before the picture is rendered: noise of the detail scales, and the
//! light that they start from.

use super::detail::DetailSettings;
use super::{FinishError, FinishSettings, Measured, Sharpening, difference, finite, wiener};
use stillwright_picture::{Picture, Progress};

/// Noise of the first `count` detail scales at the picture's mean brightness, as the hold-back
/// meets it (after `undo` and smoothing), in units of the picture; zeros where nothing was
/// measured.
pub fn scale_noise(measured: &Measured, detail: &DetailSettings, count: usize) -> Vec<f64> {
    let Some(light) = &measured.light else { return vec![0.0; count] };
    let filtered = detail.undo.zip(light.signal).map(|(undo, signal)| {
        light.noise.filtered(|f| wiener::gain(&undo, &signal, &light.noise, f))
    });
    let noise = filtered.as_ref().unwrap_or(&light.noise);
    let variance = noise.variance(noise.mean_brightness);
    let shares = noise.scale_shares(count, f64::from(detail.smooth_px));
    shares.iter().map(|share| (variance * share).sqrt()).collect()
}

/// What detail scales start from.
#[derive(Clone, Debug, PartialEq)]
pub struct Undone {
    /// The light with the blur undone, row-major.
    pub(super) light: Vec<f32>,
    /// Channels with their differences from the light brought back; one channel has none.
    pub(super) colours: Option<Picture>,
}

impl Undone {
    /// Whether it has the size of `picture`.
    pub(super) fn is_of(&self, picture: &Picture) -> bool {
        let fits = |colours: &Picture| colours.planes.dim() == picture.planes.dim();
        self.light.len() == picture.height() * picture.width()
            && self.colours.as_ref().map_or(picture.channels() == 1, fits)
    }
}

/// The light of `picture` with the blur undone that the detail scales of `used` start
/// from; `None` where they start from the picture itself. It depends on `undo` alone, not on the
/// scales.
///
/// # Errors
/// When cancelled.
pub fn undone(
    picture: &Picture,
    used: &FinishSettings,
    measured: &Measured,
    progress: &dyn Progress,
) -> Result<Option<Undone>, FinishError> {
    let Sharpening::DetailScales(DetailSettings { undo: Some(undo), .. }) = &used.sharpening else {
        return Ok(None);
    };
    let Some((known, signal)) = measured.light.as_ref().and_then(|m| Some((m, m.signal?))) else {
        return Ok(None);
    };
    let mut clean = Picture { planes: picture.planes.mapv(finite) };
    let before: Vec<f32> = clean.luminance().iter().copied().collect();
    let size = (picture.height(), picture.width());
    let light = wiener::deconvolve(&before, size, undo, &signal, &known.noise, progress, (0, 1))?;
    if clean.channels() == 1 {
        return Ok(Some(Undone { light, colours: None }));
    }
    difference::bring_back(&mut clean, &before, used, measured, progress)?;
    Ok(Some(Undone { light, colours: Some(clean) }))
}

#[cfg(test)]
mod tests {
    use super::super::{
        DetailScale, Halved, finish_resolved, measure, render, render_from, resolve,
    };
    use super::*;
    use stillwright_picture::{Plane, Silent};

    #[test]
    fn rendering_from_light_at_hand_gives_the_same_bits() {
        let mut state = 3u32;
        let mut shape = |channels: usize| {
            let mut picture = Picture::black(channels, 96, 128);
            for channel in 0..channels {
                let plane = Plane::from_shape_fn((96, 128), |(y, x)| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let noise = (state >> 8) as f32 / 16_777_216.0 - 0.5;
                    let wave = (x as f32 * 0.31).sin() * (y as f32 * 0.23).cos();
                    0.4 + 0.1 * wave + 0.01 * noise
                });
                picture.plane_mut(channel).assign(&plane);
            }
            picture
        };
        for channels in [1, 3] {
            let (a, b) = (shape(channels), shape(channels));
            let both = Picture { planes: (&a.planes + &b.planes) * 0.5 };
            let stack = Halved {
                picture: &both,
                halves: [&a, &b],
                scale: 1.0,
                unrest: None,
                covered: None,
            };
            let measured = measure(stack, None, &Silent).unwrap();
            let (mut used, _) = resolve(stack, &measured, &FinishSettings::default());
            let light = undone(&both, &used, &measured, &Silent).unwrap();
            assert!(light.is_some(), "the automatic finish undoes a blur");
            let Sharpening::DetailScales(detail) = &mut used.sharpening else { panic!() };
            detail.scales[0] = DetailScale { gain: 3.0, hold_back: 0.5 };
            let detail = detail.clone();
            let plain = render(&both, &used, &measured, &Silent).unwrap();
            let ahead = render_from(&both, light.as_ref(), &used, &measured, &Silent).unwrap();
            assert_eq!(plain, ahead);
            let whole = |light: Option<&Undone>| {
                let resolved = resolve(stack, &measured, &used);
                finish_resolved(stack, measured.clone(), resolved, light, &Silent).unwrap()
            };
            assert_eq!(whole(None).picture, whole(light.as_ref()).picture);
            // Light that is of no use to these settings does not get in.
            let other = FinishSettings {
                sharpening: Sharpening::DetailScales(DetailSettings {
                    undo: None,
                    ..detail.clone()
                }),
                ..used.clone()
            };
            let plain = render(&both, &other, &measured, &Silent).unwrap();
            assert_eq!(
                plain,
                render_from(&both, light.as_ref(), &other, &measured, &Silent).unwrap()
            );
            let Sharpening::DetailScales(detail) = &used.sharpening else { panic!() };
            let noise = scale_noise(&measured, detail, 5);
            assert!(noise.iter().all(|n| *n > 0.0 && *n < 0.02), "{noise:?}");
        }
    }
}
