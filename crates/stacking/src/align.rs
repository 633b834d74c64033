//! Reading frames and aligning them to a reference, in batches.

use crate::accumulate::{Accumulator, Aligned};
use crate::blank::blank_cells;
use crate::blend::BLEND;
use crate::credible::Expected;
use crate::fields::{Laid, Laying};
use crate::stack::StackError;
use rayon::prelude::*;
use std::sync::Mutex;
use stillwright_picture::{
    Cancelled, FrameFormat, FrameSource, Progress, RawFrame, SampleType, Stage,
};
use stillwright_seeing::field::{Field, Smoothness};
use stillwright_seeing::luminance::Luminance;
use stillwright_seeing::raster::Raster;
use stillwright_seeing::ripple::{Aligner, RippleSettings, RippleWork};
use stillwright_seeing::sharpness::CellGrid;
use stillwright_seeing::{SceneKind, Survey};

/// What the air is expected to do to a picture of ordinary sampling: slopes of a tenth of a px
/// per px and curvatures of a hundredth of a px per px^2 (measured on simulated captures at
/// D/r0 4 to 8: ripple of 3 to 5 px rms, a few tens of px wide).
pub const AIR: Smoothness = Smoothness { slope: 0.1, curvature: 0.01, spread_px: 6.0 };

/// A frame to be added: its index, the weights of its cells, and the half it belongs to.
#[derive(Clone)]
pub struct Chosen {
    /// Index in the capture.
    pub index: usize,
    /// Weight of each cell of the weight grid, for each of the sums that are made at once.
    pub weights: Vec<Vec<f32>>,
    /// 0 or 1.
    pub half: usize,
}

/// Frames to be added. Their weights are made where they are laid, and live no longer than their batch.
pub trait Frames: Sync {
    /// How many.
    fn count(&self) -> usize;
    /// The one of this number, which is below the count.
    fn chosen(&self, number: usize) -> Chosen;
    /// Hear with which weights a frame of this half is added, for each of the sums; in the order of the frames.
    fn weighed(&self, _weights: &[Vec<f32>], _half: usize) {}
}

impl Frames for [Chosen] {
    fn count(&self) -> usize {
        self.len()
    }

    fn chosen(&self, number: usize) -> Chosen {
        self[number].clone()
    }
}

/// What frames are laid on.
#[derive(Clone, Copy)]
pub struct Lay<'a> {
    /// Aligns them.
    pub aligner: &'a Aligner,
    /// From the reference to true geometry, undone on the way.
    pub correction: Option<&'a Field>,
    /// Where fields are remembered, which are told from the aligner's reference.
    pub laying: Option<&'a Laying<'a>>,
    /// Frames weigh by how far they agree with the reference, instead of by what was chosen.
    pub by_agreement: bool,
}

impl<'a> From<&'a Aligner> for Lay<'a> {
    fn from(aligner: &'a Aligner) -> Lay<'a> {
        Lay { aligner, correction: None, laying: None, by_agreement: false }
    }
}

/// Everything that stays the same while frames are aligned and added.
pub struct Bench<'a> {
    /// Where frames come from.
    pub source: &'a dyn FrameSource,
    /// What is known of them.
    pub survey: &'a Survey,
    /// The grid of the weights.
    pub cells: CellGrid,
    /// Cells of it that show nothing.
    blank: Vec<bool>,
}

/// Buffers of one worker.
#[derive(Default)]
struct Worker {
    frame: Option<RawFrame>,
    luminance: Luminance,
    light: Raster,
    ripple: RippleWork,
}

