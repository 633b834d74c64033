//! How much single frames differ from one another by what the air made of them.
//!
//! The scene is in every frame alike, so what two half stacks differ by is the camera's noise and the unrest of the
//! air. Of one channel, noise is white but for the resampling, which is known; it is told where next to no light comes
//! through, at the finest frequencies, and taken off at the others. A mosaic's colours are seen by samples of their own, through the same air: what green
//! has in common with red and blue holds no noise. (While it was taken off by the noise model, a mosaic's air was told up to 40 % too small.) What is left over the signal (the
//! excess of the mean of powers over the power of the mean: von der Luehe, J. Opt. Soc. Am. A 1, 510, 1984) has
//! neither scene nor telescope in it, and tells the finish how deep the blur of the stack is (`finish/air.rs`).
//!
//! The halves of the stack itself do not serve: in a fast capture neighbouring frames show the same air, and differ
//! by less than it does. Some of the kept frames are added anew at the capture's scale, in up to 64 lots. What one
//! pair of halves differs by is one draw of the air, however many frames it has; so the lots are put together to halves in as many ways as are
//! independent of each other (rows of a Hadamard matrix, any two of which share half of their signs: textbooks of statistics, from memory), and every half
//! has half of all frames, so that hardly a place is without one.
//!
//! A half of sharper frames shows all of a ring stronger, by a factor. How much r0 swings says little of how deep the blur is, so that factor is fitted ring by ring and left out: what
//! remains is speckle (`unrest/draw.rs`). Frames are dealt to the lots by how sharp they are besides, so that lots of several frames are as sharp; lots of one frame each are not, and
//! there the factor does it alone. While good frames and bad ones fell to different halves and no factor was fitted, their difference passed for unrest, and where r0 swings, all frames kept, the still came out with 5 times the
//! best filter's error (1.6 by dealing).

use crate::accumulate::Accumulator;
use crate::advice::{busiest_region, within};
use crate::align::{Bench, Chosen, Frames, Lay};
use crate::credible::Expected;
use crate::halves::{HalvesError, Region};
use crate::keep::{Ranks, Worth};
use crate::stack::StackError;
use rayon::prelude::*;
use std::sync::{Mutex, PoisonError};
use stillwright_picture::{Progress, Stage};

mod draw;
mod resampling;
use draw::Draw;
use resampling::{around, spline};

/// Lots, if so many frames are kept: of a small region, which has few Fourier coefficients, up to the larger number.
const LOTS: std::ops::RangeInclusive<usize> = 16..=64;
/// Pixels of the region, times the lots, up to which there are more than the smaller number.
const MOST_SAMPLES: usize = 8 << 20;
/// Kept frames of each place that are added at most. More take longer (each frame is aligned once more).
const MOST_FRAMES: usize = 128;
/// Fewest kept frames of each place that tell anything.
const FEWEST: usize = 4;
/// Rings from this share of the finest frequency on hold noise only, or nearly: the telescope passes a few per cent there.
const NOISE_ONLY: f64 = 0.84;

/// Powers over rings of spatial frequency, each times the number of its Fourier coefficients.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Unrest {
    /// Centres of the rings, cycles per px of the capture.
    pub frequency: Vec<f64>,
    /// What all frames have in common.
    pub signal: Vec<f64>,
    /// What the air makes of one frame beside that (of a factor by which frames differ a part: `unrest/draw.rs`); may scatter below 0.
    pub air: Vec<f64>,
    /// Standard error of `air`, by how much the draws of it scatter.
    pub scatter: Vec<f64>,
    /// The camera's noise that was taken off one frame (a mosaic: none).
    pub noise: Vec<f64>,
    /// Whether each colour was added from its own samples of a mosaic, by a tent that softens the stack.
    pub mosaic: bool,
    /// How many frames each place of the stack is made of.
    pub frames_per_place: usize,
}

/// Some of the kept frames, which are added in lots to tell the unrest from.
pub(crate) struct Telling<'a> {
    bench: &'a Bench<'a>,
    dealt: Dealt<'a>,
    expected: Option<&'a Expected>,
    per_place: usize,
    /// One for every two lots.
    sums: Vec<Accumulator>,
}

