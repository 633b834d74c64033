//! The finish: from the linear stack to the still.
//!
//! Three steps, so that a preview costs only the last: [`measure`] looks at the stack and its
//! halves once; [`resolve`] turns automatic settings into numbers; [`render`] sharpens a
//! picture (the stack's, or a crop of it with a margin of [`margin_px`]), balances its
//! colours and applies the tone. [`finish`] does all three.
//!
//! In colour the light is sharpened, against its own noise, and every channel takes its share; what a channel shows beside it
//! is brought back against the noise of that.
//! A sharpening method is one file here and one variant of [`Sharpening`].
//!
//! Deliberately absent: files, the window, any knowledge of how the stack was made.

mod ahead;
mod air;
pub mod atrous;
mod carry;
pub mod colour;
pub mod detail;
pub mod difference;
pub(crate) mod fourier;
mod grid;
mod measured;
pub mod noise;
mod outside;
mod reduced;
pub mod richardson_lucy;
pub mod signal;
mod start;
pub mod tone;
pub mod transfer;
pub mod wiener;

pub use ahead::{Undone, scale_noise, undone};
pub use colour::{Balance, Colour};
pub use detail::{DetailScale, DetailSettings};
pub use difference::DifferenceMeasure;
pub use measured::{ChannelMeasure, Measured, measure};
pub use noise::NoiseModel;
pub use reduced::Reduced;
pub use richardson_lucy::RichardsonLucySettings;
pub use signal::SignalModel;
pub use tone::{Bend, Point, Tone};
pub use transfer::{Optics, ResidualBlur};
pub use wiener::WienerSettings;

use crate::halves::Region;
use crate::stack::Stack;
use crate::unrest::Unrest;
use ndarray::Array3;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use stillwright_picture::{Cancelled, Picture, Progress, Stage};

/// How the detail is brought back.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "method", rename_all = "kebab-case")]
pub enum Sharpening {
    /// Starting values from telescope, remaining blur and noise: the blur undone, and detail
    /// scales that hold back what is only noise.
    #[default]
    Automatic,
    /// Detail scales as given.
    DetailScales(DetailSettings),
    /// Wiener deconvolution.
    Wiener(WienerSettings),
    /// Richardson-Lucy deconvolution.
    RichardsonLucy(RichardsonLucySettings),
    /// None.
    None,
}

/// What the finish is told. Every field has a default that suits a newcomer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FinishSettings {
    /// How the detail is brought back.
    pub sharpening: Sharpening,
    /// Black and white point, bend.
    pub tone: Tone,
    /// Balance and saturation.
    pub colour: Colour,
    /// The telescope, where it is known.
    pub optics: Option<Optics>,
}

impl FinishSettings {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        match &self.sharpening {
            Sharpening::Automatic | Sharpening::None => {}
            Sharpening::DetailScales(detail) => detail.check()?,
            Sharpening::Wiener(wiener) => {
                wiener.check()?;
            }
            Sharpening::RichardsonLucy(rl) => {
                rl.blur.map_or(Ok(()), |b| b.check())?;
                let most = richardson_lucy::MOST_ITERATIONS;
                if !(1..=most).contains(&rl.iterations) {
                    let found = rl.iterations;
                    return Err(format!(
                        "richardson-lucy: iterations is {found}, expected 1 to {most}"
                    ));
                }
            }
        }
        self.optics.map_or(Ok(()), |o| o.check())?;
        self.tone.check()?;
        self.colour.check()
    }
}

/// The still, and how it came about.
#[derive(Clone, Debug)]
pub struct Finished {
    /// The still: 0 (black) to 1 (white) after the tone.
    pub picture: Arc<Picture>,
    /// The settings with everything automatic turned into numbers; rendering the stack with
    /// them gives the same picture again.
    pub used: FinishSettings,
    /// The tone that this sharpening would have by itself, its points as levels.
    pub rest_tone: Tone,
    /// What was measured on the way.
    pub measured: Measured,
    /// What the person should know: a sentence each.
    pub warnings: Vec<String>,
}

/// Why a picture could not be finished.
#[derive(Debug, thiserror::Error)]
pub enum FinishError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A setting is out of its range.
    #[error("{0}")]
    Setting(String),
    /// The stack contradicts itself.
    #[error("{0}")]
    Stack(String),
}

/// What the finish needs of a stack: the linear picture and its halves.
#[derive(Clone, Copy, Debug)]
pub struct Halved<'a> {
    /// All kept light.
    pub picture: &'a Picture,
    /// Two pictures of one half of the kept light each, of the same shape.
    pub halves: [&'a Picture; 2],
    /// Pixels of the picture per capture pixel.
    pub scale: f32,
    /// How much the frames differ by the air, where that is known.
    pub unrest: Option<&'a Unrest>,
    /// The part that nearly all kept frames show, where that is known: automatic tone is taken from it, for
    /// rims that few frames show are noisy.
    pub covered: Option<Region>,
}

