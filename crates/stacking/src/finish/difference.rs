//! What a channel shows beside the light: colour differences, brought back by their own measure.
//!
//! The difference of a channel is what is left of it when the light, blurred by air and telescope as the channel is and with the channel's hue,
//! is taken off. It has its own signal (belts of a planet are stronger in blue than in red) and its own noise, and both are told by
//! the half stacks; Wiener's estimate undoes the channel's blur as far as that carries. Sharpening nothing but the light leaves blue too soft and
//! red with the detail of the others: on a disc of another simulation (red, green, blue, as it is) stills were off by 0.055, 0.041,
//! 0.085.
//!
//! A hue is not sharpened, so it is taken of what no air blurs, and of a light that is blurred as the channel is: else belts of a colour of
//! their own stay as soft as they were, and limbs are tinted by what one colour is blurred more than another. Still over the best filter, red and blue, mean of
//! eight mosaic nights at two keeps: hue of 8 px, and every blur wavelength^-2 times as deep, 1.175 and 1.724; of 16 px, blurs of each wavelength's own form, 1.105 and 1.112; of 32 px 1.112 and
//! 1.111, of 64 px 1.132 and 1.106, one hue for all 1.145 and 1.095. As built, with what the telescope passes to each wavelength (red less than the light,
//! blue more), 1.047 and 1.043.

use super::fourier::{Edges, Filter};
use super::grid::ring_value;
use super::noise::NoiseModel;
use super::transfer::annular_mtf;
use super::wiener::{self, MARGIN_PX, WienerSettings};
use super::{
    ChannelMeasure, FinishSettings, Halved, Measured, ResidualBlur, Sharpening, SignalModel,
    atrous, carry,
};
use crate::halves::{HalfCorrelation, HalvesError, HalvesSettings, correlate_while};
use ndarray::{ArrayView2, s};
use serde::Serialize;
use stillwright_picture::{Cancelled, Picture, Plane, Progress};

/// Effective wavelengths of red, green and blue, nm: usual for colour sensors (common practice, no source).
const WAVELENGTHS_NM: [f64; 3] = [600.0, 530.0, 460.0];
/// Wavelength of the mean of the three, nm.
const LIGHT_NM: f64 = 530.0;
/// Side of the part that is looked at, px.
const SIDE: usize = 1024;
/// Coarser than that, cycles per px, a difference is mostly hue.
const COARSEST: f64 = 0.02;

/// Wavelength of a channel over the light's.
fn relative_wavelength(channel: usize) -> f64 {
    WAVELENGTHS_NM.get(channel).map_or(1.0, |nm| nm / LIGHT_NM)
}

/// `ln` of how much sharper than the light a channel is taken to be at most: blurs that are measured have 0.2 to 0.5, one that a person
/// chose may have anything, and the light's noise is not to fill the channel.
const MOST_SHARPER_LN: f64 = 1.1;
/// What a telescope is taken to pass at least: near its cut-off, and beyond it, there is nothing to be told.
const LEAST_PASSED: f64 = 0.03;

/// Wavelet scales that a hue leaves out: it is that of some 16 px.
const HUE_SCALES: usize = 4;

/// How far around it a pixel looks for what these settings bring back, beyond the reach of the filters, px.
pub(super) fn reach_px(used: &FinishSettings) -> usize {
    undo_of(used).map_or(0, |_| atrous::reach_px(HUE_SCALES))
}

/// Signal and noise of a channel's difference from the light.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DifferenceMeasure {
    /// The light's law with the difference's own power and the channel's blur.
    pub signal: SignalModel,
    /// Centres of the rings, cycles per px.
    pub frequency: Vec<f64>,
    /// Noise power of each ring: white noise of variance `v` has `v` in all.
    pub noise_power: Vec<f64>,
}

impl DifferenceMeasure {
    /// Gain at `frequency` when `undo` is done to the light.
    fn gain(&self, undo: &WienerSettings, wavelength: f64, frequency: f64) -> f64 {
        let blur = undo.blur.map_or(self.signal.blur, |blur| blur.at_wavelength(wavelength));
        let noise = ring_value(&self.frequency, &self.noise_power, frequency);
        self.signal.wiener_gain(&blur, noise, undo.noise_weight, frequency)
    }
}

