//! How one frame ripples against the reference: coarse by tiles, then dense least squares.
//!
//! 1. Tiles of the reference are looked for by band-passed FFT correlation around the
//!    whole-frame shift ([`Template::search`]); what disagrees with its neighbours is dropped;
//!    the rest becomes a first smooth field.
//! 2. Gauss-Newton rounds over the whole picture: the frame is warped by the field, compared
//!    with the reference, and every cell says how the field should change and how sure it is;
//!    [`field::solve`] makes one smooth field of it.
//!
//! Work is done on light reduced by a factor of 1 or 2; displacements are in px of the frame.

use crate::field::{self, Field, Measured, RowExpander, Smoothness, SolveWork};
use crate::median::median;
use crate::raster::{BandPass, Raster, reduce};
use crate::template::{Template, TemplateShape, TemplateWork};
use crate::warp::{slopes, warp_row};

/// How the aligner is built.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RippleSettings {
    /// Side of a tile, px of the frame.
    pub tile_px: usize,
    /// Distance between tiles, px of the frame.
    pub spacing_px: usize,
    /// Side of a cell of the field, px of the frame.
    pub cell_px: usize,
    /// Reduction before anything else: 1 or 2.
    pub factor: usize,
    /// Gauss-Newton rounds.
    pub rounds: usize,
    /// What the air is expected to do.
    pub smoothness: Smoothness,
}

/// Noise in a band-passed picture is correlated over about 4 pi s^2 px for a fine Gaussian of s:
/// that many px count as one. A larger value trusts the measurements less.
const CORRELATED_PX: f32 = 18.0;

/// Band of the registration, px of the (reduced) raster: finer holds noise only, coarser holds
/// brightness gradients that seeing does not move.
const FINE_PX: f32 = 1.2;
const COARSE_PX: f32 = 8.0;

/// The reference, ready to have frames aligned to it.
#[derive(Clone)]
pub struct Aligner {
    settings: RippleSettings,
    width: usize,
    height: usize,
    shape: TemplateShape,
    templates: Vec<Template>,
    passed: Raster,
    slope_x: Raster,
    slope_y: Raster,
}

/// Buffers of one worker.
#[derive(Clone, Debug)]
pub struct RippleWork {
    band: BandPass,
    reduced: Raster,
    passed: Raster,
    template: TemplateWork,
    expander: RowExpander,
    solve: SolveWork,
    row_x: Vec<f32>,
    row_y: Vec<f32>,
    warped: Vec<f32>,
    sums: Vec<CellSums>,
    measured: Vec<Measured>,
}

impl Default for RippleWork {
    fn default() -> Self {
        RippleWork {
            band: BandPass::new(FINE_PX, COARSE_PX),
            reduced: Raster::default(),
            passed: Raster::default(),
            template: TemplateWork::default(),
            expander: RowExpander::default(),
            solve: SolveWork::default(),
            row_x: Vec::new(),
            row_y: Vec::new(),
            warped: Vec::new(),
            sums: Vec::new(),
            measured: Vec::new(),
        }
    }
}

/// Sums over one cell: reference r, warped frame f, slopes g.
#[derive(Clone, Copy, Debug, Default)]
struct CellSums {
    n: f32,
    rr: f32,
    fr: f32,
    ff: f32,
    xx: f32,
    xy: f32,
    yy: f32,
    xf: f32,
    yf: f32,
    xr: f32,
    yr: f32,
}

impl Aligner {
    /// Prepare `reference` (light, full size). `noise_variance` is that of one sample of a
    /// frame's light; tiles that cannot be placed to half a px in such noise are passed over.
    pub fn new(reference: &Raster, settings: RippleSettings, noise_variance: f32) -> Aligner {
        let mut work = RippleWork::default();
        let factor = settings.factor.max(1);
        let light = if factor > 1 {
            reduce(reference, factor, &mut work.reduced);
            &work.reduced
        } else {
            reference
        };
        let mut passed = Raster::default();
        work.band.apply(light, &mut passed);
        let (width, height) = (passed.width, passed.height);
        let side = |n: usize| (settings.tile_px / factor).clamp(8, n);
        let shape = TemplateShape::new(side(width), side(height));
        // Noise that the band-pass lets through: 1 / (4 pi s^2) of the white noise.
        let passed_noise = noise_variance
            / (factor * factor) as f32
            / (4.0 * std::f32::consts::PI * FINE_PX * FINE_PX);
        let spacing = (settings.spacing_px / factor).max(4);
        let mut templates = Vec::new();
        for y0 in places(height, shape.height(), spacing) {
            for x0 in places(width, shape.width(), spacing) {
                let template = Template::cut(&shape, &passed, x0, y0, &mut work.template);
                // Variance of a shift along each axis, px^2 (Cramér-Rao for correlated noise).
                let variance =
                    2.0 * CORRELATED_PX * passed_noise / template.structure(&shape).max(1e-20);
                if variance < 0.25 {
                    templates.push(template);
                }
            }
        }
        let (slope_x, slope_y) = slopes(&passed);
        Aligner { settings, width, height, shape, templates, passed, slope_x, slope_y }
    }

