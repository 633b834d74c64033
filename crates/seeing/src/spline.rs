//! Values between samples, a row of places at once.
//!
//! A place has 4 x 4 samples around it. Those of eight places side by side mostly begin at most one column (beyond the
//! step from place to place) and one row apart, for the air bends a picture gently: then 5 x 5 taps, of which each place
//! leaves out its first or its last row and column, serve all eight, and every load is of eight samples that lie side by
//! side. Other places are looked at one by one; the result is the same, bit for bit.
//!
//! Each step is a loop of its own over the row: all in one, the compiler takes one lane at a time.

use crate::lanes::{RAMP, whole};
use multiversion::multiversion;

/// Places that are sampled together at most.
pub const BLOCK: usize = 256;

const LANES: usize = 8;

/// Samples from row to row of what is sampled. Fixed, so that samples a row apart are a constant apart.
pub const STRIDE: usize = 320;

/// Samples from the first to the last of those that eight places together touch.
const TOUCHED: usize = 4 * STRIDE + LANES + 4;

/// Samples beyond the last that is weighed which [`Between`] may look at; they must be numbers.
pub const SLACK: usize = 16;

/// Five taps for the places of a row, eight by eight.
type Taps = [[[f32; LANES]; BLOCK / LANES]; 5];

/// A kernel of four taps.
trait Kernel {
    /// Weights of samples -1, 0, 1, 2 for a position `t` (0 to 1) past sample 0.
    fn taps(t: f32) -> [f32; 4];
}

/// The cubic B-spline.
struct BSpline;

impl Kernel for BSpline {
    #[inline(always)]
    fn taps(t: f32) -> [f32; 4] {
        const SIXTH: f32 = 1.0 / 6.0;
        const MIDDLE: f32 = 2.0 / 3.0;
        let s = 1.0 - t;
        let (t2, s2) = (t * t, s * s);
        let inner = [MIDDLE - t2 * (1.0 - 0.5 * t), MIDDLE - s2 * (1.0 - 0.5 * s)];
        [s2 * s * SIXTH, inner[0], inner[1], t2 * t * SIXTH]
    }
}

/// Keys' cubic, a = -1/2 (Keys, IEEE ASSP 29, 1153, 1981).
struct Keys;

impl Kernel for Keys {
    #[inline(always)]
    fn taps(t: f32) -> [f32; 4] {
        let s = 1.0 - t;
        let both = -0.5 * (t * s);
        [both * s, 1.0 + t * t * (1.5 * t - 2.5), 1.0 + s * s * (1.5 * s - 2.5), both * t]
    }
}

/// Weights of samples -1, 0, 1, 2 for a position `t` (0 to 1) past sample 0: the cubic B-spline. It smooths: of a wave of f
/// cycles per px it leaves sinc^4 (f).
pub fn b_spline_taps(t: f32) -> [f32; 4] {
    BSpline::taps(t)
}

/// Samples, in rows of [`STRIDE`].
#[derive(Clone, Copy, Debug)]
pub struct Samples<'a> {
    /// The samples, numbers all.
    pub values: &'a [f32],
    /// Where the first one lies.
    pub corner: (f32, f32),
}

/// Samples between samples, and the buffers for it.
#[derive(Clone, Debug)]
pub struct Between {
    /// Column (beyond that of the place in its row) and row of the sample before each place.
    k: [[f32; BLOCK]; 2],
    /// How far beyond that it lies.
    t: [[f32; BLOCK]; 2],
    /// The least of eight `k`.
    least: [[f32; BLOCK / LANES]; 2],
    /// How far `k` lies beyond that.
    e: [[f32; BLOCK]; 2],
    /// The most by which any of eight does.
    most: [f32; BLOCK / LANES],
    taps: [Taps; 2],
}

impl Default for Between {
    fn default() -> Self {
        Between {
            k: [[0.0; BLOCK]; 2],
            t: [[0.0; BLOCK]; 2],
            least: [[0.0; BLOCK / LANES]; 2],
            e: [[0.0; BLOCK]; 2],
            most: [0.0; BLOCK / LANES],
            taps: [[[[0.0; LANES]; BLOCK / LANES]; 5]; 2],
        }
    }
}

impl Between {
    /// The cubic B-spline at columns `u` and rows `v`, at most [`BLOCK`] of them, into `out`; 0 where the 4 x 4 samples of a place
    /// are not all there.
    pub fn b_spline(&mut self, from: &Samples<'_>, u: &[f32], v: &[f32], out: &mut [f32]) {
        b_spline(self, from, u, v, out);
    }