/// Measure the differences of three channels on the middle of the stack; `None` for those that cannot be told.
///
/// # Errors
/// When cancelled.
pub(super) fn measure(
    stack: Halved<'_>,
    light: Option<&ChannelMeasure>,
    progress: &dyn Progress,
) -> Result<Vec<Option<DifferenceMeasure>>, Cancelled> {
    let channels = stack.picture.channels();
    let Some(signal) = light.and_then(|light| light.signal).filter(|_| channels == 3) else {
        return Ok(vec![None; channels]);
    };
    let [a, b] = stack.halves.map(middle);
    let lights = [&a, &b].map(|part| part.luminance());
    let size = (a.height(), a.width());
    let floor = carry::hue_floor(light);
    (0..channels)
        .map(|channel| {
            let wavelength = relative_wavelength(channel);
            let as_shown = followed(&signal, signal.blur, wavelength);
            let mut follow = Followed::new(size, wavelength, &as_shown, progress)?;
            let followed = [follow.of(&lights[0], progress)?, follow.of(&lights[1], progress)?];
            let own = [&a, &b].map(|half| half.plane(channel));
            let hue = hue((&own[0] + &own[1]).view(), &(&followed[0] + &followed[1]), 2.0 * floor);
            let halves = [0, 1].map(|half| &own[half] - &(&hue * &followed[half]));
            let told = HalvesSettings {
                cutoff_cycles_per_px: signal
                    .cutoff_known
                    .then_some(signal.cutoff_cycles_per_px / wavelength),
                region: None,
            };
            match correlate_while(halves[0].view(), halves[1].view(), &told, progress) {
                Ok(told) => Ok(law(&told, &signal, wavelength)),
                Err(HalvesError::Cancelled(cancelled)) => Err(cancelled),
                Err(_) => Ok(None),
            }
        })
        .collect()
}

/// The middle of a picture, finite, of bounded size.
fn middle(picture: &Picture) -> Picture {
    let (height, width) = (picture.height(), picture.width());
    let (h, w) = (height.min(SIDE), width.min(SIDE));
    let (top, left) = ((height - h) / 2, (width - w) / 2);
    let part = picture.planes.slice(s![.., top..top + h, left..left + w]);
    Picture { planes: part.mapv(super::finite) }
}

/// Share that a channel has of the light as it shows it, px by px.
fn hue(channel: ArrayView2<'_, f32>, light: &Plane, floor: f32) -> Plane {
    let (channel, light) = (channel.as_standard_layout(), light.as_standard_layout());
    let found = match (channel.as_slice(), light.as_slice()) {
        (Some(channel), Some(light_px)) => {
            carry::share_of(channel, light_px, (light.ncols(), HUE_SCALES), floor)
        }
        _ => Vec::new(),
    };
    Plane::from_shape_vec(light.raw_dim(), found).unwrap_or_else(|_| light.to_owned())
}

/// `ln` of what the telescope passes to this wavelength over what it passes to the light, at `frequency` (cycles per px): the aperture's
/// cut-off goes as 1 / wavelength. At most [`MOST_SHARPER_LN`].
fn telescope_ln(signal: &SignalModel, wavelength: f64, frequency: f64) -> f64 {
    let passed = |wavelength: f64| {
        let nu = wavelength * frequency / signal.cutoff_cycles_per_px;
        annular_mtf(nu, signal.obstruction).max(LEAST_PASSED)
    };
    (passed(wavelength) / passed(1.0)).ln().min(MOST_SHARPER_LN)
}

/// What makes the light what a channel shows of it but for its hue: blurred by air (`blur` is the light's) and telescope as its wavelength is.
fn followed(signal: &SignalModel, blur: ResidualBlur, wavelength: f64) -> impl Fn(f64) -> f64 {
    let own = blur.at_wavelength(wavelength);
    move |f| {
        let sharper = blur.fallen(f) - own.fallen(f) + telescope_ln(signal, wavelength, f);
        sharper.min(MOST_SHARPER_LN).exp()
    }
}

/// What makes it what the light must be for sharpening, which adds the light's own change, to end in what the telescope shows at this wavelength.
fn carried(
    signal: &SignalModel,
    noise: &NoiseModel,
    undo: &WienerSettings,
    wavelength: f64,
) -> impl Fn(f64) -> f64 {
    move |f| {
        let more = telescope_ln(signal, wavelength, f).exp_m1();
        1.0 + more * wiener::gain(undo, signal, noise, f)
    }
}

/// A filter of the light for one channel; none where its wavelength is the light's.
struct Followed(Option<Filter<f32>>);

impl Followed {
    fn new(
        size: (usize, usize),
        wavelength: f64,
        gain: &(dyn Fn(f64) -> f64 + Sync),
        progress: &dyn Progress,
    ) -> Result<Followed, Cancelled> {
        let filter = || Filter::new(size, MARGIN_PX, Edges::Mirror, gain, progress);
        Ok(Followed(if wavelength == 1.0 { None } else { Some(filter()?) }))
    }

