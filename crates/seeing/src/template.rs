//! A piece of the reference that is looked for in frames: a tile, or the whole picture.
//!
//! Both sides are band-passed first ([`crate::band::BandPass`]), because frequencies beyond
//! the optical cut-off hold nothing but noise and plain whitening counts them fully. Looking
//! takes two steps:
//!
//! * [`Template::search`]: windowed FFT cross-correlation, the window laid anew around the place
//!   that the step before found (a window fixed on both sides pulls towards no shift);
//! * [`Template::refine`]: Gauss-Newton least squares on shift and contrast (Lucas and Kanade
//!   1981), the window travelling with the scene. Its accuracy on 64 px tiles is within 1.6
//!   times the Cramér-Rao bound of Robinson and Milanfar (IEEE TIP 13, 1185, 2004); see
//!   `tests/registration.rs`.

use crate::fourier::{Fourier, FourierWork};
use crate::interpolate::{TAPS, lagrange_taps};
use crate::least_squares::{Own, Step, Sums, Weighted, interpolate_row};
use crate::raster::{Raster, mirror};
use realfft::num_complex::Complex32;
use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, Mutex};

/// Where a template was found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Found {
    /// To the right of the template's own place, px.
    pub x_px: f32,
    /// Below the template's own place, px.
    pub y_px: f32,
    /// Normalised correlation of template and frame there, -1 to 1.
    pub correlation: f32,
    /// Upper triangle (xx, xy, yy) of the information about the shift, 1/px^2: the inverse is
    /// its covariance. Zero where nothing could be measured.
    pub information: [f32; 3],
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub struct TemplateWork {
    patch: Vec<f32>,
    rows: Vec<f32>,
    spectrum: Vec<Complex32>,
    fourier: FourierWork,
}

/// Plans and window for all templates of one size.
#[derive(Clone)]
pub struct TemplateShape {
    fourier: Fourier,
    /// Window of the FFT search (Hann-like, wide taper).
    search_window: Vec<f32>,
    /// Window of the least squares (flat with a narrow taper).
    refine_window: Vec<f32>,
    /// Samples this near to the frame's edge do not count in the least squares.
    edge_px: usize,
    /// Of this many rows one counts in the least squares.
    row_step: usize,
    /// The least squares ends when a step is shorter than this along both axes, px.
    precise_px: f32,
}

impl TemplateShape {
    /// Templates of `width` x `height` px, both at least 8.
    pub fn new(width: usize, height: usize) -> TemplateShape {
        TemplateShape {
            fourier: Fourier::new(width, height),
            search_window: outer(&taper(width, 0.5), &taper(height, 0.5)),
            refine_window: outer(&taper(width, 0.0625), &taper(height, 0.0625)),
            edge_px: 0,
            row_step: 1,
            precise_px: 0.003,
        }
    }

    /// For templates with far more px than a shift needs: let the least squares take one of `row_step` rows,
    /// which knows what its neighbours know after the band-pass, and end within `precise_px`. Steps
    /// shrink with their square near the end, so that what is left is much less.
    pub fn no_finer_than(mut self, precise_px: f32, row_step: usize) -> TemplateShape {
        (self.row_step, self.precise_px) = (row_step.max(1), precise_px);
        self
    }

    /// For templates that are a whole picture: let the least squares pass over samples within
    /// `edge_px` of the edge, both the frame's and the template's own.
    pub fn away_from_edges(mut self, edge_px: usize) -> TemplateShape {
        let inner = |n: usize| -> Vec<f32> {
            let edge = edge_px.min(n / 4);
            let mut window = vec![0.0; n];
            window[edge..n - edge].copy_from_slice(&taper(n - 2 * edge, 0.0625));
            window
        };
        self.refine_window = outer(&inner(self.width()), &inner(self.height()));
        self.edge_px = edge_px;
        self
    }

    /// Columns.
    pub fn width(&self) -> usize {
        self.fourier.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.fourier.height
    }
}

/// Flat window with raised-cosine ends, each `share` of the length (0.5 is a Hann window).
pub fn taper(n: usize, share: f32) -> Vec<f32> {
    let end = (n as f32 * share).max(1.0);
    (0..n)
        .map(|i| {
            let from_edge = (i.min(n - 1 - i)) as f32 + 0.5;
            if from_edge >= end {
                1.0
            } else {
                0.5 - 0.5 * (std::f32::consts::PI * from_edge / end).cos()
            }
        })
        .collect()
}

