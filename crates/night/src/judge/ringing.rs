//! Ringing at strong edges: how far a still goes beyond an edge's own two sides.
//!
//! An edge that is softer than the truth's is not ringing, nor is one that lies elsewhere, or has another gain. So every edge
//! is matched by itself first: the truth's profile across it, moved along its normal, blurred by a mixture of
//! Gaussians with shares of 0 or more (a mean of blurs cannot overshoot), each blur laid onto the still's levels
//! far on either side. What the still has beyond the best such profile, 3 to 10 px beside the
//! edge, brighter on the bright side or darker on the dark one, is its ringing, as a share of its step.
//!
//! Noise, and structure beside the edge that the still shows wrongly, count as well; a stack, a mean of blurred
//! frames that cannot ring, tells how much that is. What all edges have in common is told by itself.

use ndarray::ArrayView2;
use stillwright_seeing::interpolate::cubic;
use stillwright_seeing::raster::{Kernel, Raster, smooth};

/// Half the length of a profile, px.
const REACH: usize = 12;
/// Samples of a profile, one a px.
const LENGTH: usize = 2 * REACH + 1;
/// Profiles are means along the edge over so many px on either side.
const ALONG: isize = 2;
/// From here on the levels of the two sides are taken, px beside the edge.
const LEVELS_PX: usize = 8;
/// Where ringing is looked for, px beside the edge: nearer, and it is a question of softness.
const RINGING_PX: std::ops::RangeInclusive<usize> = 3..=10;
/// Left out along the border, px: profiles stay inside.
const BORDER_PX: usize = 28;
/// An edge is strong from this share of the truth's range on (its 5th to 95th percentile).
const STRONG: f32 = 0.25;
/// Edges lie at least so far apart, px.
const APART_PX: usize = 6;
/// Edges looked at, the steepest first.
const MOST_EDGES: usize = 400;
/// Blurs that are mixed: standard deviations, px. A truth blurred evenly by 1, 2, 3 px leaves below 0.01.
const BLURS_PX: [f32; 8] = [0.0, 0.5, 0.8, 1.2, 1.7, 2.4, 3.4, 4.8];
/// Moves along the normal that are tried, px.
const MOVES_PX: [f64; 9] = [-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0];

/// What was found at the strong edges of a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Ringing {
    /// Ringing of each edge, a share of its step, in growing order.
    pub edges: Vec<f64>,
    /// Largest mean over all edges at one distance: what they have in common.
    pub common: f64,
}

impl Ringing {
    /// The ringing that a share of the edges stays below (0.5: the median); 0 without edges.
    pub fn percentile(&self, share: f64) -> f64 {
        let last = self.edges.len().saturating_sub(1);
        let at = (share * last as f64).round() as usize;
        self.edges.get(at.min(last)).copied().unwrap_or(0.0)
    }
}

/// An edge of the truth.
struct Edge {
    x: f64,
    y: f64,
    /// Unit normal towards the bright side.
    normal: (f64, f64),
}

/// A profile, dark side first.
type Profile = [f64; LENGTH];

/// Ringing of `still` at the strong edges of `truth`, which lies on the same grid (rows, columns; any unit of
/// light) and is the straightened truth where the still is bent.
pub fn ringing(truth: ArrayView2<'_, f32>, still: ArrayView2<'_, f32>) -> Ringing {
    let sharp = Raster::of_plane(truth);
    let still = Raster::of_plane(still);
    let mut found = Ringing { edges: Vec::new(), common: 0.0 };
    if truth.nrows().min(truth.ncols()) <= 2 * BORDER_PX
        || (still.width, still.height) != (sharp.width, sharp.height)
    {
        return found;
    }
    let family = BLURS_PX.map(|sigma_px| blurred(&sharp, sigma_px));
    let mut sum = [0.0; LENGTH];
    for edge in strong_edges(&sharp) {
        let Some(beyond) = beyond(&edge, &still, &family) else { continue };
        found.edges.push(most(&beyond));
        sum.iter_mut().zip(beyond).for_each(|(sum, v)| *sum += v);
    }
    let n = found.edges.len().max(1) as f64;
    found.common = most(&sum.map(|v| v / n));
    found.edges.sort_by(f64::total_cmp);
    found
}

