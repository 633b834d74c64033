//! The scene in front of the telescope: made finely, kept as it is seen, and as the truth.

use crate::fourier::{good_size, resize_spectrum, transform};
use crate::planet::planet;
use crate::settings::{SampleSettings, Scene};
use crate::still_air::StillAir;
use crate::sunlight::{Sun, light};
use crate::telescope::annular_mtf;
use crate::terrain::Terrain;
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::f64::consts::{PI, TAU};
use stillwright_picture::Picture;

/// Grid points of the drawn scene per camera pixel.
const FINE: usize = 3;
/// Samples of the kept scene per camera pixel.
const KEPT: usize = 2;

/// The scene, freed of all detail that neither telescope nor camera could ever see, as
/// coefficients of cubic B-splines (Unser, Aldroubi and Eden 1993): so that it can be looked up
/// anywhere between its samples.
pub(crate) struct Sight {
    /// Coefficients per channel, rows by columns, two a camera pixel.
    channels: Vec<Vec<f32>>,
    columns: usize,
    rows: usize,
    /// Camera pixels of scene beyond the unshifted frame on each side.
    margin_px: usize,
}

impl Sight {
    /// Brightness of a channel at a place of the unshifted frame (px), averaged over one camera
    /// pixel; 1 is full scale. Beyond its margin the scene's edge goes on.
    #[inline]
    pub fn at(&self, channel: usize, x_px: f32, y_px: f32) -> f32 {
        let place = |v: f32, n: usize| {
            let v = ((v + self.margin_px as f32) * KEPT as f32).clamp(1.0, (n - 3) as f32);
            let whole = v as usize;
            (whole - 1, v - whole as f32)
        };
        let (x0, tx) = place(x_px, self.columns);
        let (y0, ty) = place(y_px, self.rows);
        let (wx, wy) = (spline_weights(tx), spline_weights(ty));
        let mut sum = 0.0;
        for (i, wy) in wy.iter().enumerate() {
            let from = &self.channels[channel][(y0 + i) * self.columns + x0..][..4];
            sum += wy * (wx[0] * from[0] + wx[1] * from[1] + wx[2] * from[2] + wx[3] * from[3]);
        }
        sum
    }
}

/// Cubic B-spline at -1 - t, -t, 1 - t, 2 - t.
fn spline_weights(t: f32) -> [f32; 4] {
    let u = 1.0 - t;
    let side = |t: f32| (4.0 - 6.0 * t * t + 3.0 * t * t * t) / 6.0;
    [u * u * u / 6.0, side(t), side(u), t * t * t / 6.0]
}

