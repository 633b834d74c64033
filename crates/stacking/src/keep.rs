//! Which frames count where: every place has its own best moments.
//!
//! The survey graded every cell of every frame. Here each cell's grade is steadied with its
//! neighbours' (which see nearly the same air, and which lend theirs where a cell has no
//! structure of its own; where nothing around has any, the frame's as a whole stands), the frames are ranked cell by cell, the keep decides how many count,
//! and those that count are weighted by what they are worth. In the stack they weigh by how far they agree with the reference
//! instead, which is known once they are laid on it (`align`).

use crate::blank::blank_cells;
use multiversion::multiversion;
use rayon::prelude::*;
use std::ops::Range;
use std::sync::atomic::{AtomicU32, Ordering};
use stillwright_picture::{Cancelled, Progress};
use stillwright_seeing::sharpness::CellGrid;
use stillwright_seeing::{SceneKind, Survey};

/// Cells over which a grade is steadied: standard deviation of a Gaussian, px of the frame.
/// Smaller: noise decides which frames are kept where structure is weak. Larger: places that
/// the air sharpens at different moments are thrown together. Error of the patient stack at a keep of 20 %
/// and 16, 24, 36 px: 0.0156, 0.0157, 0.0158 (D/r0 2.5), 0.0443, 0.0448, 0.0455 (4.5), 0.0630, 0.0638, 0.0649 (5, noisy),
/// 0.114, 0.112, 0.114 (8).
const STEADY_PX: f32 = 20.0;
/// The same of a disc, which has little structure but its limb. Error at a keep of 20 % with 20, 32, 48 px: 0.0117, 0.0116, 0.0116 (D/r0 4.5), 0.0184,
/// 0.0182, 0.0183 (6), 0.0058, 0.0056, 0.0054 (2.5), 0.0069, 0.0066, 0.0066 (mono, 4); information 89.6, 89.1, 89.0 % of the oracle's, 81.0, 80.0, 79.3,
/// 97.1, 97.5, 97.8, 94.9, 94.3, 93.6; at the advised keep within 0.3 %.
const DISC_STEADY_PX: f32 = 32.0;

/// Weight of a kept frame at a place, as long as nothing else is known of it: its grade there to this power. 0 would be a plain mean of
/// the kept; a large value lets a few frames decide and keeps their noise. Error of the patient stack at a keep
/// of 20 % and powers of 2, 3 and 5: 0.0157, 0.0157, 0.0158 (D/r0 2.5), 0.0447, 0.0448, 0.0461 (4.5), 0.0630, 0.0638,
/// 0.0692 (5, noisy), 0.110, 0.112, 0.124 (8); 1 and 2 are alike, but for 0.112 and 0.110 at 8.
const GRADE_POWER: f32 = 2.0;

/// Grades that are held at once while cells are ranked, bytes.
const HELD_BYTES: usize = 32 << 20;

/// What every usable frame is worth at every place: its grades there, steadied. They are worked out where they are
/// asked for, and not held: of a long capture they would take as much memory as hundreds of frames.
#[derive(Clone, Debug)]
pub struct Worth<'a> {
    survey: &'a Survey,
    /// The grid of the grades.
    pub cells: CellGrid,
    /// Frames that can be used, ascending.
    pub frames: Vec<usize>,
    /// Taps of the Gaussian, from its middle on.
    taps: Vec<f32>,
    /// The cells that show nothing, where a frame's grade is that of the whole.
    pub(crate) blank: Vec<bool>,
}

/// Buffers for the grades of one frame.
#[derive(Clone, Debug, Default)]
struct Steadying {
    energy: Vec<f32>,
    weight: Vec<f32>,
    work: Vec<f32>,
    blurred: [Vec<f32>; 2],
}

