//! How much to keep: where the stack holds the most information.
//!
//! Keeping more frames sinks the noise; keeping blurred and rippled ones spoils what the sharp ones
//! know. The two halves of one stack tell the noise only: smear, which both share, correlates as
//! well as the scene does. So every step of a ladder of keeps is held against the sharpest step, each
//! half against the *other* half there, so that no frame is held against itself. With `r` the
//! correlation of a step's halves, `x` that with the sharpest step's, and `s` that of the sharpest
//! step's own halves, a half of the step holds the share `t = x^2 / s` of truth (`s` is what
//! the sharpest half itself lacks), and the whole step, whose noise is half as strong,
//! `2 t / (1 + r)`. The information sum -n log2(1 - share) over the rings is one measure; the error
//! to expect, the power of the scene that the share leaves out, is the other: on a disc, whose power lies in its coarse rings, the
//! least error has fewer frames than the most information. The smallest keep that is as good as any by one of them is advised. The ladder is climbed in one reading: each step's frames are
//! summed by themselves, and the sums added up from the sharpest step on.
//!
//! Only the part of the picture with the most structure is looked at, and every usable frame.

use crate::accumulate::Accumulator;
use crate::align::{Bench, Chosen};
use crate::credible::Expected;
use crate::halves::{HalfCorrelation, HalvesSettings, Region, correlate_halves};
use crate::keep::{Worth, kept_frames};
use crate::stack::StackError;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Picture, Progress, Stage};
use stillwright_seeing::Survey;
use stillwright_seeing::ripple::Aligner;

/// The steps of the ladder, percent of the usable frames.
const LADDER: [f32; 9] = [4.0, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0, 70.0, 100.0];

/// Side of the part of the picture that is looked at, px at most.
const REGION_PX: usize = 384;

/// Fewer frames than this in a half make its noise a matter of chance: no keep below it is
/// advised.
const FEWEST_FRAMES: usize = 12;

/// Keeps whose information, or whose error to expect, differs from the best by less than this share are equal; the smaller one is
/// taken, whose stack is the sharper before any sharpening. The sharpest step shares some of the smear, so both
/// curves are flatter than the truth. True error of the advised keep over the least of all keeps, on twelve simulated nights: by
/// information 1.00 to 1.02 on grounds, 1.05 to 1.09 on discs; by the error to expect 1.06 on one calm ground; by the smaller 1.00 to 1.03, but
/// for one disc (mono, 7 % best, 22 % advised: 1.09).
const TIE: f64 = 0.04;

/// The blur that is undone before rings are weighed by their power: `-ln` of its transfer at fine frequencies, and
/// the frequency up to which most of it lies, cycles per px. Depths of 0 and 2 advise the same within one step.
const USUAL_DEPTH: f64 = 1.0;
const USUAL_REACH_CYCLES_PER_PX: f64 = 0.1;

/// Rings in which the sharpest step's halves agree less than this say nothing about smear.
const LEAST_AGREEMENT: f64 = 0.15;

/// One step of the ladder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rung {
    /// Keep, percent of the usable frames.
    pub percent: f32,
    /// Information in the part looked at, bits.
    pub information_bits: f64,
}

/// The keep to take, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KeepAdvice {
    /// The advised keep, percent.
    pub percent: f32,
    /// The whole ladder, from few to all.
    pub ladder: Vec<Rung>,
}

