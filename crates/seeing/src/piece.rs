//! A piece of a frame, sampled row by row along a field.

use crate::field::{Field, RowExpander};
use crate::lanes::{RAMP, lowest_and_highest, widen_u8, widen_u16};
use crate::luminance::LightRows;
use crate::spline::{BLOCK, Between, SLACK, STRIDE, Samples};
use multiversion::multiversion;
use std::ops::Range;

/// What stands where a row of the reference lies in the frame.
#[derive(Clone, Debug)]
struct Row {
    u: [f32; BLOCK],
    v: [f32; BLOCK],
    inside: [u8; BLOCK],
}

/// The piece, and the buffers for it.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    expander: RowExpander,
    moved: Box<[[f32; BLOCK]; 2]>,
    between: Box<Between>,
    rows: Vec<Row>,
    columns: usize,
    /// Samples of the frame that the rows touch, in rows of [`STRIDE`], and where the first of them lies.
    values: Vec<f32>,
    corner: (usize, usize),
    out: Box<[f32; BLOCK]>,
}

impl Default for Piece {
    fn default() -> Self {
        Piece {
            expander: RowExpander::default(),
            moved: Box::new([[0.0; BLOCK]; 2]),
            between: Box::default(),
            rows: Vec::new(),
            columns: 0,
            values: Vec::new(),
            corner: (0, 0),
            out: Box::new([0.0; BLOCK]),
        }
    }
}

/// Smallest and largest column, and row, of places that count.
type Extent = [(f32, f32); 2];