impl<'a> Worth<'a> {
    /// What `survey` tells of it.
    pub fn of(survey: &'a Survey) -> Worth<'a> {
        let cells = survey.cells;
        let (taps, blank) = (steady_taps(survey), blank_cells(survey));
        Worth { survey, cells, frames: survey.usable(), taps, blank }
    }

    /// Steadied grades of frame `index` in the `rows` of cells, about 1 on average, into `out`.
    fn steadied(&self, index: usize, rows: Range<usize>, work: &mut Steadying, out: &mut [f32]) {
        let (columns, n) = (self.cells.columns, self.cells.len());
        let radius = self.taps.len() - 1;
        let around = rows.start.saturating_sub(radius)..(rows.end + radius).min(self.cells.rows);
        let span = around.start * columns..around.end * columns;
        let seen = &self.survey.cell_grades[index * n..][span.clone()];
        let structure = &self.survey.cell_structure[span];
        let whole = self.survey.frames[index].grade.0;
        let Steadying { energy, weight, work, blurred: [energies, weights] } = work;
        energy.clear();
        weight.clear();
        for (seen, structure) in seen.iter().zip(structure) {
            let known = seen.is_finite();
            weight.push(if known { *structure } else { 0.0 });
            energy.push(if known { seen * structure } else { 0.0 });
        }
        let inner = rows.start - around.start..rows.end - around.start;
        blur_cells(energy, columns, &self.taps, inner.clone(), work, energies);
        blur_cells(weight, columns, &self.taps, inner, work, weights);
        let blank = &self.blank[rows.start * columns..];
        let blurred = energies.iter().zip(weights.iter());
        for ((g, (e, w)), blank) in out.iter_mut().zip(blurred).zip(blank) {
            *g = if *w > 0.0 && !blank { (e / w).max(0.0) } else { whole };
        }
    }

    /// Rank the frames in every cell. `ends` ascends from 1 at least, and there are 32 at most: band `b` has in each cell
    /// the frames whose rank there (0 is the sharpest) lies from `ends[b - 1]` (0 for the first) to below `ends[b]`. The first
    /// band is what is kept, if nothing else is said ([`Ranks::keeping`]).
    ///
    /// # Errors
    /// When cancelled.
    pub fn ranks(&self, ends: &[usize], progress: &dyn Progress) -> Result<Ranks<'_>, Cancelled> {
        let (columns, count) = (self.cells.columns, self.frames.len());
        let row_bytes = count * columns * size_of::<f32>();
        let strip = (HELD_BYTES / row_bytes.max(1)).clamp(1, self.cells.rows.max(1));
        let used: Vec<AtomicU32> = self.frames.iter().map(|_| AtomicU32::new(0)).collect();
        let mut cuts = vec![Vec::with_capacity(self.cells.len()); ends.len()];
        let mut held = Vec::new();
        for first in (0..self.cells.rows).step_by(strip) {
            let rows = first..(first + strip).min(self.cells.rows);
            let n = rows.len() * columns;
            held.resize(n * count, 0.0f32);
            held[..n * count].par_chunks_exact_mut(n).zip(&self.frames).try_for_each_init(
                Steadying::default,
                |work, (out, index)| {
                    progress.check()?;
                    self.steadied(*index, rows.clone(), work, out);
                    Ok(())
                },
            )?;
            let grades = &held[..n * count];
            // Blank cells rank all frames alike: one stands for all.
            let blank = &self.blank[first * columns..][..n];
            let one_blank = blank.iter().position(|blank| *blank);
            let parted: Vec<Vec<Cut>> = (0..n)
                .into_par_iter()
                .map_init(Vec::new, |order, cell| {
                    progress.check()?;
                    if blank[cell] && one_blank != Some(cell) {
                        return Ok(Vec::new());
                    }
                    let own = grades.iter().skip(cell).step_by(n);
                    order.clear();
                    order
                        .extend(own.zip(0u32..).map(|(grade, frame)| Cut { grade: *grade, frame }));
                    let cuts = part(order, ends);
                    let mut from = 0;
                    for (band, end) in ends.iter().enumerate() {
                        let (begun, bit) = (from, 1 << band.min(31));
                        from = (*end).clamp(from, count);
                        for within in &order[begun..from] {
                            let used = &used[within.frame as usize];
                            if used.load(Ordering::Relaxed) & bit == 0 {
                                used.fetch_or(bit, Ordering::Relaxed);
                            }
                        }
                    }
                    Ok(cuts)
                })
                .collect::<Result<_, Cancelled>>()?;
            let of_blank = one_blank.map(|cell| parted[cell].clone()).unwrap_or_default();
            let parted =
                parted.into_iter().map(|c| if c.is_empty() { of_blank.clone() } else { c });
            for of_cell in parted {
                cuts.iter_mut().zip(of_cell).for_each(|(cuts, cut)| cuts.push(cut));
            }
        }
        let used = used.into_iter().map(AtomicU32::into_inner).collect();
        Ok(Ranks { worth: self, cuts, kept: 1, used })
    }
}