    /// Tiles with enough structure to be aligned by themselves.
    pub fn tiles(&self) -> usize {
        self.templates.len()
    }

    /// Align a frame's `light` (full size), whose scene as a whole lies at `home`.
    ///
    /// `wanted` tells for each cell of the field whether it matters (see [`Aligner::cells`]);
    /// cells that do not are filled in from those that do.
    pub fn align(
        &self,
        light: &Raster,
        home: (f32, f32),
        wanted: Option<&[bool]>,
        work: &mut RippleWork,
    ) -> Field {
        let factor = self.settings.factor.max(1);
        if factor > 1 {
            reduce(light, factor, &mut work.reduced);
            let reduced = std::mem::take(&mut work.reduced);
            work.band.apply(&reduced, &mut work.passed);
            work.reduced = reduced;
        } else {
            work.band.apply(light, &mut work.passed);
        }
        let scale = factor as f32;
        let home = (home.0 / scale, home.1 / scale);
        let cell = (self.settings.cell_px / factor).max(1);
        let mut field = Field::constant(self.width, self.height, cell, home.0, home.1);
        let passed = std::mem::take(&mut work.passed);
        self.coarse(&passed, home, wanted, &mut field, work);
        for _ in 0..self.settings.rounds {
            self.round(&passed, home, wanted, &mut field, work);
        }
        work.passed = passed;
        field.cell_px *= factor;
        field.x_px.iter_mut().chain(field.y_px.iter_mut()).for_each(|d| *d *= scale);
        field
    }

    /// Columns, rows and side (px) of the cells of the fields that [`Aligner::align`] makes.
    pub fn cells(&self) -> (usize, usize, usize) {
        let factor = self.settings.factor.max(1);
        let cell = (self.settings.cell_px / factor).max(1);
        (self.width.div_ceil(cell), self.height.div_ceil(cell), cell * factor)
    }

    fn smoothness(&self) -> Smoothness {
        // Slopes have no unit; curvatures and displacements shrink with the raster.
        let scale = self.settings.factor.max(1) as f32;
        let s = self.settings.smoothness;
        Smoothness {
            slope: s.slope,
            curvature: s.curvature * scale,
            spread_px: s.spread_px / scale,
        }
    }

    /// Look for every tile, drop what disagrees with its neighbours, and smooth.
    fn coarse(
        &self,
        frame: &Raster,
        home: (f32, f32),
        wanted: Option<&[bool]>,
        field: &mut Field,
        work: &mut RippleWork,
    ) {
        let half = (self.shape.width() as f32 / 2.0, self.shape.height() as f32 / 2.0);
        let centre = |t: &Template| (t.x0 as f32 + half.0 - 0.5, t.y0 as f32 + half.1 - 0.5);
        let cell = |x: f32, y: f32| {
            let side = field.cell_px as f32;
            let i = ((x + 0.5) / side) as usize;
            let j = ((y + 0.5) / side) as usize;
            j.min(field.rows - 1) * field.columns + i.min(field.columns - 1)
        };
        let mut found: Vec<(f32, f32, f32, f32)> = Vec::with_capacity(self.templates.len());
        for template in &self.templates {
            let (x, y) = centre(template);
            if wanted.is_some_and(|w| !near_wanted(w, field, x, y, half.0)) {
                continue;
            }
            let (dx, dy) = template.search(&self.shape, frame, home, 2, &mut work.template);
            found.push((x, y, dx, dy));
        }
        // A tile that differs by more than 3 px from the median of its neighbours (within two
        // tiles) has caught something else.
        let reach = 2.0 * self.shape.width().max(self.shape.height()) as f32;
        let limit = 3.0f32.max(6.0 / self.settings.factor as f32);
        work.measured.clear();
        work.measured.resize(field.len(), Measured::default());
        let (mut near_x, mut near_y) = (Vec::new(), Vec::new());
        for (x, y, dx, dy) in &found {
            near_x.clear();
            near_y.clear();
            for other in &found {
                if (other.0 - x).abs() <= reach && (other.1 - y).abs() <= reach {
                    near_x.push(other.2);
                    near_y.push(other.3);
                }
            }
            let (around_x, around_y) = (median(&mut near_x), median(&mut near_y));
            if (dx - around_x).hypot(dy - around_y) > limit {
                continue;
            }
            let slot = &mut work.measured[cell(*x, *y)];
            *slot = Measured { x_px: *dx, y_px: *dy, information: COARSE_INFORMATION };
        }
        field::solve(field, &work.measured, &self.smoothness(), home, 60, &mut work.solve);
    }