impl<'a> Bench<'a> {
    /// For the frames of `source`, of which `survey` tells.
    pub fn of(source: &'a dyn FrameSource, survey: &'a Survey) -> Bench<'a> {
        Bench { source, survey, cells: survey.cells, blank: blank_cells(survey) }
    }

    /// Frames held at once: enough for every core, few enough for memory (about 256 MiB).
    fn batch(&self) -> usize {
        let format = self.source.format();
        let sample = match format.sample_type {
            SampleType::U8 => 1,
            SampleType::U16 => 2,
            SampleType::F32 => 4,
        };
        let bytes = format.sample_count() * sample + format.width * format.height / 16;
        ((256 << 20) / bytes.max(1)).clamp(2, 32)
    }

    /// The light of one frame, stuck pixels mended, at the clear frames' brightness.
    pub fn light_of(&self, index: usize) -> Option<Raster> {
        let mut worker = Worker::default();
        self.read(index, &mut worker)?;
        let transparency = self.survey.frames.get(index)?.transparency.max(1e-3);
        worker.light.values.iter_mut().for_each(|v| *v /= transparency);
        Some(worker.light)
    }

    fn read(&self, index: usize, worker: &mut Worker) -> Option<()> {
        let frame = self.read_mended(index, &mut worker.frame)?;
        worker.luminance.of(frame, &mut worker.light);
        Some(())
    }

    /// A frame as it was read, stuck pixels mended, into `frame`.
    fn read_mended<'f>(
        &self,
        index: usize,
        frame: &'f mut Option<RawFrame>,
    ) -> Option<&'f RawFrame> {
        let frame = frame.get_or_insert_with(|| RawFrame::black(self.source.format()));
        self.source.read_frame(index, frame).ok()?;
        self.survey.hot_pixels.mend(frame);
        Some(frame)
    }

    /// Lay each of `frames` and add it to each of `sums`. Returns the indices of frames that could not be read.
    ///
    /// # Errors
    /// When cancelled.
    pub fn add_all<F: Frames + ?Sized>(
        &self,
        chosen: &F,
        on: Lay<'_>,
        expected: Option<&Expected>,
        sums: &mut [Accumulator],
        (stage, progress): (Stage, &dyn Progress),
    ) -> Result<Vec<usize>, StackError> {
        let mut lost = Vec::new();
        let workers: Mutex<Vec<Worker>> = Mutex::new(Vec::new());
        let frames: Mutex<Vec<RawFrame>> = Mutex::new(Vec::new());
        let (mut done, count) = (0, chosen.count());
        while done < count {
            progress.advance(stage, done, count)?;
            let batch = done..(done + self.batch()).min(count);
            done = batch.end;
            let aligned: Vec<Result<Aligned, usize>> = batch
                .into_par_iter()
                .map(|number| {
                    // Buffers outlive the batch: a worker is borrowed for one frame.
                    let spare = workers.lock().ok().and_then(|mut w| w.pop());
                    let mut worker = spare.unwrap_or_default();
                    if worker.frame.is_none() {
                        worker.frame = frames.lock().ok().and_then(|mut f| f.pop());
                    }
                    let result = self.align_one(chosen.chosen(number), on, &mut worker, progress);
                    if let Ok(mut workers) = workers.lock() {
                        workers.push(worker);
                    }
                    result
                })
                .collect::<Result<_, Cancelled>>()?;
            let mut good = Vec::with_capacity(aligned.len());
            for result in aligned {
                match result {
                    Ok(frame) => good.push(frame),
                    Err(index) => lost.push(index),
                }
            }
            good.iter().for_each(|frame| chosen.weighed(&frame.weights, frame.half));
            Accumulator::add_to(sums, &good, expected, progress)?;
            // Frames are filled again by the next batch.
            if let Ok(mut frames) = frames.lock() {
                frames.extend(good.into_iter().map(|aligned| aligned.frame));
            }
        }
        progress.advance(stage, count, count)?;
        Ok(lost)
    }

    /// The field of each of `indices`, every cell wanted; `None` where a frame cannot be read.
    ///
    /// # Errors
    /// When cancelled.
    pub fn fields(
        &self,
        indices: &[usize],
        aligner: &Aligner,
        progress: &dyn Progress,
    ) -> Result<Vec<Option<Field>>, Cancelled> {
        indices
            .par_iter()
            .map_init(Worker::default, |worker, index| {
                progress.check()?;
                let Some(report) = self.survey.frames.get(*index) else { return Ok(None) };
                let Worker { frame, luminance, ripple, .. } = worker;
                let Some(frame) = self.read_mended(*index, frame) else { return Ok(None) };
                let rows = luminance.rows(frame);
                let home = (report.shift.x_px, report.shift.y_px);
                aligner.align(&rows, home, None, ripple, progress).map(Some)
            })
            .collect()
    }

    /// One frame, aligned, or its index where it cannot be read.
    fn align_one(
        &self,
        chosen: Chosen,
        on: Lay<'_>,
        worker: &mut Worker,
        progress: &dyn Progress,
    ) -> Result<Result<Aligned, usize>, Cancelled> {
        progress.check()?;
        let Chosen { index, mut weights, half } = chosen;
        let Some(report) = self.survey.frames.get(index) else { return Ok(Err(index)) };
        let Worker { frame: held, luminance, ripple, .. } = worker;
        let Some(frame) = self.read_mended(index, held) else { return Ok(Err(index)) };
        let home = (report.shift.x_px, report.shift.y_px);
        let grid = on.aligner.cells();
        let mut align = |wanted: &[bool]| {
            let rows = luminance.rows(frame);
            let field = on.aligner.align(&rows, home, Some(wanted), ripple, progress)?;
            Ok::<_, Cancelled>(Laid { field, agreement: ripple.agreement().to_vec() })
        };
        let known = on.laying.and_then(|laying| laying.known(index, home, grid));
        let Laid { mut field, agreement } = match (known, on.laying) {
            (Some(laid), _) => laid,
            (None, Some(laying)) => laying.found(index, home, &self.cells, grid, &mut align)?,
            (None, None) => align(&wanted_cells(&weights, &self.cells, &self.blank, grid))?,
        };
        if let Some(correction) = on.correction {
            field = corrected(&field, correction);
        }
        if on.by_agreement {
            weigh(&mut weights, &self.cells, &agreement, grid);
        }
        let transparency = report.transparency;
        let aligned =
            held.take().map(|frame| Aligned { frame, transparency, field, weights, half });
        Ok(aligned.ok_or(index))
    }
}

