//! The record: how a still was made, as JSON.
//!
//! Every field of [`Record`] stands in the file under its own name; numbers that are not known are
//! `null`. Frames are counted from 0, sizes are in pixels, shares run from 0 to 1 unless a name
//! says `percent`, times are UTC.

use crate::calibration::CalibrationReport;
use crate::hash::Fingerprint;
use crate::recipe::Recipe;
use serde::Serialize;
use std::path::Path;
use std::time::Instant;
use stillwright_capture::Facts;
use stillwright_seeing::{SceneKind, Survey};
use stillwright_stacking::finish::{Finished, Measured, Optics};
use stillwright_stacking::{Resampling, Stack, noise_ratio};

/// Version of the record's form.
pub const RECORD_VERSION: u32 = 1;

/// Name and version of the program, as records and pictures carry it.
pub const PROGRAM: &str = concat!("Stillwright ", env!("CARGO_PKG_VERSION"));

/// How a still was made.
#[derive(Clone, Debug, Serialize)]
pub struct Record {
    /// Version of this form.
    pub record_version: u32,
    /// Program and version.
    pub program: String,
    /// When the still was finished.
    pub made_utc: String,
    /// What it was made from.
    pub inputs: Vec<Input>,
    /// What the capture says about itself, and what is wrong with it.
    pub capture: Facts,
    /// What the frames were calibrated with; `null` where nothing was asked for.
    pub calibration: Option<CalibrationReport>,
    /// The frame whose pixel grid stack and still have.
    pub reference_frame: usize,
    /// Share of the best moments that was kept, percent.
    pub keep_percent: f32,
    /// Frames that gave light to some place.
    pub frames_used: usize,
    /// What was found in the frames.
    pub found: Found,
    /// What was added up.
    pub stack: StackFacts,
    /// The finest detail that the stack holds.
    pub resolution: Resolution,
    /// The recipe as it was given.
    pub recipe: Recipe,
    /// The recipe with everything automatic turned into what it became: with this one the same
    /// still comes out again.
    pub recipe_resolved: Recipe,
    /// Noise, correlation of the half stacks and signal, channel by channel.
    pub measured: Measured,
    /// What was written.
    pub outputs: Vec<Output>,
    /// What the person should know, a sentence each.
    pub warnings: Vec<String>,
    /// Seconds that each stage took; stages that ran beside others are marked in their name.
    pub timings: Vec<Timing>,
    /// Seconds in all, up to the writing of this record.
    pub seconds: f64,
}

/// A file that the still was made from.
#[derive(Clone, Debug, Serialize)]
pub struct Input {
    /// The path as it was given.
    pub path: String,
    /// Its length when it was hashed.
    pub bytes: u64,
    /// SHA-256, hexadecimal.
    pub sha256: String,
}

impl Input {
    /// An input and its fingerprint.
    pub fn new(path: &Path, print: Fingerprint) -> Input {
        Input { path: path.display().to_string(), bytes: print.bytes, sha256: print.sha256 }
    }
}

/// What was found in the frames.
#[derive(Clone, Debug, Serialize)]
pub struct Found {
    /// A close-up of ground, or a disc on black sky.
    pub scene: SceneKind,
    /// Frames in the capture.
    pub frames: usize,
    /// Frames that could be used.
    pub frames_usable: usize,
    /// Frames that took no part, and why.
    pub rejected: Vec<RejectedFrame>,
    /// Noise of one sample of one frame at the median brightness, share of full scale.
    pub frame_noise: f32,
    /// Median brightness of the usable frames, share of full scale.
    pub median_brightness: f32,
    /// Samples of the camera that are stuck.
    pub stuck_samples: usize,
    /// Grade of the sharpest usable frame; the mean is about 1.
    pub best_grade: f32,
    /// Largest distance of the scene from where it lies in the reference, px.
    pub largest_shift_px: f32,
}

/// A frame that took no part.
#[derive(Clone, Debug, Serialize)]
pub struct RejectedFrame {
    /// Its index.
    pub index: usize,
    /// Why, in words.
    pub reason: String,
}