    /// One Gauss-Newton round.
    fn round(
        &self,
        frame: &Raster,
        home: (f32, f32),
        wanted: Option<&[bool]>,
        field: &mut Field,
        work: &mut RippleWork,
    ) {
        let cell = field.cell_px;
        let grid = (field.columns, field.rows, cell);
        work.sums.clear();
        work.sums.resize(field.len(), CellSums::default());
        for resized in [&mut work.row_x, &mut work.row_y, &mut work.warped] {
            resized.resize(self.width, 0.0);
        }
        for y in 0..self.height {
            let first_cell = (y / cell) * field.columns;
            let row_wanted = wanted.map(|w| &w[first_cell..first_cell + field.columns]);
            if row_wanted.is_some_and(|w| !w.contains(&true)) {
                continue;
            }
            work.expander.expand(&field.x_px, grid, 1.0, y, 0, &mut work.row_x);
            work.expander.expand(&field.y_px, grid, 1.0, y, 0, &mut work.row_y);
            for column in 0..field.columns {
                if row_wanted.is_some_and(|w| !w[column]) {
                    continue;
                }
                let (from, to) = (column * cell, ((column + 1) * cell).min(self.width));
                let warped = &mut work.warped[from..to];
                let (dx, dy) = (&work.row_x[from..to], &work.row_y[from..to]);
                if warp_row(frame, from as f32, y as f32, dx, dy, warped) {
                    work.sums[first_cell + column].add(
                        warped,
                        &self.passed.row(y)[from..to],
                        &self.slope_x.row(y)[from..to],
                        &self.slope_y.row(y)[from..to],
                    );
                }
            }
        }
        self.measure(field, work);
        field::solve(field, &work.measured, &self.smoothness(), home, 40, &mut work.solve);
    }

    /// Turn the sums of every cell into measurements of the displacement.
    fn measure(&self, field: &Field, work: &mut RippleWork) {
        let (columns, rows) = (field.columns, field.rows);
        // Scatter of the whole frame: a cell that matches by chance is not trusted beyond it.
        let (mut left, mut n) = (0.0f64, 0.0f64);
        for s in &work.sums {
            if s.rr > 0.0 {
                let c = (s.fr / s.rr).clamp(0.1, 2.0);
                left += f64::from((s.ff - 2.0 * c * s.fr + c * c * s.rr).max(0.0));
                n += f64::from(s.n);
            }
        }
        let usual = if n > 0.0 { (left / n) as f32 } else { 0.0 };
        work.measured.clear();
        for j in 0..rows {
            for i in 0..columns {
                // Contrast and scatter over the cell and its neighbours, which see the same air.
                let (mut fr, mut rr, mut ff, mut count) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
                for v in j.saturating_sub(1)..(j + 2).min(rows) {
                    for s in &work.sums
                        [v * columns + i.saturating_sub(1)..v * columns + (i + 2).min(columns)]
                    {
                        fr += s.fr;
                        rr += s.rr;
                        ff += s.ff;
                        count += s.n;
                    }
                }
                let cell = j * columns + i;
                let s = &work.sums[cell];
                let mut m = Measured::default();
                if rr > 0.0 && s.n > 0.0 {
                    let c = (fr / rr).clamp(0.2, 1.5);
                    let scatter = (ff - 2.0 * c * fr + c * c * rr).max(0.0) / count;
                    let trust = c * c / (CORRELATED_PX * scatter.max(0.5 * usual).max(1e-20));
                    // f(x + u) = c r(x + d): the field is off by d, to be taken off.
                    let (bx, by) = ((s.xf - c * s.xr) / c, (s.yf - c * s.yr) / c);
                    let ridge = 1e-3 * (s.xx + s.yy) + 1e-20;
                    let (xx, yy) = (s.xx + ridge, s.yy + ridge);
                    let det = xx * yy - s.xy * s.xy;
                    let dx = ((yy * bx - s.xy * by) / det).clamp(-2.0, 2.0);
                    let dy = ((xx * by - s.xy * bx) / det).clamp(-2.0, 2.0);
                    m = Measured {
                        x_px: field.x_px[cell] - dx,
                        y_px: field.y_px[cell] - dy,
                        information: [xx * trust, s.xy * trust, yy * trust],
                    };
                }
                work.measured.push(m);
            }
        }
    }
}

/// Information of a tile found by correlation: good to about 0.4 px of the raster.
const COARSE_INFORMATION: [f32; 3] = [6.0, 0.0, 6.0];

