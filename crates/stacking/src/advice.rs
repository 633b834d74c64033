//! How much to keep: where the stack holds the most information.
//!
//! Keeping more frames sinks the noise; keeping blurred and rippled ones spoils what the sharp ones
//! know. The two halves of one stack tell the noise only: smear, which both share, correlates as
//! well as the scene does. So every step of a ladder of keeps is held against the sharpest step, each
//! half against the *other* half there, so that no frame is held against itself. With `r` the
//! correlation of a step's halves, `x` that with the sharpest step's, and `s` that of the sharpest
//! step's own halves, a half of the step holds the share `t = x^2 / s` of truth (`s` is what
//! the sharpest half itself lacks), and the whole step, whose noise is half as strong,
//! `2 t / (1 + r)`. The information sum -n log2(1 - share) over the rings weighs noise against
//! smear: its top is the advice. Each step is laid on the sharpest one first: it is bent a little otherwise, 0.1 px rms,
//! which no stack is the worse for. And the halves are dealt stretches of the capture, for neighbours share their air. The ladder is climbed in one reading: each step's frames are
//! summed by themselves, and the sums added up from the sharpest step on.
//!
//! Only the part of the picture with the most structure is looked at, and every usable frame.

use crate::accumulate::Accumulator;
use crate::align::{Bench, Chosen, Frames, Lay};
use crate::credible::Expected;
use crate::geometry::{laid, lies_on};
use crate::halves::{HalfCorrelation, HalvesSettings, Region, correlate_halves};
use crate::keep::{Ranks, Worth, kept_frames};
use crate::reference::light_noise;
use crate::stack::StackError;
use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, Progress, Stage};
use stillwright_seeing::Survey;
use stillwright_seeing::raster::Raster;
use stillwright_seeing::ripple::Aligner;

/// The steps of the ladder, percent of the usable frames.
const LADDER: [f32; 9] = [4.0, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0, 70.0, 100.0];

/// Side of the part of the picture that is looked at, px at most.
const REGION_PX: usize = 384;

/// Fewer frames than this in a half make its noise a matter of chance: no keep below it is
/// advised.
const FEWEST_FRAMES: usize = 12;

/// Keeps whose information differs by less than this share are equal (the sum's own scatter, some
/// hundreds of 10^5 bits); the smaller one is taken, whose stack is the sharper before any sharpening. Error of the
/// advised keep over the least of all keeps, at most, on sixteen simulated nights: 1.015 at 0.002, 1.05 at 0.01, 1.14 at 0.04.
const TIE: f64 = 0.002;

/// Frames in a row that belong to one half: neighbours show the same air, which would pass for what the halves have in common. Dealt in turn, a
/// calm night is advised 70 %, whose error is 1.06 times that of all frames, which this advises.
const STRETCH: usize = 8;
/// Such stretches of a capture at least; of a short one they are shorter.
const FEWEST_STRETCHES: usize = 30;

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

/// Climb the ladder; also, whether every frame could be read.
///
/// # Errors
/// When cancelled.
pub fn advise(
    bench: &Bench<'_>,
    worth: &Worth<'_>,
    aligner: &Aligner,
    expected: Option<&Expected>,
    offsets: [(f32, f32); 3],
    progress: &dyn Progress,
) -> Result<(KeepAdvice, bool), StackError> {
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
    let ranks = worth.ranks(&ends, progress)?;
    let stretch = (count / FEWEST_STRETCHES).clamp(1, STRETCH);
    let climbing = Climbing { worth, ranks: &ranks, region: &region, stretch };
    let mut sums: Vec<Accumulator> = steps
        .iter()
        .map(|_| Accumulator::over_region(channels, region, worth.cells, offsets))
        .collect();
    let say = (Stage::Advising, progress);
    let on = Lay { by_agreement: true, ..aligner.into() };
    let lost = bench.add_all(&climbing, on, expected, &mut sums, say)?;
    let mut running = Accumulator::over_region(channels, region, worth.cells, offsets);
    let mut ladder = Vec::with_capacity(steps.len());
    let mut witness: Option<Witness> = None;
    for ((percent, _), band) in steps.iter().zip(&sums) {
        progress.advance(Stage::Advising, ladder.len(), steps.len())?;
        running.absorb(band);
        let mut halves = [0, 1].map(|half| {
            let half = running.half(half, None);
            Raster::of_plane(half.plane(channels / 2))
        });
        if let Some(witness) = &witness {
            witness.straighten(&mut halves, light_noise(bench), progress)?;
        }
        let own = correlation(&halves[0], &halves[1]);
        let witness = witness
            .get_or_insert_with(|| Witness { halves: halves.clone(), agreement: own.clone() });
        let information_bits = witness.information(&halves, own).unwrap_or(0.0);
        ladder.push(Rung { percent: *percent, information_bits });
    }
    let percent = choose_rung(&ladder);
    Ok((KeepAdvice { percent, ladder }, lost.is_empty()))
}

/// Every usable frame, with its weights for each step of the ladder.
struct Climbing<'a> {
    worth: &'a Worth<'a>,
    ranks: &'a Ranks<'a>,
    region: &'a Region,
    /// Frames in a row of one half.
    stretch: usize,
}

impl Frames for Climbing<'_> {
    fn count(&self) -> usize {
        self.worth.frames.len()
    }

    fn chosen(&self, number: usize) -> Chosen {
        let index = self.worth.frames[number];
        let bands = self.ranks.bands(index).into_iter();
        let weights = bands.map(|band| within(band, self.worth, self.region)).collect();
        Chosen { index, weights, half: (number / self.stretch) % 2 }
    }
}