/// Slope from the samples at -2, -1, 1, 2 px, exact for quartics.
fn slope(at: impl Fn(isize) -> f32) -> f32 {
    (8.0 * (at(1) - at(-1)) - (at(2) - at(-2))) / 12.0
}

fn outer(x: &[f32], y: &[f32]) -> Vec<f32> {
    y.iter().flat_map(|b| x.iter().map(move |a| a * b)).collect()
}

/// A piece of the band-passed reference.
#[derive(Clone, Debug)]
pub struct Template {
    /// Left edge in the reference, px.
    pub x0: usize,
    /// Top edge in the reference, px.
    pub y0: usize,
    values: Vec<f32>,
    slope_x: Vec<f32>,
    slope_y: Vec<f32>,
    /// The same times the window of the least squares.
    weighted: [Vec<f32>; 3],
    /// Conjugate spectrum of the windowed values.
    spectrum: Vec<Complex32>,
    /// Its own sums over the parts that frames showed so far.
    own: Arc<Mutex<HashMap<Part, Own>>>,
}

/// Columns and rows of a template that a frame shows, and of how many rows one counts.
type Part = (Range<usize>, Range<usize>, usize);

/// Most sums that are kept; a scene that wanders further has some worked out again.
const MOST_KNOWN: usize = 4096;

/// Steps of the least squares are rough, with half the rows, as long as the last one was longer than this, px.
const ROUGH_PX: f32 = 0.25;

impl Template {
    /// Cut the template at (`x0`, `y0`) out of the band-passed `reference`. It must fit.
    pub fn cut(
        shape: &TemplateShape,
        reference: &Raster,
        x0: usize,
        y0: usize,
        work: &mut TemplateWork,
    ) -> Template {
        let (width, height) = (shape.width(), shape.height());
        let n = width * height;
        let mut template = Template {
            x0,
            y0,
            values: Vec::with_capacity(n),
            slope_x: Vec::with_capacity(n),
            slope_y: Vec::with_capacity(n),
            weighted: Default::default(),
            spectrum: vec![Complex32::default(); shape.fourier.spectrum_len()],
            own: Arc::default(),
        };
        for y in y0..y0 + height {
            let row = reference.row(y);
            for x in x0..x0 + width {
                let across = |d: isize| row[mirror(x as isize + d, reference.width)];
                let down = |d: isize| reference.row(mirror(y as isize + d, reference.height))[x];
                template.values.push(row[x]);
                template.slope_x.push(slope(across));
                template.slope_y.push(slope(down));
            }
        }
        template.weighted = [&template.values, &template.slope_x, &template.slope_y]
            .map(|all| all.iter().zip(&shape.refine_window).map(|(v, w)| v * w).collect());
        work.patch.clear();
        work.patch.extend(template.values.iter().zip(&shape.search_window).map(|(v, w)| v * w));
        shape.fourier.forward(&mut work.patch, &mut template.spectrum, &mut work.fourier);
        template.spectrum.iter_mut().for_each(|s| *s = s.conj());
        template
    }

    /// Look for the template in the band-passed `frame` around a guess (px from its own place),
    /// by FFT correlation; `rounds` times at most, each around the place found before, until that is near.
    pub fn search(
        &self,
        shape: &TemplateShape,
        frame: &Raster,
        guess: (f32, f32),
        rounds: usize,
        work: &mut TemplateWork,
    ) -> (f32, f32) {
        let (width, height) = (shape.width(), shape.height());
        let (mut x_px, mut y_px) = guess;
        work.spectrum.resize(shape.fourier.spectrum_len(), Complex32::default());
        for _ in 0..rounds {
            let (left, top) = (x_px.round(), y_px.round());
            work.patch.resize(width * height, 0.0);
            let x_first = self.x0 as isize + left as isize;
            let y_first = self.y0 as isize + top as isize;
            cut_padded(frame, x_first, y_first, width, &mut work.patch);
            for (p, w) in work.patch.iter_mut().zip(&shape.search_window) {
                *p *= w;
            }
            shape.fourier.forward(&mut work.patch, &mut work.spectrum, &mut work.fourier);
            for (s, t) in work.spectrum.iter_mut().zip(&self.spectrum) {
                *s *= t;
            }
            shape.fourier.inverse(&mut work.spectrum, &mut work.patch, &mut work.fourier);
            let (dx, dy) = peak(&work.patch, width, height);
            x_px = left + dx;
            y_px = top + dy;
            if dx.abs() < near(width) && dy.abs() < near(height) {
                break;
            }
        }
        (x_px, y_px)
    }