/// Climb the ladder.
///
/// # Errors
/// When cancelled.
pub fn advise(
    bench: &Bench<'_>,
    worth: &Worth,
    aligner: &Aligner,
    expected: Option<&Expected>,
    offsets: [(f32, f32); 3],
    progress: &dyn Progress,
) -> Result<KeepAdvice, StackError> {
    let format = bench.source.format();
    let channels = format.layout.picture_channels();
    let region = busiest_region(bench.survey, format.width, format.height);
    let count = worth.frames.len();
    let steps: Vec<(f32, usize)> = LADDER
        .iter()
        .map(|percent| (*percent, kept_frames(count, *percent)))
        .filter(|(percent, kept)| *kept >= 2 * FEWEST_FRAMES || *percent == 100.0)
        .collect();
    let ends: Vec<usize> = steps.iter().map(|(_, kept)| *kept).collect();
    let bands: Vec<Vec<f32>> =
        worth.bands(&ends).into_iter().map(|band| within(band, worth, &region)).collect();
    let n = worth.cells.len();
    let chosen: Vec<Chosen> = worth
        .frames
        .iter()
        .enumerate()
        .map(|(f, index)| Chosen {
            index: *index,
            weights: bands.iter().map(|band| band[f * n..(f + 1) * n].to_vec()).collect(),
            half: f % 2,
        })
        .collect();
    let mut sums: Vec<Accumulator> = steps
        .iter()
        .map(|_| Accumulator::over_region(channels, region, worth.cells, offsets))
        .collect();
    let say = (Stage::Advising, progress);
    bench.add_all(&chosen, aligner, None, expected, &mut sums, say)?;
    let mut running = Accumulator::over_region(channels, region, worth.cells, offsets);
    let mut ladder = Vec::with_capacity(steps.len());
    let mut witness: Option<Witness> = None;
    for ((percent, _), band) in steps.iter().zip(&sums) {
        progress.advance(Stage::Advising, ladder.len(), steps.len())?;
        running.absorb(band);
        let halves = [running.half(0, None), running.half(1, None)];
        let own = correlation(&halves[0], &halves[1]);
        let witness = witness
            .get_or_insert_with(|| Witness { halves: halves.clone(), agreement: own.clone() });
        let told = witness.told(&halves, own).unwrap_or(Told { information_bits: 0.0, error: 1.0 });
        let rung = Rung { percent: *percent, information_bits: told.information_bits };
        ladder.push((rung, told.error));
    }
    let percent = choose_rung(&ladder);
    let ladder = ladder.into_iter().map(|(rung, _)| rung).collect();
    Ok(KeepAdvice { percent, ladder })
}

/// The smallest keep that holds within [`TIE`] of the most information, or of the least error to expect.
fn choose_rung(ladder: &[(Rung, f64)]) -> f32 {
    let most = ladder.iter().map(|(rung, _)| rung.information_bits).fold(0.0, f64::max);
    let least = ladder.iter().map(|(_, error)| *error).fold(f64::INFINITY, f64::min);
    let good = ladder.iter().find(|(rung, error)| {
        rung.information_bits >= (1.0 - TIE) * most || *error <= (1.0 + TIE) * least
    });
    good.map_or(100.0, |(rung, _)| rung.percent)
}

/// What one step holds of the truth.
#[derive(Clone, Copy)]
struct Told {
    information_bits: f64,
    /// Error to expect, as a share of the scene's contrast.
    error: f64,
}

/// The sharpest step, which every step is held against.
struct Witness {
    halves: [Picture; 2],
    /// How its own halves correlate; `None` where that cannot be told.
    agreement: Option<HalfCorrelation>,
}

impl Witness {
    /// What the two halves of a step together hold of the truth, whose own correlation is `own`; `None`
    /// where nothing can be told.
    fn told(&self, halves: &[Picture; 2], own: Option<HalfCorrelation>) -> Option<Told> {
        let (own, agreement) = (own?, self.agreement.as_ref()?);
        let first = correlation(&halves[0], &self.halves[1])?;
        let second = correlation(&halves[1], &self.halves[0])?;
        let share = |k: usize| {
            let s = agreement.frc[k];
            if s < LEAST_AGREEMENT {
                return 0.0;
            }
            let r = own.frc[k].clamp(0.0, 1.0);
            let x = (0.5 * (first.frc[k] + second.frc[k])).max(0.0);
            let truth = (x * x / s).min(r);
            (2.0 * truth / (1.0 + r)).min(1.0 - 1e-6)
        };
        let (mut information_bits, mut missing, mut all) = (0.0, 0.0, 0.0);
        for k in 1..own.frc.len() {
            let share = share(k);
            information_bits -= own.count[k] * (1.0 - share).log2();
            let passed = -(own.frequency[k] / USUAL_REACH_CYCLES_PER_PX).powf(1.5);
            let undone = (2.0 * USUAL_DEPTH * (1.0 - passed.exp())).exp();
            let power = own.count[k] * agreement.signal_power[k].max(0.0) * undone;
            missing += power * (1.0 - share);
            all += power;
        }
        let error = if all > 0.0 { (missing / all).sqrt() } else { 1.0 };
        Some(Told { information_bits, error })
    }
}

/// Two halves compared in the light, or in green; `None` where they are too small.
fn correlation(a: &Picture, b: &Picture) -> Option<HalfCorrelation> {
    let channel = a.channels() / 2;
    correlate_halves(a.plane(channel), b.plane(channel), &HalvesSettings::default()).ok()
}

