//! How one frame ripples against the reference: coarse by tiles, then dense least squares.
//!
//! 1. Tiles of the reference are looked for around the whole-frame shift (`tiles`);
//!    what disagrees with its neighbours is dropped; the rest becomes a first smooth field.
//! 2. Gauss-Newton rounds over the whole picture: the frame is warped by the field, compared
//!    with the reference, and every cell says how the field should change and how sure it is;
//!    [`field::solve`] makes one smooth field of it.
//! 3. The last rounds compare the frame as it was read (`fine`), and the very last shift it as a whole by what
//!    its fine waves say (`fine::keen`).
//!
//! What comes before is done on light reduced by a factor of 1 or 2; displacements are in px of the frame.

use crate::band::BandPass;
use crate::dense::{Dense, DenseWork, Rows};
use crate::field::{self, Field, Measured, Smoothness, SolveWork};
use crate::fine::keen::{Keen, KeenWork};
use crate::fine::{self, Fine, FineWork};
use crate::luminance::LightRows;
use crate::measure::{CORRELATED_PX, Likeness, measure};
use crate::raster::{Raster, reduce};
use crate::tiles::{Tiles, TilesWork};
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

#[cfg(test)]
mod tests;

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
    /// Band that is compared: standard deviations of the Gaussians, px of the reduced raster, that
    /// what is finer and what is coarser are told by.
    pub band_px: (f32, f32),
    /// Gauss-Newton rounds at this reduction.
    pub rounds: usize,
    /// Rounds at full size that follow, at most: the first that hardly moves the frame is the last.
    pub fine_rounds: usize,
    /// Rounds after these, at most, that shift the frame as a whole by what its fine waves say.
    pub keen_rounds: usize,
    /// What the air is expected to do.
    pub smoothness: Smoothness,
    /// How far a frame agrees with the reference is steadied by a Gaussian of this standard deviation, px of the frame.
    pub steady_px: f32,
}

/// The reference, ready to have frames aligned to it.
#[derive(Clone)]
pub struct Aligner {
    settings: RippleSettings,
    width: usize,
    height: usize,
    half_tile: f32,
    tiles: Tiles,
    dense: Dense,
    fine: Option<Fine>,
    keen: Option<Keen>,
}

/// Buffers of one worker.
#[derive(Clone, Debug)]
pub struct RippleWork {
    /// The band-pass, and the band that it was made for.
    band: BandPass,
    band_px: (f32, f32),
    reduced: Raster,
    passed: Raster,
    tiles: TilesWork,
    dense: DenseWork,
    fine: FineWork,
    keen: KeenWork,
    solve: SolveWork,
    measured: Vec<Measured>,
    likeness: Vec<Likeness>,
    fine_measured: Vec<Measured>,
    /// The field before a round.
    last: Field,
}

impl Default for RippleWork {
    fn default() -> Self {
        RippleWork {
            band: BandPass::new(1.0, 8.0),
            band_px: (1.0, 8.0),
            reduced: Raster::default(),
            passed: Raster::default(),
            tiles: TilesWork::default(),
            dense: DenseWork::default(),
            fine: FineWork::default(),
            keen: KeenWork::default(),
            solve: SolveWork::default(),
            measured: Vec::new(),
            likeness: Vec::new(),
            fine_measured: Vec::new(),
            last: Field::default(),
        }
    }
}

impl RippleWork {
    /// How much of the reference's fine waves the frame that was aligned last shows in place, for each cell of its field: 1 where it is as
    /// sharp as the reference and lies right, 0 where it shows none of them; not a number where that is not known. Empty where no
    /// fine waves were asked for ([`RippleSettings::keen_rounds`]).
    pub fn agreement(&self) -> &[f32] {
        self.keen.agreement()
    }

    /// Have the band-pass of `band_px`.
    fn fit(&mut self, band_px: (f32, f32)) {
        if self.band_px != band_px {
            self.band = BandPass::new(band_px.0, band_px.1);
            self.band_px = band_px;
        }
    }
}