/// The most beside the edge.
fn most(beyond: &Profile) -> f64 {
    let beside = |px: usize| [beyond[REACH - px], beyond[REACH + px]];
    RINGING_PX.flat_map(beside).fold(0.0, f64::max)
}

fn blurred(source: &Raster, sigma_px: f32) -> Raster {
    if sigma_px == 0.0 {
        return source.clone();
    }
    let mut out = Raster::default();
    smooth(source, &Kernel::gaussian(sigma_px), &mut Raster::default(), &mut out);
    out
}

fn profile(source: &Raster, edge: &Edge, move_px: f64) -> Profile {
    let (nx, ny) = edge.normal;
    std::array::from_fn(|k| {
        let across = k as f64 - REACH as f64 + move_px;
        let at = |along: isize| {
            let along = along as f64;
            cubic(source, edge.x + across * nx - along * ny, edge.y + across * ny + along * nx)
        };
        (-ALONG..=ALONG).map(|along| f64::from(at(along))).sum::<f64>() / (2 * ALONG + 1) as f64
    })
}

/// Mean levels of the dark and of the bright side.
fn levels(profile: &Profile) -> (f64, f64) {
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    (mean(&profile[..=REACH - LEVELS_PX]), mean(&profile[REACH + LEVELS_PX..]))
}

/// The profile with its dark side at 0 and its bright side at 1, if its step is above `least`.
fn laid_on_levels(profile: Profile, least: f64) -> Option<Profile> {
    let (dark, bright) = levels(&profile);
    (bright - dark > least).then(|| profile.map(|v| (v - dark) / (bright - dark)))
}

/// Edges of the truth, steepest first, whose sides differ near and far.
fn strong_edges(truth: &Raster) -> Vec<Edge> {
    let (width, height) = (truth.width, truth.height);
    let smooth = blurred(truth, 1.0);
    let slope = |x: usize, y: usize| {
        let along = smooth.row(y);
        let across = (smooth.row(y - 1)[x], smooth.row(y + 1)[x]);
        (0.5 * (along[x + 1] - along[x - 1]), 0.5 * (across.1 - across.0))
    };
    let mut steep = Raster::zeros(width, height);
    let mut places = Vec::new();
    for y in 1..height - 1 {
        for x in 1..width - 1 {
            let (dx, dy) = slope(x, y);
            steep.values[y * width + x] = dx.hypot(dy);
            let inside = |v: usize, n: usize| v >= BORDER_PX && v + BORDER_PX < n;
            if inside(x, width) && inside(y, height) {
                places.push((x, y));
            }
        }
    }
    let mut light: Vec<f32> = places.iter().map(|(x, y)| truth.row(*y)[*x]).collect();
    light.sort_by(f32::total_cmp);
    let share = |percent: usize| light.get(light.len() * percent / 100).copied().unwrap_or(0.0);
    let least = f64::from(STRONG * (share(95) - share(5)));
    let steepness = |(x, y): (usize, usize)| steep.values[y * width + x];
    places.sort_by(|a, b| steepness(*b).total_cmp(&steepness(*a)).then(a.cmp(b)));
    let mut taken = vec![false; width * height];
    let mut edges = Vec::new();
    for (x, y) in places {
        let here = steepness((x, y));
        // A step of `least` over a Gaussian transition 4 px wide is about as steep.
        if edges.len() == MOST_EDGES || f64::from(here) * 13.0 < least || here <= 0.0 {
            break;
        }
        if taken[y * width + x] {
            continue;
        }
        let (dx, dy) = slope(x, y);
        let normal = (f64::from(dx / here), f64::from(dy / here));
        let beside = |px: f64| cubic(&steep, x as f64 + px * normal.0, y as f64 + px * normal.1);
        let (before, after) = (f64::from(beside(-1.0)), f64::from(beside(1.0)));
        let bend = before + after - 2.0 * f64::from(here);
        if before.max(after) > f64::from(here) || bend >= 0.0 {
            continue;
        }
        // The edge is where a parabola through the three is steepest.
        let off = (0.5 * (before - after) / bend).clamp(-0.5, 0.5);
        let edge = Edge { x: x as f64 + off * normal.0, y: y as f64 + off * normal.1, normal };
        let across = profile(truth, &edge, 0.0);
        let near = |first: usize| across[first..first + 3].iter().sum::<f64>() / 3.0;
        let (dark, bright) = levels(&across);
        if near(REACH + 3) - near(REACH - 5) < least || bright - dark < least {
            continue;
        }
        for v in y - APART_PX..=y + APART_PX {
            taken[v * width + x - APART_PX..=v * width + x + APART_PX].fill(true);
        }
        edges.push(edge);
    }
    edges
}