/// The smallest keep that holds within [`TIE`] of the most information.
fn choose_rung(ladder: &[Rung]) -> f32 {
    let most = ladder.iter().map(|r| r.information_bits).fold(0.0, f64::max);
    let good = ladder.iter().find(|r| r.information_bits >= (1.0 - TIE) * most);
    good.map_or(100.0, |r| r.percent)
}

/// The sharpest step, which every step is held against.
struct Witness {
    /// Their light, or green.
    halves: [Raster; 2],
    /// How its own halves correlate; `None` where that cannot be told.
    agreement: Option<HalfCorrelation>,
}

impl Witness {
    /// Lay the `halves` of a step on it, both alike; frames have this variance of noise.
    fn straighten(
        &self,
        halves: &mut [Raster; 2],
        frame_noise: f32,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let field = lies_on(&mean(halves), &mean(&self.halves), frame_noise, progress)?;
        for half in halves {
            *half = laid(half, &field, progress)?;
        }
        Ok(())
    }

    /// Bits of truth in the two halves of a step together, whose own correlation is `own`; `None`
    /// where nothing can be told.
    fn information(&self, halves: &[Raster; 2], own: Option<HalfCorrelation>) -> Option<f64> {
        let (own, agreement) = (own?, self.agreement.as_ref()?);
        let first = correlation(&halves[0], &self.halves[1])?;
        let second = correlation(&halves[1], &self.halves[0])?;
        let bits = |k: usize| {
            let s = agreement.frc[k];
            if s < LEAST_AGREEMENT {
                return 0.0;
            }
            let r = own.frc[k].clamp(0.0, 1.0);
            let x = (0.5 * (first.frc[k] + second.frc[k])).max(0.0);
            let truth = (x * x / s).min(r);
            -own.count[k] * (1.0 - (2.0 * truth / (1.0 + r)).min(1.0 - 1e-6)).log2()
        };
        Some((1..own.frc.len()).map(bits).sum())
    }
}

/// Two halves compared; `None` where they are too small.
fn correlation(a: &Raster, b: &Raster) -> Option<HalfCorrelation> {
    let [a, b] = [a, b].map(|r| ArrayView2::from_shape((r.height, r.width), &r.values).ok());
    correlate_halves(a?, b?, &HalvesSettings::default()).ok()
}

fn mean(halves: &[Raster; 2]) -> Raster {
    let mut mean = halves[0].clone();
    mean.values.iter_mut().zip(&halves[1].values).for_each(|(a, b)| *a = 0.5 * (*a + b));
    mean
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
pub(crate) fn within(mut weights: Vec<f32>, worth: &Worth<'_>, region: &Region) -> Vec<f32> {
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
    use stillwright_picture::Silent;
    use stillwright_seeing::raster::{Kernel, smooth};

    fn ladder(bits: &[f64]) -> Vec<Rung> {
        let rungs = LADDER.iter().zip(bits);
        rungs.map(|(percent, bits)| Rung { percent: *percent, information_bits: *bits }).collect()
    }

    #[test]
    fn the_top_is_taken_and_of_equals_the_smaller_keep() {
        assert_eq!(choose_rung(&ladder(&[10.0, 50.0, 80.0, 70.0, 60.0])), 10.0);
        assert_eq!(choose_rung(&ladder(&[10.0, 99.9, 100.0, 99.5, 95.0])), 7.0);
        assert_eq!(choose_rung(&ladder(&[10.0, 97.0, 100.0, 99.5, 95.0])), 10.0);
        assert_eq!(choose_rung(&ladder(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0])), 100.0);
        assert_eq!(choose_rung(&[]), 100.0);
    }

    /// Edges and spots, blurred by `blur_px` and bent by half a px where `bent` is 1.
    fn scene(blur_px: f32, bent: f32) -> Raster {
        let side = 192;
        let value = |i: usize| {
            let (x, y) = ((i % side) as f32, (i / side) as f32);
            let (u, v) = (x + bent * 0.5 * (y / 21.0).sin(), y + bent * 0.5 * (x / 25.0).cos());
            let wave = ((u + 0.3 * v) / 9.0).sin() + 0.6 * (u / 5.3).cos() + 0.5 * (v / 6.1).sin();
            10.0 + (u / 7.3).sin() * (v / 8.9).cos() + if wave > 0.5 { 4.0 } else { 0.0 }
        };
        let drawn =
            Raster { width: side, height: side, values: (0..side * side).map(value).collect() };
        let mut out = Raster::default();
        smooth(&drawn, &Kernel::gaussian(blur_px), &mut Raster::default(), &mut out);
        out
    }

    #[test]
    fn a_bent_step_is_laid_on_the_sharpest_before_it_is_held_against_it() {
        let sharp = scene(0.8, 0.0);
        let witness = Witness { halves: [sharp.clone(), sharp.clone()], agreement: None };
        // Correlation of the finer waves with the sharpest step's.
        let alike = |half: &Raster| {
            let found = correlation(half, &sharp).unwrap();
            let fine = 15..30;
            found.frc[fine.clone()].iter().sum::<f64>() / fine.len() as f64
        };
        for (bent, blur_px) in [(0.0, 1.4), (1.0, 0.8), (1.0, 1.4)] {
            let mut halves = [scene(blur_px, bent), scene(blur_px, bent)];
            let before = alike(&halves[0]);
            witness.straighten(&mut halves, 1e-4, &Silent).unwrap();
            let after = alike(&halves[0]);
            assert_eq!(halves[0], halves[1]);
            // What is straight stays as alike as it is; of what a bend takes nine tenths come back.
            assert!(
                1.0 - after < 0.1 * (1.0 - before) + 0.01,
                "{bent} {blur_px}: {before} {after}"
            );
            assert!(bent == 0.0 || before < 0.95, "{bent} {blur_px}: {before}");
        }
    }
}
