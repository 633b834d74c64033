//! The capture: frames on demand, or all of them in order, with the truth.

use crate::camera::Sensor;
use crate::optics::{Optics, OpticsScratch, SPACING, rounded_wavelengths};
use crate::scene::{self, Drawing, Sight};
use crate::settings::{SampleError, SampleSettings};
use crate::track::{Moment, track};
use crate::truth::{
    FIRST_TICKS, INSTRUMENT, OBSERVER, SHIFT_CONVENTION, TELESCOPE, TICKS_S, TrueFrame,
    TrueSpreads, TrueWarp, Truth,
};
use rayon::prelude::*;
use std::sync::{Mutex, PoisonError};
use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Picture, Progress, RawFrame, Shift, Stage,
};

/// Frames of a batch per thread: large enough that threads seldom wait for each other.
const BATCH: usize = 8;
/// Most memory that [`simulate`] fills with frames, bytes.
const MOST_BYTES: usize = 4 << 30;

/// A simulated capture, ready to give frames: each is computed when it is asked for, and depends
/// on the settings and its number only.
pub struct SampleCapture {
    settings: SampleSettings,
    moments: Vec<Moment>,
    optics: Optics,
    sight: Sight,
    sensor: Sensor,
    picture: Picture,
    wavelengths: Vec<f64>,
    /// Weight of each node in the mean over the field.
    weights: Vec<f32>,
    places: Vec<usize>,
    idle: Mutex<Vec<OpticsScratch>>,
}

impl SampleCapture {
    /// Draw the scene, blow up the air and lay out the night.
    ///
    /// Takes about a second for the usual settings, in all threads.
    ///
    /// # Errors
    /// When a setting is out of range, or when the scene would leave the telescope's view.
    pub fn prepare(settings: &SampleSettings) -> Result<SampleCapture, SampleError> {
        SampleCapture::prepare_scene(settings, None)
    }

    /// The same for a scene of one's own, drawn three times finer than the pixels: light over
    /// column and row of the unshifted frame, around it too.
    ///
    /// # Errors
    /// As [`SampleCapture::prepare`].
    pub fn prepare_drawn(
        settings: &SampleSettings,
        drawing: Drawing<'_>,
    ) -> Result<SampleCapture, SampleError> {
        SampleCapture::prepare_scene(settings, Some(drawing))
    }

    fn prepare_scene(
        settings: &SampleSettings,
        drawing: Option<Drawing<'_>>,
    ) -> Result<SampleCapture, SampleError> {
        settings.check()?;
        let settings = settings.clone();
        let moments = track(&settings);
        let optics = Optics::new(&settings)?;
        let wavelengths = rounded_wavelengths(&settings);
        // How far the scene is ever carried, and twice the ripple of a single place about that.
        let carried = moments
            .par_iter()
            .map(|m| optics.atmosphere.central_motion(m).iter().fold(0.0f32, |a, v| a.max(v.abs())))
            .reduce(|| 0.0, f32::max);
        let worst = moments.iter().map(|m| m.d_over_r0).fold(0.0, f64::max);
        let cutoff = settings.cutoff_cycles_per_px(settings.telescope.wavelength_m);
        // One-axis Zernike tilt (Noll 1976): 0.182 (lambda / D)² (D / r0)^(5/3).
        let tilt = 0.4265 / cutoff * worst.powf(5.0 / 6.0);
        let margin = f64::from(carried) + 3.0 * tilt + optics.reach_px() as f64 + 4.0;
        if margin > 1500.0 {
            return Err(SampleError::Setting {
                name: "mount, air",
                expected: "such that the scene moves by less than about 1400 px in all",
                found: format!("{carried:.0} px"),
            });
        }
        let margin = (margin.ceil() as usize).max(settings.margin_px + 16);
        let (sight, picture) =
            scene::build(&settings, &wavelengths, &optics.still_air(), margin, drawing);
        let [nx, ny] = optics.nodes;
        let weights = node_weights(&settings, &picture, [nx, ny]);
        let third = |n: usize, i: usize| (n - 1) * (2 * i + 1) / 6;
        let places =
            (0..9).map(|i| third(ny, i / 3) * nx + third(nx, i % 3)).collect::<Vec<usize>>();
        let sensor = Sensor::new(&settings);
        let idle = Mutex::new(Vec::new());
        Ok(SampleCapture {
            settings,
            moments,
            optics,
            sight,
            sensor,
            picture,
            wavelengths,
            weights,
            places,
            idle,
        })
    }

    /// What a perfect telescope of this aperture would show above the black level, through the
    /// same pixels and without noise; the scene unshifted, with
    /// [`SampleSettings::margin_px`] on each side. Channels: 1, or red, green and blue.
    pub fn picture(&self) -> &Picture {
        &self.picture
    }

    /// The settings.
    pub fn settings(&self) -> &SampleSettings {
        &self.settings
    }