/// Make the scene with `margin_px` around the frame, and the truth: what a perfect telescope of
/// this aperture and obstruction would show at each of the `wavelengths` through pixels of this
/// size, with the settings' own margin around it. The scene is corrected for what frames through `still_air` do not pass as the telescope does,
/// channel by channel.
///
/// With a `drawing`, the scene is what it gives, whatever the settings say of ground or disc.
pub(crate) fn build(
    settings: &SampleSettings,
    wavelengths: &[f64],
    still_air: &[StillAir],
    margin_px: usize,
    drawing: Option<Drawing<'_>>,
) -> (Sight, Picture) {
    let wide = good_size(settings.width + 2 * margin_px);
    let high = good_size(settings.height + 2 * margin_px);
    let (columns, rows) = (wide * FINE, high * FINE);
    let drawn: Vec<Vec<f32>> = match settings.scene {
        _ if drawing.is_some() => {
            drawing.map(|d| drawn_by(d, columns, rows, margin_px)).into_iter().collect()
        }
        Scene::Ground => {
            let hero = 0.17 * settings.width.min(settings.height) as f32;
            let terrain = Terrain::new(settings.seed, wide, high, FINE, hero);
            let altitude = settings.sun.altitude_deg as f32;
            let fall = (wide as f32 / 75.0).min(13.0).min(0.62 * altitude);
            let sun = Sun {
                altitude_left: altitude.to_radians(),
                altitude_right: (altitude - fall).to_radians(),
                azimuth: settings.sun.azimuth_rad as f32,
            };
            vec![light(&terrain, sun)]
        }
        Scene::Disc => {
            let radius = 0.27 * settings.width.min(settings.height) as f32;
            let middle = [settings.width, settings.height]
                .map(|n| (margin_px as f32 + n as f32 / 2.0) * FINE as f32);
            planet(settings.seed, (columns, rows), middle, radius * FINE as f32).into()
        }
    };
    let cutoffs: Vec<f64> = wavelengths.iter().map(|w| settings.cutoff_cycles_per_px(*w)).collect();
    let highest = cutoffs.iter().copied().fold(0.0, f64::max);
    let obstruction = settings.telescope.obstruction;
    let per_sample = 1.0 / (columns * rows) as f64;
    let frequency = |ky: isize, kx: isize| (ky as f64 / high as f64, kx as f64 / wide as f64);
    let pixel = |fy: f64, fx: f64| sinc(fy) * sinc(fx);
    let (kept_size, true_size) = ((high * KEPT, wide * KEPT), (high, wide));
    let mut channels = Vec::new();
    let mut truths = Vec::new();
    for (channel, cutoff) in cutoffs.iter().enumerate() {
        let plane = drawn.get(channel).or(drawn.first());
        let mut spectrum: Vec<Complex32> =
            plane.into_iter().flatten().map(|v| Complex32::new(*v, 0.0)).collect();
        transform(&mut spectrum, rows, columns, false);
        // What lies above the cut-off no frame can show. It goes here, since a cut point-spread
        // function lets a little of it through, and sampling once a pixel would fold it back.
        let (full, none) = (highest + 0.01, highest + 0.06);
        let kept = resize_spectrum(&spectrum, (rows, columns), kept_size, |ky, kx| {
            let (fy, fx) = frequency(ky, kx);
            let t = ((fy.hypot(fx) - full) / (none - full)).clamp(0.0, 1.0);
            let spline = |f: f64| (4.0 + 2.0 * (TAU * f / KEPT as f64).cos()) / 6.0;
            let fade = 0.5 + 0.5 * (PI * t).cos();
            let made_up = |air: &StillAir| air.made_up_for(fy.hypot(fx), *cutoff, obstruction);
            let fade = fade * still_air.get(channel).map_or(1.0, made_up);
            (fade * pixel(fy, fx) / (spline(fy) * spline(fx)) * per_sample) as f32
        });
        channels.push(real(kept, kept_size));
        let truth = resize_spectrum(&spectrum, (rows, columns), true_size, |ky, kx| {
            let (fy, fx) = frequency(ky, kx);
            let passed = annular_mtf(fy.hypot(fx) / cutoff, obstruction);
            (passed * pixel(fy, fx) * per_sample) as f32
        });
        truths.push(real(truth, true_size));
    }
    // The brightest parts (all but 1 in 500 points) get the brightness that was asked for.
    let brightest = truths.iter().map(|t| upper_value(t, 0.998)).fold(0.0, f32::max).max(1e-6);
    let scale = settings.camera.brightness as f32 / brightest;
    channels.par_iter_mut().flatten().for_each(|v| *v *= scale);
    let frame_margin = settings.margin_px;
    let mut picture = Picture::black(
        truths.len(),
        settings.height + 2 * frame_margin,
        settings.width + 2 * frame_margin,
    );
    for ((c, y, x), value) in picture.planes.indexed_iter_mut() {
        let clamp = |v: usize, n: usize| (v + margin_px).saturating_sub(frame_margin).min(n - 1);
        *value = truths[c][clamp(y, high) * wide + clamp(x, wide)] * scale;
    }
    let (rows, columns) = kept_size;
    (Sight { channels, columns, rows, margin_px }, picture)
}

/// Light of a scene at a position of the unshifted frame: column and row, px, the middle of the first
/// pixel at 0, 0; any unit.
pub type Drawing<'a> = &'a (dyn Fn(f64, f64) -> f32 + Sync);

fn drawn_by(drawing: Drawing<'_>, columns: usize, rows: usize, margin_px: usize) -> Vec<f32> {
    let mut out = vec![0.0f32; columns * rows];
    let at = |i: usize| i as f64 / FINE as f64 - margin_px as f64;
    out.par_chunks_mut(columns).enumerate().for_each(|(y, row)| {
        row.iter_mut().enumerate().for_each(|(x, value)| *value = drawing(at(x), at(y)));
    });
    out
}

fn sinc(f: f64) -> f64 {
    if f.abs() < 1e-9 { 1.0 } else { (PI * f).sin() / (PI * f) }
}

/// Inverse transform, real part.
fn real(mut spectrum: Vec<Complex32>, (rows, columns): (usize, usize)) -> Vec<f32> {
    transform(&mut spectrum, rows, columns, true);
    spectrum.into_iter().map(|c| c.re).collect()
}

/// The value that a share of all values does not exceed.
fn upper_value(values: &[f32], share: f64) -> f32 {
    let mut sorted = values.to_vec();
    let at = ((sorted.len() - 1) as f64 * share) as usize;
    *sorted.select_nth_unstable_by(at, f32::total_cmp).1
}