fn near_wanted(wanted: &[bool], field: &Field, x: f32, y: f32, reach: f32) -> bool {
    let side = field.cell_px as f32;
    let span = |centre: f32, n: usize| {
        let low = ((centre - reach) / side).floor().max(0.0) as usize;
        let high = ((centre + reach) / side).ceil().max(0.0) as usize;
        low.min(n)..(high + 1).min(n)
    };
    span(y, field.rows).any(|j| span(x, field.columns).any(|i| wanted[j * field.columns + i]))
}

/// Left edges of tiles: `spacing` apart at most, the first and last flush with the edges.
fn places(length: usize, tile: usize, spacing: usize) -> Vec<usize> {
    let room = length - tile;
    let gaps = room.div_ceil(spacing);
    if gaps == 0 {
        return vec![room / 2];
    }
    (0..=gaps).map(|i| i * room / gaps).collect()
}

impl CellSums {
    fn add(&mut self, f: &[f32], r: &[f32], gx: &[f32], gy: &[f32]) {
        for (((f, r), gx), gy) in f.iter().zip(r).zip(gx).zip(gy) {
            self.rr += r * r;
            self.fr += f * r;
            self.ff += f * f;
            self.xx += gx * gx;
            self.xy += gx * gy;
            self.yy += gy * gy;
            self.xf += gx * f;
            self.yf += gy * f;
            self.xr += gx * r;
            self.yr += gy * r;
        }
        self.n += f.len() as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: RippleSettings = RippleSettings {
        tile_px: 64,
        spacing_px: 32,
        cell_px: 16,
        factor: 1,
        rounds: 3,
        smoothness: Smoothness { slope: 0.1, curvature: 0.01, spread_px: 6.0 },
    };

    fn rough(x: f32, y: f32) -> f32 {
        // Waves of many directions and lengths: 5 to 40 px.
        let mut v = 0.5;
        for k in 0..24 {
            let angle = k as f32 * 2.399;
            let length = 5.0 + 35.0 * ((k * 7 % 24) as f32 / 24.0);
            let phase = k as f32 * 1.7;
            let along = x * angle.cos() + y * angle.sin();
            v += 0.02 * (std::f32::consts::TAU * along / length + phase).sin();
        }
        v
    }

    fn ripple(x: f32, y: f32) -> (f32, f32) {
        (3.0 * (x / 45.0).sin() * (y / 38.0).cos(), 2.5 * (x / 50.0 + y / 41.0).sin())
    }

    #[test]
    fn a_rippled_frame_is_straightened_to_a_tenth_of_a_pixel() {
        let (width, height) = (256, 224);
        let mut reference = Raster::zeros(width, height);
        let mut frame = Raster::zeros(width, height);
        for y in 0..height {
            for x in 0..width {
                let (u, v) = (x as f32, y as f32);
                reference.values[y * width + x] = rough(u, v);
                // frame(p + d(p)) = reference(p): invert by fixed point.
                let (mut p, mut q) = (u, v);
                for _ in 0..30 {
                    let (dx, dy) = ripple(p, q);
                    (p, q) = (u - 4.0 - dx, v + 3.0 - dy);
                }
                frame.values[y * width + x] = rough(p, q);
            }
        }
        for (factor, limit) in [(1, 0.1), (2, 0.12)] {
            let aligner = Aligner::new(&reference, RippleSettings { factor, ..SETTINGS }, 1e-5);
            let found = aligner.align(&frame, (4.0, -3.0), None, &mut RippleWork::default());
            let (mut sum, mut n) = (0.0, 0.0);
            for y in (32..height - 32).step_by(5) {
                for x in (32..width - 32).step_by(5) {
                    let (ex, ey) = ripple(x as f32, y as f32);
                    let (dx, dy) = found.at(x as f32, y as f32);
                    sum += (dx - ex - 4.0).powi(2) + (dy - ey + 3.0).powi(2);
                    n += 1.0;
                }
            }
            let rms = f32::sqrt(sum / n);
            assert!(rms < limit, "factor {factor}: {rms} px");
        }
    }

    #[test]
    fn a_blank_frame_yields_the_whole_frame_shift() {
        let mut reference = Raster::zeros(128, 96);
        for (i, v) in reference.values.iter_mut().enumerate() {
            *v = rough((i % 128) as f32, (i / 128) as f32);
        }
        let aligner = Aligner::new(&reference, SETTINGS, 1e-5);
        let blank = Raster::zeros(128, 96);
        let found = aligner.align(&blank, (2.0, 1.0), None, &mut RippleWork::default());
        for (x, y) in found.x_px.iter().zip(&found.y_px) {
            assert!(x.is_finite() && y.is_finite());
        }
    }
}
