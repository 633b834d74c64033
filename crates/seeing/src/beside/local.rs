//! Places matched one by one, and the mapping on which most of them agree.

use super::homography::{Homography, Mapping};
use super::lay::{Laid, lay};
use crate::band::BandPass;
use crate::raster::{Kernel, Raster, smooth};
use rayon::prelude::*;

/// Side of a place that is matched by itself, px of the level. Smaller, and chance matches win;
/// larger, and there are too few to tell a wrong one.
const SIDE: usize = 33;
/// From place to place, px.
const SPACING: usize = 20;
/// Least correlation of a place that counts.
const LEAST: f32 = 0.35;
/// Places that lie farther than this from where the others put them are wrong, px of the level.
const OUTLIER_PX: f64 = 1.6;

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Feature {
    /// The band-passed picture: light and shadow on the same side.
    Signed,
    /// How strong detail is, whichever side is lit: for light from the other side.
    Strength,
}

/// Band-passed and of even contrast, so that deep shadows do not outweigh everything.
pub(super) fn feature(source: &Raster, kind: Feature) -> Raster {
    let mut band = Raster::default();
    BandPass::new(1.2, 6.0).apply(source, &mut band);
    let (width, height) = (band.width, band.height);
    let mut square = band.clone();
    square.values.iter_mut().for_each(|v| *v *= *v);
    let (mut work, mut local) = (Raster::default(), Raster::zeros(width, height));
    let wide = if kind == Feature::Signed { 12.0 } else { 3.0 };
    smooth(&square, &Kernel::gaussian(wide), &mut work, &mut local);
    let mean = square.mean().max(f32::MIN_POSITIVE);
    if kind == Feature::Signed {
        for (v, l) in band.values.iter_mut().zip(&local.values) {
            *v = (*v / (l.max(0.0) + 0.02 * mean).sqrt()).clamp(-3.0, 3.0);
        }
        return band;
    }
    local.values.iter_mut().for_each(|v| *v = (v.max(0.0) + 0.02 * mean).ln());
    let mut out = Raster::default();
    BandPass::new(1.0, 10.0).apply(&local, &mut out);
    out
}

/// The reference laid on a grid, as a feature.
pub(super) fn laid_feature(
    reference: &Raster,
    reference_from_grid: &Homography,
    (width, height): (usize, usize),
    kind: Feature,
) -> Laid {
    let mut laid = lay(reference, reference_from_grid, width, height);
    laid.raster = feature(&laid.filled(), kind);
    laid
}

/// Correlation of two features where both are, with the share of the grid that is.
pub(super) fn correlation(still: &Raster, laid: &Laid) -> (f32, f32) {
    let (mut ab, mut aa, mut bb, mut n) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64);
    for ((a, b), inside) in still.values.iter().zip(&laid.raster.values).zip(&laid.inside) {
        if *inside {
            let (a, b) = (f64::from(*a), f64::from(*b));
            (ab, aa, bb, n) = (ab + a * b, aa + a * a, bb + b * b, n + 1.0);
        }
    }
    let share = n / still.values.len().max(1) as f64;
    ((ab / (aa * bb).sqrt().max(1e-12)) as f32, share as f32)
}

/// A mapping that places agree on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Agreed {
    /// From the still's full grid into the reference.
    pub reference_from_still: Homography,
    /// Rms distance of the places that agree, px of the still.
    pub rms_px: f64,
    /// How many agree.
    pub agree: usize,
    /// How many were matched.
    pub tried: usize,
    /// Mean correlation of those that agree.
    pub correlation: f32,
}

/// One still level: full pixels per level pixel, and its feature.
pub(super) struct Level {
    pub factor: usize,
    pub feature: Raster,
}

impl Level {
    /// Level px to full px.
    pub fn full_from_level(&self) -> Homography {
        let f = self.factor as f64;
        Homography([[f, 0.0, 0.5 * f - 0.5], [0.0, f, 0.5 * f - 0.5], [0.0, 0.0, 1.0]])
    }
}

/// Match places within `reach` px of where `guess` puts them, and fit what most agree on.
pub(super) fn agree(
    level: &Level,
    reference: &Raster,
    guess: &Homography,
    reach: usize,
    kind: Feature,
) -> Option<Agreed> {
    let grid = level.full_from_level().then(guess);
    let still = &level.feature;
    let (width, height) = (still.width, still.height);
    let laid = laid_feature(reference, &grid, (width, height), kind);
    let border = SIDE / 2 + reach;
    if width <= 2 * border || height <= 2 * border {
        return None;
    }
    let spots: Vec<(usize, usize)> = (border..height - border)
        .step_by(SPACING)
        .flat_map(|y| (border..width - border).step_by(SPACING).map(move |x| (x, y)))
        .collect();
    let found: Vec<([f64; 2], [f64; 2], f32)> =
        spots.par_iter().filter_map(|spot| place(still, &laid, *spot, reach)).collect();
    let pairs: Vec<[[f64; 2]; 2]> = found.iter().map(|(at, to, _)| [*at, *to]).collect();
    let (correction, weights) = consensus(&pairs)?;
    let kept: Vec<usize> = (0..pairs.len()).filter(|i| weights[*i] > 0.0).collect();
    let squares: f64 = kept.iter().map(|i| correction.miss(&pairs[*i]).powi(2)).sum();
    let up = level.full_from_level();
    let reference_from_still = up.inverse()?.then(&correction).then(&grid);
    Some(Agreed {
        reference_from_still,
        rms_px: (squares / kept.len() as f64).sqrt() * level.factor as f64,
        agree: kept.len(),
        tried: pairs.len(),
        correlation: kept.iter().map(|i| found[*i].2).sum::<f32>() / kept.len() as f32,
    })
}