    /// Refine a guess that is right to about 2 px by least squares.
    ///
    /// `noise_sigma` is the noise of the band-passed frame (for the information); the scatter
    /// that is left after the fit counts where it is larger.
    pub fn refine(
        &self,
        shape: &TemplateShape,
        frame: &Raster,
        guess: (f32, f32),
        noise_sigma: f32,
        work: &mut TemplateWork,
    ) -> Found {
        const ROUNDS: usize = 5;
        let mut found = Found { x_px: guess.0, y_px: guess.1, ..Found::default() };
        let mut rough = shape.row_step > 1;
        for _ in 0..ROUNDS {
            let at = (found.x_px, found.y_px);
            let row_step = if rough { 2 * shape.row_step } else { shape.row_step };
            let Some(step) = self.step(shape, frame, at, row_step, work) else {
                found.information = [0.0; 3];
                return found;
            };
            let scatter = step.residual_variance.max(noise_sigma * noise_sigma).max(1e-20);
            found.correlation = step.correlation;
            found.information = step.normal.map(|n| n * step.contrast * step.contrast / scatter);
            // A step of more than 2 px has left the region where the slopes mean anything.
            let (dx, dy) = (step.x_px.clamp(-2.0, 2.0), step.y_px.clamp(-2.0, 2.0));
            found.x_px += dx;
            found.y_px += dy;
            let below = |limit: f32| dx.abs() < limit && dy.abs() < limit;
            if !rough && below(shape.precise_px) {
                break;
            }
            rough &= !below(ROUGH_PX);
        }
        if (found.x_px - guess.0).abs() > 4.0 || (found.y_px - guess.1).abs() > 4.0 {
            return Found { x_px: guess.0, y_px: guess.1, information: [0.0; 3], ..found };
        }
        found
    }

    /// One Gauss-Newton step at `at`; `None` where frame and template do not meet or there is
    /// nothing to hold on to.
    fn step(
        &self,
        shape: &TemplateShape,
        frame: &Raster,
        at: (f32, f32),
        row_step: usize,
        work: &mut TemplateWork,
    ) -> Option<Step> {
        let (width, height) = (shape.width(), shape.height());
        let x_cell = at.0.floor();
        let y_cell = at.1.floor();
        if !(x_cell.abs() < 1e6 && y_cell.abs() < 1e6) {
            return None;
        }
        let x_first = self.x0 as isize + x_cell as isize;
        let y_first = self.y0 as isize + y_cell as isize;
        // Columns and rows whose six interpolation samples all lie in the frame.
        let columns = inside(x_first, width, frame.width, shape.edge_px);
        let rows = inside(y_first, height, frame.height, shape.edge_px);
        if columns.len() * 4 < width || rows.len() * 4 < height {
            return None;
        }
        let tap_x = lagrange_taps(at.0 - x_cell);
        let tap_y = lagrange_taps(at.1 - y_cell);
        // Six rows of the frame, interpolated along x, kept in a ring.
        let n = columns.len();
        work.rows.resize(TAPS * n, 0.0);
        let x_left = (x_first + columns.start as isize) as usize - 2;
        let fill = |ring: &mut [f32], y: usize| {
            let source = &frame.row(y)[x_left..x_left + n + TAPS - 1];
            let slot = &mut ring[(y % TAPS) * n..(y % TAPS + 1) * n];
            interpolate_row(source, &tap_x, slot);
        };
        let y_top = (y_first + rows.start as isize) as usize;
        for y in y_top - 2..y_top + 3 {
            fill(&mut work.rows, y);
        }
        let mut sums = Sums::new(self.own(shape, (columns.clone(), rows.clone(), row_step)));
        for row in rows.clone() {
            let y = (y_first + row as isize) as usize;
            fill(&mut work.rows, y + 3);
            if row % row_step != 0 {
                continue;
            }
            let ring =
                |k: usize| &work.rows[((y + k - 2) % TAPS) * n..((y + k - 2) % TAPS + 1) * n];
            let from = row * width + columns.start;
            let span = from..from + n;
            sums.add_row(
                [ring(0), ring(1), ring(2), ring(3), ring(4), ring(5)],
                tap_y,
                Weighted {
                    r: &self.weighted[0][span.clone()],
                    slope_x: &self.weighted[1][span.clone()],
                    slope_y: &self.weighted[2][span.clone()],
                    window: &shape.refine_window[span],
                },
            );
        }
        sums.solve()
    }

