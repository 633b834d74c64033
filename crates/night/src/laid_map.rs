//! A map of a stack, made ready to be laid over its still: values over cells, parted by a few round bounds.
//!
//! Small is good in both kinds: a fine period, little noise. Where nothing can be told there is no value.

use crate::session::PictureId;
use ndarray::Array2;
use stillwright_picture::{Cancelled, Picture, Plane, Progress};
use stillwright_stacking::{Stack, detail_map};

/// Side of a cell, px of the capture. Smaller: bounds of the noise follow every pebble of the scene; larger: the rims that
/// few frames show are lost.
const CELL_PX: f32 = 12.0;

/// Bounds at most; more steps of lightness than that cannot be told apart over a picture.
const MOST_BOUNDS: usize = 6;

/// Ratio of the greatest to the least value beyond which bounds go by ratio.
const WIDE: f64 = 6.0;

/// Round values by ratio within a power of ten, the finest first.
const SERIES: [&[f64]; 4] =
    [&[1.0, 1.5, 2.0, 3.0, 5.0, 7.0], &[1.0, 2.0, 5.0], &[1.0, 3.0], &[1.0]];

/// Longest side of the steps, px: one texture, whatever the size of the still.
const LONGEST_STEPS: usize = 1024;

/// What can be laid over a still.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum MapKind {
    /// Period of the finest detail that both halves of the stack show.
    Detail,
    /// Noise of the stack.
    Noise,
}

impl MapKind {
    /// How far a value is off by itself, share of it: steps are not finer. Measured in the crate `stacking`: detail 5 to 10 %
    /// rms, noise 3 to 5 %.
    fn spread(self) -> f32 {
        match self {
            MapKind::Detail => 0.1,
            MapKind::Noise => 0.05,
        }
    }
}

/// A map over the whole still, whatever the sizes of both.
#[derive(Debug)]
pub struct LaidMap {
    /// Its number: equal numbers, equal maps.
    pub id: PictureId,
    /// Of what.
    pub kind: MapKind,
    /// Values that part the steps, ascending; 0 to 6. Detail: px of the stack. Noise: share of the camera's full scale.
    pub bounds: Vec<f32>,
    /// Columns and rows of `steps`.
    pub size: (usize, usize),
    /// Row by row: 0 where nothing can be told, else one more than the number of bounds below the value.
    pub steps: Vec<u8>,
    /// Whether there are places without a value.
    pub gaps: bool,
    /// The middle value, in the unit of the bounds; `None` where nothing can be told anywhere.
    pub median: Option<f32>,
    cells: Cells,
    /// Light of the stack, share of full scale.
    light: Option<Array2<f32>>,
}

/// Values at the middles of cells; the last row and column of cells may reach beyond the picture.
#[derive(Debug)]
struct Cells {
    values: Array2<f32>,
    /// Cells to the width and height of the picture.
    across: f32,
    down: f32,
}

impl LaidMap {
    /// The map of `kind` of a stack.
    ///
    /// # Errors
    /// When cancelled.
    pub fn of(stack: &Stack, kind: MapKind, progress: &dyn Progress) -> Result<LaidMap, Cancelled> {
        let (width, height) = (stack.picture.width(), stack.picture.height());
        let side = ((CELL_PX * stack.scale).round() as usize).max(4);
        let values = match kind {
            MapKind::Detail => {
                let [a, b] = &stack.halves;
                let found = detail_map([a, b], stack.scale, progress)?;
                let found = found.map(|map| map.picture.luminance());
                let nothing = || Array2::from_elem((height, width), f32::NAN);
                middles(&found.unwrap_or_else(nothing), side)
            }
            MapKind::Noise => variance_of_light(&stack.noise, side).mapv(f32::sqrt),
        };
        progress.check()?;
        let light = (kind == MapKind::Noise).then(|| means(&stack.picture.luminance(), side));
        let across = width as f32 / side as f32;
        let cells = Cells { values, across, down: height as f32 / side as f32 };
        Ok(LaidMap::new(kind, cells, light, (width, height)))
    }

