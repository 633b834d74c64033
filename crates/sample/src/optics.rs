//! How one frame is formed: air and telescope over the field.
//!
//! The picture is computed in two steps that together are fast and, within the limits named
//! here, exact.
//!
//! 1. *Tilt.* On a grid of nodes [`SPACING`] pixels apart, the phase in front of the telescope for
//!    light from that direction is the sum over the layers of a window cut from each layer's
//!    screen where the beam crosses it. Its mean slope is the node's image motion: between the
//!    nodes it is interpolated (Catmull-Rom), and the scene is looked up at `x - motion(x)`. Were
//!    the tilt left in the point-spread functions, their blending from node to node would show
//!    every edge twice.
//! 2. *Blur.* The rest of the phase gives the node's point-spread function, through a Fourier
//!    transform of the pupil. The displaced scene round the node is convolved with it, and the
//!    results are blended by raised-cosine windows that add up to one.
//!
//! Point-spread functions belong to the place in the *picture* (a gather), not to the place in
//! the scene (a scatter): so that an evenly bright scene gives an evenly bright picture. This is
//! what really happens: refraction conserves radiance, and no air makes bright and dark spots on
//! a clear sky. A scatter through phase alone, without the matching change of the beams'
//! footprints, would.
//!
//! Between two nodes the blur is a mixture of theirs, where in truth it is its own. Under the usual
//! night (two fifths of the turbulence 3.2 km up, D / r0 = 5) a frame differs from one summed up
//! pixel by pixel by 11 % rms of its contrast, mostly in the shape of its speckles; under a layer
//! at 1.5 km by 5 %. Halving the spacing would halve that and take four times as long.
//!
//! Left out: twinkling (scintillation), which is faint on extended objects; colour within one
//! channel; the part of the point-spread function beyond half a pupil transform (32 px with the
//! usual settings), which is folded back by the discrete transform and keeps the light's sum. What that does to a perfect picture is made up for in the scene
//! (`still_air.rs`).

use crate::atmosphere::{Atmosphere, reference_size};
use crate::fourier::{PatchPlans, PatchScratch, good_size, position, signed};
use crate::scene::Sight;
use crate::settings::{SampleError, SampleSettings};
use crate::still_air::StillAir;
use crate::track::Moment;
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::TAU;
use std::sync::Arc;

/// Pixels between nodes. Larger: neighbouring nodes see different air and the blend smears what
/// lies between them (at 20 px, 15 % of the contrast instead of 11 %). Smaller: the time grows as
/// the inverse square.
pub(crate) const SPACING: usize = 14;

/// One wavelength: its pupil transform.
struct Colour {
    /// Side of the pupil transform; one sample of it is one pixel.
    size: usize,
    /// Reference wavelength over this one.
    phase_scale: f32,
    fft: Arc<dyn Fft<f32>>,
    /// Dispersion, px down.
    shift_y_px: f32,
    /// Share of the light in the peak of the perfect point-spread function.
    ideal_peak: f32,
}

/// Air and telescope, ready to make frames.
pub(crate) struct Optics {
    width: usize,
    height: usize,
    pub atmosphere: Atmosphere,
    colours: Vec<Colour>,
    plans: PatchPlans,
    /// Nodes in a row and in a column.
    pub nodes: [usize; 2],
    window: Vec<f32>,
}

/// What one frame went through, node by node (rows of [`Optics::nodes`]).
#[derive(Clone, Debug, Default)]
pub(crate) struct Passage {
    /// Displacement, px to the right and down, mount included.
    pub motion_px: Vec<[f32; 2]>,
    /// Variance of the phase without tilt at the reference wavelength, mean over the exposure.
    pub blur_rad2: Vec<f32>,
    /// Peak over that of the perfect telescope (middle channel); NaN where the scene is black.
    pub strehl: Vec<f32>,
}

/// Work space of one thread.
pub(crate) struct OpticsScratch {
    warped: Vec<Vec<f32>>,
    phases: Vec<f32>,
    columns: Vec<Complex32>,
    turned: Vec<Complex32>,
    fft: Vec<Complex32>,
    psf: Vec<f32>,
    spread: Vec<Complex32>,
    patch: Vec<Complex32>,
    work: PatchScratch,
    taps: Vec<(usize, [f32; 4])>,
    /// The frame: one plane per wavelength.
    pub planes: Vec<Vec<f32>>,
    pub passage: Passage,
}

