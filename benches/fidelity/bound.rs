//! What any stack of these frames could reach: the true warp undone, and each place and spatial frequency
//! of each frame weighted by its true transfer.
//!
//! Each frame goes through the transposed blur of the simulation (each node's window of it, convolved with
//! the node's point-spread function turned round), then its warp is undone, and the frames are added. Round
//! each node of a grid the sum is divided by `sum |H|^2 + N / S`: `H` the transfers of that place of the scene
//! in all frames, `N` and `S` the power of noise and scene. This is the multi-frame Wiener filter, transfers
//! taken to change slowly over the place; the perfect telescope's transfer follows, which the truth has, too.
//! The results are blended by raised cosines. A mosaic's gaps are filled before.

use super::oracle;
use rayon::prelude::*;
use stillwright_night::picture::Plane;
use stillwright_night::sample::{SampleCapture, TrueSpreads, TrueWarp};
use stillwright_night::seeing::fourier::{Complex32, Fourier, FourierWork};
use stillwright_night::seeing::raster::mirror;

/// Side of a patch, px: the window, and room on each side for what the transfers carry in.
const PATCH_PX: usize = 96;

/// Edge of a patch that is faded, px.
const FADE_PX: usize = 16;

/// Frames that are looked at together.
const BATCH: usize = 8;

/// What is told of the capture.
pub struct Known<'a> {
    /// The simulation.
    pub capture: &'a SampleCapture,
    /// Channel of the point-spread functions.
    pub channel: usize,
    /// Point of the unshifted scene that pixel (0, 0) of the result shows.
    pub origin: (f32, f32),
    /// Transfer of the perfect telescope by frequency, cycles per px: the truth has gone through it.
    pub telescope: &'a (dyn Fn(f32) -> f32 + Sync),
    /// The true picture of that channel.
    pub truth: &'a Plane,
    /// Variance of a frame's noise at a usual brightness.
    pub noise_variance: f32,
}

/// The estimate from `frames`, one channel of each.
pub fn bound(frames: &[Plane], known: &Known<'_>) -> Plane {
    let fourier = Fourier::new(PATCH_PX, PATCH_PX);
    let dim = frames[0].dim();
    let (height, width) = dim;
    let Some(first) = known.capture.true_spreads(0, known.channel) else {
        return Plane::zeros(dim);
    };
    let grid = Grid { columns: first.columns, rows: first.rows, spacing: first.spacing_px };
    let len = fourier.spectrum_len();
    let mut light = Plane::zeros(dim);
    let mut power = vec![0.0f32; grid.len() * len];
    let indices: Vec<usize> = (0..frames.len()).collect();
    for some in indices.chunks(BATCH) {
        let seen: Vec<Seen> = some
            .par_iter()
            .map(|&index| Seen::of(&frames[index], index, &fourier, &grid, known))
            .collect();
        seen.iter().for_each(|frame| light += &frame.carried_back);
        power.par_chunks_mut(len).enumerate().for_each_init(
            || vec![Complex32::default(); len],
            |h, (node, power)| {
                let at = grid.place(node);
                let scene = (at.0 as f32 + known.origin.0, at.1 as f32 + known.origin.1);
                for frame in &seen {
                    let [dx, dy] = oracle::motion(&frame.warp, scene.0, scene.1);
                    grid.blend(&frame.transfers, len, (scene.0 + dx, scene.1 + dy), h);
                    power.iter_mut().zip(h.iter()).for_each(|(p, h)| *p += h.norm_sqr());
                }
            },
        );
    }
    let ridge = noise_over_signal(&fourier, known);
    let done: Vec<Vec<f32>> = power
        .par_chunks_mut(len)
        .enumerate()
        .map_init(
            || Work::new(&fourier),
            |work, (node, power)| {
                work.patch(&fourier, &light, grid.place(node));
                for (i, (c, p)) in work.spectrum.iter_mut().zip(power.iter()).enumerate() {
                    let (fx, fy) = fourier.frequency(i / PATCH_PX, i % PATCH_PX);
                    let frequency = fx.hypot(fy);
                    let telescope = (known.telescope)(frequency);
                    *c *= telescope / (p + telescope * telescope * ridge[ring(frequency)]);
                }
                fourier.inverse(&mut work.spectrum, &mut work.values, &mut work.fft);
                work.values.clone()
            },
        )
        .collect();
    let mut sum = Plane::zeros(dim);
    for (node, values) in done.iter().enumerate() {
        let at = grid.place(node);
        let reach = grid.spacing as isize;
        for dy in 1 - reach..reach {
            for dx in 1 - reach..reach {
                let (x, y) = (at.0 + dx, at.1 + dy);
                if x >= 0 && y >= 0 && (x as usize) < width && (y as usize) < height {
                    let middle = (PATCH_PX / 2) as isize;
                    let from = (middle + dy) as usize * PATCH_PX + (middle + dx) as usize;
                    sum[(y as usize, x as usize)] += raised(dx as f32 / reach as f32)
                        * raised(dy as f32 / reach as f32)
                        * values[from];
                }
            }
        }
    }
    sum
}

