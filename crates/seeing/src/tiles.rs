//! Where the tiles of the reference lie in a frame, to about half a px: the first step of
//! [`crate::ripple`].
//!
//! Each tile is compared with the frame at every whole px of a small range around the
//! whole-frame shift, on pictures of half the size: the normalised correlation under a
//! window that falls off towards the tile's edge. The range is laid anew around the best place as long as that
//! lies on its border. Neither picture is windowed together with the other, so nothing pulls
//! towards no shift, and a small range costs a tenth of what FFTs of every tile cost.

use crate::median::median;
use crate::raster::{Raster, reduce};
use crate::template::taper;
use multiversion::multiversion;
use stillwright_picture::{Cancelled, Progress};

/// Places tried on each side of the middle, along each axis, px of the reduced picture.
const REACH: usize = 2;
/// Places along each axis.
const SPAN: usize = 2 * REACH + 1;
/// How often the range is laid anew.
const ROUNDS: usize = 5;

/// Tiles of a reference.
#[derive(Clone)]
pub(crate) struct Tiles {
    /// Reduction between the aligner's raster and the one searched on: 1 or 2.
    factor: usize,
    side: (usize, usize),
    /// Tiles in a row of the grid, rows of it.
    grid: (usize, usize),
    places: Vec<Tile>,
}

#[derive(Clone)]
struct Tile {
    /// Column and row in the grid of tiles.
    at: (usize, usize),
    /// Left and top edge, px of the reduced raster.
    corner: (usize, usize),
    /// Its samples times the window's square.
    weighted: Vec<f32>,
}

/// A tile that was found, px of the aligner's raster.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct FoundTile {
    /// Centre of the tile in the reference.
    pub centre: (f32, f32),
    /// Displacement.
    pub moved: (f32, f32),
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(crate) struct TilesWork {
    reduced: Raster,
    patch: Vec<f32>,
    energy: Vec<[f32; SPAN]>,
    grid: Vec<Option<FoundTile>>,
    near_x: Vec<f32>,
    near_y: Vec<f32>,
    /// What [`Tiles::search`] found.
    pub found: Vec<FoundTile>,
}

impl Tiles {
    /// Tiles of `side` px at most `spacing` apart over the band-passed `reference`; those whose
    /// slopes (`slopes` along x and y) hold less than `least_structure` are left out.
    pub fn new(
        reference: &Raster,
        slopes: (&Raster, &Raster),
        side: (usize, usize),
        spacing: usize,
        least_structure: f32,
    ) -> Tiles {
        let factor = if side.0.min(side.1) >= 16 { 2 } else { 1 };
        let mut reduced = Raster::default();
        reduce(reference, factor, &mut reduced);
        let small = (side.0 / factor, side.1 / factor);
        let (across, down) = window(small);
        let lefts = places(reference.width, side.0, spacing);
        let tops = places(reference.height, side.1, spacing);
        let mut tiles =
            Tiles { factor, side: small, grid: (lefts.len(), tops.len()), places: Vec::new() };
        let edge = (taper(side.0, 0.0625), taper(side.1, 0.0625));
        for (j, top) in tops.iter().enumerate() {
            for (i, left) in lefts.iter().enumerate() {
                if structure(slopes, (*left, *top), (&edge.0, &edge.1)) < least_structure {
                    continue;
                }
                let corner = (
                    (left / factor).min(reduced.width - small.0),
                    (top / factor).min(reduced.height - small.1),
                );
                let mut weighted = Vec::with_capacity(small.0 * small.1);
                for (y, down) in down.iter().enumerate() {
                    let row = &reduced.row(corner.1 + y)[corner.0..corner.0 + small.0];
                    weighted.extend(row.iter().zip(&across).map(|(r, w)| r * (w * down)));
                }
                tiles.places.push(Tile { at: (i, j), corner, weighted });
            }
        }
        tiles
    }

    /// Number of tiles.
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// Look for the tiles that `wanted` asks for (by their centre, px) in the band-passed
    /// `frame`, around the displacement `home`; those that differ by more than `limit` px from
    /// the median of their neighbours are dropped. What is left is in `work.found`.
    ///
    /// # Errors
    /// When cancelled, asked for before each tile.
    pub fn search(
        &self,
        frame: &Raster,
        home: (f32, f32),
        limit: f32,
        wanted: impl Fn(f32, f32) -> bool,
        work: &mut TilesWork,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let scale = self.factor as f32;
        reduce(frame, self.factor, &mut work.reduced);
        work.grid.clear();
        work.grid.resize(self.grid.0 * self.grid.1, None);
        let (across, down) = window(self.side);
        let start = ((home.0 / scale).round(), (home.1 / scale).round());
        if !(start.0.abs() < 1e6 && start.1.abs() < 1e6) {
            work.found.clear();
            return Ok(());
        }
        for tile in &self.places {
            progress.check()?;
            let middle =
                |corner: usize, side: usize| (corner as f32 + 0.5 * side as f32) * scale - 0.5;
            let centre = (middle(tile.corner.0, self.side.0), middle(tile.corner.1, self.side.1));
            if !wanted(centre.0, centre.1) {
                continue;
            }
            let start = (start.0 as isize, start.1 as isize);
            let window = (across.as_slice(), down.as_slice());
            let buffers = (&mut work.patch, &mut work.energy);
            let moved = self.find(tile, window, &work.reduced, start, buffers);
            let slot = &mut work.grid[tile.at.1 * self.grid.0 + tile.at.0];
            *slot = moved.map(|(x, y)| FoundTile { centre, moved: (x * scale, y * scale) });
        }
        self.agreeing(limit, work);
        Ok(())
    }