/// The wavelengths that will be simulated, rounded so that each pupil transform has an even side.
pub(crate) fn rounded_wavelengths(settings: &SampleSettings) -> Vec<f64> {
    let per_sample = settings.telescope.wavelength_m / reference_size(settings) as f64;
    let round = |w: f64| (w / per_sample / 2.0).round() * 2.0 * per_sample;
    settings.wavelengths().into_iter().map(round).collect()
}

impl Optics {
    /// Air and telescope of a night whose settings have been checked.
    ///
    /// # Errors
    /// When a layer is too high for so wide a field.
    pub fn new(settings: &SampleSettings) -> Result<Optics, SampleError> {
        let reference = settings.telescope.wavelength_m;
        let atmosphere = Atmosphere::new(settings)?;
        let (pupil, side) = (&atmosphere.pupil, atmosphere.reference_size);
        let wavelengths = rounded_wavelengths(settings);
        let mut planner = FftPlanner::new();
        let ends = (wavelengths.first(), wavelengths.last());
        let colours: Vec<Colour> = wavelengths
            .iter()
            .map(|w| {
                let size = (w / reference * side as f64).round() as usize;
                let spread = match ends {
                    (Some(first), Some(last)) if first != last => {
                        (wavelengths[wavelengths.len() / 2] - w) / (first - last)
                    }
                    _ => 0.0,
                };
                Colour {
                    size,
                    phase_scale: (reference / w) as f32,
                    fft: planner.plan_fft_forward(size),
                    shift_y_px: (settings.telescope.dispersion_px * spread) as f32,
                    ideal_peak: pupil.area.powi(2) / (pupil.light * (size * size) as f32),
                }
            })
            .collect();
        let largest = colours.iter().map(|c| c.size).max().unwrap_or(side);
        // Room for the window's 28 px and, on each side, almost all of the point-spread function.
        let plans = PatchPlans::new(good_size(largest + 32));
        let nodes = [settings.width, settings.height].map(|n| (n - 1).div_ceil(SPACING) + 1);
        let reach = SPACING as isize;
        let raised = |d: isize| 0.5 + 0.5 * (TAU / 2.0 * d as f64 / SPACING as f64).cos();
        Ok(Optics {
            width: settings.width,
            height: settings.height,
            atmosphere,
            colours,
            plans,
            nodes,
            window: (1 - reach..reach).map(|d| raised(d) as f32).collect(),
        })
    }

    /// Dispersion of each channel, px down.
    pub fn channel_shifts(&self) -> Vec<f32> {
        self.colours.iter().map(|c| c.shift_y_px).collect()
    }

    /// What a frame through still air passes of each channel: the transform of the point-spread function with no phase, as the pupil's grid and the
    /// folding make it.
    pub fn still_air(&self) -> Vec<StillAir> {
        let mut scratch = self.scratch();
        scratch.phases.fill(0.0);
        let mut of = |colour: &Colour| {
            let buffers = [&mut scratch.columns, &mut scratch.turned, &mut scratch.fft];
            self.point_spread(colour, &scratch.phases, &mut scratch.psf, buffers);
            StillAir::of(&scratch.psf, colour.size)
        };
        self.colours.iter().map(&mut of).collect()
    }

    /// Half the side of a patch: how far beyond the frame the scene is looked up.
    pub fn reach_px(&self) -> usize {
        self.plans.size / 2 + SPACING
    }

    pub fn scratch(&self) -> OpticsScratch {
        let patch = self.plans.size;
        let [nx, ny] = self.nodes;
        let warped = ((nx - 1) * SPACING + patch) * ((ny - 1) * SPACING + patch);
        let largest = self.colours.iter().map(|c| c.size).max().unwrap_or(0);
        let fft = self.colours.iter().map(|c| c.fft.get_inplace_scratch_len()).max().unwrap_or(0);
        let (zero, side) = (Complex32::default(), self.atmosphere.pupil.side);
        OpticsScratch {
            warped: vec![vec![0.0; warped]; self.colours.len()],
            phases: vec![0.0; self.atmosphere.steps * side * side],
            columns: vec![zero; side * largest],
            turned: vec![zero; largest * largest],
            fft: vec![zero; fft],
            psf: vec![0.0; largest * largest],
            spread: vec![zero; self.plans.spectrum_len()],
            patch: vec![zero; self.plans.spectrum_len()],
            work: self.plans.scratch(),
            taps: (0..(nx - 1) * SPACING + patch).map(|x| taps(x, patch, nx)).collect(),
            planes: vec![vec![0.0; self.width * self.height]; self.colours.len()],
            passage: Passage::default(),
        }
    }