/// Power of the noise over that of the scene, ring by ring: the mean over patches of the truth.
fn noise_over_signal(fourier: &Fourier, known: &Known<'_>) -> Vec<f32> {
    let mut work = Work::new(fourier);
    let (height, width) = known.truth.dim();
    let (mut power, mut count) = (vec![0.0f32; PATCH_PX], vec![0.0f32; PATCH_PX]);
    for y in (0..height).step_by(PATCH_PX / 2) {
        for x in (0..width).step_by(PATCH_PX / 2) {
            work.patch(fourier, known.truth, (x as isize, y as isize));
            for (i, value) in work.spectrum.iter().enumerate() {
                let (fx, fy) = fourier.frequency(i / PATCH_PX, i % PATCH_PX);
                power[ring(fx.hypot(fy))] += value.norm_sqr();
                count[ring(fx.hypot(fy))] += 1.0;
            }
        }
    }
    let window: f32 = (0..PATCH_PX).map(|i| fade(i).powi(2)).sum();
    let noise = known.noise_variance * window * window;
    power.iter().zip(count).map(|(p, n)| noise * n / p.max(f32::MIN_POSITIVE)).collect()
}

/// Ring of a frequency, cycles per px.
fn ring(frequency: f32) -> usize {
    ((frequency * PATCH_PX as f32).round() as usize).min(PATCH_PX - 1)
}

/// Weight of row or column `i` of a patch.
fn fade(i: usize) -> f32 {
    1.0 - raised((i.min(PATCH_PX - 1 - i) as f32 + 0.5) / FADE_PX as f32)
}

/// 1 at 0, 0 from 1 on.
fn raised(t: f32) -> f32 {
    0.5 + 0.5 * (std::f32::consts::PI * t.clamp(-1.0, 1.0)).cos()
}

/// One frame with what is true of it.
struct Seen {
    warp: TrueWarp,
    /// Transfers of the nodes, one spectrum after the other.
    transfers: Vec<Complex32>,
    /// Its light through the transfers turned round (the adjoint of what the air did), the warp undone.
    carried_back: Plane,
}

impl Seen {
    fn of(frame: &Plane, index: usize, fourier: &Fourier, grid: &Grid, known: &Known<'_>) -> Seen {
        let warp = known.capture.true_warp(index).unwrap();
        let spreads = known.capture.true_spreads(index, known.channel).unwrap();
        let len = fourier.spectrum_len();
        let mut transfers = vec![Complex32::default(); grid.len() * len];
        let mut sum = Plane::zeros(frame.dim());
        let mut work = Work::new(fourier);
        let (height, width) = frame.dim();
        let middle = (PATCH_PX / 2) as isize;
        for (node, transfer) in transfers.chunks_exact_mut(len).enumerate() {
            work.transfer(fourier, &spreads, node, transfer);
            let (x0, y0) = grid.place(node);
            work.windowed(fourier, frame, (x0, y0), grid.spacing);
            work.spectrum.iter_mut().zip(transfer.iter()).for_each(|(c, h)| *c *= h.conj());
            fourier.inverse(&mut work.spectrum, &mut work.values, &mut work.fft);
            for (j, line) in work.values.chunks_exact(PATCH_PX).enumerate() {
                let y = y0 - middle + j as isize;
                if y < 0 || y as usize >= height {
                    continue;
                }
                for (i, value) in line.iter().enumerate() {
                    let x = x0 - middle + i as isize;
                    if x >= 0 && (x as usize) < width {
                        sum[(y as usize, x as usize)] += value;
                    }
                }
            }
        }
        let carried_back = oracle::undone(&sum, &warp, known.origin);
        Seen { warp, transfers, carried_back }
    }
}