impl Found {
    /// The short of a survey.
    pub fn new(survey: &Survey) -> Found {
        let usable = || survey.frames.iter().filter(|frame| frame.rejected.is_none());
        let rejected = survey.frames.iter().filter_map(|frame| {
            let reason = frame.rejected?.words();
            let reason = match &frame.trouble {
                Some(trouble) => format!("{reason} ({trouble})"),
                None => reason.to_string(),
            };
            Some(RejectedFrame { index: frame.index, reason })
        });
        Found {
            scene: survey.scene,
            frames: survey.frames.len(),
            frames_usable: usable().count(),
            rejected: rejected.collect(),
            frame_noise: survey.noise_sigma(),
            median_brightness: survey.median_brightness,
            stuck_samples: survey.hot_pixels.samples.len(),
            best_grade: usable().map(|frame| frame.grade.0).fold(f32::NEG_INFINITY, f32::max),
            largest_shift_px: usable().map(|f| f.shift.length_px()).fold(0.0, f32::max),
        }
    }
}

/// What was added up.
#[derive(Clone, Debug, Serialize)]
pub struct StackFacts {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 1 (light) or 3 (red, green, blue).
    pub channels: usize,
    /// Pixels of the stack per pixel of the capture.
    pub scale: f32,
    /// Side of the drops, share of a capture pixel's, where the frames were drizzled.
    pub pixfrac: Option<f32>,
    /// Agreement of two halves just below the finest pattern of the capture's pixels, -1 to 1, where it was to
    /// decide whether the frames are drizzled.
    pub agreement_at_nyquist: Option<f32>,
    /// The noise of a large area over what `noise` would give for independent pixels.
    pub noise_correlation: f32,
    /// Frames that each place was given, on average.
    pub frames_per_place: usize,
    /// Tiles that were aligned by themselves.
    pub tiles: usize,
    /// Displacement of red, green, blue (x, y) that was undone, px.
    pub channel_offsets_px: [(f32, f32); 3],
    /// Samples left out because one frame alone showed them.
    pub samples_refused: u64,
    /// Frames that could be graded but not be read again.
    pub frames_lost: Vec<usize>,
    /// Noise of one pixel of the stack, share of full scale, from its halves.
    pub noise: Option<f64>,
}

impl StackFacts {
    /// The short of a stack.
    pub fn new(stack: &Stack, measured: &Measured) -> StackFacts {
        StackFacts {
            width: stack.picture.width(),
            height: stack.picture.height(),
            channels: stack.picture.channels(),
            scale: stack.scale,
            pixfrac: stack.pixfrac,
            agreement_at_nyquist: stack.agreement_at_nyquist,
            noise_correlation: noise_ratio(stack.pixfrac, stack.scale),
            frames_per_place: stack.frames_per_place,
            tiles: stack.tiles,
            channel_offsets_px: stack.channel_offsets_px,
            samples_refused: stack.samples_refused,
            frames_lost: stack.frames_lost.clone(),
            noise: measured.light.as_ref().map(|light| light.correlation.noise_sigma),
        }
    }
}

/// The finest detail that the stack holds: the period (a bright and a dark line together) at
/// which the correlation of its halves falls below 1/7.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Resolution {
    /// In pixels of the stack; `None` when the stack is too small to tell.
    pub detail_px: Option<f64>,
    /// On the sky, where the optics are known.
    pub detail_arcsec: Option<f64>,
    /// The period at the telescope's own limit, `lambda / D`, where the optics are known.
    pub telescope_limit_arcsec: Option<f64>,
    /// Side of a pixel of the stack on the sky, where the optics are known.
    pub pixel_arcsec: Option<f64>,
}

/// Arcseconds in a radian.
pub(crate) const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

impl Resolution {
    /// From what was measured; `scale` is pixels of the stack per pixel of the capture.
    ///
    /// A correlation that never falls is signal up to the finest period that pixels can show, 2 px.
    pub fn new(measured: &Measured, optics: Option<&Optics>, scale: f32) -> Resolution {
        let detail_px = measured.light.as_ref().map(|light| {
            light.correlation.at_one_seventh.map_or(2.0, |crossing| crossing.detail_px)
        });
        let pixel_arcsec = optics
            .map(|o| o.pixel_um * 1e-6 / o.focal_length_m / f64::from(scale) * ARCSEC_PER_RADIAN);
        Resolution {
            detail_px,
            detail_arcsec: detail_px.zip(pixel_arcsec).map(|(px, arcsec)| px * arcsec),
            telescope_limit_arcsec: optics
                .map(|o| o.wavelength_m / o.aperture_m * ARCSEC_PER_RADIAN),
            pixel_arcsec,
        }
    }