/// The part with the most structure, at most [`REGION_PX`] a side, a tenth of the picture away
/// from the edges that drift bares where the picture is large enough.
pub(crate) fn busiest_region(survey: &Survey, width: usize, height: usize) -> Region {
    let cells = survey.cells;
    let side = |n: usize| n.min(REGION_PX);
    let (w, h) = (side(width), side(height));
    let (across, down) = (w.div_ceil(cells.cell_px), h.div_ceil(cells.cell_px));
    let mut best = (f32::MIN, 0, 0);
    for j in 0..=cells.rows.saturating_sub(down) {
        for i in 0..=cells.columns.saturating_sub(across) {
            let mut sum = 0.0;
            for row in j..(j + down).min(cells.rows) {
                let line = &survey.cell_structure[row * cells.columns..(row + 1) * cells.columns];
                sum += line[i..(i + across).min(cells.columns)].iter().sum::<f32>();
            }
            if sum > best.0 {
                best = (sum, i, j);
            }
        }
    }
    let left = (best.1 * cells.cell_px).min(width - w);
    let top = (best.2 * cells.cell_px).min(height - h);
    Region { left, top, width: w, height: h }
}

/// Weights of the cells that touch `region`; 0 elsewhere.
pub(crate) fn within(mut weights: Vec<f32>, worth: &Worth, region: &Region) -> Vec<f32> {
    let cells = worth.cells;
    let touches = |at: usize, first: usize, len: usize| {
        (at + 2) * cells.cell_px > first && at * cells.cell_px < first + len + cells.cell_px
    };
    for frame in weights.chunks_exact_mut(cells.len()) {
        for (cell, w) in frame.iter_mut().enumerate() {
            let (i, j) = (cell % cells.columns, cell / cells.columns);
            let inside =
                touches(i, region.left, region.width) && touches(j, region.top, region.height);
            if !inside {
                *w = 0.0;
            }
        }
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder(told: &[(f64, f64)]) -> Vec<(Rung, f64)> {
        let rungs = LADDER.iter().zip(told);
        rungs
            .map(|(percent, (bits, error))| {
                (Rung { percent: *percent, information_bits: *bits }, *error)
            })
            .collect()
    }

    #[test]
    fn the_smaller_of_what_both_measures_ask_for_is_taken() {
        let bits = [(10.0, 0.9), (50.0, 0.9), (97.0, 0.5), (100.0, 0.2), (60.0, 0.1)];
        assert_eq!(choose_rung(&ladder(&bits)), 10.0);
        let error = [(10.0, 0.9), (50.0, 0.103), (80.0, 0.1), (90.0, 0.101), (100.0, 0.2)];
        assert_eq!(choose_rung(&ladder(&error)), 7.0);
        let falling: Vec<(f64, f64)> =
            (1..10).map(|k| (f64::from(k), 10.0 - f64::from(k))).collect();
        assert_eq!(choose_rung(&ladder(&falling)), 100.0);
        assert_eq!(choose_rung(&[]), 100.0);
    }

    #[test]
    fn coarse_rings_count_by_their_power() {
        // A scene of two waves, one coarse and strong, one fine and weak. The second step's halves have lost some of
        // the coarse wave (smear) and less noise: more information, but more error.
        let side = 96;
        let picture = |coarse: f32, noise: f32, seed: u32| {
            let mut state = seed;
            let mut out = Picture::black(1, side, side);
            for ((_, y, x), v) in out.planes.indexed_iter_mut() {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let white = (state >> 8) as f32 / (1 << 24) as f32 - 0.5;
                let (x, y) = (x as f32, y as f32);
                let strong = (0.26 * x).sin() * (0.21 * y).cos();
                // What is smeared lies elsewhere.
                let smeared = (0.26 * x + 1.2).sin() * (0.21 * y + 0.9).cos();
                let fine = 0.02 * (1.9 * x).sin() * (1.7 * y).cos();
                *v = 0.5 + coarse * strong + (1.0 - coarse) * smeared + fine + noise * white;
            }
            out
        };
        let told = |sharp: [Picture; 2], step: [Picture; 2]| {
            let agreement = correlation(&sharp[0], &sharp[1]);
            let own = correlation(&step[0], &step[1]);
            Witness { halves: sharp, agreement }.told(&step, own).unwrap()
        };
        let sharp = [picture(1.0, 0.05, 1), picture(1.0, 0.05, 2)];
        let few = told(sharp.clone(), sharp.clone());
        let many = told(sharp, [picture(0.8, 0.005, 3), picture(0.8, 0.005, 4)]);
        assert!(many.information_bits > few.information_bits);
        assert!(many.error > few.error, "{} {}", many.error, few.error);
    }
}
