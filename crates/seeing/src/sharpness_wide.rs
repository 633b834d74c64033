//! The rows of the sharpness measure for samples of two bytes: the binomial blur of five taps along both axes, times 256, fits
//! into 24 bits, which floats hold exactly. Squares are added column by column, row after row, so that sums are the same with
//! vectors of any length.

use crate::raster::{mirror, mirror_ends};
use crate::sharpness_whole::RADIUS;
use multiversion::multiversion;

/// The last two smoothed rows, and the sums of the rows that were added since the last carry.
#[derive(Clone, Debug, Default)]
pub(crate) struct WideRows {
    padded: Vec<i32>,
    /// Smoothed row y at y modulo 2, in samples times [`crate::sharpness_whole::TIMES`].
    smoothed: [Vec<f32>; 2],
    /// First smoothed row that is not yet there.
    next: usize,
    /// Column by column: squared differences to the right and below, and the samples.
    energy: Vec<f32>,
    light: Vec<f32>,
}

impl WideRows {
    /// Start anew at row `first` of frames of `width` columns.
    pub fn begin(&mut self, width: usize, first: usize) {
        for row in &mut self.smoothed {
            row.resize(width, 0.0);
        }
        self.padded.resize(width + 2 * RADIUS, 0);
        self.next = first;
        for sums in [&mut self.energy, &mut self.light] {
            sums.clear();
            sums.resize(width, 0.0);
        }
    }

    /// Add row `y` of the frame whose samples are `v`, and what lies to the right and below, to the sums of its
    /// columns. Rows come in order.
    pub fn add_row(&mut self, v: &[u16], height: usize, y: usize) {
        while self.next <= y + 1 {
            let [even, odd] = &mut self.smoothed;
            let out = if self.next.is_multiple_of(2) { even } else { odd };
            smooth_row(v, height, self.next, &mut self.padded, out);
            self.next += 1;
        }
        let [even, odd] = &self.smoothed;
        let (here, below) = if y.is_multiple_of(2) { (even, odd) } else { (odd, even) };
        add_differences(here, below, &mut self.energy, &mut self.light);
    }

    /// Add what the columns of each span hold to its sums (energy, light; in squares of smoothed samples and in smoothed
    /// samples), and begin anew.
    pub fn carry(&mut self, spans: &[(usize, usize)], sums: &mut [[f64; 2]]) {
        for ((low, high), sums) in spans.iter().zip(sums) {
            for (sum, columns) in sums.iter_mut().zip([&self.energy, &self.light]) {
                *sum += columns[*low..*high].iter().map(|column| f64::from(*column)).sum::<f64>();
            }
        }
        self.energy.fill(0.0);
        self.light.fill(0.0);
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn smooth_row(v: &[u16], height: usize, y: usize, padded: &mut [i32], out: &mut [f32]) {
    let width = out.len();
    let row = |offset: isize| {
        let at = mirror(y as isize + offset, height);
        &v[at * width..(at + 1) * width]
    };
    let (a, b, c, d, e) = (row(-2), row(-1), row(0), row(1), row(2));
    let (a, b, c, d, e) = (&a[..width], &b[..width], &c[..width], &d[..width], &e[..width]);
    let down = &mut padded[RADIUS..RADIUS + width];
    for i in 0..width {
        let (outer, inner) = (i32::from(a[i]) + i32::from(e[i]), i32::from(b[i]) + i32::from(d[i]));
        down[i] = 6 * i32::from(c[i]) + 4 * inner + outer;
    }
    mirror_ends(padded, width, RADIUS);
    let (a, b, c) = (&padded[..width], &padded[1..width + 1], &padded[2..width + 2]);
    let (d, e) = (&padded[3..width + 3], &padded[4..width + 4]);
    for i in 0..width {
        out[i] = (6 * c[i] + 4 * (b[i] + d[i]) + a[i] + e[i]) as f32;
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_differences(here: &[f32], below: &[f32], energy: &mut [f32], light: &mut [f32]) {
    let n = energy.len().saturating_sub(1);
    let (own, right, below) = (&here[..n], &here[1..n + 1], &below[..n]);
    let (energy, light) = (&mut energy[..n], &mut light[..n]);
    for i in 0..n {
        let (dx, dy) = (right[i] - own[i], below[i] - own[i]);
        energy[i] += dx * dx + dy * dy;
        light[i] += own[i];
    }
}