    /// When frame `index` is taken: units of 100 ns since the year 1, UTC.
    pub fn ticks_utc(&self, index: usize) -> u64 {
        FIRST_TICKS + (index as f64 / self.settings.fps * TICKS_S as f64).round() as u64
    }

    /// All that is true of the capture as a whole; `frames` is empty.
    pub fn truth(&self) -> Truth {
        let place = |node: &usize| self.optics.place(*node).map(|v| v as f32);
        let cutoffs = self.wavelengths.iter().map(|w| self.settings.cutoff_cycles_per_px(*w));
        Truth {
            settings: self.settings.clone(),
            margin_px: self.settings.margin_px,
            shift_convention: SHIFT_CONVENTION.to_owned(),
            arcsec_per_px: self.settings.telescope.arcsec_per_px,
            wavelengths_m: self.wavelengths.clone(),
            cutoff_cycles_per_px: cutoffs.collect(),
            channel_shift_y_px: self.optics.channel_shifts(),
            observer: OBSERVER.to_owned(),
            instrument: INSTRUMENT.to_owned(),
            telescope: TELESCOPE.to_owned(),
            places_px: self.places.iter().map(place).collect(),
            frames: Vec::new(),
        }
    }

    /// How the scene lies in frame `index`, place by place; `None` when there is no such frame.
    pub fn true_warp(&self, index: usize) -> Option<TrueWarp> {
        let moment = self.moments.get(index)?;
        let [columns, rows] = self.optics.nodes;
        let motion = |node| self.optics.atmosphere.mean_motion(moment, self.optics.place(node));
        let motion_px = (0..columns * rows).map(motion).collect();
        Some(TrueWarp { columns, rows, spacing_px: SPACING, motion_px })
    }

    /// How each place of frame `index` is blurred in one channel; `None` when there is no such frame or
    /// channel. Takes about as long as the frame itself.
    pub fn true_spreads(&self, index: usize, channel: usize) -> Option<TrueSpreads> {
        let moment = self.moments.get(index)?;
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = idle.unwrap_or_else(|| self.optics.scratch());
        let spreads = self.optics.spreads(moment, channel, &mut scratch);
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        let [columns, rows] = self.optics.nodes;
        let (side_px, values) = spreads?;
        Some(TrueSpreads { columns, rows, spacing_px: SPACING, side_px, values })
    }

    /// Compute frame `index` and what is true of it.
    ///
    /// # Errors
    /// When there is no such frame.
    pub fn render(&self, index: usize, frame: &mut RawFrame) -> Result<TrueFrame, FrameError> {
        let Some(moment) = self.moments.get(index) else {
            let count = self.moments.len();
            let reason = format!("the simulated capture has {count} frames, numbered from 0");
            return Err(FrameError { index, reason });
        };
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = idle.unwrap_or_else(|| self.optics.scratch());
        self.optics.expose(&self.sight, moment, &mut scratch);
        self.sensor.record(index, &scratch.planes, moment.light, frame);
        let truth = self.true_frame(index, moment, &scratch);
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        Ok(truth)
    }

    fn true_frame(&self, index: usize, moment: &Moment, scratch: &OpticsScratch) -> TrueFrame {
        let passage = &scratch.passage;
        let mean = |value: &dyn Fn(usize) -> f32| {
            let (mut sum, mut total) = (0.0f32, 0.0f32);
            for (node, weight) in self.weights.iter().enumerate() {
                let v = value(node);
                if *weight > 0.0 && v.is_finite() {
                    sum += weight * v;
                    total += weight;
                }
            }
            if total > 0.0 { sum / total } else { 0.0 }
        };
        let x = mean(&|node| passage.motion_px[node][0]);
        let y = mean(&|node| passage.motion_px[node][1]);
        let ripple = mean(&|node| {
            let [mx, my] = passage.motion_px[node];
            (mx - x).powi(2) + (my - y).powi(2)
        });
        let finite = |v: f32| if v.is_finite() { v } else { 0.0 };
        TrueFrame {
            index,
            ticks_utc: self.ticks_utc(index),
            shift: Shift::new(x, y),
            ripple_rms_px: ripple.sqrt(),
            blur_rad2: mean(&|node| passage.blur_rad2[node]),
            mean_strehl: mean(&|node| passage.strehl[node]),
            place_blur_rad2: self.places.iter().map(|n| passage.blur_rad2[*n]).collect(),
            place_strehl: self.places.iter().map(|n| finite(passage.strehl[*n])).collect(),
            d_over_r0: moment.d_over_r0 as f32,
            light: moment.light as f32,
            blank: moment.light == 0.0,
        }
    }