/// The last frame of a cell's ranking that counts: the grade, and the frame (as numbered in [`Worth::frames`]), for ties
/// go to the earlier frame, so that the choice is the same on every run.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cut {
    grade: f32,
    frame: u32,
}

impl Cut {
    /// Everything counts: the least number there is.
    const ALL: Cut = Cut { grade: f32::from_bits(u32::MAX), frame: u32::MAX };

    /// The sharper one first.
    fn order(&self, other: &Cut) -> std::cmp::Ordering {
        other.grade.total_cmp(&self.grade).then(self.frame.cmp(&other.frame))
    }
}

/// The last of each band, `frames` being parted such that the sharpest `ends[0]` come first, then those up to
/// `ends[1]`, and so on.
fn part(frames: &mut [Cut], ends: &[usize]) -> Vec<Cut> {
    let (mut from, mut last) = (0, Cut::ALL);
    let mut cuts = Vec::with_capacity(ends.len());
    for end in ends {
        // A band without frames ends where the one before it does.
        if *end > from {
            let rest = frames.get_mut(from..).unwrap_or_default();
            last = match end - from {
                wanted if wanted > rest.len() => Cut::ALL,
                wanted => *rest.select_nth_unstable_by(wanted - 1, Cut::order).1,
            };
            from = *end;
        }
        cuts.push(last);
    }
    cuts
}

/// Which frames count in which cell.
#[derive(Clone, Debug)]
pub struct Ranks<'a> {
    worth: &'a Worth<'a>,
    /// The last frame of each cell, band by band.
    cuts: Vec<Vec<Cut>>,
    /// How many of the bands are kept.
    kept: usize,
    /// The bands that each frame counts in anywhere, a bit each, as frames are numbered in [`Worth::frames`].
    used: Vec<u32>,
}
impl Ranks<'_> {
    /// The same with the first `bands` kept.
    pub fn keeping(self, bands: usize) -> Self {
        Ranks { kept: bands, ..self }
    }

    /// The cells that show nothing.
    pub(crate) fn blank(&self) -> &[bool] {
        &self.worth.blank
    }

    /// Indices of the frames that are kept anywhere, ascending.
    pub fn used(&self) -> impl Iterator<Item = usize> {
        self.used_in(0..self.kept)
    }

    /// Indices of the frames that count anywhere in some of the bands, ascending.
    pub fn used_in(&self, bands: Range<usize>) -> impl Iterator<Item = usize> {
        let below = |band: usize| ((1u64 << band.min(32)) - 1) as u32;
        let of_interest = below(bands.end) & !below(bands.start);
        let frames = self.worth.frames.iter().zip(&self.used);
        frames.filter(move |(_, used)| **used & of_interest != 0).map(|(index, _)| *index)
    }

    /// Weights of every cell of frame `index`, band by band: its grade to a power where it belongs to the band, and 0
    /// elsewhere.
    pub fn bands(&self, index: usize) -> Vec<Vec<f32>> {
        let bands: Vec<Range<usize>> = (0..self.cuts.len()).map(|band| band..band + 1).collect();
        self.weights_in(index, &bands)
    }

    /// The same for several ranges of bands, none of which share a band.
    pub fn weights_in(&self, index: usize, bands: &[Range<usize>]) -> Vec<Vec<f32>> {
        let mut weights = vec![vec![0.0; self.worth.cells.len()]; bands.len()];
        self.weigh(index, |cell, band, weight| {
            if let Some(at) = bands.iter().position(|bands| bands.contains(&band)) {
                weights[at][cell] = weight;
            }
        });
        weights
    }

    /// Its weights where it is kept.
    pub fn weights(&self, index: usize) -> Vec<f32> {
        let mut weights = vec![0.0; self.worth.cells.len()];
        self.weigh(index, |cell, band, weight| {
            if band < self.kept {
                weights[cell] = weight;
            }
        });
        weights
    }

    /// Its weights in all bands together.
    pub fn weights_of_all(&self, index: usize) -> Vec<f32> {
        let mut weights = vec![0.0; self.worth.cells.len()];
        self.weigh(index, |cell, _, weight| weights[cell] = weight);
        weights
    }

    /// Say of each cell in which band frame `index` counts, and with which weight.
    fn weigh(&self, index: usize, mut say: impl FnMut(usize, usize, f32)) {
        let Ok(frame) = self.worth.frames.binary_search(&index) else { return };
        let cells = &self.worth.cells;
        let mut grades = vec![0.0; cells.len()];
        self.worth.steadied(index, 0..cells.rows, &mut Steadying::default(), &mut grades);
        for (cell, grade) in grades.into_iter().enumerate() {
            let own = Cut { grade, frame: frame as u32 };
            if let Some(band) = self.cuts.iter().position(|cuts| own.order(&cuts[cell]).is_le()) {
                say(cell, band, grade.max(1e-3).powf(GRADE_POWER));
            }
        }
    }
}