/// How far from the most probable field (rms, px of the raster) a field may be that is only the start
/// of another round, and that of the last.
const START_PRECISION_PX: f32 = 0.01;
const PRECISION_PX: f32 = 0.002;

impl Aligner {
    /// Prepare `reference` (light, full size). `noise_variance` is that of one sample of a
    /// frame's light; tiles that cannot be placed to half a px in such noise are passed over.
    pub fn new(reference: &Raster, settings: RippleSettings, noise_variance: f32) -> Aligner {
        let mut work = RippleWork::default();
        work.fit(settings.band_px);
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
        let tile = (side(width), side(height));
        // Noise that the band-pass lets through: 1 / (4 pi s^2) of the white noise.
        let passed_noise = noise_variance
            / (factor * factor) as f32
            / (4.0 * std::f32::consts::PI * settings.band_px.0.powi(2)).max(1.0);
        let spacing = (settings.spacing_px / factor).max(4);
        // Variance of a shift along each axis is 2 n / structure, px^2 (Cramér-Rao for
        // correlated noise n); a quarter of a px^2 is allowed.
        let least_structure = 2.0 * CORRELATED_PX * passed_noise / 0.25;
        let cell = (settings.cell_px / factor).clamp(1, 64);
        let dense = Dense::new(passed.clone(), cell);
        let tiles = Tiles::new(&passed, dense.slopes(), tile, spacing, least_structure);
        let fine = (settings.fine_rounds + settings.keen_rounds > 0)
            .then(|| Fine::new(reference, settings.cell_px.clamp(1, 64)));
        let keen = fine.as_ref().filter(|_| settings.keen_rounds > 0);
        let keen = keen.map(|fine| Keen::new(reference, fine, noise_variance, settings.steady_px));
        let fine = fine.filter(|_| settings.fine_rounds > 0);
        let half_tile = tile.0 as f32 / 2.0;
        Aligner { settings, width, height, half_tile, tiles, dense, fine, keen }
    }

    /// Tiles with enough structure to be aligned by themselves.
    pub fn tiles(&self) -> usize {
        self.tiles.len()
    }

    /// Reduction of the light that is compared first.
    pub fn factor(&self) -> usize {
        self.settings.factor.max(1)
    }

    /// Align a frame, its `light` told row by row at full size, whose scene as a whole lies at `home`; displacements in px of the frame.
    ///
    /// `wanted` tells for each cell of the field whether it matters (see [`Aligner::cells`]);
    /// cells that do not are filled in from those that do.
    ///
    /// # Errors
    /// When cancelled, asked for every few milliseconds.
    pub fn align(
        &self,
        light: &LightRows<'_>,
        home: (f32, f32),
        wanted: Option<&[bool]>,
        work: &mut RippleWork,
        progress: &dyn Progress,
    ) -> Result<Field, Cancelled> {
        let whole_home = home;
        let factor = self.factor();
        progress.check()?;
        work.keen.forget();
        work.fit(self.settings.band_px);
        let scale = factor as f32;
        let home = (home.0 / scale, home.1 / scale);
        let cell = (self.settings.cell_px / factor).clamp(1, 64);
        // Only the piece of the frame that is asked for is looked at: everything up to the end of the
        // rounds is told from its corner.
        let (width, height) = light.size();
        let size = (width / factor, height / factor);
        let piece = wanted.and_then(|wanted| self.piece(wanted, home, size));
        let piece = piece.unwrap_or((0..size.0, 0..size.1));
        let corner = (piece.0.start as f32, piece.1.start as f32);
        light.reduced(factor, piece, &mut work.reduced);
        work.band.apply(&work.reduced, &mut work.passed);
        let home = (home.0 - corner.0, home.1 - corner.1);
        let mut field = Field::constant(self.width, self.height, cell, home.0, home.1);
        let passed = std::mem::take(&mut work.passed);
        self.coarse(&passed, home, wanted, &mut field, work, progress)?;
        for round in 1..=self.settings.rounds {
            // What only begins is done roughly. (Two rough rounds: 0.5 % more error at D/r0 2.5.)
            let (rows, precision_px) = if round == 1 && self.settings.rounds > 1 {
                (Rows::Quarter, START_PRECISION_PX)
            } else {
                (Rows::Half, PRECISION_PX)
            };
            self.dense.compare(&passed, &field, (rows, wanted), &mut work.dense, progress)?;
            let told = (&mut work.measured, &mut work.likeness);
            measure(&work.dense.sums, &field, rows.step(), told);
            let limit = field::Effort { rounds: 40, precision_px };
            let smoothness = self.smoothness();
            field::solve(&mut field, &work.measured, &smoothness, home, limit, &mut work.solve);
        }
        work.passed = passed;
        field.cell_px *= factor;
        field.x_px.iter_mut().for_each(|d| *d = (*d + corner.0) * scale);
        field.y_px.iter_mut().for_each(|d| *d = (*d + corner.1) * scale);
        if let Some(fine) = &self.fine {
            self.refine(fine, light, whole_home, wanted, corner, &mut field, work, progress)?;
        }
        if let Some(keen) = &self.keen {
            let told = (wanted, &work.likeness[..], self.settings.keen_rounds);
            keen.follow(light, &mut field, told, &mut work.keen, progress)?;
        }
        Ok(field)
    }