    /// Keys' cubic, likewise.
    pub fn keys(&mut self, from: &Samples<'_>, u: &[f32], v: &[f32], out: &mut [f32]) {
        keys(self, from, u, v, out);
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn b_spline<'a>(work: &mut Between, from: &Samples<'a>, u: &[f32], v: &[f32], out: &mut [f32]) {
    between::<BSpline>(work, from, u, v, out);
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn keys<'a>(work: &mut Between, from: &Samples<'a>, u: &[f32], v: &[f32], out: &mut [f32]) {
    between::<Keys>(work, from, u, v, out);
}

#[inline(always)]
fn between<K: Kernel>(
    work: &mut Between,
    from: &Samples<'_>,
    u: &[f32],
    v: &[f32],
    out: &mut [f32],
) {
    let n = u.len().min(v.len()).min(out.len()).min(BLOCK);
    let padded = n.next_multiple_of(LANES);
    let Between { k: [kx, ky], t: [tx, ty], least: [left, top], e: [ex, ey], most, taps } = work;
    place(&u[..n], from.corner.0, 1.0, kx, tx);
    place(&v[..n], from.corner.1, 0.0, ky, ty);
    for x in n..padded {
        (kx[x], ky[x], tx[x], ty[x]) = (kx[n - 1], ky[n - 1], 0.0, 0.0);
    }
    let eights = padded / LANES;
    least_of_eight(kx, left, eights);
    least_of_eight(ky, top, eights);
    beyond(kx, left, ex, eights);
    beyond(ky, top, ey, eights);
    most_of_eight(ex, ey, most, eights);
    let [wx, wy] = taps;
    spread::<K>(&tx[..padded], ex, wx);
    spread::<K>(&ty[..padded], ey, wy);
    let corners = Corners { left, top, most };
    let (k, t) = ([&*kx, ky], [&*tx, ty]);
    let (whole, rest) = out[..n].as_chunks_mut::<LANES>();
    let eights = whole.len();
    for (c, out) in whole.iter_mut().enumerate() {
        if !together(from.values, &corners, c, (wx, wy), out) {
            one_by_one::<K>(from.values, c * LANES, (k, t), out);
        }
    }
    if !rest.is_empty() {
        let mut out = [0.0; LANES];
        if !together(from.values, &corners, eights, (wx, wy), &mut out) {
            one_by_one::<K>(from.values, eights * LANES, (k, t), &mut out);
        }
        rest.copy_from_slice(&out[..rest.len()]);
    }
}

/// Where the 5 x 5 samples of eight places begin, and whether they do.
struct Corners<'a> {
    left: &'a [f32; BLOCK / LANES],
    top: &'a [f32; BLOCK / LANES],
    most: &'a [f32; BLOCK / LANES],
}

#[inline(always)]
fn place(u: &[f32], corner: f32, step: f32, k: &mut [f32; BLOCK], t: &mut [f32; BLOCK]) {
    let (k, t, ramp) = (&mut k[..u.len()], &mut t[..u.len()], &RAMP[..u.len()]);
    for x in 0..u.len() {
        let at = u[x] - corner;
        let before = at.floor();
        k[x] = before - step * ramp[x];
        t[x] = at - before;
    }
}

#[inline(always)]
fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

#[inline(always)]
fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[inline(always)]
fn least_of_eight(k: &[f32; BLOCK], least: &mut [f32; BLOCK / LANES], eights: usize) {
    let (mut four, mut two) = ([0.0; BLOCK / 2], [0.0; BLOCK / 4]);
    let eights = eights.min(BLOCK / LANES);
    for (four, k) in four[..4 * eights].iter_mut().zip(k.as_chunks::<2>().0) {
        *four = lower(k[0], k[1]);
    }
    for (two, four) in two[..2 * eights].iter_mut().zip(four.as_chunks::<2>().0) {
        *two = lower(four[0], four[1]);
    }
    for (one, two) in least[..eights].iter_mut().zip(two.as_chunks::<2>().0) {
        *one = lower(two[0], two[1]);
    }
}