impl<'a> From<&'a Stack> for Halved<'a> {
    fn from(stack: &'a Stack) -> Halved<'a> {
        let [a, b] = &stack.halves;
        let covered = Some(stack.covered);
        let (picture, halves, unrest) = (&stack.picture, [a, b], stack.unrest.as_ref());
        Halved { picture, halves, scale: stack.scale, unrest, covered }
    }
}

/// Finish a stack: measure, resolve, render.
///
/// Samples that are not finite are taken for 0. The same stack and settings give the same
/// bytes, whatever the number of threads.
///
/// # Errors
/// When cancelled, when a setting is out of range, or when the stack's halves differ from its
/// picture in shape.
pub fn finish<'a>(
    stack: impl Into<Halved<'a>>,
    settings: &FinishSettings,
    progress: &dyn Progress,
) -> Result<Finished, FinishError> {
    let stack = stack.into();
    settings.check().map_err(FinishError::Setting)?;
    let measured = measure(stack, settings.optics.as_ref(), progress)?;
    progress.check()?;
    let resolved = resolve(stack, &measured, settings);
    finish_resolved(stack, measured, resolved, None, progress)
}

/// [`finish`] for a stack that was measured, with the settings and warnings that [`resolve`] gave, and with the
/// [`undone`] light of its picture where that is at hand. The result is the same, bit for bit.
///
/// # Errors
/// When cancelled.
pub fn finish_resolved<'a>(
    stack: impl Into<Halved<'a>>,
    measured: Measured,
    (mut used, warnings): (FinishSettings, Vec<String>),
    undone: Option<&Undone>,
    progress: &dyn Progress,
) -> Result<Finished, FinishError> {
    let stack = stack.into();
    let mut picture = sharpen(stack.picture, undone, &used, &measured, progress)?;
    progress.check()?;
    used.colour.apply(&mut picture);
    let (tone, rest_tone) = used.tone.resolve_within(&picture, stack.covered);
    used.tone = tone;
    progress.check()?;
    used.tone.apply(&mut picture);
    progress.advance(Stage::Finishing, 1, 1)?;
    Ok(Finished { picture: Arc::new(picture), used, rest_tone, measured, warnings })
}

/// Turn automatic settings into numbers (all but the tone, which is taken from the sharpened
/// picture), with a sentence for each thing that could not be had.
pub fn resolve<'a>(
    stack: impl Into<Halved<'a>>,
    measured: &Measured,
    settings: &FinishSettings,
) -> (FinishSettings, Vec<String>) {
    let stack = stack.into();
    let mut used = settings.clone();
    let mut warnings = Vec::new();
    let signal = measured.light.as_ref().and_then(|m| m.signal.map(|s| (m, s)));
    let nothing = "too little signal to tell the blur that is left: the picture was not sharpened";
    match &mut used.sharpening {
        Sharpening::Automatic => {
            let detail = signal.map(|(m, s)| {
                let light = start::trial_part(stack.picture);
                let width = light.ncols();
                let light: Vec<f32> = light.iter().map(|v| finite(*v)).collect();
                start::starting_values(&s, &m.noise, &light, width)
            });
            if detail.is_none() {
                warnings.push(nothing.into());
            }
            used.sharpening = detail.map_or(Sharpening::None, Sharpening::DetailScales);
        }
        Sharpening::Wiener(WienerSettings { blur, .. })
        | Sharpening::RichardsonLucy(RichardsonLucySettings { blur, .. }) => {
            let needs_signal = matches!(settings.sharpening, Sharpening::Wiener(_));
            if blur.is_none() {
                *blur = signal.map(|(_, s)| s.blur);
            }
            if blur.is_none() || (needs_signal && signal.is_none()) {
                warnings.push(nothing.into());
                used.sharpening = Sharpening::None;
            }
        }
        Sharpening::DetailScales(DetailSettings { undo: Some(undo), .. }) => {
            if undo.blur.is_none() {
                undo.blur = signal.map(|(_, s)| s.blur);
            }
            if signal.is_none() {
                warnings.push(nothing.into());
            }
        }
        Sharpening::DetailScales(_) | Sharpening::None => {}
    }
    if signal.is_some_and(|(_, s)| !s.cutoff_known) && used.sharpening != Sharpening::None {
        warnings.push(
            "the telescope is not known, its cut-off was estimated from the stack: give aperture, \
             focal length and pixel size for a surer finish"
                .into(),
        );
    }
    used.colour = used.colour.resolve(stack.picture);
    (used, warnings)
}

/// Margin that a crop needs around it for its middle to come out as in the whole picture, px:
/// exactly for detail scales, nearly for deconvolution.
pub fn margin_px(used: &FinishSettings) -> usize {
    carry::hue_reach_px()
        + difference::reach_px(used)
        + match &used.sharpening {
            Sharpening::DetailScales(detail) => detail.margin_px(),
            Sharpening::Wiener(_) | Sharpening::RichardsonLucy(_) => wiener::MARGIN_PX,
            Sharpening::Automatic | Sharpening::None => 0,
        }
}