/// Where the ground around `spot` of the still is found in the laid reference.
fn place(
    still: &Raster,
    laid: &Laid,
    (x, y): (usize, usize),
    reach: usize,
) -> Option<([f64; 2], [f64; 2], f32)> {
    let half = SIDE / 2;
    let corner_inside =
        [(x - half - reach, y - half - reach), (x + half + reach, y + half + reach)]
            .into_iter()
            .flat_map(|(a, _)| [a].into_iter())
            .all(|a| laid.inside[y * still.width + a]);
    let vertical =
        [y - half - reach, y + half + reach].into_iter().all(|b| laid.inside[b * still.width + x]);
    if !(corner_inside && vertical) {
        return None;
    }
    let n = (SIDE * SIDE) as f32;
    let rows = |cx: usize, cy: usize, from: &Raster| -> (f32, f32) {
        let (mut sum, mut square) = (0.0_f32, 0.0_f32);
        for v in cy - half..=cy + half {
            for value in &from.row(v)[cx - half..=cx + half] {
                sum += value;
                square += value * value;
            }
        }
        (sum, square)
    };
    let (sum, square) = rows(x, y, still);
    let own = square - sum * sum / n;
    if own <= 1e-6 * n {
        return None;
    }
    let side = 2 * reach + 1;
    let mut scores = vec![-1.0_f32; side * side];
    for dy in 0..side {
        for dx in 0..side {
            let (cx, cy) = (x + dx - reach, y + dy - reach);
            let mut cross = 0.0_f32;
            for v in 0..SIDE {
                let a = &still.row(y + v - half)[x - half..=x + half];
                let b = &laid.raster.row(cy + v - half)[cx - half..=cx + half];
                cross += a.iter().zip(b).map(|(a, b)| a * b).sum::<f32>();
            }
            let (other, other_square) = rows(cx, cy, &laid.raster);
            let there = other_square - other * other / n;
            if there > 1e-6 * n {
                scores[dy * side + dx] = (cross - sum * other / n) / (own * there).sqrt();
            }
        }
    }
    let best = (0..scores.len()).max_by(|a, b| scores[*a].total_cmp(&scores[*b]))?;
    let (bx, by) = (best % side, best / side);
    let top = scores[best];
    // A best place at the edge of the search lies beyond it.
    if top < LEAST || bx == 0 || by == 0 || bx + 1 == side || by + 1 == side {
        return None;
    }
    let peak = |before: f32, after: f32| {
        let bend = before - 2.0 * top + after;
        if bend < -1e-6 { f64::from((0.5 * (before - after) / bend).clamp(-0.5, 0.5)) } else { 0.0 }
    };
    let dx = bx as f64 - reach as f64 + peak(scores[best - 1], scores[best + 1]);
    let dy = by as f64 - reach as f64 + peak(scores[best - side], scores[best + side]);
    Some(([x as f64, y as f64], [x as f64 + dx, y as f64 + dy], top))
}

/// Fewest places that may agree by themselves.
const FEWEST: usize = 8;

/// The mapping on which most pairs agree, with weights of 0 for the others: the best of many triples
/// first, drawn in a fixed order, then least squares with Tukey's weights.
fn consensus(pairs: &[[[f64; 2]; 2]]) -> Option<(Homography, Vec<f64>)> {
    if pairs.len() < FEWEST {
        return None;
    }
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut draw = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % pairs.len()
    };
    let mut best: Option<(usize, Homography)> = None;
    for _ in 0..400 {
        let three = [draw(), draw(), draw()];
        let Some(map) = Homography::affine_of(&three.map(|i| pairs[i]), &[1.0; 3]) else {
            continue;
        };
        // The grid is already about right: what turns or stretches it much is chance.
        let scale = map.scale_at(pairs[three[0]][0]);
        if !(0.7..1.4).contains(&scale) {
            continue;
        }
        let count = pairs.iter().filter(|pair| map.miss(pair) < 1.5 * OUTLIER_PX).count();
        if best.as_ref().is_none_or(|(most, _)| count > *most) {
            best = Some((count, map));
        }
    }
    let (_, mut map) = best?;
    let mut weights = vec![0.0; pairs.len()];
    for round in 0..8 {
        let cut = if round < 3 { 1.5 * OUTLIER_PX } else { OUTLIER_PX };
        for (weight, pair) in weights.iter_mut().zip(pairs) {
            let share = map.miss(pair) / cut;
            *weight = if share < 1.0 { (1.0 - share * share).powi(2) } else { 0.0 };
        }
        let used = weights.iter().filter(|w| **w > 0.0).count();
        if used < FEWEST {
            return None;
        }
        // Eight unknowns from few places would follow their errors.
        map = if round < 3 || used < 3 * FEWEST {
            Homography::affine_of(pairs, &weights)?
        } else {
            Homography::of_weighted(pairs, &weights)?
        };
    }
    Some((map, weights))
}