/// Weight of a frame where it counts: its agreement to this power. Frames that agree less have more speckle besides, so it is more than 1.
/// Error of the stack at a keep of 50 % with 0.8, 1, 1.2, 1.4: 0.0328 all (D/r0 4.5), 0.0501, 0.0497, 0.0494, 0.0494 (5, noisy), 0.0912, 0.0899,
/// 0.0897, 0.0910 (8), 0.0358, 0.0354, 0.0351, 0.0349 (Bayer), 0.0103, 0.0104, 0.0104, 0.0105 (disc); information there 90.1, 92.3, 93.7, 93.4 % of
/// the oracle's at 8, 95.9, 96.0, 95.9, 95.5 % of the disc.
const AGREEMENT_POWER: f32 = 1.25;
/// The least agreement of a kept frame, where it shows nothing of the scene.
const LEAST_AGREEMENT: f32 = 0.02;

/// Have the frame weigh by its `agreement`, which is told for each cell of a field, where it counts and that is known.
///
/// Grades tell sharpness without any reference, so they choose; what a chosen frame adds is told by the comparison. Error of the stack at a keep of 50 % by
/// the square of the grade, and by the agreement itself: 0.0108, 0.0108 (D/r0 2.5), 0.0348, 0.0331 (4.5), 0.0507, 0.0499 (5, noisy), 0.0940, 0.0913 (8), 0.0384, 0.0353 (Bayer),
/// 0.0110, 0.0104 (disc).
fn weigh(
    weights: &mut [Vec<f32>],
    cells: &CellGrid,
    agreement: &[f32],
    (columns, rows, side): (usize, usize, usize),
) {
    if columns * rows == 0 {
        return;
    }
    let at = |cell: usize, n: usize| ((cell * cells.cell_px + cells.cell_px / 2) / side).min(n - 1);
    for cell in 0..cells.len() {
        let place = at(cell / cells.columns, rows) * columns + at(cell % cells.columns, columns);
        let Some(agrees) = agreement.get(place).filter(|agrees| !agrees.is_nan()) else { continue };
        for weight in weights.iter_mut().filter_map(|w| w.get_mut(cell)).filter(|w| **w > 0.0) {
            *weight = weight_of(*agrees);
        }
    }
}