    /// Make one frame into `scratch.planes`, noting what it went through in `scratch.passage`.
    pub fn expose(&self, sight: &Sight, moment: &Moment, scratch: &mut OpticsScratch) {
        let [nx, ny] = self.nodes;
        let count = nx * ny;
        scratch.passage.motion_px.resize(count, [0.0; 2]);
        scratch.passage.blur_rad2.resize(count, 0.0);
        scratch.passage.strehl.resize(count, f32::NAN);
        for node in 0..count {
            scratch.passage.motion_px[node] = self.atmosphere.mean_motion(moment, self.place(node));
        }
        self.warp(sight, scratch);
        scratch.planes.iter_mut().for_each(|plane| plane.fill(0.0));
        for node in 0..count {
            let motion = scratch.passage.motion_px[node];
            let phases = &mut scratch.phases;
            let blur = self.atmosphere.phases(moment, self.place(node), motion, phases);
            scratch.passage.blur_rad2[node] = blur;
            scratch.passage.strehl[node] = f32::NAN;
            for channel in 0..self.colours.len() {
                self.blur(channel, node, scratch);
            }
        }
    }

    /// Point-spread functions of all nodes in one channel: side, and the squares one after the other, in
    /// FFT order, rows by columns, the sum of each 1.
    pub fn spreads(
        &self,
        moment: &Moment,
        channel: usize,
        scratch: &mut OpticsScratch,
    ) -> Option<(usize, Vec<f32>)> {
        let colour = self.colours.get(channel)?;
        let square = colour.size * colour.size;
        let mut all = vec![0.0; self.nodes[0] * self.nodes[1] * square];
        for (node, psf) in all.chunks_exact_mut(square).enumerate() {
            let motion = self.atmosphere.mean_motion(moment, self.place(node));
            self.atmosphere.phases(moment, self.place(node), motion, &mut scratch.phases);
            let buffers = [&mut scratch.columns, &mut scratch.turned, &mut scratch.fft];
            self.point_spread(colour, &scratch.phases, psf, buffers);
        }
        Some((colour.size, all))
    }

    /// Place of a node in the picture, px.
    pub fn place(&self, node: usize) -> [f64; 2] {
        [node % self.nodes[0], node / self.nodes[0]].map(|i| (i * SPACING) as f64)
    }

    /// Look the displaced scene up at every pixel of the frame and half a patch round it.
    fn warp(&self, sight: &Sight, scratch: &mut OpticsScratch) {
        let [nx, ny] = self.nodes;
        let patch = self.plans.size;
        let columns = (nx - 1) * SPACING + patch;
        let motion = &scratch.passage.motion_px;
        let mut line = vec![[0.0f32; 2]; nx];
        let rows = (ny - 1) * SPACING + patch;
        for y in 0..rows {
            let (first, weights) = taps(y, patch, ny);
            for (x, value) in line.iter_mut().enumerate() {
                *value = blend(first, ny, &weights, |row| motion[row * nx + x]);
            }
            let at_y = y as f32 - patch as f32 / 2.0;
            for (x, (first, weights)) in scratch.taps.iter().enumerate() {
                let [mx, my] = blend(*first, nx, weights, |column| line[column]);
                let at_x = x as f32 - patch as f32 / 2.0;
                for (channel, colour) in self.colours.iter().enumerate() {
                    let from_y = at_y - my - colour.shift_y_px;
                    scratch.warped[channel][y * columns + x] = sight.at(channel, at_x - mx, from_y);
                }
            }
        }
    }