    /// Where one tile lies, px of the reduced raster; `None` where the frame does not show it.
    fn find(
        &self,
        tile: &Tile,
        window: (&[f32], &[f32]),
        frame: &Raster,
        start: (isize, isize),
        (patch, energy): (&mut Vec<f32>, &mut Vec<[f32; SPAN]>),
    ) -> Option<(f32, f32)> {
        let (width, height) = self.side;
        let mut middle = start;
        for round in 1.. {
            let left = tile.corner.0 as isize + middle.0 - REACH as isize;
            let top = tile.corner.1 as isize + middle.1 - REACH as isize;
            let size = (width + 2 * REACH, height + 2 * REACH);
            cut(frame, (left, top), size, patch);
            let scores = correlate(patch, &tile.weighted, window, energy);
            let mut best = 0;
            for (i, score) in scores.iter().enumerate() {
                if *score > scores[best] {
                    best = i;
                }
            }
            if scores[best] <= 0.0 {
                return None;
            }
            let (x, y) = (best % SPAN, best / SPAN);
            let inner = |i: usize| i > 0 && i + 1 < SPAN;
            let here =
                (middle.0 + x as isize - REACH as isize, middle.1 + y as isize - REACH as isize);
            if (!inner(x) || !inner(y)) && round < ROUNDS {
                middle = here;
                continue;
            }
            let vertex = |before: f32, here: f32, after: f32| {
                let curve = before - 2.0 * here + after;
                if curve < 0.0 { (0.5 * (before - after) / curve).clamp(-0.5, 0.5) } else { 0.0 }
            };
            let at = |x: usize, y: usize| scores[y * SPAN + x];
            let fx = if inner(x) { vertex(at(x - 1, y), at(x, y), at(x + 1, y)) } else { 0.0 };
            let fy = if inner(y) { vertex(at(x, y - 1), at(x, y), at(x, y + 1)) } else { 0.0 };
            return Some((here.0 as f32 + fx, here.1 as f32 + fy));
        }
        None
    }

    /// Keep the tiles that agree with their neighbours within two tiles.
    fn agreeing(&self, limit: f32, work: &mut TilesWork) {
        let (columns, rows) = self.grid;
        work.found.clear();
        for j in 0..rows {
            for i in 0..columns {
                let Some(tile) = work.grid[j * columns + i] else { continue };
                work.near_x.clear();
                work.near_y.clear();
                let mut farthest = (0.0f32, 0.0f32);
                for v in j.saturating_sub(2)..(j + 3).min(rows) {
                    let from = v * columns + i.saturating_sub(2);
                    let near = &work.grid[from..v * columns + (i + 3).min(columns)];
                    for other in near.iter().flatten() {
                        work.near_x.push(other.moved.0);
                        work.near_y.push(other.moved.1);
                        let apart = |a: f32, b: f32| (a - b).abs();
                        farthest.0 = farthest.0.max(apart(tile.moved.0, other.moved.0));
                        farthest.1 = farthest.1.max(apart(tile.moved.1, other.moved.1));
                    }
                }
                // Medians lie no farther away than the farthest does. (The hundredth is for rounding.)
                if farthest.0.hypot(farthest.1) <= 0.99 * limit {
                    work.found.push(tile);
                    continue;
                }
                let around = (median(&mut work.near_x), median(&mut work.near_y));
                if (tile.moved.0 - around.0).hypot(tile.moved.1 - around.1) <= limit {
                    work.found.push(tile);
                }
            }
        }
    }
}

/// Squares of a Hann window, across and down; the window is their product.
fn window((width, height): (usize, usize)) -> (Vec<f32>, Vec<f32>) {
    let squares = |n: usize| taper(n, 0.5).into_iter().map(|w| w * w).collect();
    (squares(width), squares(height))
}

