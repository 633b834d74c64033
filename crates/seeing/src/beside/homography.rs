//! Projective mappings of the plane.

use crate::solve_small::solve;
use serde::{Deserialize, Serialize};

/// A projective mapping from one picture into another: rows of a 3 x 3 matrix that acts on
/// (x, y, 1).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Homography(pub [[f64; 3]; 3]);

/// A position, px.
pub type Point = [f64; 2];

/// Where the positions of one picture lie in another.
pub trait Mapping: Sync {
    /// Where a position goes; not a number where the other picture has no place for it.
    fn apply(&self, at: Point) -> Point;

    /// Pixels of the other picture per pixel here, at a position: geometric mean of all directions.
    fn scale_at(&self, [x, y]: Point) -> f64 {
        const STEP: f64 = 0.5;
        let across = |a: Point, b: Point| [b[0] - a[0], b[1] - a[1]];
        let dx = across(self.apply([x - STEP, y]), self.apply([x + STEP, y]));
        let dy = across(self.apply([x, y - STEP]), self.apply([x, y + STEP]));
        (dx[0] * dy[1] - dx[1] * dy[0]).abs().sqrt()
    }
}

impl Mapping for Homography {
    /// Not a number on the horizon.
    fn apply(&self, [x, y]: Point) -> Point {
        let m = &self.0;
        let row = |r: &[f64; 3]| r[0] * x + r[1] * y + r[2];
        let w = row(&m[2]);
        [row(&m[0]) / w, row(&m[1]) / w]
    }
}

impl Homography {
    /// Everything stays where it is.
    pub const NONE: Homography = Homography([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// Scale `scale` and turn by `turn_rad` (from x towards y), `from` going to `to`.
    pub fn similarity(scale: f64, turn_rad: f64, from: Point, to: Point) -> Homography {
        let (sin, cos) = turn_rad.sin_cos();
        let (a, b) = (scale * cos, scale * sin);
        Homography([
            [a, -b, to[0] - a * from[0] + b * from[1]],
            [b, a, to[1] - b * from[0] - a * from[1]],
            [0.0, 0.0, 1.0],
        ])
    }

    /// First this one, then `next`.
    pub fn then(&self, next: &Homography) -> Homography {
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, slot) in row.iter_mut().enumerate() {
                *slot = (0..3).map(|k| next.0[i][k] * self.0[k][j]).sum();
            }
        }
        Homography(out).normalised()
    }

    fn normalised(self) -> Homography {
        let w = self.0[2][2];
        if w.abs() < 1e-12 { self } else { Homography(self.0.map(|row| row.map(|v| v / w))) }
    }