impl Piece {
    /// Look at the first of `cells` side by side, as many as can be looked at together: those between the `columns` and in the `rows`
    /// of the reference that are told. None where a single one is torn over too much of the frame, which then says nothing.
    pub fn look_at_first<R: Iterator<Item = usize>>(
        &mut self,
        (frame, below_px): (&LightRows<'_>, f32),
        field: &Field,
        cells: &Range<usize>,
        columns: impl Fn(&Range<usize>) -> Range<usize>,
        rows: impl Fn() -> R,
    ) -> Range<usize> {
        let most = (BLOCK / field.cell_px).max(1);
        let mut first = cells.start..(cells.start + most).min(cells.end);
        while !first.is_empty() && !self.look((frame, below_px), field, columns(&first), rows()) {
            first.end = first.start + first.len() / 2;
        }
        first
    }

    /// Look where the px in some `columns` (at most [`BLOCK`]) and `rows` of the reference lie in the frame by `field`, and up to `below_px`
    /// above and below; false where that is too far apart to be looked at together.
    fn look(
        &mut self,
        (frame, below_px): (&LightRows<'_>, f32),
        field: &Field,
        columns: Range<usize>,
        rows: impl Iterator<Item = usize>,
    ) -> bool {
        self.columns = columns.len().min(BLOCK);
        let size = frame.size();
        let mut all: Extent = [(f32::MAX, f32::MIN); 2];
        let mut count = 0;
        for y in rows {
            let [dx, dy] = &mut *self.moved;
            let (dx, dy) = (&mut dx[..self.columns], &mut dy[..self.columns]);
            self.expander.expand_both(field, 1.0, (y, columns.start), [&mut *dx, &mut *dy]);
            if self.rows.len() == count {
                self.rows.push(Row { u: [0.0; BLOCK], v: [0.0; BLOCK], inside: [0; BLOCK] });
            }
            let row = &mut self.rows[count];
            let from = (columns.start as f32, y as f32);
            let extent = place(row, (size, below_px), from, (dx, dy));
            for (all, (low, high)) in all.iter_mut().zip(extent) {
                *all = (all.0.min(low), all.1.max(high));
            }
            count += 1;
        }
        let [(left, right), (top, bottom)] = all;
        if count == 0 || right < left {
            return true;
        }
        // Places lie at 1 or more; the samples around them reach one to the left and two to the right.
        let (left, top) = (left as usize - 1, (top - below_px) as usize - 1);
        let across = (right as usize + 3).min(size.0).saturating_sub(left);
        let down = ((bottom + below_px) as usize + 3).min(size.1).saturating_sub(top);
        if across > STRIDE || down > STRIDE {
            return false;
        }
        self.corner = (left, top);
        // Eight places together may look at a row more.
        self.values.resize((down + 1) * STRIDE + SLACK, 0.0);
        for (row, line) in self.values.chunks_exact_mut(STRIDE).take(down).enumerate() {
            take(frame, (left, top + row), &mut line[..across]);
        }
        true
    }

    /// The frame along row number `row` of those that were looked at, by the cubic B-spline, and 1 for each px whose 4 x 4
    /// samples are all in the frame.
    pub fn b_spline(&mut self, row: usize) -> (&[f32], &[u8]) {
        self.b_spline_below(row, 0.0)
    }

    /// The same so many px below the row, not more than was looked at.
    pub fn b_spline_below(&mut self, row: usize, below_px: f32) -> (&[f32], &[u8]) {
        self.sampled(row, below_px, Between::b_spline)
    }

    /// Of each px of that row, 1 where all that was looked at is in the frame.
    pub fn inside(&self, row: usize) -> &[u8] {
        &self.rows[row].inside[..self.columns]
    }

    /// What [`Piece::b_spline`] gives, by Keys' cubic.
    pub fn keys(&mut self, row: usize) -> (&[f32], &[u8]) {
        self.sampled(row, 0.0, Between::keys)
    }

    fn sampled(
        &mut self,
        row: usize,
        below_px: f32,
        sample: impl Fn(&mut Between, &Samples<'_>, &[f32], &[f32], &mut [f32]),
    ) -> (&[f32], &[u8]) {
        let Piece { between, rows, columns, values, corner, out, .. } = self;
        let row = &rows[row];
        let corner = (corner.0 as f32, corner.1 as f32 - below_px);
        let out = &mut out[..*columns];
        sample(between, &Samples { values, corner }, &row.u, &row.v, out);
        (out, &row.inside[..*columns])
    }
}

/// Where (`corner.0` + k + dx\[k\], `corner.1` + dy\[k\]) lies in a frame of `size`, drawn so far into it that it may lie
/// `below_px` higher or lower.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn place<'a>(
    row: &mut Row,
    ((width, height), below_px): ((usize, usize), f32),
    (x0, y): (f32, f32),
    (dx, dy): (&'a [f32], &'a [f32]),
) -> Extent {
    let n = dx.len().min(dy.len()).min(BLOCK);
    let top = 1.0 + below_px;
    let (right, bottom) =
        ((width as f32 - 3.0).max(1.0), (height as f32 - 3.0 - below_px).max(top));
    let large = width >= 4 && height as f32 >= 4.0 + 2.0 * below_px;
    let (dx, dy, ramp) = (&dx[..n], &dy[..n], &RAMP[..n]);
    let (us, vs, inside) = (&mut row.u[..n], &mut row.v[..n], &mut row.inside[..n]);
    for k in 0..n {
        let (u, v) = (x0 + ramp[k] + dx[k], y + dy[k]);
        let ok = u >= 1.0 && u <= right && v >= top && v <= bottom;
        inside[k] = u8::from(ok & large);
        // (What is no number lies at the first.)
        let (u, v) = (if u >= 1.0 { u } else { 1.0 }, if v >= top { v } else { top });
        us[k] = if u <= right { u } else { right };
        vs[k] = if v <= bottom { v } else { bottom };
    }
    [lowest_and_highest(us), lowest_and_highest(vs)]
}

/// Light from column `x` of row `y` on.
fn take(frame: &LightRows<'_>, (x, y): (usize, usize), out: &mut [f32]) {
    match frame {
        LightRows::U8(v, width, unit) => widen_u8(&v[y * width + x..], *unit, out),
        LightRows::U16(v, width, unit) => widen_u16(&v[y * width + x..], *unit, out),
        LightRows::Light(light) => out.copy_from_slice(&light.row(y)[x..x + out.len()]),
    }
}