    /// Rounds at full size. A cell that reaches beyond the frame keeps what was measured before, told from `corner` of the
    /// reduced raster.
    #[allow(clippy::too_many_arguments)]
    fn refine(
        &self,
        fine: &Fine,
        light: &LightRows<'_>,
        home: (f32, f32),
        wanted: Option<&[bool]>,
        corner: (f32, f32),
        field: &mut Field,
        work: &mut RippleWork,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let scale = self.factor() as f32;
        let mut before = std::mem::take(&mut work.measured);
        for m in &mut before {
            (m.x_px, m.y_px) = ((m.x_px + corner.0) * scale, (m.y_px + corner.1) * scale);
            m.information = m.information.map(|i| i / (scale * scale));
        }
        let limit = field::Effort { rounds: 40, precision_px: PRECISION_PX };
        for round in 1..=self.settings.fine_rounds {
            fine.compare(light, field, wanted, &mut work.fine, progress)?;
            let told = (&mut work.fine_measured, &mut work.likeness);
            measure(&work.fine.sums, field, fine::STEP, told);
            for (own, before) in work.fine_measured.iter_mut().zip(&before) {
                if own.information == [0.0; 3] {
                    *own = *before;
                }
            }
            if round < self.settings.fine_rounds {
                work.last.clone_from(field);
            }
            let smoothness = &self.settings.smoothness;
            field::solve(field, &work.fine_measured, smoothness, home, limit, &mut work.solve);
            if round < self.settings.fine_rounds && moved_px(field, &work.last, wanted) < PAYS_PX {
                break;
            }
        }
        work.measured = before;
        Ok(())
    }

    /// Columns and rows of a frame of `size` px that hold what is `wanted` with all that can touch it; `None`
    /// where that is most of the frame, or nothing.
    fn piece(
        &self,
        wanted: &[bool],
        home: (f32, f32),
        size: (usize, usize),
    ) -> Option<(Range<usize>, Range<usize>)> {
        let (columns, rows, side) = self.cells();
        let cell = side / self.factor();
        let (mut across, mut down) = (columns..0, rows..0);
        for (j, row) in wanted.chunks_exact(columns).enumerate().take(rows) {
            let Some(first) = row.iter().position(|w| *w) else { continue };
            let last = row.iter().rposition(|w| *w).unwrap_or(first);
            across = across.start.min(first)..across.end.max(last + 1);
            down = down.start.min(j)..j + 1;
        }
        if across.is_empty() || down.is_empty() {
            return None;
        }
        let span = |cells: Range<usize>, home: f32, n: usize| {
            let reach = self.half_tile + MARGIN_PX;
            let from = ((cells.start * cell) as f32 + home - reach).clamp(0.0, n as f32) as usize;
            let to = ((cells.end * cell) as f32 + home + reach).clamp(0.0, n as f32) as usize;
            // The band-pass reduces by powers of two on its way, tiles by two.
            from / GRID_PX * GRID_PX..to.next_multiple_of(GRID_PX).min(n)
        };
        let (across, down) = (span(across, home.0, size.0), span(down, home.1, size.1));
        let area = across.len() * down.len();
        let worth = across.len() >= 32 && down.len() >= 32 && 5 * area < 4 * size.0 * size.1;
        worth.then_some((across, down))
    }