    fn new(
        kind: MapKind,
        cells: Cells,
        light: Option<Array2<f32>>,
        (width, height): (usize, usize),
    ) -> LaidMap {
        let mut known: Vec<f32> = cells.values.iter().copied().filter(|v| v.is_finite()).collect();
        known.sort_unstable_by(f32::total_cmp);
        let rank = |share: f32| known.get((share * known.len() as f32) as usize).copied();
        let bounds = match (rank(0.02), rank(0.5), rank(0.98)) {
            (Some(least), Some(median), Some(most)) => {
                round_bounds(least, most, kind.spread() * median)
            }
            _ => Vec::new(),
        };
        let longest = width.max(height).max(1);
        // Small stills have several steps to the px, so that the lines between them stay thin.
        let (finer, coarser) = ((LONGEST_STEPS / longest).max(1), longest.div_ceil(LONGEST_STEPS));
        let size = ((width * finer).div_ceil(coarser), (height * finer).div_ceil(coarser));
        let mut steps = Vec::with_capacity(size.0 * size.1);
        for y in 0..size.1 {
            for x in 0..size.0 {
                let share = |i: usize, n: usize| (i as f32 + 0.5) / n as f32;
                let value = cells.at(&cells.values, share(x, size.0), share(y, size.1));
                steps.push(value.map_or(0, |v| step_of(&bounds, v) as u8 + 1));
            }
        }
        LaidMap {
            id: PictureId::next(),
            kind,
            gaps: steps.contains(&0),
            median: rank(0.5),
            bounds,
            size,
            steps,
            cells,
            light,
        }
    }

    /// The value at a place, its column and row as shares of the still's; `None` where nothing can be told.
    pub fn value(&self, x: f32, y: f32) -> Option<f32> {
        self.cells.at(&self.cells.values, x, y)
    }

    /// How many times its noise the light of the stack is there; for [`MapKind::Noise`].
    pub fn light_over_noise(&self, x: f32, y: f32) -> Option<f32> {
        let light = self.cells.at(self.light.as_ref()?, x, y)?;
        self.value(x, y).filter(|noise| *noise > 0.0).map(|noise| light / noise)
    }
}

impl Cells {
    /// Between the middles of four cells; those without a value do not count, and nothing is told nearest to them.
    fn at(&self, of: &Array2<f32>, x: f32, y: f32) -> Option<f32> {
        if !((0.0..=1.0).contains(&x) && (0.0..=1.0).contains(&y)) {
            return None;
        }
        let (rows, columns) = of.dim();
        let between = |at: f32, n: usize| {
            let at = (at - 0.5).clamp(0.0, n.saturating_sub(1) as f32);
            let first = at as usize;
            (first, (first + 1).min(n.saturating_sub(1)), at - first as f32)
        };
        let (left, right, fx) = between(x * self.across, columns);
        let (top, below, fy) = between(y * self.down, rows);
        let (mut sum, mut known) = (0.0, 0.0);
        for (row, part) in [(top, 1.0 - fy), (below, fy)] {
            for (column, share) in [(left, part * (1.0 - fx)), (right, part * fx)] {
                let value = of.get((row, column)).copied().unwrap_or(f32::NAN);
                if value.is_finite() {
                    sum += share * value;
                    known += share;
                }
            }
        }
        (known > 0.5).then(|| sum / known)
    }
}

/// Bounds below `value`.
fn step_of(bounds: &[f32], value: f32) -> usize {
    bounds.partition_point(|bound| *bound <= value)
}