    /// Compute all frames, in all threads, and hand them in order to `sink` (which may write
    /// them away: only a few frames are held at a time). Gives the whole truth.
    ///
    /// # Errors
    /// What `sink` returns, or that the person asked to stop.
    pub fn render_all<E: From<SampleError>>(
        &self,
        progress: &dyn Progress,
        mut sink: impl FnMut(usize, &RawFrame) -> Result<(), E>,
    ) -> Result<Truth, E> {
        let count = self.moments.len();
        let mut truth = self.truth();
        let batch = (BATCH * rayon::current_num_threads()).min(count);
        let mut frames = vec![RawFrame::black(self.sensor.format); batch];
        let cancelled = |c| E::from(SampleError::Cancelled(c));
        for first in (0..count).step_by(batch) {
            progress.advance(Stage::Simulating, first, count).map_err(cancelled)?;
            let wanted = &mut frames[..batch.min(count - first)];
            let made: Vec<Option<TrueFrame>> = wanted
                .par_iter_mut()
                .enumerate()
                .map(|(i, frame)| self.render(first + i, frame).ok())
                .collect();
            for (i, frame) in wanted.iter().enumerate() {
                sink(first + i, frame)?;
            }
            truth.frames.extend(made.into_iter().flatten());
        }
        progress.advance(Stage::Simulating, count, count).map_err(cancelled)?;
        Ok(truth)
    }
}

impl FrameSource for SampleCapture {
    fn format(&self) -> FrameFormat {
        self.sensor.format
    }

    fn frame_count(&self) -> usize {
        self.moments.len()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        self.render(index, frame).map(|_| ())
    }
}

/// Weight of each node in means over the field: how much of its window lies on the frame, none
/// where the true picture is black there.
fn node_weights(settings: &SampleSettings, picture: &Picture, [nx, ny]: [usize; 2]) -> Vec<f32> {
    let margin = settings.margin_px;
    let dim = 0.02 * settings.camera.brightness as f32;
    let light = picture.luminance();
    let window = |d: f32| 0.5 + 0.5 * (std::f32::consts::PI * d / SPACING as f32).cos();
    let span = |i: usize, n: usize| {
        let at = i * SPACING;
        (at.saturating_sub(SPACING - 1)..(at + SPACING).min(n)).map(move |v| (v, at.abs_diff(v)))
    };
    let weight = |node: usize| {
        let (mut weight, mut brightest) = (0.0f32, 0.0f32);
        for (y, dy) in span(node / nx, settings.height) {
            for (x, dx) in span(node % nx, settings.width) {
                weight += window(dx as f32) * window(dy as f32);
                brightest = brightest.max(light[(y + margin, x + margin)]);
            }
        }
        if brightest > dim { weight } else { 0.0 }
    };
    (0..nx * ny).map(weight).collect()
}

/// A simulated capture in memory.
#[derive(Clone, Debug)]
pub struct Simulation {
    /// Format of the frames.
    pub format: FrameFormat,
    /// The frames.
    pub frames: Vec<RawFrame>,
    /// The true picture, as [`SampleCapture::picture`].
    pub picture: Picture,
    /// The truth about the capture and each frame.
    pub truth: Truth,
}

impl FrameSource for Simulation {
    fn format(&self) -> FrameFormat {
        self.format
    }

    fn frame_count(&self) -> usize {
        self.frames.len()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        let Some(found) = self.frames.get(index) else {
            let count = self.frames.len();
            let reason = format!("the simulated capture has {count} frames, numbered from 0");
            return Err(FrameError { index, reason });
        };
        frame.format = found.format;
        frame.samples.clone_from(&found.samples);
        Ok(())
    }
}

/// Simulate a whole capture into memory.
///
/// # Errors
/// When a setting is out of range, when the frames would take more than 4 GiB (then use
/// [`SampleCapture::render_all`] and write them away), or when the person asked to stop.
pub fn simulate(
    settings: &SampleSettings,
    progress: &dyn Progress,
) -> Result<Simulation, SampleError> {
    in_memory(settings, None, progress)
}

/// [`simulate`] for a scene of one's own, as [`SampleCapture::prepare_drawn`] takes it.
///
/// # Errors
/// As [`simulate`].
pub fn simulate_drawn(
    settings: &SampleSettings,
    drawing: Drawing<'_>,
    progress: &dyn Progress,
) -> Result<Simulation, SampleError> {
    in_memory(settings, Some(drawing), progress)
}

fn in_memory(
    settings: &SampleSettings,
    drawing: Option<Drawing<'_>>,
    progress: &dyn Progress,
) -> Result<Simulation, SampleError> {
    settings.check()?;
    let bytes =
        settings.width * settings.height * if settings.camera.bit_depth > 8 { 2 } else { 1 };
    if bytes.saturating_mul(settings.frames) > MOST_BYTES {
        return Err(SampleError::Setting {
            name: "frames",
            expected: "few enough to fit in 4 GiB of memory",
            found: format!("{} of {bytes} bytes", settings.frames),
        });
    }
    let capture = SampleCapture::prepare_scene(settings, drawing)?;
    let mut frames = Vec::with_capacity(settings.frames);
    let truth = capture.render_all(progress, |_, frame| -> Result<(), SampleError> {
        frames.push(frame.clone());
        Ok(())
    })?;
    let format = FrameSource::format(&capture);
    Ok(Simulation { format, frames, picture: capture.picture, truth })
}