impl<'a> Telling<'a> {
    /// Choose them among the frames of the first band of `ranks`, of which each place has `per_place`; `None` where these are too few to tell.
    pub fn of(
        bench: &'a Bench<'a>,
        worth: &'a Worth<'a>,
        (ranks, per_place): (&'a Ranks<'a>, usize),
        expected: Option<&'a Expected>,
        offsets: [(f32, f32); 3],
    ) -> Option<Telling<'a>> {
        if per_place < FEWEST {
            return None;
        }
        let format = bench.source.format();
        let channels = format.layout.picture_channels();
        let region = busiest_region(bench.survey, format.width, format.height);
        let count = lots_of(per_place, region.width * region.height);
        let given = Mutex::new(vec![Given::none(worth.cells.len()); count]);
        let mut dealt = Dealt { ranks, worth, region, lots: count, frames: Vec::new(), given };
        let mut worths = Vec::new();
        for index in ranks.used().step_by((per_place / MOST_FRAMES).max(1)) {
            let weights = dealt.weights(index);
            let counted = weights.iter().filter(|w| **w > 0.0).count();
            if counted > 0 {
                worths.push(weights.iter().sum::<f32>() / counted as f32);
                dealt.frames.push((index, 0));
            }
        }
        for (frame, lot) in dealt.frames.iter_mut().zip(lots(&worths, count)) {
            frame.1 = lot;
        }
        let sums = (0..count / 2)
            .map(|_| Accumulator::over_region(channels, region, worth.cells, offsets))
            .collect();
        Some(Telling { bench, dealt, expected, per_place, sums })
    }

    /// How many frames.
    pub fn count(&self) -> usize {
        self.dealt.frames.len()
    }

    /// Lay those of them whose index is `wanted` and add them. Returns how many.
    ///
    /// # Errors
    /// When cancelled.
    pub fn lay(
        &mut self,
        on: Lay<'_>,
        wanted: impl Fn(usize) -> bool,
        say: (Stage, &dyn Progress),
    ) -> Result<usize, StackError> {
        let numbers = (0..self.count()).filter(|k| wanted(self.dealt.frames[*k].0)).collect();
        let some = Part { dealt: &self.dealt, numbers };
        self.bench.add_all(&some, on, self.expected, &mut self.sums, say)?;
        Ok(some.numbers.len())
    }

    /// What the frames that were laid tell; `None` where that is too little.
    ///
    /// # Errors
    /// When cancelled.
    pub fn told(self, progress: &dyn Progress) -> Result<Option<Unrest>, StackError> {
        let Telling { bench, dealt, per_place, sums, .. } = self;
        let given = dealt.given.into_inner().unwrap_or_else(PoisonError::into_inner);
        let layout = bench.source.format().layout;
        let lots: Vec<_> = sums.iter().flat_map(|sum| [(sum, 0), (sum, 1)]).collect();
        let mosaic = layout.is_mosaic();
        let middle = layout.picture_channels() / 2;
        let channels = if mosaic { 0..3 } else { middle..middle + 1 };
        let mean = |channel| (channel, Accumulator::mean_of(lots.iter().copied(), channel, None));
        let wholes: Vec<_> = channels.map(mean).collect();
        let draw = |way: usize| {
            let sides = [0, 1].map(|side| -> Vec<usize> {
                (0..lots.len()).filter(|lot| side_of(way, *lot) == side).collect()
            });
            let of_sides =
                sides.each_ref().map(|side| Given::all(side.iter().map(|lot| &given[*lot])));
            let share = share_of_one(of_sides.each_ref(), &bench.survey.cell_structure)?;
            let halves = wholes.iter().map(|(channel, whole)| {
                sides.each_ref().map(|side| {
                    let lots = side.iter().map(|lot| lots[*lot]);
                    Accumulator::mean_of(lots, *channel, Some(whole))
                })
            });
            match Draw::of(&halves.collect::<Vec<_>>(), share, progress) {
                Ok(draw) => draw.map(Ok),
                Err(HalvesError::Cancelled(cancelled)) => Some(Err(cancelled.into())),
                Err(_) => None,
            }
        };
        let draws = (1..lots.len()).into_par_iter().filter_map(draw);
        let draws = draws.collect::<Result<Vec<_>, StackError>>()?;
        let resampled: Option<fn(f64) -> f64> = if mosaic { None } else { Some(spline) };
        Ok(Unrest::told(&draws, resampled, per_place))
    }
}