/// Round values between two, the finest of these that are few enough: by ratio where the one is more than [`WIDE`] times the
/// other, so that rims that few frames show do not make one step of all the rest; else multiples of a round
/// width (1, 2 or 5 times a power of ten, at least `finest`).
fn round_bounds(least: f32, most: f32, finest: f32) -> Vec<f32> {
    if !(least.is_finite() && most.is_finite() && most > least && finest > 0.0) {
        return Vec::new();
    }
    let (least, most) = (f64::from(least), f64::from(most));
    if least > 0.0 && most > WIDE * least {
        let (first, last) = (least.log10().floor() as i32, most.log10().ceil() as i32);
        for series in SERIES {
            let all = (first..=last).flat_map(|k| series.iter().map(move |n| n * 10f64.powi(k)));
            let bounds: Vec<f32> =
                all.filter(|b| *b > least && *b < most).map(|b| b as f32).collect();
            if bounds.len() <= MOST_BOUNDS {
                return bounds;
            }
        }
    }
    let wanted = ((most - least) / (MOST_BOUNDS as f64 + 1.0)).max(f64::from(finest));
    let ten = 10f64.powf(wanted.log10().floor());
    let round = [1.0, 2.0, 5.0, 10.0].map(|n| n * ten);
    let width = round.into_iter().find(|width| *width >= wanted).unwrap_or(10.0 * ten);
    let first = (least / width).floor() + 1.0;
    let bounds = (0..MOST_BOUNDS).map(|i| (first + i as f64) * width);
    bounds.take_while(|bound| *bound < most).map(|bound| bound as f32).collect()
}

/// The samples in the middles of cells.
fn middles(plane: &Plane, side: usize) -> Array2<f32> {
    let (height, width) = plane.dim();
    let shape = (height.div_ceil(side), width.div_ceil(side));
    Array2::from_shape_fn(shape, |(row, column)| {
        let middle = |cell: usize, n: usize| (cell * side + side / 2).min(n.saturating_sub(1));
        plane[[middle(row, height), middle(column, width)]]
    })
}

/// Means of the numbers in cells; not a number where there are none.
fn means(plane: &Plane, side: usize) -> Array2<f32> {
    let (height, width) = plane.dim();
    let shape = (height.div_ceil(side), width.div_ceil(side));
    let (mut sums, mut counts) = (Array2::<f64>::zeros(shape), Array2::<f64>::zeros(shape));
    for ((y, x), value) in plane.indexed_iter() {
        if value.is_finite() {
            sums[[y / side, x / side]] += f64::from(*value);
            counts[[y / side, x / side]] += 1.0;
        }
    }
    (sums / counts).mapv(|mean| mean as f32)
}