/// Render a picture, or a crop of one, with resolved settings (the `used` of [`Finished`]).
///
/// # Errors
/// When cancelled or when a setting is out of range.
pub fn render(
    picture: &Picture,
    used: &FinishSettings,
    measured: &Measured,
    progress: &dyn Progress,
) -> Result<Picture, FinishError> {
    render_from(picture, None, used, measured, progress)
}

/// [`render`], with the [`undone`] light of the same picture at hand: sliders of detail scales need
/// not wait for it anew. The result is the same, bit for bit.
///
/// # Errors
/// When cancelled or when a setting is out of range.
pub fn render_from(
    picture: &Picture,
    undone: Option<&Undone>,
    used: &FinishSettings,
    measured: &Measured,
    progress: &dyn Progress,
) -> Result<Picture, FinishError> {
    used.check().map_err(FinishError::Setting)?;
    let mut picture = sharpen(picture, undone, used, measured, progress)?;
    used.colour.apply(&mut picture);
    used.tone.apply(&mut picture);
    Ok(picture)
}

/// [`render_from`] up to colour and tone: still linear. Unresolved settings sharpen nothing.
///
/// # Errors
/// When cancelled.
pub fn sharpen(
    picture: &Picture,
    undone: Option<&Undone>,
    used: &FinishSettings,
    measured: &Measured,
    progress: &dyn Progress,
) -> Result<Picture, FinishError> {
    progress.advance(Stage::Finishing, 0, 1)?;
    let clean = || Picture { planes: picture.planes.mapv(finite) };
    if used.sharpening == Sharpening::None || picture.planes.is_empty() {
        return Ok(clean());
    }
    let size = (picture.height(), picture.width());
    let known = measured.light.as_ref();
    let undone = undone.filter(|undone| undone.is_of(picture) && undoes(used, known));
    let begun = undone.map(|undone| undone.light.as_slice());
    let sharp =
        |light: &[f32]| sharpen_plane(light, begun, size, &used.sharpening, known, progress);
    if picture.channels() == 1 {
        let light: Vec<f32> = match undone {
            Some(_) => Vec::new(),
            None => picture.planes.iter().map(|v| finite(*v)).collect(),
        };
        let planes = Array3::from_shape_vec(picture.planes.raw_dim(), sharp(&light)?);
        return Ok(planes.map_or_else(|_| clean(), |planes| Picture { planes }));
    }
    let mut out = clean();
    let light: Vec<f32> = out.luminance().iter().copied().collect();
    let sharp = sharp(&light)?;
    progress.advance(Stage::Finishing, 0, 1)?;
    match undone.and_then(|undone| undone.colours.as_ref()) {
        Some(colours) => out.planes.assign(&colours.planes),
        None => difference::bring_back(&mut out, &light, used, measured, progress)?,
    }
    carry::carry(&mut out, &light, &sharp, carry::hue_floor(known));
    Ok(out)
}

/// Whether sharpening begins with undoing a blur, and nothing but what is left then counts.
fn undoes(used: &FinishSettings, known: Option<&ChannelMeasure>) -> bool {
    matches!(&used.sharpening, Sharpening::DetailScales(DetailSettings { undo: Some(_), .. }))
        && known.is_some_and(|m| m.signal.is_some())
}

fn sharpen_plane(
    plane: &[f32],
    undone: Option<&[f32]>,
    size: (usize, usize),
    sharpening: &Sharpening,
    known: Option<&ChannelMeasure>,
    progress: &dyn Progress,
) -> Result<Vec<f32>, Cancelled> {
    let (width, step) = (size.1, (0, 1));
    let white = NoiseModel::white(0.0);
    let noise = known.map_or(&white, |m| &m.noise);
    let signal = known.and_then(|m| m.signal);
    match (sharpening, signal) {
        (Sharpening::DetailScales(detail), signal) => match (detail.undo, signal) {
            (Some(undo), Some(signal)) => {
                let left = noise.filtered(|f| wiener::gain(&undo, &signal, noise, f));
                let fresh = match undone {
                    Some(_) => None,
                    None => Some(wiener::deconvolve(
                        plane, size, &undo, &signal, noise, progress, step,
                    )?),
                };
                let sharp = undone.or(fresh.as_deref()).unwrap_or(plane);
                detail::sharpen(sharp, width, detail, &left, progress, step)
            }
            _ => detail::sharpen(plane, width, detail, noise, progress, step),
        },
        (Sharpening::Wiener(settings), Some(signal)) => {
            wiener::deconvolve(plane, size, settings, &signal, noise, progress, step)
        }
        (Sharpening::RichardsonLucy(settings), _) => match settings.blur {
            Some(blur) => {
                richardson_lucy::deconvolve(plane, size, settings, &blur, noise, progress, step)
                    .map(|(out, _)| out)
            }
            None => Ok(plane.to_vec()),
        },
        (Sharpening::Automatic | Sharpening::None | Sharpening::Wiener(_), _) => Ok(plane.to_vec()),
    }
}

fn finite(v: f32) -> f32 {
    if v.is_finite() { v } else { 0.0 }
}