impl Unrest {
    /// From what the ways to put the lots together tell; `resampled` is the share of white noise that resampling leaves along one axis, over cycles per px, none
    /// where colours of a mosaic were compared, whose noise is not the same.
    fn told(
        draws: &[Draw],
        resampled: Option<fn(f64) -> f64>,
        frames_per_place: usize,
    ) -> Option<Unrest> {
        let Draw { frequency, count, .. } = draws.first()?;
        let ways = draws.len() as f64;
        let mean = |of: &dyn Fn(&Draw) -> f64| draws.iter().map(of).sum::<f64>() / ways;
        let rings = 0..count.len();
        let all: Vec<f64> = rings.clone().map(|k| mean(&|draw| draw.unlike[k])).collect();
        let noise = match resampled {
            None => vec![0.0; count.len()],
            Some(resampled) => {
                let passed = |k: usize| count[k] * around(frequency[k], resampled);
                let from = NOISE_ONLY * frequency.last()?;
                let fine = rings.clone().filter(|k| frequency[*k] >= from);
                let (found, expected) =
                    fine.fold((0.0, 0.0), |(n, p), k| (n + all[k], p + passed(k)));
                let white = found / expected;
                if !(white.is_finite() && white >= 0.0) {
                    return None;
                }
                rings.clone().map(|k| passed(k) * white).collect()
            }
        };
        let scatter = |k: usize| match draws.len() {
            1 => all[k].abs(),
            _ => (mean(&|draw| (draw.unlike[k] - all[k]).powi(2)) / (ways - 1.0)).sqrt(),
        };
        Some(Unrest {
            frequency: frequency.clone(),
            signal: rings.clone().map(|k| mean(&|draw| draw.signal[k])).collect(),
            air: all.iter().zip(&noise).map(|(all, noise)| all - noise).collect(),
            scatter: rings.map(scatter).collect(),
            noise,
            mosaic: resampled.is_none(),
            frames_per_place,
        })
    }
}

/// How many lots there are where each place keeps so many frames, over a region of so many px: a power of two.
fn lots_of(per_place: usize, region_px: usize) -> usize {
    let fit = (MOST_SAMPLES / region_px.max(1)).clamp(*LOTS.start(), *LOTS.end());
    1 << per_place.clamp(2, fit).ilog2()
}

/// Which half, 0 or 1, a lot belongs to in one of the ways (from 1 on) to put them together: the sign in a row of Hadamard's matrix.
fn side_of(way: usize, lot: usize) -> usize {
    (way & lot).count_ones() as usize % 2
}

/// The lot that each frame is dealt to, best of `worths` first and to and fro, so that all get frames as good.
fn lots(worths: &[f32], count: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..worths.len()).collect();
    order.sort_by(|a, b| worths[*b].total_cmp(&worths[*a]).then(a.cmp(b)));
    let mut lots = vec![0; worths.len()];
    for (rank, number) in order.into_iter().enumerate() {
        let (round, place) = (rank / count, rank % count);
        lots[number] = if round % 2 == 0 { place } else { count - 1 - place };
    }
    lots
}

/// Frames dealt to lots.
struct Dealt<'a> {
    ranks: &'a Ranks<'a>,
    worth: &'a Worth<'a>,
    region: Region,
    lots: usize,
    /// Their indices, and the lot that each belongs to.
    frames: Vec<(usize, usize)>,
    /// What each lot was given.
    given: Mutex<Vec<Given>>,
}

impl Dealt<'_> {
    fn weights(&self, index: usize) -> Vec<f32> {
        within(self.ranks.weights(index), self.worth, &self.region)
    }
}

/// Some of the frames dealt.
struct Part<'a> {
    dealt: &'a Dealt<'a>,
    numbers: Vec<usize>,
}

impl Frames for Part<'_> {
    fn count(&self) -> usize {
        self.numbers.len()
    }

    fn chosen(&self, number: usize) -> Chosen {
        let dealt = self.dealt;
        let (index, lot) = dealt.frames[self.numbers[number]];
        let mut weights = vec![vec![0.0; dealt.worth.cells.len()]; dealt.lots / 2];
        weights[lot / 2] = dealt.weights(index);
        Chosen { index, weights, half: lot % 2 }
    }

    fn weighed(&self, weights: &[Vec<f32>], half: usize) {
        let mut given = self.dealt.given.lock().unwrap_or_else(PoisonError::into_inner);
        for (two, weights) in given.chunks_exact_mut(2).zip(weights) {
            two[half].add(weights);
        }
    }
}