    /// Convolve the patch round a node and add what its window lets through.
    fn blur(&self, channel: usize, node: usize, scratch: &mut OpticsScratch) {
        let colour = &self.colours[channel];
        let patch = self.plans.size;
        let [nx, _] = self.nodes;
        let (left, top) = ((node % nx) * SPACING, (node / nx) * SPACING);
        let columns = (nx - 1) * SPACING + patch;
        let warped = &scratch.warped[channel];
        let row_of = |y: usize| &warped[(top + y) * columns + left..][..patch];
        if (0..patch).all(|y| row_of(y).iter().all(|v| v.abs() < 1e-6)) {
            return;
        }
        let peak = self.point_spread(
            colour,
            &scratch.phases,
            &mut scratch.psf,
            [&mut scratch.columns, &mut scratch.turned, &mut scratch.fft],
        );
        if channel == self.colours.len() / 2 {
            scratch.passage.strehl[node] = peak / colour.ideal_peak;
        }
        let (size, half) = (colour.size, colour.size / 2);
        let psf = &scratch.psf;
        self.plans.forward(&mut scratch.spread, &mut scratch.work, |y, row| {
            let ky = signed(y, patch);
            if ky < -(half as isize) || ky >= half as isize {
                return false;
            }
            let from = &psf[position(ky, size) * size..][..size];
            row.fill(0.0);
            row[..half].copy_from_slice(&from[..half]);
            row[patch - half..].copy_from_slice(&from[half..]);
            true
        });
        self.plans.forward(&mut scratch.patch, &mut scratch.work, |y, row| {
            row.copy_from_slice(row_of(y));
            true
        });
        scratch.patch.iter_mut().zip(&scratch.spread).for_each(|(a, b)| *a *= b);
        let scale = 1.0 / (patch * patch) as f32;
        let plane = &mut scratch.planes[channel];
        // Window positions that fall on the frame.
        let span = |at: usize, n: usize| {
            let first = (SPACING - 1).saturating_sub(at);
            first..(n + SPACING - 1).saturating_sub(at).min(2 * SPACING - 1)
        };
        let (across, down) = (span(left, self.width), span(top, self.height));
        let offset = patch / 2 + 1 - SPACING;
        let rows = down.start + offset..down.end + offset;
        self.plans.inverse(&mut scratch.patch, &mut scratch.work, rows, |y, row| {
            let j = y - offset;
            let weight = self.window[j] * scale;
            let x0 = left + across.start + 1 - SPACING;
            let to = &mut plane[(top + j + 1 - SPACING) * self.width + x0..][..across.len()];
            let from = row[across.start + offset..].iter().zip(&self.window[across.clone()]);
            to.iter_mut().zip(from).for_each(|(to, (v, w))| *to += weight * w * v);
        });
    }

    /// Point-spread function of the phases (mean over the steps), its sum 1, in FFT order, rows
    /// by columns; returns its peak.
    fn point_spread(
        &self,
        colour: &Colour,
        phases: &[f32],
        psf: &mut [f32],
        [columns, turned, fft]: [&mut Vec<Complex32>; 3],
    ) -> f32 {
        let (side, size) = (self.atmosphere.pupil.side, colour.size);
        let psf = &mut psf[..size * size];
        psf.fill(0.0);
        let columns = &mut columns[..side * size];
        let turned = &mut turned[..size * size];
        for phase in phases.chunks(side * side) {
            columns.fill(Complex32::default());
            for (i, (cover, phase)) in self.atmosphere.pupil.cover.iter().zip(phase).enumerate() {
                if *cover > 0.0 {
                    let (sin, cos) = (phase * colour.phase_scale).sin_cos();
                    columns[(i % side) * size + i / side] =
                        Complex32::new(cover * cos, cover * sin);
                }
            }
            colour.fft.process_with_scratch(columns, fft);
            for (y, row) in turned.chunks_mut(size).enumerate() {
                let along = columns.iter().skip(y).step_by(size);
                row.iter_mut().zip(along).for_each(|(to, from)| *to = *from);
                row[side..].fill(Complex32::default());
            }
            colour.fft.process_with_scratch(turned, fft);
            psf.iter_mut().zip(turned.iter()).for_each(|(p, v)| *p += v.norm_sqr());
        }
        let (sum, peak) = psf.iter().fold((0.0f32, 0.0f32), |(s, m), v| (s + v, m.max(*v)));
        // A cell that the pupil's edge cuts counts with its share as an amplitude, so less light
        // than falls on it comes out (share² for share). The rest is what a sharp edge diffracts
        // far away: spread it evenly. Without this, contrast is 3 % too high.
        let passed = self.atmosphere.pupil.light / self.atmosphere.pupil.area;
        let (scale, floor) = (passed / sum, (1.0 - passed) / (size * size) as f32);
        psf.iter_mut().for_each(|v| *v = *v * scale + floor);
        peak / sum
    }
}