/// What `still` has beyond the best matched profile of an edge, outwards: above it on the bright side, below it
/// on the dark one. `None` where the still has no such step.
fn beyond(edge: &Edge, still: &Raster, family: &[Raster; BLURS_PX.len()]) -> Option<Profile> {
    let seen = profile(still, edge, 0.0);
    let (dark, bright) = levels(&seen);
    // Below that it is rounding.
    let seen = laid_on_levels(seen, 1e-5 * dark.abs().max(bright.abs()))?;
    let mut best: Option<(f64, Profile)> = None;
    for move_px in MOVES_PX {
        let (dark, bright) = levels(&profile(&family[0], edge, move_px));
        // A blur that takes most of the step away says nothing of its shape.
        let least = 0.3 * (bright - dark).max(0.0);
        let members: Vec<Profile> = family
            .iter()
            .filter_map(|member| laid_on_levels(profile(member, edge, move_px), least))
            .collect();
        if members.is_empty() {
            continue;
        }
        let rest = least_rest(&members, &seen);
        let squares = rest.iter().map(|v| v * v).sum::<f64>();
        if best.as_ref().is_none_or(|(least, _)| squares < *least) {
            best = Some((squares, rest));
        }
    }
    let (_, rest) = best?;
    Some(std::array::from_fn(|k| if k < REACH { -rest[k] } else { rest[k] }))
}

/// What the mixture of `members` that is nearest to `seen` leaves over of it, the shares being 0 or more and 1
/// together: share is carried from one member to another as long as that pays.
fn least_rest(members: &[Profile], seen: &Profile) -> Profile {
    /// Rounds over all pairs; the shares settle in some tens.
    const ROUNDS: usize = 60;
    let mut shares = vec![0.0; members.len()];
    shares[0] = 1.0;
    let mut rest: Profile = std::array::from_fn(|k| seen[k] - members[0][k]);
    for _ in 0..ROUNDS {
        let mut moved = 0.0f64;
        for from in 0..members.len() {
            for to in 0..members.len() {
                if from == to || shares[from] == 0.0 {
                    continue;
                }
                let change: Profile = std::array::from_fn(|k| members[to][k] - members[from][k]);
                let power = change.iter().map(|v| v * v).sum::<f64>();
                let wanted = change.iter().zip(&rest).map(|(c, r)| c * r).sum::<f64>();
                if power <= 0.0 || wanted <= 0.0 {
                    continue;
                }
                let share = (wanted / power).min(shares[from]);
                shares[from] -= share;
                shares[to] += share;
                rest.iter_mut().zip(change).for_each(|(r, c)| *r -= share * c);
                moved += share;
            }
        }
        if moved < 1e-4 {
            break;
        }
    }
    rest
}

#[cfg(test)]
mod tests;