#[inline(always)]
fn most_of_eight(
    ex: &[f32; BLOCK],
    ey: &[f32; BLOCK],
    most: &mut [f32; BLOCK / LANES],
    eights: usize,
) {
    let (mut four, mut two) = ([0.0; BLOCK / 2], [0.0; BLOCK / 4]);
    let eights = eights.min(BLOCK / LANES);
    let pairs = ex.as_chunks::<2>().0.iter().zip(ey.as_chunks::<2>().0);
    for (four, (ex, ey)) in four[..4 * eights].iter_mut().zip(pairs) {
        *four = higher(higher(ex[0], ex[1]), higher(ey[0], ey[1]));
    }
    for (two, four) in two[..2 * eights].iter_mut().zip(four.as_chunks::<2>().0) {
        *two = higher(four[0], four[1]);
    }
    for (one, two) in most[..eights].iter_mut().zip(two.as_chunks::<2>().0) {
        *one = higher(two[0], two[1]);
    }
}

#[inline(always)]
fn beyond(k: &[f32; BLOCK], least: &[f32; BLOCK / LANES], e: &mut [f32; BLOCK], eights: usize) {
    let lanes = e.as_chunks_mut::<LANES>().0.iter_mut().zip(k.as_chunks::<LANES>().0);
    for ((e, k), least) in lanes.zip(least).take(eights) {
        for l in 0..LANES {
            e[l] = k[l] - least;
        }
    }
}

/// Five taps, the first or the last of which is 0: the last where the place lies no further than the least of its eight.
#[inline(always)]
fn spread<K: Kernel>(t: &[f32], e: &[f32; BLOCK], taps: &mut Taps) {
    let n = t.len().min(BLOCK);
    let (t, e) = (&t[..n], &e[..n]);
    let [a, b, c, d, f] = taps.each_mut().map(|taps| &mut taps.as_flattened_mut()[..n]);
    for x in 0..n {
        let w = K::taps(t[x]);
        let later = e[x] > 0.5;
        a[x] = if later { 0.0 } else { w[0] };
        b[x] = if later { w[0] } else { w[1] };
        c[x] = if later { w[1] } else { w[2] };
        d[x] = if later { w[2] } else { w[3] };
        f[x] = if later { w[3] } else { 0.0 };
    }
}

/// Eight places, if 5 x 5 taps serve them all.
#[inline(always)]
fn together(
    values: &[f32],
    corners: &Corners<'_>,
    eight: usize,
    (wx, wy): (&Taps, &Taps),
    out: &mut [f32; LANES],
) -> bool {
    let c = eight.min(BLOCK / LANES - 1);
    let (left, top) = (corners.left[c] + ((c * LANES) as f32 - 1.0), corners.top[c] - 1.0);
    let served = (corners.most[c] <= 1.0) & (left >= 0.0) & (top >= 0.0);
    let corner = whole(top * STRIDE as f32 + left) as usize;
    let rows = values.get(corner..).and_then(|v| v.first_chunk::<TOUCHED>());
    let (true, Some(rows)) = (served, rows) else { return false };
    let mut sum = [0.0; LANES];
    for k in 0..5 {
        let mut along = [0.0; LANES];
        for m in 0..5 {
            for l in 0..LANES {
                along[l] += wx[m][c][l] * rows[k * STRIDE + m + l];
            }
        }
        for l in 0..LANES {
            sum[l] += wy[k][c][l] * along[l];
        }
    }
    *out = sum;
    true
}

type Pair<'a> = [&'a [f32; BLOCK]; 2];

#[inline(never)]
fn one_by_one<K: Kernel>(
    values: &[f32],
    at: usize,
    (k, t): (Pair<'_>, Pair<'_>),
    out: &mut [f32; LANES],
) {
    for (x, out) in (at..BLOCK).zip(out) {
        *out = 0.0;
        let (i, j) = (k[0][x] + RAMP[x], k[1][x]);
        // (What is not a number is not 1 or more.)
        if !(i >= 1.0 && j >= 1.0) {
            continue;
        }
        let first = (j as usize - 1).saturating_mul(STRIDE).saturating_add(i as usize - 1);
        let rows = values.get(first..).and_then(|v| v.first_chunk::<{ 3 * STRIDE + 4 }>());
        let Some(rows) = rows else { continue };
        let (wx, wy) = (K::taps(t[0][x]), K::taps(t[1][x]));
        for (k, wy) in wy.iter().enumerate() {
            let row = rows[k * STRIDE..].iter();
            *out += wy * row.zip(wx).fold(0.0, |along, (value, w)| along + w * value);
        }
    }
}

#[cfg(test)]
mod tests;