/// First node (minus one) and Catmull-Rom weights for pixel `i` of the displaced scene, which
/// begins half a patch before the first node; constant beyond the outer nodes.
fn taps(i: usize, patch: usize, nodes: usize) -> (usize, [f32; 4]) {
    let last = ((nodes - 1) * SPACING) as f32;
    let at = (i as f32 - patch as f32 / 2.0).clamp(0.0, last) / SPACING as f32;
    let first = (at as usize).min(nodes.saturating_sub(2));
    let t = at - first as f32;
    let (t2, t3) = (t * t, t * t * t);
    let weights = [
        0.5 * (-t + 2.0 * t2 - t3),
        0.5 * (2.0 - 5.0 * t2 + 3.0 * t3),
        0.5 * (t + 4.0 * t2 - 3.0 * t3),
        0.5 * (t3 - t2),
    ];
    (first, weights)
}

fn blend(
    first: usize,
    nodes: usize,
    weights: &[f32; 4],
    value: impl Fn(usize) -> [f32; 2],
) -> [f32; 2] {
    let mut sum = [0.0; 2];
    for (i, weight) in weights.iter().enumerate() {
        let [x, y] = value((first + i).saturating_sub(1).min(nodes - 1));
        sum = [sum[0] + weight * x, sum[1] + weight * y];
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track::track;
    use crate::{scene, settings::AirLayer};
    use rayon::prelude::*;

    #[test]
    fn tiles_agree_with_pixel_by_pixel_summation() {
        let mut night = SampleSettings::small(21);
        // One layer at the default night's height, and the default night itself.
        let high = AirLayer { height_m: 1500.0, share: 1.0, wind_x_m_s: 5.0, wind_y_m_s: 0.0 };
        for (layers, allowed) in [(vec![high], 0.07), (night.air.layers.clone(), 0.13)] {
            night.air.layers = layers;
            let optics = Optics::new(&night).expect("allowed settings");
            let wavelengths = rounded_wavelengths(&night);
            let (sight, _) = scene::build(&night, &wavelengths, &optics.still_air(), 110, None);
            let moment = track(&night)[7];
            let mut scratch = optics.scratch();
            optics.expose(&sight, &moment, &mut scratch);
            let frame = scratch.planes[0].clone();
            let colour = &optics.colours[0];
            let (size, half) = (colour.size, colour.size as isize / 2);
            // The scene moved by each pixel's own motion (held beyond the outer nodes).
            let (wide, high) = (night.width + size, night.height + size);
            let moved: Vec<f32> = (0..wide * high)
                .into_par_iter()
                .map(|i| {
                    let [x, y] = [i % wide, i / wide].map(|p| p as f64 - half as f64);
                    let last = optics.nodes.map(|n| ((n - 1) * SPACING) as f64);
                    let place = [x.clamp(0.0, last[0]), y.clamp(0.0, last[1])];
                    let [mx, my] = optics.atmosphere.mean_motion(&moment, place);
                    sight.at(0, x as f32 - mx, y as f32 - my)
                })
                .collect();
            let (mut square, mut sum, mut squares, mut count) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
            // Off the nodes and on them.
            for y in (3..night.height).step_by(7) {
                for x in (2..night.width).step_by(7) {
                    let place = [x as f64, y as f64];
                    let motion = optics.atmosphere.mean_motion(&moment, place);
                    optics.atmosphere.phases(&moment, place, motion, &mut scratch.phases);
                    optics.point_spread(
                        colour,
                        &scratch.phases,
                        &mut scratch.psf,
                        [&mut scratch.columns, &mut scratch.turned, &mut scratch.fft],
                    );
                    let mut exact = 0.0f64;
                    for v in -half..half {
                        for u in -half..half {
                            let weight = scratch.psf[position(v, size) * size + position(u, size)];
                            let at = |p: usize, d: isize| (p as isize - d + half) as usize;
                            exact += f64::from(weight * moved[at(y, v) * wide + at(x, u)]);
                        }
                    }
                    let found = f64::from(frame[y * night.width + x]);
                    square += (found - exact).powi(2);
                    (sum, squares, count) = (sum + exact, squares + exact * exact, count + 1.0);
                }
            }
            let contrast = (squares / count - (sum / count).powi(2)).sqrt();
            let off = (square / count).sqrt();
            println!("off by {off:.5} rms of a contrast of {contrast:.4}: {:.4}", off / contrast);
            assert!(off < allowed * contrast, "{off} of {contrast}");
        }
    }
}