    fn of(&mut self, light: &Plane, progress: &dyn Progress) -> Result<Plane, Cancelled> {
        let mut followed = light.as_standard_layout().into_owned();
        if let (Some(filter), Some(samples)) = (&mut self.0, followed.as_slice_mut()) {
            let before = samples.to_vec();
            filter.apply(&before, samples, progress, (0, 1))?;
        }
        Ok(followed)
    }
}

/// The power of the difference by the shape of the light's law: least squares over the rings, each by
/// how well it is known.
fn law(told: &HalfCorrelation, light: &SignalModel, wavelength: f64) -> Option<DifferenceMeasure> {
    let blur = light.blur.at_wavelength(wavelength);
    let cutoff_cycles_per_px = light.cutoff_cycles_per_px / wavelength;
    let bare = SignalModel { ln_power: 0.0, blur, cutoff_cycles_per_px, ..*light };
    let shape = |f: f64| bare.target_power(f) * blur.transfer(f).powi(2);
    let noise_power = super::noise::smoothed(&told.noise_power, &told.count);
    let rings = (0..told.frequency.len())
        .filter(|&k| (COARSEST..0.95 * cutoff_cycles_per_px).contains(&told.frequency[k]));
    let mut power = 0.0f64;
    // From the noise alone to what the last round found: the variance of a ring's power is that of all that lies in it.
    for _ in 0..20 {
        let (mut sum, mut of) = (0.0, 0.0);
        for k in rings.clone() {
            let shape = shape(told.frequency[k]);
            let all = power.max(0.0) * shape + noise_power[k];
            let weight = told.count[k] / (all * all).max(f64::MIN_POSITIVE);
            sum += weight * told.signal_power[k] * shape;
            of += weight * shape * shape;
        }
        power = sum / of;
    }
    let ln_power = if power > 0.0 { power.ln() } else { f64::NEG_INFINITY };
    let signal = SignalModel { ln_power, ..bare };
    let frequency = told.frequency.clone();
    power.is_finite().then_some(DifferenceMeasure { signal, frequency, noise_power })
}

/// Bring back the differences of the channels of `picture` (`light`: its light, row-major, as it is): as far as their signal carries where
/// the light's blur is undone, and as they are for other ways of sharpening.
///
/// # Errors
/// When cancelled.
pub(super) fn bring_back(
    picture: &mut Picture,
    light: &[f32],
    used: &FinishSettings,
    measured: &Measured,
    progress: &dyn Progress,
) -> Result<(), Cancelled> {
    let known = measured.light.as_ref().and_then(|m| Some((m.signal?, &m.noise)));
    let (Some(undo), Some((signal, noise))) = (undo_of(used), known) else { return Ok(()) };
    let size = (picture.height(), picture.width());
    let Ok(light) = Plane::from_shape_vec(size, light.to_vec()) else { return Ok(()) };
    let floor = carry::hue_floor(measured.light.as_ref());
    for (channel, told) in measured.differences.iter().enumerate().take(picture.channels()) {
        let Some(told) = told else { continue };
        let wavelength = relative_wavelength(channel);
        let mut plane = picture.plane_mut(channel);
        let blur = undo.blur.unwrap_or(signal.blur);
        let of_light = |gain: &(dyn Fn(f64) -> f64 + Sync)| {
            Followed::new(size, wavelength, gain, progress)?.of(&light, progress)
        };
        let shown = of_light(&followed(&signal, blur, wavelength))?;
        let hue = hue(plane.view(), &shown, floor);
        let expected = hue.iter().zip(&shown);
        let difference: Vec<f32> =
            plane.iter().zip(expected).map(|(v, (h, l))| v - h * l).collect();
        let gain = |f: f64| told.gain(&undo, wavelength, f);
        let found = wiener::filtered(&difference, size, &gain, progress, (0, 1))?;
        let carried = of_light(&carried(&signal, noise, &undo, wavelength))?;
        let parts = hue.iter().zip(&carried).zip(&found);
        plane.iter_mut().zip(parts).for_each(|(v, ((hue, light), found))| *v = hue * light + found);
    }
    Ok(())
}

/// The blur that these settings undo.
fn undo_of(used: &FinishSettings) -> Option<WienerSettings> {
    match &used.sharpening {
        Sharpening::DetailScales(detail) => detail.undo,
        Sharpening::Wiener(wiener) => Some(*wiener),
        Sharpening::RichardsonLucy(rl) => {
            rl.blur.map(|blur| WienerSettings { blur: Some(blur), ..WienerSettings::default() })
        }
        Sharpening::Automatic | Sharpening::None => None,
    }
}
