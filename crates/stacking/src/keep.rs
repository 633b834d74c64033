//! Which frames count where: every place has its own best moments.
//!
//! The survey graded every cell of every frame. Here each cell's grade is steadied with its
//! neighbours' (which see nearly the same air, and which lend theirs where a cell has no
//! structure of its own), the frames are ranked cell by cell, the keep decides how many count,
//! and those that count are weighted by what they are worth.

use rayon::prelude::*;
use stillwright_seeing::Survey;
use stillwright_seeing::sharpness::CellGrid;

/// Cells over which a grade is steadied: standard deviation of a Gaussian, px of the frame.
/// Smaller: noise decides which frames are kept where structure is weak. Larger: places that
/// the air sharpens at different moments are thrown together. Error of the patient stack at a keep of 20 %
/// and 16, 24, 36 px: 0.0156, 0.0157, 0.0158 (D/r0 2.5), 0.0443, 0.0448, 0.0455 (4.5), 0.0630, 0.0638, 0.0649 (5, noisy),
/// 0.114, 0.112, 0.114 (8).
const STEADY_PX: f32 = 20.0;

/// Weight of a kept frame at a place: its grade there to this power. 0 would be a plain mean of
/// the kept; a large value lets a few frames decide and keeps their noise. Error of the patient stack at a keep
/// of 20 % and powers of 2, 3 and 5: 0.0157, 0.0157, 0.0158 (D/r0 2.5), 0.0447, 0.0448, 0.0461 (4.5), 0.0630, 0.0638,
/// 0.0692 (5, noisy), 0.110, 0.112, 0.124 (8); 1 and 2 are alike, but for 0.112 and 0.110 at 8.
const GRADE_POWER: f32 = 2.0;

/// Steadied grades of the usable frames.
#[derive(Clone, Debug)]
pub struct Worth {
    /// The grid of the grades.
    pub cells: CellGrid,
    /// Frames that can be used, ascending.
    pub frames: Vec<usize>,
    /// Grade of each cell, frame after frame in the order of `frames`; about 1 on average.
    pub grades: Vec<f32>,
}

impl Worth {
    /// Steady the grades of `survey`.
    pub fn of(survey: &Survey) -> Worth {
        let cells = survey.cells;
        let frames = survey.usable();
        let n = cells.len();
        let sigma = (STEADY_PX / cells.cell_px as f32).max(0.5);
        let radius = (2.5 * sigma).ceil() as isize;
        let tap: Vec<f32> =
            (0..=radius).map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp()).collect();
        let mut grades = vec![0.0f32; frames.len() * n];
        grades.par_chunks_exact_mut(n).zip(&frames).for_each_init(
            || [vec![0.0f32; n], vec![0.0f32; n], vec![0.0f32; n]],
            |[energy, weight, work], (slot, index)| {
                let seen = &survey.cell_grades[index * n..(index + 1) * n];
                let whole = survey.frames[*index].grade.0;
                for c in 0..n {
                    let known = seen[c].is_finite();
                    weight[c] = if known { survey.cell_structure[c] } else { 0.0 };
                    energy[c] = if known { seen[c] * weight[c] } else { 0.0 };
                }
                blur_cells(energy, work, &cells, &tap);
                blur_cells(weight, work, &cells, &tap);
                for ((g, e), w) in slot.iter_mut().zip(energy.iter()).zip(weight.iter()) {
                    *g = if *w > 0.0 { (e / w).max(0.0) } else { whole };
                }
            },
        );
        Worth { cells, frames, grades }
    }

    /// Weights of every cell of every usable frame, band by band: band `b` holds in each cell the
    /// frames whose rank there (0 is the sharpest) lies from `ends[b - 1]` (0 for the first) to
    /// below `ends[b]`, with their grade to a power, and 0 for all others. `ends` ascends.
    pub fn bands(&self, ends: &[usize]) -> Vec<Vec<f32>> {
        let (n, count) = (self.cells.len(), self.frames.len());
        let mut bands = vec![vec![0.0f32; self.grades.len()]; ends.len()];
        // Cells are parted side by side, some hundreds at a time; within a band the order of frames means nothing.
        let cells: Vec<usize> = (0..n).collect();
        for some in cells.chunks(256) {
            let parted: Vec<Vec<u32>> =
                some.par_iter().map(|cell| self.parted(*cell, ends)).collect();
            for (cell, order) in some.iter().zip(parted) {
                let mut from = 0;
                for (band, end) in bands.iter_mut().zip(ends) {
                    let to = (*end).clamp(from, count);
                    for f in &order[from..to] {
                        let at = *f as usize * n + cell;
                        band[at] = self.grades[at].max(1e-3).powf(GRADE_POWER);
                    }
                    from = to;
                }
            }
        }
        bands
    }

    /// The frames, such that of one cell the sharpest `ends[0]` come first, then those up to
    /// `ends[1]`, and so on.
    fn parted(&self, cell: usize, ends: &[usize]) -> Vec<u32> {
        let (n, count) = (self.cells.len(), self.frames.len());
        let grades: Vec<f32> = (0..count).map(|f| self.grades[f * n + cell]).collect();
        let mut order: Vec<u32> = (0..count as u32).collect();
        let grade = |f: &u32| grades[*f as usize];
        let mut from = 0;
        for end in ends {
            let rest = &mut order[from.min(count)..];
            let wanted = end.saturating_sub(from);
            if wanted > 0 && wanted < rest.len() {
                // Ties go to the earlier frame, so that the choice is the same on every run.
                rest.select_nth_unstable_by(wanted - 1, |a, b| {
                    grade(b).total_cmp(&grade(a)).then(a.cmp(b))
                });
            }
            from = from.max(*end);
        }
        order
    }

    /// Weights of the `kept` sharpest frames of every cell, as [`Worth::bands`] gives them.
    pub fn weights(&self, kept: usize) -> Vec<f32> {
        self.bands(&[kept]).swap_remove(0)
    }
}