fn weight_of(agreement: f32) -> f32 {
    agreement.max(LEAST_AGREEMENT).powf(AGREEMENT_POWER)
}

/// Which cells of the field matter, given the weights: those under a cell with weight and those
/// to which its weight blends. Cells of weight that are `blank` matter where there are no others only.
pub(crate) fn wanted_cells(
    weights: &[Vec<f32>],
    cells: &CellGrid,
    blank: &[bool],
    (columns, rows, side): (usize, usize, usize),
) -> Vec<bool> {
    let has_weight = |cell: &usize| weights.iter().any(|w| w.get(*cell).is_some_and(|w| *w != 0.0));
    let shows = |cell: &usize| blank.get(*cell).is_none_or(|blank| !blank);
    let (shown, hidden): (Vec<usize>, Vec<usize>) =
        (0..cells.len()).filter(has_weight).partition(shows);
    let mut wanted = vec![false; columns * rows];
    // Weights blend into the neighbours by a quarter of a cell.
    let reach = cells.cell_px / 4;
    for cell in if shown.is_empty() { hidden } else { shown } {
        let (x, y) =
            ((cell % cells.columns) * cells.cell_px, (cell / cells.columns) * cells.cell_px);
        let span = |at: usize, n: usize| {
            at.saturating_sub(reach) / side..((at + cells.cell_px + reach).div_ceil(side)).min(n)
        };
        for j in span(y, rows) {
            wanted[j * columns..(j + 1) * columns][span(x, columns)].fill(true);
        }
    }
    wanted
}

/// Which cells of the field are looked at, at any scale, where there are pixels with weight: two around each of them.
pub(crate) fn needed_cells(
    weights: &[f32],
    cells: &CellGrid,
    (columns, rows, side): (usize, usize, usize),
) -> Vec<bool> {
    let mut needed = vec![false; columns * rows];
    let reach = (0.5 * BLEND * cells.cell_px as f32).ceil() as isize + 1;
    // The cells that a cubic takes from at the first and at the last px of weight; at the edges weight reaches to the end.
    let span = |at: usize, of: usize, n: usize| {
        let first = (at * cells.cell_px) as isize - reach;
        let last = ((at + 1) * cells.cell_px) as isize + reach;
        let centre = |px: isize| (2 * px + 1 - side as isize).div_euclid(2 * side as isize);
        let from = if at == 0 { 0 } else { (centre(first) - 1).clamp(0, n as isize) as usize };
        let to = (centre(last) + 3).clamp(0, n as isize) as usize;
        from..if at + 1 >= of { n } else { to }
    };
    for (cell, _) in weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
        let across = span(cell % cells.columns, cells.columns, columns);
        for j in span(cell / cells.columns, cells.rows, rows) {
            needed[j * columns..(j + 1) * columns][across.clone()].fill(true);
        }
    }
    needed
}