    /// The mapping back; `None` where it squashes the plane.
    pub fn inverse(&self) -> Option<Homography> {
        let m = &self.0;
        let minor = |r: usize, c: usize| {
            let at = |i: usize, j: usize| m[(r + i) % 3][(c + j) % 3];
            at(1, 1) * at(2, 2) - at(1, 2) * at(2, 1)
        };
        let determinant: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
        if determinant.abs() < 1e-12 || !determinant.is_finite() {
            return None;
        }
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, slot) in row.iter_mut().enumerate() {
                *slot = minor(j, i) / determinant;
            }
        }
        Some(Homography(out).normalised())
    }

    /// The mapping that carries the first of each pair to the second: a shift from one pair, scale
    /// and turn from two, an affine mapping from three, a projective one from four and more (least
    /// squares, `weights` beside). `None` where the pairs do not determine it.
    pub fn of_weighted(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Homography> {
        let used = weights.iter().filter(|w| **w > 0.0).count();
        match used {
            0 => None,
            1 => {
                let at = weights.iter().position(|w| *w > 0.0)?;
                let [from, to] = *pairs.get(at)?;
                Some(Homography::similarity(1.0, 0.0, from, to))
            }
            2 => similarity(pairs, weights),
            3 => affine(pairs, weights),
            _ => projective(pairs, weights),
        }
    }

    /// The same, every pair counting alike.
    pub fn of_pairs(pairs: &[[Point; 2]]) -> Option<Homography> {
        Homography::of_weighted(pairs, &vec![1.0; pairs.len()])
    }

    /// Affine at most: where pairs cover too little ground for a projective mapping.
    pub fn affine_of(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Homography> {
        if weights.iter().filter(|w| **w > 0.0).count() < 3 { None } else { affine(pairs, weights) }
    }

    /// Distance of where the first of a pair goes from the second, px of the other picture.
    pub fn miss(&self, [from, to]: &[Point; 2]) -> f64 {
        let there = self.apply(*from);
        (there[0] - to[0]).hypot(there[1] - to[1])
    }
}

/// Middle and spread of positions: what makes them small numbers around 0.
fn frame(points: impl Iterator<Item = (Point, f64)> + Clone) -> Option<(Point, f64)> {
    let total: f64 = points.clone().map(|(_, w)| w).sum();
    let mean = |k: usize| points.clone().map(|(p, w)| p[k] * w).sum::<f64>() / total;
    let middle = [mean(0), mean(1)];
    let square =
        |(p, w): (Point, f64)| w * ((p[0] - middle[0]).powi(2) + (p[1] - middle[1]).powi(2));
    let spread = (points.map(square).sum::<f64>() / total).sqrt();
    (spread.is_finite() && spread > 1e-9).then_some((middle, spread))
}

type Frames = ((Point, f64), (Point, f64));

fn frames(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Frames> {
    let of = |k: usize| frame(pairs.iter().zip(weights).map(move |(pair, w)| (pair[k], *w)));
    Some((of(0)?, of(1)?))
}

/// Undo what [`frames`] did.
fn unframed(inner: Homography, (from, to): Frames) -> Option<Homography> {
    let into = Homography([
        [1.0 / from.1, 0.0, -from.0[0] / from.1],
        [0.0, 1.0 / from.1, -from.0[1] / from.1],
        [0.0, 0.0, 1.0],
    ]);
    let back = Homography([[to.1, 0.0, to.0[0]], [0.0, to.1, to.0[1]], [0.0, 0.0, 1.0]]);
    let all = into.then(&inner).then(&back);
    all.0.iter().flatten().all(|v| v.is_finite()).then_some(all)
}

fn framed(point: Point, (middle, spread): (Point, f64)) -> Point {
    [(point[0] - middle[0]) / spread, (point[1] - middle[1]) / spread]
}

fn similarity(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Homography> {
    let (from, to) = frames(pairs, weights)?;
    let (mut with, mut across, mut square) = (0.0, 0.0, 0.0);
    for ([a, b], w) in pairs.iter().zip(weights) {
        let (a, b) = (framed(*a, from), framed(*b, to));
        with += w * (a[0] * b[0] + a[1] * b[1]);
        across += w * (a[0] * b[1] - a[1] * b[0]);
        square += w * (a[0] * a[0] + a[1] * a[1]);
    }
    let scale = with.hypot(across) / square;
    let inner = Homography::similarity(scale, across.atan2(with), [0.0; 2], [0.0; 2]);
    if scale > 1e-9 { unframed(inner, (from, to)) } else { None }
}

fn affine(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Homography> {
    let (from, to) = frames(pairs, weights)?;
    let mut rows = [[0.0; 3]; 3];
    for (k, row) in rows.iter_mut().take(2).enumerate() {
        let (mut normal, mut right) = ([[0.0; 3]; 3], [0.0; 3]);
        for ([a, b], w) in pairs.iter().zip(weights) {
            let (a, b) = (framed(*a, from), framed(*b, to));
            let terms = [a[0], a[1], 1.0];
            for i in 0..3 {
                for j in 0..3 {
                    normal[i][j] += w * terms[i] * terms[j];
                }
                right[i] += w * terms[i] * b[k];
            }
        }
        *row = solve(normal, right)?;
    }
    rows[2] = [0.0, 0.0, 1.0];
    unframed(Homography(rows), (from, to))
}

/// Least squares of the linear form (Hartley & Zisserman, Multiple View Geometry, section 4.1, with the
/// last element 1, which the framing allows), then twice with each equation divided by the
/// denominator, so that it is px that are squared.
fn projective(pairs: &[[Point; 2]], weights: &[f64]) -> Option<Homography> {
    let (from, to) = frames(pairs, weights)?;
    let mut h = [0.0; 8];
    for _ in 0..3 {
        let (mut normal, mut right) = ([[0.0; 8]; 8], [0.0; 8]);
        for ([a, b], w) in pairs.iter().zip(weights) {
            let (a, b) = (framed(*a, from), framed(*b, to));
            let below = h[6] * a[0] + h[7] * a[1] + 1.0;
            let w = w / (below * below).max(1e-6);
            for k in 0..2 {
                let mut terms = [0.0; 8];
                terms[3 * k..3 * k + 3].copy_from_slice(&[a[0], a[1], 1.0]);
                (terms[6], terms[7]) = (-a[0] * b[k], -a[1] * b[k]);
                for i in 0..8 {
                    for j in 0..8 {
                        normal[i][j] += w * terms[i] * terms[j];
                    }
                    right[i] += w * terms[i] * b[k];
                }
            }
        }
        h = solve(normal, right)?;
    }
    let inner = Homography([[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]]);
    unframed(inner, (from, to))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRUE: Homography =
        Homography([[0.9, -0.4, 30.0], [0.42, 1.1, -12.0], [2e-4, -1e-4, 1.0]]);

    fn grid() -> Vec<[Point; 2]> {
        let spots = [[10.0, 20.0], [300.0, 15.0], [280.0, 210.0], [25.0, 190.0], [150.0, 100.0]];
        spots.map(|p| [p, TRUE.apply(p)]).to_vec()
    }

    #[test]
    fn four_pairs_determine_it_and_it_goes_back() {
        let found = Homography::of_pairs(&grid()[..4]).unwrap();
        let back = found.inverse().unwrap();
        for pair in grid() {
            assert!(found.miss(&pair) < 1e-6);
            assert!(back.miss(&[pair[1], pair[0]]) < 1e-6);
        }
        let there = TRUE.then(&TRUE.inverse().unwrap()).apply([77.0, 33.0]);
        assert!((there[0] - 77.0).hypot(there[1] - 33.0) < 1e-9);
    }

    #[test]
    fn fewer_pairs_give_less() {
        let turned = Homography::similarity(1.7, 0.6, [5.0, 6.0], [50.0, -9.0]);
        assert!((turned.scale_at([30.0, 4.0]) - 1.7).abs() < 1e-9);
        let pairs = [[5.0, 6.0], [80.0, 40.0], [10.0, 90.0]].map(|p| [p, turned.apply(p)]);
        for n in [2, 3] {
            let found = Homography::of_pairs(&pairs[..n]).unwrap();
            assert!(found.miss(&[[33.0, 44.0], turned.apply([33.0, 44.0])]) < 1e-6, "{n}");
        }
        let one = Homography::of_pairs(&pairs[..1]).unwrap();
        assert!(one.miss(&pairs[0]) < 1e-9);
        assert_eq!(Homography::of_pairs(&[]), None);
        let line: Vec<[Point; 2]> =
            (0..6).map(|i| [[f64::from(i), 0.0], [f64::from(i), 0.0]]).collect();
        assert_eq!(Homography::of_pairs(&line), None, "a line determines no plane");
        let same = [[1.0, 1.0]; 2];
        assert_eq!(Homography::of_pairs(&[same, same]), None);
    }

    #[test]
    fn weights_of_zero_take_no_part() {
        let mut pairs = grid();
        pairs.push([[100.0, 100.0], [900.0, 900.0]]);
        let mut weights = vec![1.0; pairs.len()];
        weights[5] = 0.0;
        let found = Homography::of_weighted(&pairs, &weights).unwrap();
        assert!(found.miss(&grid()[2]) < 1e-6);
    }
}