struct Grid {
    columns: usize,
    rows: usize,
    spacing: usize,
}

impl Grid {
    fn len(&self) -> usize {
        self.columns * self.rows
    }

    fn place(&self, node: usize) -> (isize, isize) {
        let at = |k: usize| (k * self.spacing) as isize;
        (at(node % self.columns), at(node / self.columns))
    }

    /// The transfer at a place of the picture, between the nodes', into `out`.
    fn blend(&self, transfers: &[Complex32], len: usize, place: (f32, f32), out: &mut [Complex32]) {
        out.fill(Complex32::default());
        let along = |v: f32, n: usize| {
            let at = (v / self.spacing as f32).clamp(0.0, (n - 1) as f32);
            let first = (at as usize).min(n.saturating_sub(2));
            let share = raised(at - first as f32);
            [(first, share), ((first + 1).min(n - 1), 1.0 - share)]
        };
        for (row, wy) in along(place.1, self.rows) {
            for (column, wx) in along(place.0, self.columns) {
                let node = row * self.columns + column;
                let from = &transfers[node * len..(node + 1) * len];
                out.iter_mut().zip(from).for_each(|(o, h)| *o += h * (wx * wy));
            }
        }
    }
}

struct Work {
    values: Vec<f32>,
    spectrum: Vec<Complex32>,
    fft: FourierWork,
}

impl Work {
    fn new(fourier: &Fourier) -> Work {
        Work {
            values: vec![0.0; PATCH_PX * PATCH_PX],
            spectrum: vec![Complex32::default(); fourier.spectrum_len()],
            fft: FourierWork::default(),
        }
    }

    /// The transfer of a node, into `out`.
    fn transfer(
        &mut self,
        fourier: &Fourier,
        spreads: &TrueSpreads,
        node: usize,
        out: &mut [Complex32],
    ) {
        self.values.fill(0.0);
        let (side, half) = (spreads.side_px, spreads.side_px / 2);
        let wrapped = |k: usize| if k < half { k } else { k + PATCH_PX - side };
        let psf = &spreads.values[node * side * side..(node + 1) * side * side];
        for (v, line) in psf.chunks_exact(side).enumerate() {
            for (u, value) in line.iter().enumerate() {
                self.values[wrapped(v) * PATCH_PX + wrapped(u)] = *value;
            }
        }
        fourier.forward(&mut self.values, out, &mut self.fft);
    }

    /// The spectrum of what `frame`, mirrored beyond its edges, shows under the window of a node.
    fn windowed(
        &mut self,
        fourier: &Fourier,
        frame: &Plane,
        (x0, y0): (isize, isize),
        spacing: usize,
    ) {
        self.values.fill(0.0);
        let (height, width) = frame.dim();
        let (middle, reach) = ((PATCH_PX / 2) as isize, spacing as isize);
        for dy in 1 - reach..reach {
            for dx in 1 - reach..reach {
                let (x, y) = (mirror(x0 + dx, width), mirror(y0 + dy, height));
                let to = (middle + dy) as usize * PATCH_PX + (middle + dx) as usize;
                let weight = raised(dx as f32 / reach as f32) * raised(dy as f32 / reach as f32);
                self.values[to] = weight * frame[(y, x)];
            }
        }
        fourier.forward(&mut self.values, &mut self.spectrum, &mut self.fft);
    }

    /// The spectrum of the patch of `plane` round a place; mirrored beyond the edges.
    fn patch(&mut self, fourier: &Fourier, plane: &Plane, (x0, y0): (isize, isize)) {
        let (height, width) = plane.dim();
        let middle = (PATCH_PX / 2) as isize;
        for (j, line) in self.values.chunks_exact_mut(PATCH_PX).enumerate() {
            let y = mirror(y0 - middle + j as isize, height);
            for (i, value) in line.iter_mut().enumerate() {
                let x = mirror(x0 - middle + i as isize, width);
                *value = plane[(y, x)] * fade(i) * fade(j);
            }
        }
        fourier.forward(&mut self.values, &mut self.spectrum, &mut self.fft);
    }
}