    /// Columns, rows and side (px) of the cells of the fields that [`Aligner::align`] makes.
    pub fn cells(&self) -> (usize, usize, usize) {
        let factor = self.factor();
        let cell = (self.settings.cell_px / factor).clamp(1, 64);
        (self.width.div_ceil(cell), self.height.div_ceil(cell), cell * factor)
    }

    fn smoothness(&self) -> Smoothness {
        // Slopes have no unit; curvatures and displacements shrink with the raster.
        let scale = self.factor() as f32;
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
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        // A tile that differs by more than 3 px from the median of its neighbours has caught
        // something else.
        let limit = 3.0f32.max(6.0 / self.settings.factor as f32);
        let counts =
            |x: f32, y: f32| wanted.is_none_or(|w| near_wanted(w, field, x, y, self.half_tile));
        self.tiles.search(frame, home, limit, counts, &mut work.tiles, progress)?;
        work.measured.clear();
        work.measured.resize(field.len(), Measured::default());
        let side = field.cell_px as f32;
        for tile in &work.tiles.found {
            let i = ((tile.centre.0 + 0.5) / side) as usize;
            let j = ((tile.centre.1 + 0.5) / side) as usize;
            let cell = j.min(field.rows - 1) * field.columns + i.min(field.columns - 1);
            let (x_px, y_px) = tile.moved;
            work.measured[cell] = Measured { x_px, y_px, information: COARSE_INFORMATION };
        }
        let limit = field::Effort { rounds: 60, precision_px: START_PRECISION_PX };
        field::solve(field, &work.measured, &self.smoothness(), home, limit, &mut work.solve);
        Ok(())
    }
}

/// Information of a tile found by correlation: good to about 0.4 px of the raster.
const COARSE_INFORMATION: [f32; 3] = [6.0, 0.0, 6.0];

/// Beyond what is wanted, px of the raster, a frame is looked at this much further than half a tile: the
/// ripple, and the reach of the band-pass.
const MARGIN_PX: f32 = 24.0;

/// A round at full size that moved a frame by less than this, px rms an axis, is its last. First rounds move frames by 0.26 (D/r0 2.5),
/// 0.36 (4.5), 0.32 (5, noisy), 0.44 (8), second ones by half as much. Error with one round, with this, and with three: 0.0389,
/// 0.0386, 0.0386 (4.5), 0.0587, 0.0578, 0.0575 (5, noisy), 0.1033, 0.0995, 0.0982 (8).
const PAYS_PX: f32 = 0.3;

/// Pieces of a frame begin at multiples of this, px of the raster.
const GRID_PX: usize = 8;

/// How far a round moved the wanted cells of a field, px rms an axis.
fn moved_px(field: &Field, last: &Field, wanted: Option<&[bool]>) -> f32 {
    let (mut sum, mut count) = (0.0, 0.0_f32);
    for cell in 0..field.len().min(last.len()) {
        if wanted.is_none_or(|wanted| wanted[cell]) {
            let (x, y) = (field.x_px[cell] - last.x_px[cell], field.y_px[cell] - last.y_px[cell]);
            sum += x * x + y * y;
            count += 2.0;
        }
    }
    (sum / count.max(1.0)).sqrt()
}

fn near_wanted(wanted: &[bool], field: &Field, x: f32, y: f32, reach: f32) -> bool {
    let side = field.cell_px as f32;
    let span = |centre: f32, n: usize| {
        let low = ((centre - reach) / side).floor().max(0.0) as usize;
        let high = ((centre + reach) / side).ceil().max(0.0) as usize;
        low.min(n)..(high + 1).min(n)
    };
    span(y, field.rows).any(|j| span(x, field.columns).any(|i| wanted[j * field.columns + i]))
}
