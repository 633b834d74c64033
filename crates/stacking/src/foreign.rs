//! Samples of one frame that are not of the scene, in one block of the output.
//!
//! A sample is foreign where it is not credible ([`crate::credible`]), and so are those around it: a
//! trail or a flash has flanks that are fainter than what the air may do, yet as foreign. They
//! are found block by block; across a block's border flanks are not followed.

use crate::resample::{BLOCK, Places};
use multiversion::multiversion;
use std::ops::Range;

/// How far flanks reach, px of the output on each side: as far as interpolation does. A trail 3 px wide in one of six frames a place left
/// 0.56 of itself at the worst px without flanks, 0.12 with 3 px, 0.10 with 4 (`tests/stack.rs`).
const FLANK_PX: usize = 4;

/// Which samples of a block are foreign.
#[derive(Clone, Debug)]
pub struct Foreign {
    rows: Vec<[u8; BLOCK]>,
    work: Vec<[u8; BLOCK]>,
    any: bool,
}

impl Foreign {
    /// For blocks of up to `rows` rows.
    pub fn new(rows: usize) -> Foreign {
        Foreign { rows: vec![[0; BLOCK]; rows], work: vec![[0; BLOCK]; rows], any: false }
    }

    /// Begin a block.
    pub fn begin(&mut self) {
        if self.any {
            self.rows.iter_mut().for_each(|row| row.fill(0));
        }
        self.any = false;
    }

    /// Find the foreign ones among the samples of one row, from column `first` of the block on: those of `weight` that
    /// differ from `value` by more than `tolerance`.
    pub fn note(
        &mut self,
        row: usize,
        first: usize,
        (samples, weight): (&[f32], &[f32]),
        (value, tolerance): (&[f32], &[f32]),
    ) {
        if let Some(row) = self.rows.get_mut(row).and_then(|row| row.get_mut(first..)) {
            self.any |= beyond(row, samples, weight, value, tolerance);
        }
    }

    /// Take the weight from all that are foreign, flanks included, in a block of `n` columns, of whose rows
    /// `places` hold the `columns`; says of each row and column that had one.
    pub fn weigh_nothing(
        &mut self,
        places: &mut [Places],
        columns: &[Range<usize>],
        n: usize,
        mut each: impl FnMut(usize, usize),
    ) {
        if !self.any {
            return;
        }
        for (row, out) in self.rows.iter().zip(&mut self.work) {
            for (x, o) in out[..n].iter_mut().enumerate() {
                let near = &row[x.saturating_sub(FLANK_PX)..(x + FLANK_PX + 1).min(n)];
                *o = u8::from(near.contains(&1));
            }
        }
        for (y, (places, columns)) in places.iter_mut().zip(columns).enumerate() {
            let near = y.saturating_sub(FLANK_PX)..(y + FLANK_PX + 1).min(self.work.len());
            for (x, weight) in columns.clone().zip(&mut places.weight) {
                if *weight != 0.0 && self.work[near.clone()].iter().any(|row| row[x] == 1) {
                    *weight = 0.0;
                    each(y, x);
                }
            }
        }
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn beyond(
    out: &mut [u8],
    samples: &[f32],
    weight: &[f32],
    value: &[f32],
    tolerance: &[f32],
) -> bool {
    let n = samples.len().min(out.len());
    let (out, samples, weight) = (&mut out[..n], &samples[..n], &weight[..n]);
    let (value, tolerance) = (&value[..n], &tolerance[..n]);
    let mut any = 0;
    for x in 0..n {
        let foreign = ((samples[x] - value[x]).abs() > tolerance[x]) & (weight[x] != 0.0);
        out[x] = u8::from(foreign);
        any |= out[x];
    }
    any != 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flanks_lose_their_weight_and_the_rest_keeps_it() {
        let mut foreign = Foreign::new(16);
        let mut places = vec![Places::default(); 16];
        places.iter_mut().for_each(|p| p.weight[..40].fill(1.0));
        let mut samples = [0.5f32; 40];
        samples[10] = 0.9;
        foreign.begin();
        // One row holds fewer columns than the others.
        let (mut spans, side) = (vec![0..40; 16], 2 * FLANK_PX + 1);
        spans[8] = 5..40;
        foreign.note(8, 5, (&samples[5..], &[1.0; 35]), (&[0.5; 35], &[0.1; 35]));
        let mut refused = 0;
        foreign.weigh_nothing(&mut places, &spans, 40, |_, _| refused += 1);
        assert_eq!(refused, side * side);
        for (y, row) in places.iter().enumerate() {
            for (x, w) in row.weight[..40].iter().enumerate() {
                let x = x + spans[y].start;
                let flank = y.abs_diff(8) <= FLANK_PX && x.abs_diff(10) <= FLANK_PX;
                assert_eq!(*w, if flank { 0.0 } else { 1.0 }, "{x} {y}");
            }
        }
        foreign.begin();
        foreign.weigh_nothing(&mut places, &spans, 40, |x, y| panic!("{x} {y}"));
    }
}