/// How many of `count` frames a keep of `percent` means: at least one.
pub fn kept_frames(count: usize, percent: f32) -> usize {
    ((count as f32 * percent / 100.0).round() as usize).clamp(1, count.max(1))
}

fn blur_cells(values: &mut [f32], work: &mut [f32], cells: &CellGrid, tap: &[f32]) {
    let (columns, rows) = (cells.columns, cells.rows);
    let radius = tap.len() as isize - 1;
    let clamped = |i: isize, n: usize| (i >= 0 && i < n as isize).then_some(i as usize);
    for j in 0..rows {
        for i in 0..columns {
            let mut sum = 0.0;
            for k in -radius..=radius {
                if let Some(u) = clamped(i as isize + k, columns) {
                    sum += tap[k.unsigned_abs()] * values[j * columns + u];
                }
            }
            work[j * columns + i] = sum;
        }
    }
    for j in 0..rows {
        for i in 0..columns {
            let mut sum = 0.0;
            for k in -radius..=radius {
                if let Some(v) = clamped(j as isize + k, rows) {
                    sum += tap[k.unsigned_abs()] * work[v * columns + i];
                }
            }
            values[j * columns + i] = sum;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn worth() -> Worth {
        // Two cells, five frames: cell 0 is best in frame 3, cell 1 in frame 0.
        let grades = vec![0.5, 2.0, 0.6, 0.4, 0.7, 0.3, 2.0, 0.2, 0.4, 0.1];
        let cells = CellGrid { cell_px: 16, columns: 2, rows: 1 };
        Worth { cells, frames: vec![0, 1, 2, 4, 5], grades }
    }

    #[test]
    fn every_place_keeps_its_own_best() {
        let weights = worth().weights(1);
        let kept: Vec<usize> =
            weights.iter().enumerate().filter(|(_, w)| **w > 0.0).map(|(i, _)| i).collect();
        assert_eq!(kept, [1, 6]);
        let weights = worth().weights(3);
        for cell in 0..2 {
            assert_eq!((0..5).filter(|f| weights[f * 2 + cell] > 0.0).count(), 3);
        }
    }

    #[test]
    fn bands_part_the_frames_among_them() {
        let worth = worth();
        let bands = worth.bands(&[1, 3, 5]);
        for i in 0..worth.grades.len() {
            assert_eq!(bands.iter().filter(|band| band[i] > 0.0).count(), 1);
        }
        assert_eq!(bands[0], worth.weights(1));
    }

    #[test]
    fn a_keep_means_at_least_one_and_at_most_all() {
        assert_eq!(kept_frames(300, 20.0), 60);
        assert_eq!(kept_frames(10, 0.1), 1);
        assert_eq!(kept_frames(10, 100.0), 10);
        assert_eq!(kept_frames(1, 50.0), 1);
    }
}
