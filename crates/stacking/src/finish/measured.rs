//! What is measured on a stack before it is finished: signal, noise and blur of its channels and of its light, and what channels
//! show beside the light.

use super::difference::{self, DifferenceMeasure};
use super::noise::NoiseModel;
use super::outside::Outside;
use super::signal::{self, Instrument, SignalModel, Sky, with_black_sky};
use super::transfer::Optics;
use super::{FinishError, Halved};
use crate::halves::{HalfCorrelation, HalvesError, HalvesSettings, correlate_while};
use ndarray::ArrayView2;
use serde::Serialize;
use stillwright_picture::{Cancelled, Progress, Stage};

/// What was measured on one channel of a stack.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChannelMeasure {
    /// The halves compared.
    pub correlation: HalfCorrelation,
    /// Noise of the channel.
    pub noise: NoiseModel,
    /// Scene, telescope and blur; `None` where too little signal is there to tell.
    pub signal: Option<SignalModel>,
}

/// What was measured on a stack.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// One entry a channel; `None` where the picture is too small to tell (below 16 px a side).
    pub channels: Vec<Option<ChannelMeasure>>,
    /// The light of all channels (the only channel's, if there is one).
    pub light: Option<ChannelMeasure>,
    /// What each of three channels shows beside the light; `None` where that cannot be told.
    pub differences: Vec<Option<DifferenceMeasure>>,
}

/// Measure signal, noise and blur of a stack, channel by channel and for its light.
///
/// # Errors
/// When cancelled, or when the halves differ from the picture in shape or channels are
/// neither 1 nor 3.
pub fn measure<'a>(
    stack: impl Into<Halved<'a>>,
    optics: Option<&Optics>,
    progress: &dyn Progress,
) -> Result<Measured, FinishError> {
    let stack = stack.into();
    let shape = stack.picture.planes.dim();
    for half in stack.halves {
        if half.planes.dim() != shape {
            let found = half.planes.dim();
            return Err(FinishError::Stack(format!(
                "a half stack has shape {found:?} (channels, rows, columns), the stack {shape:?}"
            )));
        }
    }
    if shape.0 != 1 && shape.0 != 3 {
        return Err(FinishError::Stack(format!("{} channels, expected 1 or 3", shape.0)));
    }
    if let Some(optics) = optics {
        optics.check().map_err(FinishError::Setting)?;
    }
    let scale = f64::from(stack.scale.max(1e-3));
    let instrument = Instrument {
        cutoff_cycles_per_px: optics.map(|o| o.cutoff_cycles_per_px() / scale),
        obstruction: optics.map_or(TYPICAL_OBSTRUCTION, |o| o.obstruction),
        pixel_px: scale,
        unrest: stack.unrest,
    };
    let mut channels = Vec::new();
    for channel in 0..shape.0 {
        progress.advance(Stage::Finishing, 0, 1)?;
        let [a, b] = [0, 1].map(|half: usize| stack.halves[half].plane(channel));
        let plane = stack.picture.plane(channel);
        let light = shape.0 == 1;
        channels.push(measure_plane(plane, [a, b], light, &instrument, progress)?);
    }
    progress.advance(Stage::Finishing, 0, 1)?;
    let light = if shape.0 == 1 {
        channels[0].clone()
    } else {
        let [a, b] = [0, 1].map(|half: usize| stack.halves[half].luminance());
        let mean = stack.picture.luminance();
        measure_plane(mean.view(), [a.view(), b.view()], true, &instrument, progress)?
    };
    let differences = difference::measure(stack, light.as_ref(), progress)?;
    Ok(Measured { channels, light, differences })
}

fn measure_plane(
    mean: ArrayView2<'_, f32>,
    [a, b]: [ArrayView2<'_, f32>; 2],
    light: bool,
    instrument: &Instrument<'_>,
    progress: &dyn Progress,
) -> Result<Option<ChannelMeasure>, Cancelled> {
    let cutoff_cycles_per_px = instrument.cutoff_cycles_per_px;
    let settings = HalvesSettings { cutoff_cycles_per_px, region: None };
    let correlation = match correlate_while(a, b, &settings, progress) {
        Ok(correlation) => correlation,
        Err(HalvesError::Cancelled(cancelled)) => return Err(cancelled),
        Err(_) => return Ok(None),
    };
    progress.check()?;
    let noise = NoiseModel::measure(mean, a, b, &correlation);
    progress.check()?;
    let sky = Sky::around(mean);
    let mut signal = signal::fit_signal(&correlation, instrument, sky);
    // The light alone is sharpened; of channels it is told what they are like.
    if let (true, Some(sky), Some(model)) = (light, sky, signal) {
        signal = Some(told_by_sky(model, mean, sky, (&correlation, instrument), progress)?);
    }
    Ok(Some(ChannelMeasure { correlation, noise, signal }))
}

/// `model` with the blur that the sky around the disc of `mean` tells, as far as it tells it. Where sky begins goes by the blur: where frames tell nothing of
/// that the first guess is far off, so twice there (on discs of which they tell: no better).
fn told_by_sky(
    model: SignalModel,
    mean: ArrayView2<'_, f32>,
    sky: Sky,
    (correlation, instrument): (&HalfCorrelation, &Instrument<'_>),
    progress: &dyn Progress,
) -> Result<SignalModel, Cancelled> {
    let mut told = model;
    let times = if instrument.unrest.is_some() { 1 } else { 2 };
    for _ in 0..times {
        let Some(outside) = Outside::of(mean, sky, &told, progress)? else { break };
        told = with_black_sky(told, correlation, instrument, sky, &outside).unwrap_or(told);
    }
    Ok(told)
}

/// Obstruction of a telescope that nobody described: between a refractor's 0 and a compound
/// telescope's 0.35.
const TYPICAL_OBSTRUCTION: f64 = 0.3;
