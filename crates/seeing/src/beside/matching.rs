//! Where a reference picture shows the ground of the still: found by the pictures themselves.
//!
//! First at a small size: the still, band-passed and of even contrast, is looked for in the reference at
//! every scale and turn by correlation. The best few finds are then followed to finer levels, where
//! places are matched one by one and a projective mapping is fitted on which most of them agree; chance
//! finds have no places that do.

use super::homography::{Homography, Mapping};
use super::lay::lay;
use super::local::{Agreed, Feature, Level, agree, correlation, feature, laid_feature};
use crate::fourier::{Fourier, FourierWork};
use crate::raster::{Raster, reduce};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use stillwright_picture::{Cancelled, Progress, Stage};

/// Longest side of the still in the first search, px. Larger costs its square; smaller loses what
/// turns and scales are told by.
const COARSE_PX: usize = 112;
/// Longest side of the still at the finest level: beyond, places are told well enough.
const FINEST_PX: usize = 1600;
/// Step from scale to scale, and from turn to turn.
const SCALE_STEP: f64 = 1.08;
const TURN_STEP_DEG: f64 = 6.0;
/// The reference may show this much less or more ground than the still, in length.
const LEAST_GROUND: f64 = 0.4;
const MOST_GROUND: f64 = 4.0;
/// Looked at first: up to so much less or more ground.
const NEAR_GROUND: f64 = 1.8;
/// Finds that are followed.
const FOLLOWED: usize = 10;
/// Share of matched places that must agree.
const LEAST_AGREE: f64 = 0.3;

/// How the reference was matched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match {
    /// Carries positions of the still into the reference.
    pub reference_from_still: Homography,
    /// Rms distance of the places that agree from where the mapping puts them, px of the still.
    pub rms_px: f64,
    /// Places that agree.
    pub agree: usize,
    /// Places that were matched.
    pub tried: usize,
    /// Mean correlation of the places that agree, 0 to 1.
    pub correlation: f32,
}

impl From<Agreed> for Match {
    fn from(agreed: Agreed) -> Match {
        Match {
            reference_from_still: agreed.reference_from_still,
            rms_px: agreed.rms_px,
            agree: agreed.agree,
            tried: agreed.tried,
            correlation: agreed.correlation,
        }
    }
}

/// Why pictures were not matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MatchError {
    /// Too small to tell.
    #[error("both pictures need at least 64 px a side to be matched")]
    TooSmall,
    /// Nothing agrees.
    #[error(
        "the pictures could not be matched by themselves: too little of the same ground was found in \
         both. Mark four places that both show, well spread, and they are matched by these"
    )]
    NotFound,
    /// It was left.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Find where `reference` shows the ground of `still`; near `guess`, where one is given (marked