/// What each cell was given: the sum of the weights, and that of their squares.
#[derive(Clone)]
struct Given(Vec<(f64, f64)>);

impl Given {
    fn none(cells: usize) -> Given {
        Given(vec![(0.0, 0.0); cells])
    }

    fn add(&mut self, weights: &[f32]) {
        for (given, w) in self.0.iter_mut().zip(weights) {
            let w = f64::from(*w);
            *given = (given.0 + w, given.1 + w * w);
        }
    }

    /// What several were given together.
    fn all<'a>(mut several: impl Iterator<Item = &'a Given>) -> Given {
        let mut all = several.next().map_or_else(|| Given(Vec::new()), Given::clone);
        for one in several {
            all.0.iter_mut().zip(&one.0).for_each(|(a, b)| *a = (a.0 + b.0, a.1 + b.1));
        }
        all
    }
}

/// The power of half the difference of two `halves` over that of one frame: a quarter of the sum of 1 / frames of either,
/// frames of unlike weight counted as so many alike ones, over all cells by their `structure`.
fn share_of_one(halves: [&Given; 2], structure: &[f32]) -> Option<f64> {
    let (mut sum, mut weight) = (0.0, 0.0);
    for ((a, b), structure) in halves[0].0.iter().zip(&halves[1].0).zip(structure) {
        let (halves, structure) = ([a, b], f64::from(*structure));
        if structure > 0.0 && halves.iter().all(|(w, _)| *w > 0.0) {
            let one: f64 = halves.iter().map(|(w, squares)| squares / (w * w)).sum();
            sum += structure * 0.25 * one;
            weight += structure;
        }
    }
    (weight > 0.0).then(|| sum / weight)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use stillwright_picture::Silent;
    use stillwright_seeing::raster::{Kernel, Raster, smooth};

    const SIDE: usize = 160;

    /// White noise, normal by the sum of twelve.
    fn white(state: &mut u64) -> Raster {
        let mut draw = || {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (*state >> 40) as f32 / (1_u64 << 24) as f32
        };
        let mut normal = || (0..12).map(|_| draw()).sum::<f32>() - 6.0;
        let values = (0..SIDE * SIDE).map(|_| normal()).collect();
        Raster { width: SIDE, height: SIDE, values }
    }

    fn draw(a: Array2<f32>, b: Array2<f32>, share: f64) -> Draw {
        Draw::of(&[[a, b]], share, &Silent).unwrap().unwrap()
    }

    fn soft(state: &mut u64) -> Array2<f32> {
        let (mut out, source) = (Raster::zeros(SIDE, SIDE), white(state));
        smooth(&source, &Kernel::gaussian(1.2), &mut Raster::default(), &mut out);
        Array2::from_shape_vec((SIDE, SIDE), out.values).unwrap()
    }

    #[test]
    fn what_the_air_adds_is_told_from_scene_and_noise() {
        let mut state = 3;
        let scene = soft(&mut state) * 3.0;
        for (air, sigma) in [(0.0, 0.1), (0.5, 0.0), (0.5, 0.1), (1.5, 0.3)] {
            let frames = 12;
            let mut half = || {
                let mut sum = Array2::<f32>::zeros((SIDE, SIDE));
                for _ in 0..frames / 2 {
                    let noise = Array2::from_shape_vec((SIDE, SIDE), white(&mut state).values);
                    sum = sum + &scene + soft(&mut state) * air + noise.unwrap() * sigma;
                }
                sum / (frames / 2) as f32
            };
            let draw = draw(half(), half(), 1.0 / frames as f64);
            let count = draw.count[5];
            let told = Unrest::told(&[draw], Some(|_| 1.0), 12).unwrap();
            let sum = |of: &[f64]| {
                let inside =
                    told.frequency.iter().zip(of).filter(|(f, _)| (0.03..0.2).contains(*f));
                inside.map(|(_, v)| v).sum::<f64>()
            };
            let ratio = sum(&told.air) / sum(&told.signal);
            let expected = f64::from(air * air) / 9.0;
            assert!((ratio - expected).abs() < 0.06 * expected + 1e-3, "{ratio}, {expected}");
            let noise = told.noise[5] / count;
            let expected = f64::from(sigma * sigma);
            assert!((noise - expected).abs() < 0.05 * expected + 1e-4, "{noise}, {expected}");
        }
    }

    #[test]
    fn halves_of_different_ways_are_independent() {
        let small = [2, 4, 5, 8, 15, 16, 17, 900].map(|frames| lots_of(frames, 40_000));
        assert_eq!(small, [2, 4, 4, 8, 8, 16, 16, 64]);
        assert_eq!(
            [131_072, 262_144, 262_145, 1 << 40, 0].map(|px| lots_of(900, px)),
            [64, 32, 16, 16, 64]
        );
        for count in [4, 8, 16, 32, 64] {
            for way in 1..count {
                let second: usize = (0..count).map(|lot| side_of(way, lot)).sum();
                assert_eq!(second, count / 2, "{count} lots, {way}");
                for other in 1..way {
                    let alike =
                        (0..count).filter(|k| side_of(way, *k) == side_of(other, *k)).count();
                    assert_eq!(alike, count / 2, "{count} lots, {way} and {other}");
                }
            }
        }
    }

    #[test]
    fn several_pairs_scatter_less_than_one() {
        let mut state = 9;
        let scene = soft(&mut state) * 3.0;
        let mut half = || &scene + &soft(&mut state);
        let mut ratio = |pairs: usize| {
            let draws: Vec<_> = (0..pairs).map(|_| draw(half(), half(), 0.5)).collect();
            let told = Unrest::told(&draws, None, 12).unwrap();
            // Rings with few coefficients, as a disc has few patches of air.
            let sum = |of: &[f64]| of[8..12].iter().sum::<f64>();
            sum(&told.air) / sum(&told.signal)
        };
        let mut scatter = |pairs: usize| {
            let told: Vec<f64> = (0..12).map(|_| ratio(pairs)).collect();
            let mean = told.iter().sum::<f64>() / 12.0;
            assert!((mean * 9.0 - 1.0).abs() < 0.25, "{mean}");
            told.iter().map(|r| (r / mean - 1.0).powi(2)).sum::<f64>()
        };
        let (one, six) = (scatter(1), scatter(6));
        assert!(six < 0.6 * one, "{six} {one}");
    }

    #[test]
    fn all_halves_get_frames_as_good_where_lots_have_several() {
        // Grades that fall and rise over the capture, as when the air's strength swings.
        let worths: Vec<f32> = (0..96).map(|k| 1.0 + 0.9 * (k as f32 * 0.13).sin()).collect();
        for count in [4, 8, 16] {
            let lots = lots(&worths, count);
            assert!((0..count).all(|lot| lots.iter().filter(|l| **l == lot).count() == 96 / count));
            for way in 1..count {
                let mean = |side: usize| {
                    let inside =
                        lots.iter().zip(&worths).filter(|(l, _)| side_of(way, **l) == side);
                    inside.map(|(_, worth)| worth / 48.0).sum::<f32>()
                };
                // Dealt by turns, two halves differ by 0.9.
                let apart = (mean(0) - mean(1)).abs();
                assert!(apart < 0.02, "{count} lots, {way}: {apart}");
            }
        }
        assert!(lots(&[], 8).is_empty());
    }

    #[test]
    fn frames_of_unlike_weight_count_as_fewer() {
        let given = |frames: &[[f32; 2]]| {
            let mut given = Given::none(2);
            frames.iter().for_each(|weights| given.add(weights));
            given
        };
        let (alike, other) = (given(&[[1.0, 0.0], [1.0, 0.0]]), given(&[[2.0, 1.0]]));
        // The second cell has no frame in one half, and says nothing.
        let share = share_of_one([&alike, &other], &[1.0, 5.0]).unwrap();
        assert!((share - 0.25 * (0.5 + 1.0)).abs() < 1e-12);
        let unlike = given(&[[1.0, 0.0], [3.0, 0.0]]);
        let share = share_of_one([&unlike, &other], &[1.0, 5.0]).unwrap();
        assert!((share - 0.25 * (10.0 / 16.0 + 1.0)).abs() < 1e-12);
        assert_eq!(share_of_one([&alike, &Given::none(2)], &[1.0, 5.0]), None);
        assert_eq!(share_of_one([&given(&[]), &given(&[])], &[1.0, 5.0]), None);
        assert_eq!(share_of_one([&alike, &other], &[0.0, 0.0]), None);
    }
}