/// Mean variance in cells of the light, the noise of its colours being independent.
fn variance_of_light(noise: &Picture, side: usize) -> Array2<f32> {
    let mut squares = Picture { planes: noise.planes.mapv(|v| v * v) };
    if squares.channels() == 3 {
        // The weights of the light once more: they count squared.
        for (channel, weight) in [0.25, 0.5, 0.25].into_iter().enumerate() {
            squares.plane_mut(channel).mapv_inplace(|v| v * weight);
        }
    }
    means(&squares.luminance(), side)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn laid(kind: MapKind, values: Array2<f32>) -> LaidMap {
        let (rows, columns) = values.dim();
        let cells = Cells { values, across: columns as f32, down: rows as f32 };
        LaidMap::new(kind, cells, None, (12 * columns, 12 * rows))
    }

    #[test]
    fn bounds_are_few_round_and_no_finer_than_what_is_known() {
        let near = |found: Vec<f32>, wanted: &[f32]| {
            assert_eq!(found.len(), wanted.len(), "{found:?}");
            let close = found.iter().zip(wanted).all(|(a, b)| (a / b - 1.0).abs() < 1e-5);
            assert!(close, "{found:?}");
        };
        near(round_bounds(2.07, 3.16, 0.25), &[2.5, 3.0]);
        near(round_bounds(3.5, 9.4, 0.3), &[4.0, 5.0, 6.0, 7.0, 8.0, 9.0]);
        near(round_bounds(0.0011, 0.0081, 0.0001), &[0.0015, 0.002, 0.003, 0.005, 0.007]);
        near(round_bounds(0.0011, 0.31, 0.0001), &[0.003, 0.01, 0.03, 0.1, 0.3]);
        near(
            round_bounds(0.000_81, 0.001_49, 0.000_05),
            &[0.0009, 0.001, 0.0011, 0.0012, 0.0013, 0.0014],
        );
        // Alike everywhere, as far as can be told: no bound, or one by chance.
        near(round_bounds(3.02, 3.16, 0.31), &[]);
        for (least, most, finest) in
            [(f32::NAN, 1.0, 0.1), (1.0, 1.0, 0.1), (1.0, f32::INFINITY, 0.1), (0.0, 1.0, 0.0)]
        {
            assert!(round_bounds(least, most, finest).len() <= MOST_BOUNDS);
        }
        for n in 1..400 {
            let least = 0.37 * n as f32;
            for most in [1.01, 1.3, 2.0, 40.0].map(|times| times * least) {
                let bounds = round_bounds(least, most, 0.001 * least);
                assert!(bounds.len() <= MOST_BOUNDS && bounds.is_sorted(), "{bounds:?}");
                assert!(
                    bounds.iter().all(|b| *b >= least && *b < most),
                    "{least} {most} {bounds:?}"
                );
                // The greatest are not forgotten: the step beyond the last bound is no longer than three of those before.
                let last = bounds.last().zip(bounds.iter().rev().nth(1));
                assert!(last.is_none_or(|(l, w)| l + 3.0 * (l - w) >= most), "{bounds:?} {most}");
            }
        }
    }

    #[test]
    fn steps_and_values_agree_and_gaps_stay_gaps() {
        let values = Array2::from_shape_fn((20, 30), |(y, x)| {
            if x >= 25 { f32::NAN } else { 2.0 + 0.2 * x as f32 + 0.01 * y as f32 }
        });
        let map = laid(MapKind::Detail, values);
        assert_eq!(map.size, (720, 480));
        assert!(map.gaps && map.bounds.len() >= 3, "{:?}", map.bounds);
        for (i, step) in map.steps.iter().enumerate() {
            let x = ((i % 720) as f32 + 0.5) / 720.0;
            let y = ((i / 720) as f32 + 0.5) / 480.0;
            match map.value(x, y) {
                None => assert_eq!(*step, 0),
                Some(v) => assert_eq!(usize::from(*step), 1 + step_of(&map.bounds, v)),
            }
        }
        assert!(map.value(0.9, 0.5).is_none() && map.value(0.7, 0.5).is_some());
        assert_eq!((map.value(-0.1, 0.5), map.value(f32::NAN, 0.5)), (None, None));
        let nothing = laid(MapKind::Noise, Array2::from_elem((3, 4), f32::NAN));
        assert!(nothing.median.is_none() && nothing.bounds.is_empty());
        assert!(nothing.steps.iter().all(|step| *step == 0));
    }

    #[test]
    fn the_noise_of_light_is_that_of_its_colours() {
        let mut noise = Picture::black(3, 8, 8);
        for (channel, sigma) in [0.04, 0.02, 0.08].into_iter().enumerate() {
            noise.plane_mut(channel).fill(sigma);
        }
        let expected =
            (0.25f32 * 0.04).powi(2) + (0.5f32 * 0.02).powi(2) + (0.25f32 * 0.08).powi(2);
        let found = variance_of_light(&noise, 4);
        assert_eq!(found.dim(), (2, 2));
        assert!(found.iter().all(|v| (v / expected - 1.0).abs() < 1e-5), "{found:?} {expected}");
        // Places without light do not count, and hide nothing.
        noise.plane_mut(0)[(0, 0)] = f32::NAN;
        assert!(variance_of_light(&noise, 4).iter().all(|v| v.is_finite()));
    }

    #[test]
    fn a_large_still_gets_one_small_texture() {
        let cells = Cells { values: Array2::from_elem((10, 20), 3.0), across: 20.0, down: 10.0 };
        let map = LaidMap::new(MapKind::Detail, cells, None, (5000, 2500));
        assert_eq!(map.size, (1000, 500));
        assert!(map.steps.iter().all(|step| *step == 1) && !map.gaps);
        assert_eq!(map.median, Some(3.0));
    }
}