/// pairs, say), and over all scales and turns otherwise, mirror images last.
///
/// # Errors
/// Pictures below 64 px, none that agree, or when `progress` leaves.
pub fn match_pictures(
    still: &Raster,
    reference: &Raster,
    guess: Option<&Homography>,
    progress: &dyn Progress,
) -> Result<Match, MatchError> {
    let small = |r: &Raster| r.width.min(r.height) < 64;
    if small(still) || small(reference) {
        return Err(MatchError::TooSmall);
    }
    if let Some(guess) = guess {
        let start = still.width.max(still.height).div_ceil(2 * COARSE_PX).max(1);
        return follow(still, reference, guess, start, Feature::Signed, progress)?
            .ok_or(MatchError::NotFound);
    }
    for (kind, mirrored) in
        [(Feature::Signed, false), (Feature::Strength, false), (Feature::Signed, true)]
    {
        let flipped;
        let (seen, back) = if mirrored {
            flipped = mirror_image(reference);
            let last = reference.width as f64 - 1.0;
            let back = Homography([[-1.0, 0.0, last], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
            (&flipped, back)
        } else {
            (reference, Homography::NONE)
        };
        if let Some(mut found) = search(still, seen, kind, progress)? {
            found.reference_from_still = found.reference_from_still.then(&back);
            return Ok(found);
        }
    }
    Err(MatchError::NotFound)
}

fn mirror_image(source: &Raster) -> Raster {
    let mut out = source.clone();
    out.values.chunks_mut(source.width).for_each(<[f32]>::reverse);
    out
}

fn level(still: &Raster, factor: usize, kind: Feature) -> Level {
    let mut reduced = Raster::default();
    reduce(still, factor, &mut reduced);
    Level { factor, feature: feature(&reduced, kind) }
}

/// From a find at a coarse level to the finest; `None` where the places do not agree.
fn follow(
    still: &Raster,
    reference: &Raster,
    guess: &Homography,
    start: usize,
    kind: Feature,
    progress: &dyn Progress,
) -> Result<Option<Match>, Cancelled> {
    let finest = still.width.max(still.height).div_ceil(FINEST_PX).max(1);
    let mut map = *guess;
    let mut factor = start.max(finest);
    let mut best: Option<Agreed> = None;
    loop {
        let here = level(still, factor, kind);
        // Twice: the second time the reference is laid by what the first found.
        for reach in [7, 4, 3] {
            progress.advance(Stage::Searching, 0, 0)?;
            let Some(agreed) = agree(&here, reference, &map, reach, kind) else {
                return Ok(best.map(Match::from));
            };
            if (agreed.agree as f64) < LEAST_AGREE * agreed.tried as f64 {
                return Ok(best.map(Match::from));
            }
            map = agreed.reference_from_still;
            if reach == 3 {
                best = Some(agreed);
            }
        }
        if factor <= finest {
            return Ok(best.map(Match::from));
        }
        factor = (factor / 2).max(finest);
    }
}

/// A find of the first search.
#[derive(Clone, Copy)]
struct Find {
    map: Homography,
    score: f32,
}

fn search(
    still: &Raster,
    reference: &Raster,
    kind: Feature,
    progress: &dyn Progress,
) -> Result<Option<Match>, Cancelled> {
    let factor = still.width.max(still.height).div_ceil(COARSE_PX).max(1);
    let coarse = level(still, factor, kind);
    let extent = |r: &Raster| r.width.max(r.height) as f64;
    let alike = extent(reference) / extent(still);
    let (low, high) = (alike / MOST_GROUND, alike / LEAST_GROUND);
    let count = ((high / low).ln() / SCALE_STEP.ln()).ceil() as i32;
    let scales: Vec<f64> = (0..=count).map(|i| low * SCALE_STEP.powi(i)).collect();
    // References mostly show about as much ground as the still: there first, which is cheap.
    let (near, far): (Vec<f64>, Vec<f64>) = scales
        .into_iter()
        .partition(|scale| (alike / NEAR_GROUND..=alike * NEAR_GROUND).contains(scale));
    for scales in [near, far] {
        let mut finds: Vec<Find> = Vec::new();
        for (i, scale) in scales.iter().enumerate() {
            progress.advance(Stage::Searching, i, scales.len())?;
            finds.extend(at_scale(&coarse, reference, *scale, kind));
        }
        if let Some(found) = best_of(finds, (still, reference), &coarse, kind, progress)? {
            return Ok(Some(found));
        }
    }
    Ok(None)
}

/// Follow the best finds; the one on which most places agree.
fn best_of(
    mut finds: Vec<Find>,
    (still, reference): (&Raster, &Raster),
    coarse: &Level,
    kind: Feature,
    progress: &dyn Progress,
) -> Result<Option<Match>, Cancelled> {
    finds.sort_by(|a, b| b.score.total_cmp(&a.score));
    finds.truncate(4 * FOLLOWED);
    // By correlation over what both show, walked uphill.
    let mut walked: Vec<Find> =
        finds.par_iter().map(|find| uphill(coarse, reference, find.map, kind)).collect();
    walked.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut best: Option<Match> = None;
    for find in walked.iter().take(FOLLOWED) {
        let Some(back) = coarse.full_from_level().inverse() else { continue };
        let guess = back.then(&find.map);
        let start = coarse.factor.div_ceil(2);
        let Some(found) = follow(still, reference, &guess, start, kind, progress)? else {
            continue;
        };
        if best.is_none_or(|known| found.agree > known.agree) {
            best = Some(found);
        }
        if found.agree as f64 > 0.6 * found.tried as f64 && found.agree > 24 {
            break;
        }
    }
    Ok(best)
}

/// The least whole number from `n` on with no factors but 2, 3 and 5: transforms of such lengths
/// are quick.
fn quick(n: usize) -> usize {
    (n.max(1)..)
        .find(|n| {
            let mut rest = *n;
            for prime in [2, 3, 5] {
                while rest.is_multiple_of(prime) {
                    rest /= prime;
                }
            }
            rest == 1
        })
        .unwrap_or(n)
}

/// The best place for every turn at one scale (reference px per px of the still).
fn at_scale(coarse: &Level, reference: &Raster, scale: f64, kind: Feature) -> Vec<Find> {
    let still = &coarse.feature;
    let per_level = scale * coarse.factor as f64;
    let side = |n: usize| ((n as f64 / per_level).ceil() as usize).max(16);
    let (ref_w, ref_h) = (side(reference.width), side(reference.height));
    let box_px = (still.width as f64).hypot(still.height as f64).ceil() as usize + 2;
    let (width, height) = (quick(ref_w + box_px / 2), quick(ref_h + box_px / 2));
    let (width, height) = (width.max(quick(box_px)), height.max(quick(box_px)));
    let fourier = Fourier::new(width, height);
    let from_grid = Homography([
        [per_level, 0.0, 0.5 * per_level - 0.5],
        [0.0, per_level, 0.5 * per_level - 0.5],
        [0.0, 0.0, 1.0],
    ]);
    let laid = laid_feature(reference, &from_grid, (ref_w, ref_h), kind);
    let spectrum_of = |raster: &Raster, work: &mut FourierWork| {
        let mut values = vec![0.0_f32; width * height];
        for y in 0..raster.height.min(height) {
            let n = raster.width.min(width);
            values[y * width..y * width + n].copy_from_slice(&raster.row(y)[..n]);
        }
        let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
        fourier.forward(&mut values, &mut spectrum, work);
        spectrum
    };
    let ground = spectrum_of(&laid.raster, &mut FourierWork::default());
    let turns = (360.0 / TURN_STEP_DEG) as usize;
    let middle = [0.5 * (still.width as f64 - 1.0), 0.5 * (still.height as f64 - 1.0)];
    let centre = 0.5 * (box_px as f64 - 1.0);
    (0..turns)
        .into_par_iter()
        .map(|turn| {
            let angle = (turn as f64 * TURN_STEP_DEG).to_radians();
            let still_from_box = Homography::similarity(1.0, -angle, [centre; 2], middle);
            let template = lay(still, &still_from_box, box_px, box_px).raster;
            let mut work = FourierWork::default();
            let mut spectrum = spectrum_of(&template, &mut work);
            for (s, g) in spectrum.iter_mut().zip(&ground) {
                *s = s.conj() * g;
            }
            let mut values = vec![0.0_f32; width * height];
            fourier.inverse(&mut spectrum, &mut values, &mut work);
            let square: f64 = values.iter().map(|v| f64::from(*v).powi(2)).sum();
            let spread = (square / values.len() as f64).sqrt().max(1e-12);
            let best =
                (0..values.len()).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(0);
            let signed = |k: usize, n: usize, most: usize| {
                if k >= most { k as f64 - n as f64 } else { k as f64 }
            };
            let shift = [signed(best % width, width, ref_w), signed(best / width, height, ref_h)];
            let to = from_grid.apply([centre + shift[0], centre + shift[1]]);
            Find {
                map: Homography::similarity(per_level, angle, middle, to),
                score: (f64::from(values[best]) / spread) as f32,
            }
        })
        .collect()
}

/// Scale, turn and place changed in ever smaller steps as long as the correlation rises.
fn uphill(coarse: &Level, reference: &Raster, start: Homography, kind: Feature) -> Find {
    let still = &coarse.feature;
    let size = (still.width, still.height);
    let middle = [0.5 * (size.0 as f64 - 1.0), 0.5 * (size.1 as f64 - 1.0)];
    let score = |map: &Homography| {
        let laid = laid_feature(reference, map, size, kind);
        let (correlation, share) = correlation(still, &laid);
        // Little common ground correlates by chance.
        if share < 0.12 { -1.0 } else { correlation * share.sqrt().min(0.8) }
    };
    let mut best = Find { map: start, score: score(&start) };
    let mut steps = [0.03_f64, 2.5_f64.to_radians(), 2.0];
    for _ in 0..4 {
        for _ in 0..3 {
            let before = best.score;
            for (ln_scale, turn, dx, dy) in [
                (steps[0], 0.0, 0.0, 0.0),
                (-steps[0], 0.0, 0.0, 0.0),
                (0.0, steps[1], 0.0, 0.0),
                (0.0, -steps[1], 0.0, 0.0),
                (0.0, 0.0, steps[2], 0.0),
                (0.0, 0.0, -steps[2], 0.0),
                (0.0, 0.0, 0.0, steps[2]),
                (0.0, 0.0, 0.0, -steps[2]),
            ] {
                let to = [middle[0] + dx, middle[1] + dy];
                let by = Homography::similarity(ln_scale.exp(), turn, middle, to);
                let map = by.then(&best.map);
                let found = score(&map);
                if found > best.score {
                    best = Find { map, score: found };
                }
            }
            if best.score <= before {
                break;
            }
        }
        steps = steps.map(|step| 0.5 * step);
    }
    best
}