/// Energy of the slopes of a tile: how much there is to hold on to.
fn structure(
    (slope_x, slope_y): (&Raster, &Raster),
    (left, top): (usize, usize),
    (across, down): (&[f32], &[f32]),
) -> f32 {
    let mut sum = 0.0f64;
    for (y, b) in down.iter().enumerate() {
        let gx = &slope_x.row(top + y)[left..left + across.len()];
        let gy = &slope_y.row(top + y)[left..left + across.len()];
        for ((gx, gy), a) in gx.iter().zip(gy).zip(across) {
            sum += f64::from(a * b * (gx * gx + gy * gy));
        }
    }
    sum as f32
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

/// Copy a piece of `frame` whose corner may lie outside; what lies outside is 0.
fn cut(
    frame: &Raster,
    (x0, y0): (isize, isize),
    (width, height): (usize, usize),
    patch: &mut Vec<f32>,
) {
    patch.clear();
    patch.resize(width * height, 0.0);
    let left = (-x0).clamp(0, width as isize) as usize;
    let right = (frame.width as isize - x0).clamp(left as isize, width as isize) as usize;
    for (row, line) in patch.chunks_exact_mut(width).enumerate() {
        let y = y0 + row as isize;
        if y < 0 || y >= frame.height as isize || right <= left {
            continue;
        }
        let from = (x0 + left as isize) as usize;
        line[left..right].copy_from_slice(&frame.row(y as usize)[from..from + right - left]);
    }
}

/// Correlation of the tile with the patch at every place of the range, row after row,
/// divided by the root of the patch's energy there; 0 where the patch is empty. The window is `across` times `down`.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn correlate(
    patch: &[f32],
    weighted: &[f32],
    (across, down): (&[f32], &[f32]),
    rows: &mut Vec<[f32; SPAN]>,
) -> [f32; SPAN * SPAN] {
    const LANES: usize = 8;
    let (width, height) = (across.len(), down.len());
    let stride = width + 2 * REACH;
    // The window's energy row by row, then down: the window is a product.
    rows.clear();
    for line in patch.chunks_exact(stride) {
        let mut sums = [0.0f32; SPAN];
        for (x, w) in across.iter().enumerate() {
            for (sum, f) in sums.iter_mut().zip(&line[x..x + SPAN]) {
                *sum += w * (f * f);
            }
        }
        rows.push(sums);
    }
    let mut scores = [0.0; SPAN * SPAN];
    for dy in 0..SPAN {
        // A row of the tile is held while it is laid on every place.
        let mut products = [[0.0f32; LANES]; SPAN];
        let mut energies = [0.0f32; SPAN];
        for y in 0..height {
            let line = &patch[(y + dy) * stride..(y + dy + 1) * stride];
            let (r8, r_rest) = weighted[y * width..(y + 1) * width].as_chunks::<LANES>();
            for (at, r) in r8.iter().enumerate() {
                let f = &line[at * LANES..][..LANES + SPAN - 1];
                for (dx, product) in products.iter_mut().enumerate() {
                    for l in 0..LANES {
                        product[l] += f[dx + l] * r[l];
                    }
                }
            }
            let at = r8.len() * LANES;
            for (dx, product) in products.iter_mut().enumerate() {
                for (l, r) in r_rest.iter().enumerate() {
                    product[l] += line[at + dx + l] * r;
                }
            }
            for (energy, row) in energies.iter_mut().zip(&rows[y + dy]) {
                *energy += down[y] * row;
            }
        }
        for dx in 0..SPAN {
            if energies[dx] > 0.0 {
                let product: f32 = products[dx].iter().sum();
                scores[dy * SPAN + dx] = product / energies[dx].sqrt();
            }
        }
    }
    scores
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::warp::slopes;
    use stillwright_picture::Silent;

    fn rough(x: f32, y: f32) -> f32 {
        (0..16)
            .map(|k| {
                let angle = k as f32 * 2.399;
                let length = 9.0 + 30.0 * ((k * 7 % 16) as f32 / 16.0);
                let along = x * angle.cos() + y * angle.sin();
                (std::f32::consts::TAU * along / length + k as f32 * 1.7).sin()
            })
            .sum()
    }

    #[test]
    fn tiles_are_found_near_and_far_and_a_foreign_one_is_dropped() {
        let (width, height) = (200, 160);
        let picture = |dx: f32, dy: f32| {
            let mut raster = Raster::zeros(width, height);
            for (i, v) in raster.values.iter_mut().enumerate() {
                *v = rough((i % width) as f32 - dx, (i / width) as f32 - dy);
            }
            raster
        };
        let reference = picture(0.0, 0.0);
        let (gx, gy) = slopes(&reference);
        let tiles = Tiles::new(&reference, (&gx, &gy), (32, 32), 24, 0.0);
        let mut work = TilesWork::default();
        for ((dx, dy), home) in [((1.4, -2.6), (0.0, 0.0)), ((13.0, 8.0), (4.0, 3.0))] {
            let mut frame = picture(dx, dy);
            // One tile's ground shows something else.
            for y in 72..100 {
                for x in 96..124 {
                    frame.row_mut(y)[x] = rough(3.0 * x as f32, 400.0 - 2.0 * y as f32);
                }
            }
            tiles.search(&frame, home, 3.0, |_, _| true, &mut work, &Silent).unwrap();
            assert!(work.found.len() > tiles.len() / 2, "{} of {}", work.found.len(), tiles.len());
            for tile in work.found.iter().filter(|t| (40.0..150.0).contains(&t.centre.0)) {
                assert!((tile.moved.0 - dx).hypot(tile.moved.1 - dy) < 3.5, "{tile:?}");
            }
            let good = work.found.iter().filter(|t| (t.moved.0 - dx).hypot(t.moved.1 - dy) < 0.5);
            assert!(good.count() * 10 > work.found.len() * 8);
        }
    }
}