    /// The figure and its unit: arcsec where the optics are known, else px of the stack.
    pub fn figure(&self) -> (Option<f64>, &'static str) {
        match self.detail_arcsec {
            Some(arcsec) => (Some(arcsec), "arcsec"),
            None => (self.detail_px, "px"),
        }
    }
}

/// A file that was written.
#[derive(Clone, Debug, Serialize)]
pub struct Output {
    /// Its path.
    pub path: String,
    /// What it is, in words.
    pub what: String,
}

/// How long a stage took.
#[derive(Clone, Debug, Serialize)]
pub struct Timing {
    /// The stage.
    pub stage: String,
    /// Seconds.
    pub seconds: f64,
}

/// A stopwatch that is read at the end of each stage.
#[derive(Debug)]
pub struct Stopwatch {
    begun: Instant,
    lap: Instant,
    timings: Vec<Timing>,
}

impl Stopwatch {
    /// Begin now.
    pub fn start() -> Stopwatch {
        let now = Instant::now();
        Stopwatch { begun: now, lap: now, timings: Vec::new() }
    }

    /// A stage is over.
    pub fn lap(&mut self, stage: &str) {
        let now = Instant::now();
        let seconds = (now - self.lap).as_secs_f64();
        self.timings.push(Timing { stage: stage.into(), seconds });
        self.lap = now;
    }

    /// Seconds since the start.
    pub fn seconds(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }

    /// The stages so far.
    pub fn timings(&self) -> Vec<Timing> {
        self.timings.clone()
    }
}

/// The recipe with everything automatic turned into what it became.
pub fn resolved(
    recipe: &Recipe,
    facts: &Facts,
    survey: &Survey,
    stack: &Stack,
    finished: &Finished,
) -> Recipe {
    let mut resolved = recipe.clone();
    resolved.capture.layout = Some(facts.layout);
    resolved.capture.byte_order = facts.byte_order;
    resolved.capture.justification = facts.justification;
    resolved.capture.bit_depth = Some(facts.bit_depth);
    resolved.survey.scene = survey.scene;
    resolved.stack.keep = stillwright_stacking::Keep::Percent(stack.keep_percent);
    resolved.stack.aligned_for = resolved.stack.aligned_for.filter(|p| *p > stack.keep_percent);
    resolved.stack.resampling =
        stack.pixfrac.map_or(Resampling::Interpolation, Resampling::Drizzle);
    resolved.finish = finished.used.clone();
    resolved
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_on_the_sky_follow_from_the_optics() {
        let optics = Optics {
            aperture_m: 0.25,
            obstruction: 0.3,
            focal_length_m: 4.0,
            pixel_um: 2.9,
            wavelength_m: 550e-9,
        };
        let measured = Measured { channels: vec![None], light: None, differences: vec![None] };
        let known = Resolution::new(&measured, Some(&optics), 1.0);
        // 206.264806 x 2.9 / 4000 = 0.149542 arcsec a pixel; D / lambda = 2.2037 cycles an arcsec
        // for 250 mm at 550 nm (definitions; Goodman, Introduction to Fourier Optics, 6.4).
        assert!((known.pixel_arcsec.unwrap() - 0.149_542).abs() < 1e-6);
        assert!((known.telescope_limit_arcsec.unwrap() - 1.0 / 2.2037).abs() < 1e-4);
        assert_eq!(known.figure(), (None, "px"));
        let finer = Resolution::new(&measured, Some(&optics), 2.0);
        assert!((finer.pixel_arcsec.unwrap() - 0.149_542 / 2.0).abs() < 1e-6);
        let unknown = Resolution::new(&measured, None, 1.0);
        assert_eq!(unknown.pixel_arcsec, None);
    }
}