/// Taps of the Gaussian by which grades of cells are steadied, from its middle on.
fn steady_taps(survey: &Survey) -> Vec<f32> {
    let steady_px = match survey.scene {
        SceneKind::Disc => DISC_STEADY_PX,
        SceneKind::Ground | SceneKind::Auto => STEADY_PX,
    };
    taps_of(steady_px / survey.cells.cell_px as f32)
}

/// Half of a Gaussian of this standard deviation, cells.
pub(crate) fn taps_of(cells: f32) -> Vec<f32> {
    let sigma = cells.max(0.5);
    let radius = (2.5 * sigma).ceil() as usize;
    (0..=radius).map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp()).collect()
}

/// How many of `count` frames a keep of `percent` means: at least one.
pub fn kept_frames(count: usize, percent: f32) -> usize {
    ((count as f32 * percent / 100.0).round() as usize).clamp(1, count.max(1))
}

/// Blur `values`, rows of `columns` cells, and give the rows `inner`; beyond the ends there is nothing.
#[multiversion(targets("x86_64+avx2+bmi2"))]
pub(crate) fn blur_cells(
    values: &[f32],
    columns: usize,
    taps: &[f32],
    inner: Range<usize>,
    work: &mut Vec<f32>,
    out: &mut Vec<f32>,
) {
    let radius = taps.len() - 1;
    work.clear();
    work.resize(values.len(), 0.0);
    for (from, to) in values.chunks_exact(columns).zip(work.chunks_exact_mut(columns)) {
        for k in 0..=2 * radius {
            // Column i takes from column i + k - radius.
            let (skipped, ahead) = (radius.saturating_sub(k), k.saturating_sub(radius));
            let n = columns.saturating_sub(skipped + ahead);
            let (skipped, ahead) = (skipped.min(columns), ahead.min(columns));
            add(&mut to[skipped..][..n], &from[ahead..][..n], taps[k.abs_diff(radius)]);
        }
    }
    out.clear();
    out.resize(inner.len() * columns, 0.0);
    for (j, to) in inner.zip(out.chunks_exact_mut(columns)) {
        for k in 0..=2 * radius {
            let Some(row) = (j + k).checked_sub(radius) else { continue };
            if let Some(from) = work.get(row * columns..(row + 1) * columns) {
                add(to, from, taps[k.abs_diff(radius)]);
            }
        }
    }
}