/// A field measured against a reference of its own ripple, told from true geometry instead:
/// `correction` is where true positions lie minus where the reference shows them.
pub(crate) fn corrected(field: &Field, correction: &Field) -> Field {
    let mut out = field.clone();
    let side = field.cell_px as f32;
    for j in 0..field.rows {
        for i in 0..field.columns {
            // True position p; the reference shows it at x with x + e(x) = p.
            let p = ((i as f32 + 0.5) * side - 0.5, (j as f32 + 0.5) * side - 0.5);
            let mut e = correction.at(p.0, p.1);
            for _ in 0..3 {
                e = correction.at(p.0 - e.0, p.1 - e.1);
            }
            let (dx, dy) = field.at(p.0 - e.0, p.1 - e.1);
            out.x_px[j * field.columns + i] = dx - e.0;
            out.y_px[j * field.columns + i] = dy - e.1;
        }
    }
    out
}

/// Settings of the aligner for frames of this size; `tile_px` of 0 decides by the size.
///
/// Tiles and one round at half size find a frame to half a px; the last round holds it as it was read against the
/// reference at full size, and does so again while that moves the frame much, which it does in rough air. Three rounds at half size
/// instead took longer and had 3 to 10 % more error (figures in DEVELOPERS.md). Cells of 16 px beat 8 and 12
/// (which follow noise where structure is weak) and 24 (which flatten the ripple); tiles of 48 to 96 px are alike
/// (measured on simulated captures of D/r0 4.5 to 6.5 sampled at three px per cut-off period).
pub fn ripple_settings(width: usize, height: usize, tile_px: usize) -> RippleSettings {
    let short = width.min(height);
    let wanted = if tile_px > 0 { tile_px } else { 64 };
    let tile = wanted.min(short / 2).max(24);
    let settings = RippleSettings {
        tile_px: tile,
        spacing_px: (tile * 3 / 4).max(16),
        cell_px: 16,
        factor: 2,
        band_px: HALF_SIZE_BAND_PX,
        rounds: 1,
        fine_rounds: 2,
        keen_rounds: 3,
        smoothness: AIR,
        steady_px: STEADY_PX,
    };
    if short >= 96 { settings } else { full_size(settings) }
}

/// Over how much of a frame it is steadied how far it agrees with the reference, px (standard deviation of a Gaussian): of ground as
/// much as its grades are, of a disc more. Error at a keep of 50 % with 20, 32, 48 px: 0.0331, 0.0332, 0.0332 (D/r0 4.5), 0.0913,
/// 0.0916, 0.0923 (8), disc 0.0122, 0.0107, 0.0104.
const STEADY_PX: f32 = 20.0;
const DISC_STEADY_PX: f32 = 48.0;

/// [`ripple_settings`] for a capture of this size and scene.
pub fn settings_for(survey: &Survey, format: &FrameFormat, tile_px: usize) -> RippleSettings {
    let usual = ripple_settings(format.width, format.height, tile_px);
    match survey.scene {
        SceneKind::Disc => RippleSettings { steady_px: DISC_STEADY_PX, ..usual },
        SceneKind::Ground | SceneKind::Auto => usual,
    }
}

/// The same with all rounds at full size, on band-passed frames: slower by far, and another 1 to 6 % better.
pub fn full_size(settings: RippleSettings) -> RippleSettings {
    RippleSettings { factor: 1, band_px: FULL_SIZE_BAND_PX, rounds: 3, fine_rounds: 0, ..settings }
}

