//! What the sums of a cell say about the displacement there, and how sure they are of it.

use crate::dense::CellSums;
use crate::field::{Field, Measured};

/// Noise in a band-passed picture is correlated over about 4 pi s^2 px for a fine Gaussian of s, and
/// what differs in blur over more: that many px count as one. A larger value trusts the measurements less.
pub(crate) const CORRELATED_PX: f32 = 18.0;

/// Contrast of a frame against the reference: no air does less or more.
const LEAST_CONTRAST: f32 = 0.2;
const MOST_CONTRAST: f32 = 1.5;
/// Most of the difference between the reference and its blurred self that is added to it or taken off.
const MOST_SOFTNESS: f32 = 1.5;

/// How much softer (or, negative, sharper) than the reference the frame is: the least squares of f = c (r + b d). A
/// frame that is softer than the reference seems displaced wherever edges are not symmetrical, every frame alike: the
/// geometry of the reference came out 0.19, 0.35 and 0.60 px bent (D/r0 2.5, 4.5, 8), with this 0.15, 0.30 and 0.49.
fn softness(near: &CellSums) -> f32 {
    // A twentieth of its power more: where blur cannot be told, none is seen.
    let dd = 1.05 * near.dd;
    let (c, cb) = (near.fr * dd - near.fd * near.rd, near.fd * near.rr - near.fr * near.rd);
    let det = near.rr * dd - near.rd * near.rd;
    if det > 0.0 {
        let contrast = (c / det).clamp(LEAST_CONTRAST, MOST_CONTRAST);
        (cb / det / contrast).clamp(-MOST_SOFTNESS, MOST_SOFTNESS)
    } else {
        0.0
    }
}

/// How a cell of a frame is like the reference: `contrast (reference + softness * blur)`, and what is left, mean square a px;
/// all 0 where nothing was compared.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Likeness {
    pub contrast: f32,
    pub softness: f32,
    pub scatter: f32,
}

/// Turn the sums of every cell into measurements of the displacement, and into how like the reference it is.
pub(crate) fn measure(
    sums: &[CellSums],
    field: &Field,
    step: usize,
    (measured, alike): (&mut Vec<Measured>, &mut Vec<Likeness>),
) {
    let (columns, rows) = (field.columns, field.rows);
    // Scatter of the whole frame: a cell that matches by chance is not trusted beyond it.
    let (mut left, mut n) = (0.0f64, 0.0f64);
    for s in sums {
        if s.rr > 0.0 {
            let c = (s.fr / s.rr).clamp(0.1, 2.0);
            left += f64::from((s.ff - 2.0 * c * s.fr + c * c * s.rr).max(0.0));
            n += f64::from(s.n);
        }
    }
    let usual = if n > 0.0 { (left / n) as f32 } else { 0.0 };
    measured.clear();
    alike.clear();
    alike.resize(sums.len(), Likeness::default());
    for j in 0..rows {
        for i in 0..columns {
            let cell = j * columns + i;
            let s = sums[cell];
            if s.n <= 0.0 {
                measured.push(Measured::default());
                continue;
            }
            // Contrast, blur and scatter over the cell and its neighbours, which see the same air.
            let mut near = CellSums::default();
            for v in j.saturating_sub(1)..(j + 2).min(rows) {
                for s in
                    &sums[v * columns + i.saturating_sub(1)..v * columns + (i + 2).min(columns)]
                {
                    near.fr += s.fr;
                    near.rr += s.rr;
                    near.ff += s.ff;
                    near.fd += s.fd;
                    near.rd += s.rd;
                    near.dd += s.dd;
                    near.n += s.n;
                }
            }
            let mut m = Measured::default();
            if near.rr > 0.0 {
                let b = softness(&near);
                // The frame is held against q = r + b d.
                let fq = near.fr + b * near.fd;
                let qq = near.rr + 2.0 * b * near.rd + b * b * near.dd;
                let c = (fq / qq.max(f32::MIN_POSITIVE)).clamp(LEAST_CONTRAST, MOST_CONTRAST);
                let scatter = (near.ff - 2.0 * c * fq + c * c * qq).max(0.0) / near.n;
                let scatter = scatter.max(0.5 * usual).max(1e-20);
                alike[cell] = Likeness { contrast: c, softness: b, scatter };
                let trust = c * c * step as f32 / (CORRELATED_PX * scatter);
                // f(x + u) = c q(x + d): the field is off by d, to be taken off.
                let bx = s.xf / c - s.xr - b * s.xd;
                let by = s.yf / c - s.yr - b * s.yd;
                let ridge = 1e-3 * (s.xx + s.yy) + 1e-20;
                let (xx, yy) = (s.xx + ridge, s.yy + ridge);
                let det = xx * yy - s.xy * s.xy;
                let dx = ((yy * bx - s.xy * by) / det).clamp(-2.0, 2.0);
                let dy = ((xx * by - s.xy * bx) / det).clamp(-2.0, 2.0);
                m = Measured {
                    x_px: field.x_px[cell] - dx,
                    y_px: field.y_px[cell] - dy,
                    information: [xx * trust, s.xy * trust, yy * trust],
                };
            }
            measured.push(m);
        }
    }
}