    /// The template's own sums over the part that a frame shows.
    fn own(&self, shape: &TemplateShape, part: Part) -> Own {
        if let Ok(known) = self.own.lock()
            && let Some(own) = known.get(&part)
        {
            return *own;
        }
        let (columns, rows, row_step) = &part;
        let mut own = Own::default();
        for row in rows.clone().filter(|row| row % row_step == 0) {
            let from = row * shape.width();
            let span = from + columns.start..from + columns.end;
            own.add_row(
                &shape.refine_window[span.clone()],
                &self.values[span.clone()],
                (&self.slope_x[span.clone()], &self.slope_y[span]),
            );
        }
        if let Ok(mut known) = self.own.lock()
            && known.len() < MOST_KNOWN
        {
            known.insert(part, own);
        }
        own
    }
}

/// How near a place must be to the one it was looked for around, px, to be believed: windows that far apart of `n` px hold nearly the same,
/// and pull home by a few hundredths of the way.
fn near(n: usize) -> f32 {
    (n as f32 / 40.0).max(0.5)
}

/// Positions 0..n whose samples from `first - 2` to `first + 3` lie within 0..limit, `edge` px
/// further in.
fn inside(first: isize, n: usize, limit: usize, edge: usize) -> Range<usize> {
    let low = (2 + edge as isize - first).max(0);
    let high = (limit as isize - 3 - edge as isize - first).min(n as isize);
    if high <= low { 0..0 } else { low as usize..high as usize }
}

/// Copy a piece of `frame` whose corner may lie outside; what lies outside is 0.
fn cut_padded(frame: &Raster, x0: isize, y0: isize, width: usize, patch: &mut [f32]) {
    let left = (-x0).clamp(0, width as isize) as usize;
    let right = (frame.width as isize - x0).clamp(left as isize, width as isize) as usize;
    for (row, line) in patch.chunks_exact_mut(width).enumerate() {
        let y = y0 + row as isize;
        if y < 0 || y >= frame.height as isize || right <= left {
            line.fill(0.0);
            continue;
        }
        let source = frame.row(y as usize);
        line[..left].fill(0.0);
        line[right..].fill(0.0);
        let from = (x0 + left as isize) as usize;
        line[left..right].copy_from_slice(&source[from..from + right - left]);
    }
}

/// Place of the largest value of a circular correlation, refined by a parabola along each axis.
fn peak(surface: &[f32], width: usize, height: usize) -> (f32, f32) {
    let mut best = 0;
    for (i, v) in surface.iter().enumerate() {
        if *v > surface[best] {
            best = i;
        }
    }
    let (x, y) = (best % width, best / width);
    let at = |x: usize, y: usize| surface[y * width + x];
    let vertex = |before: f32, here: f32, after: f32| {
        let curve = before - 2.0 * here + after;
        if curve < 0.0 { (0.5 * (before - after) / curve).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let fx = vertex(at((x + width - 1) % width, y), at(x, y), at((x + 1) % width, y));
    let fy = vertex(at(x, (y + height - 1) % height), at(x, y), at(x, (y + 1) % height));
    let signed = |i: usize, n: usize| if i > n / 2 { i as f32 - n as f32 } else { i as f32 };
    (signed(x, width) + fx, signed(y, height) + fy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_outside_the_frame_is_never_touched() {
        let mut values = Raster::zeros(32, 32);
        for (i, v) in values.values.iter_mut().enumerate() {
            *v = ((i * 7919) % 101) as f32 / 101.0;
        }
        let shape = TemplateShape::new(16, 16);
        let mut work = TemplateWork::default();
        let template = Template::cut(&shape, &values, 8, 8, &mut work);
        for guess in [(-40.0, 0.0), (1e9, 3.0), (f32::NAN, 0.0), (-15.5, 12.0), (20.0, 20.0)] {
            let found = template.refine(&shape, &values, guess, 0.01, &mut work);
            assert!(found.information.iter().all(|v| v.is_finite()));
            let (x, y) = template.search(&shape, &values, guess, 2, &mut work);
            assert!(x.is_finite() && y.is_finite() || !guess.0.is_finite());
        }
    }
}