#[inline(always)]
fn add(to: &mut [f32], from: &[f32], tap: f32) {
    for (to, from) in to.iter_mut().zip(from) {
        *to += tap * from;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{Grade, Shift, Silent};
    use stillwright_seeing::FrameReport;
    use stillwright_seeing::hot::HotPixels;
    use stillwright_seeing::noise::NoiseModel;
    use stillwright_seeing::raster::Raster;

    /// Two cells, five frames: cell 0 is best in frame 1, cell 1 in frame 3; ties go to the earlier one.
    const GRADES: [[f32; 5]; 2] = [[0.5, 2.0, 0.7, 0.4, 0.7], [0.3, 0.2, 0.2, 2.0, 0.1]];

    fn cuts(cell: usize, ends: &[usize]) -> Vec<Cut> {
        let mut frames: Vec<Cut> = GRADES[cell]
            .iter()
            .zip(0..)
            .map(|(grade, frame)| Cut { grade: *grade, frame })
            .collect();
        part(&mut frames, ends)
    }

    fn counted(cell: usize, cut: Cut) -> Vec<u32> {
        let frames = GRADES[cell].iter().zip(0..);
        let frames = frames.map(|(grade, frame)| Cut { grade: *grade, frame });
        frames.filter(|own| own.order(&cut).is_le()).map(|own| own.frame).collect()
    }

    #[test]
    fn every_place_keeps_its_own_best() {
        assert_eq!(counted(0, cuts(0, &[1])[0]), [1]);
        assert_eq!(counted(1, cuts(1, &[1])[0]), [3]);
        assert_eq!(counted(0, cuts(0, &[2])[0]), [1, 2]);
        assert_eq!(counted(1, cuts(1, &[3])[0]), [0, 1, 3]);
    }

    #[test]
    fn bands_part_the_frames_among_them() {
        for cell in 0..2 {
            let bands = cuts(cell, &[1, 3, 3, 5, 9]);
            let counts: Vec<usize> = bands.iter().map(|cut| counted(cell, *cut).len()).collect();
            assert_eq!(counts, [1, 3, 3, 5, 5]);
            assert_eq!(bands[0], cuts(cell, &[1])[0]);
            assert_eq!(bands[1], cuts(cell, &[3])[0]);
        }
    }

    #[test]
    fn cells_are_blurred_with_their_neighbours_in_rows_and_columns() {
        let (columns, rows, taps) = (7, 6, [1.0f32, 0.5, 0.25]);
        let values: Vec<f32> = (0..columns * rows).map(|i| ((i * 37) % 11) as f32).collect();
        let (mut work, mut out) = (Vec::new(), Vec::new());
        blur_cells(&values, columns, &taps, 1..6, &mut work, &mut out);
        for (at, found) in out.iter().enumerate() {
            let (x, y) = (at % columns, at / columns + 1);
            let mut sum = 0.0;
            for v in 0..rows {
                for u in 0..columns {
                    let tap = |d: usize| taps.get(d).copied().unwrap_or(0.0);
                    sum += tap(u.abs_diff(x)) * tap(v.abs_diff(y)) * values[v * columns + u];
                }
            }
            assert!((sum - found).abs() < 1e-3, "({x}, {y}): {sum} {found}");
        }
        // A picture narrower than the blur.
        blur_cells(&[2.0, 4.0], 1, &taps, 0..2, &mut work, &mut out);
        assert_eq!(out, [4.0, 5.0]);
    }

    #[test]
    fn a_keep_means_at_least_one_and_at_most_all() {
        assert_eq!(kept_frames(300, 20.0), 60);
        assert_eq!(kept_frames(10, 0.1), 1);
        assert_eq!(kept_frames(10, 100.0), 10);
        assert_eq!(kept_frames(1, 50.0), 1);
    }

    /// Sky but for a planet in the first columns; frame 0 is the sharpest there, frame 2 as a whole, and what the sky shows is
    /// another one's in every cell.
    fn planet() -> Survey {
        let cells = CellGrid { cell_px: 16, columns: 24, rows: 4 };
        let report = |(index, grade): (usize, f32)| FrameReport {
            index,
            grade: Grade(grade),
            shift: Shift::default(),
            brightness: 1.0,
            transparency: 1.0,
            clipped_share: 0.0,
            rejected: None,
            trouble: None,
        };
        let shows = |cell: usize| cell % 24 < 3;
        let of = |frame: usize, cell: usize| {
            if shows(cell) {
                [1.5, 1.2, 0.9, 0.4][frame]
            } else {
                ((cell * 7 + frame * 5) % 11) as f32
            }
        };
        Survey {
            reference_index: 0,
            scene: SceneKind::Disc,
            frames: [1.0, 0.9, 1.1, 0.8].into_iter().enumerate().map(report).collect(),
            noise: NoiseModel::default(),
            median_brightness: 0.5,
            hot_pixels: HotPixels::default(),
            cells,
            cell_grades: (0..4).flat_map(|f| (0..cells.len()).map(move |c| of(f, c))).collect(),
            cell_structure: (0..cells.len()).map(|c| if shows(c) { 1.0 } else { 0.0025 }).collect(),
            geometry: Raster::zeros(8, 8),
            geometry_factor: 1,
        }
    }

    #[test]
    fn sky_keeps_the_frames_that_are_best_as_a_whole() {
        let survey = planet();
        let worth = Worth::of(&survey);
        let ranks = worth.ranks(&[1, 2], &Silent).unwrap();
        let kept = |frame: usize| ranks.weights(frame).iter().map(|w| *w > 0.0).collect::<Vec<_>>();
        let (of_planet, of_whole) = (kept(0), kept(2));
        for cell in 0..survey.cells.len() {
            let sky = cell % 24 >= 5;
            assert_eq!(worth.blank[cell], sky, "{cell}");
            assert_eq!((of_planet[cell], of_whole[cell]), (!sky, sky), "{cell}");
        }
        assert_eq!(ranks.used().collect::<Vec<_>>(), [0, 2]);
        assert_eq!(ranks.used_in(1..2).collect::<Vec<_>>(), [0, 1]);
    }
}