/// Band that is compared, px of the reduced raster. A scene's power falls steeply with frequency, and what a frame's
/// blur makes of it falls alike: coarse waves hold most of the power and of the mismatch, and tell least of
/// the place. Error at full size, D/r0 2.5, 4.5, 5 (noisy), 8, by band: 1.2 to 8 px 0.0159, 0.0471, 0.0671, 0.1184;
/// 1.2 to 4 px 0.0161, 0.0460, 0.0655, 0.1130; 0.8 to 4 px 0.0158, 0.0452, 0.0642, 0.1118; 0.6 to 4 px 0.0157, 0.0448, 0.0639,
/// 0.1115; 0.6 to 3 px 0.0167, 0.0448, 0.0636, 0.1110; 0.6 to 2.5 px 0.0190, 0.0457, 0.0642, 0.1125.
const FULL_SIZE_BAND_PX: (f32, f32) = (0.6, 4.0);
/// Likewise at half size: 1.2 to 8 px 0.0161, 0.0499, 0.0718, 0.1308; 0.8 to 5.5 px 0.0161, 0.0489, 0.0703, 0.1278; 0.6
/// to 5.5 px 0.0160, 0.0485, 0.0696, 0.1273; 0.6 to 8 px 0.0159, 0.0487, 0.0698, 0.1283.
const HALF_SIZE_BAND_PX: (f32, f32) = (0.6, 5.5);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_weigh_by_their_agreement_where_they_count_and_it_is_known() {
        let cells = CellGrid { cell_px: 16, columns: 3, rows: 2 };
        let mut weights = vec![vec![4.0, 4.0, 0.0, 4.0, 4.0, 4.0], vec![0.0; 6]];
        let agreement = [0.5, f32::NAN, 0.7, 0.0, 1.25, 0.9];
        weigh(&mut weights, &cells, &agreement, (3, 2, 16));
        let of = weight_of;
        assert_eq!(weights, [vec![of(0.5), 4.0, 0.0, of(0.0), of(1.25), of(0.9)], vec![0.0; 6]]);
        assert!(of(0.0) > 0.0 && of(0.0) < 0.1 * of(0.5) && of(0.5) < 0.5 && of(1.0) == 1.0);
        // Cells of the field twice as fine: the one at the middle.
        let mut weights = vec![vec![4.0; 6]];
        let fine: Vec<f32> = (0..24).map(|cell| cell as f32).collect();
        weigh(&mut weights, &cells, &fine, (6, 4, 8));
        assert_eq!(weights[0], [7.0, 9.0, 11.0, 19.0, 21.0, 23.0].map(of));
        // Nothing is known.
        let mut weights = vec![vec![4.0; 6]];
        weigh(&mut weights, &cells, &[], (3, 2, 16));
        weigh(&mut weights, &cells, &[], (0, 0, 16));
        assert_eq!(weights[0], [4.0; 6]);
    }

    #[test]
    fn correcting_undoes_the_ripple_of_the_reference() {
        // The reference shows p at p - e; a frame that equals the reference then lies at -e.
        let mut correction = Field::constant(160, 160, 16, 0.0, 0.0);
        for (k, v) in correction.x_px.iter_mut().enumerate() {
            *v = 1.5 * ((k % 10) as f32 * 0.7).sin();
        }
        let same = Field::constant(160, 160, 16, 0.0, 0.0);
        let out = corrected(&same, &correction);
        for (k, dx) in out.x_px.iter().enumerate() {
            let p = ((k % 10) as f32 + 0.5) * 16.0 - 0.5;
            let x = p + dx;
            let back = x + correction.at(x, ((k / 10) as f32 + 0.5) * 16.0 - 0.5).0;
            assert!((back - p).abs() < 0.02, "{back} {p}");
        }
    }

    #[test]
    fn cells_beside_a_weight_are_wanted_and_far_ones_are_not() {
        let cells = CellGrid { cell_px: 32, columns: 10, rows: 8 };
        let mut weights = vec![0.0; 80];
        weights[4 * 10 + 5] = 1.0;
        let mut blank = vec![false; 80];
        let wanted = wanted_cells(&[weights.clone()], &cells, &blank, (20, 16, 16));
        assert!(wanted[9 * 20 + 11] && wanted[7 * 20 + 9]);
        assert!(!wanted[0] && !wanted[9 * 20 + 19]);
        // A blank cell is wanted where there is no other only.
        (weights[0], blank[0]) = (1.0, true);
        assert_eq!(wanted_cells(&[weights.clone()], &cells, &blank, (20, 16, 16)), wanted);
        weights[4 * 10 + 5] = 0.0;
        let wanted = wanted_cells(&[weights], &cells, &blank, (20, 16, 16));
        assert!(wanted[0] && !wanted[9 * 20 + 11]);
    }
}
