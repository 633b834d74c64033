//! The rows of the sharpness measure in whole numbers, for samples of one byte: the binomial blur of five
//! taps along both axes, times 256, fits into 16 bits, and twice as many samples into a vector.
//!
//! Neighbours in a row or column of blurred samples differ by at most 6/16 of what the samples hold (the sum of the
//! positive taps of the blur's difference), so that differences fit into 16 bits with their sign. Sums of whole numbers are the
//! same in any order and with vectors of any length.

use crate::raster::{mirror, mirror_ends};
use multiversion::multiversion;

/// Samples on each side that the blur takes in.
pub(crate) const RADIUS: usize = 2;

/// What a smoothed sample is worth: samples of the frame times this.
pub(crate) const TIMES: f32 = 256.0;

/// What a squared difference is worth before it is added, as a share: a column of 32 rows then fits into 32 bits
/// (2 x 24480^2 / 32 x 32 = 1.2e9). Rounded, which is off by less than a hundred-thousandth of a squared sample.
const ENERGY_SHIFT: u32 = 5;

/// Of this many rows one tells the light: the noise that is taken off hangs on it, and blurred rows hardly differ.
const LIGHT_STEP: usize = 4;

/// The last two smoothed rows, and the sums of the rows that were added since the last carry.
#[derive(Clone, Debug, Default)]
pub(crate) struct WholeRows {
    padded: Vec<u16>,
    /// Smoothed row y at y modulo 2.
    smoothed: [Vec<u16>; 2],
    /// First smoothed row that is not yet there.
    next: usize,
    /// Column by column: squared differences to the right and below, shifted; and the samples of every fourth row.
    energy: Vec<u32>,
    light: Vec<u32>,
    /// Rows that were added.
    rows: usize,
}

impl WholeRows {
    /// Start anew at row `first` of frames of `width` columns.
    pub fn begin(&mut self, width: usize, first: usize) {
        for row in &mut self.smoothed {
            row.resize(width, 0);
        }
        self.padded.resize(width + 2 * RADIUS, 0);
        self.next = first;
        for sums in [&mut self.energy, &mut self.light] {
            sums.clear();
            sums.resize(width, 0);
        }
        self.rows = 0;
    }

    /// Add row `y` of the frame whose samples are `v`, and what lies to the right and below, to the sums of its
    /// columns. Rows come in order; at most 32 between two carries.
    pub fn add_row(&mut self, v: &[u8], height: usize, y: usize) {
        while self.next <= y + 1 {
            let [even, odd] = &mut self.smoothed;
            let out = if self.next.is_multiple_of(2) { even } else { odd };
            smooth_row(v, height, self.next, &mut self.padded, out);
            self.next += 1;
        }
        let [even, odd] = &self.smoothed;
        let (here, below) = if y.is_multiple_of(2) { (even, odd) } else { (odd, even) };
        add_energy(here, below, &mut self.energy);
        if self.rows.is_multiple_of(LIGHT_STEP) {
            add_light(here, &mut self.light);
        }
        self.rows += 1;
    }

    /// Add what the columns of each span hold to its sums (energy, light; in squares of smoothed samples and in smoothed
    /// samples), and begin anew.
    pub fn carry(&mut self, spans: &[(usize, usize)], sums: &mut [[f64; 2]]) {
        let light_rows = self.rows.div_ceil(LIGHT_STEP).max(1);
        let units = [f64::from(1u32 << ENERGY_SHIFT), self.rows as f64 / light_rows as f64];
        carry([&self.energy, &self.light], units, spans, sums);
        self.energy.fill(0);
        self.light.fill(0);
        self.rows = 0;
    }
}

/// Add what the columns of each span hold, times the unit of each.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn carry(columns: [&[u32]; 2], units: [f64; 2], spans: &[(usize, usize)], sums: &mut [[f64; 2]]) {
    for ((low, high), sums) in spans.iter().zip(sums) {
        for k in 0..2 {
            let mut total = 0u64;
            for column in &columns[k][*low..*high] {
                total += u64::from(*column);
            }
            sums[k] += units[k] * total as f64;
        }
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn smooth_row(v: &[u8], height: usize, y: usize, padded: &mut [u16], out: &mut [u16]) {
    let width = out.len();
    let row = |offset: isize| {
        let at = mirror(y as isize + offset, height);
        &v[at * width..(at + 1) * width]
    };
    let (a, b, c, d, e) = (row(-2), row(-1), row(0), row(1), row(2));
    let (a, b, c, d, e) = (&a[..width], &b[..width], &c[..width], &d[..width], &e[..width]);
    let down = &mut padded[RADIUS..RADIUS + width];
    for i in 0..width {
        let (outer, inner) = (u16::from(a[i]) + u16::from(e[i]), u16::from(b[i]) + u16::from(d[i]));
        down[i] = (u16::from(c[i]) * 6).wrapping_add(inner * 4).wrapping_add(outer);
    }
    mirror_ends(padded, width, RADIUS);
    let (a, b, c) = (&padded[..width], &padded[1..width + 1], &padded[2..width + 2]);
    let (d, e) = (&padded[3..width + 3], &padded[4..width + 4]);
    for i in 0..width {
        let (outer, inner) = (a[i].wrapping_add(e[i]), b[i].wrapping_add(d[i]));
        out[i] = c[i].wrapping_mul(6).wrapping_add(inner.wrapping_mul(4)).wrapping_add(outer);
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_energy(here: &[u16], below: &[u16], energy: &mut [u32]) {
    let n = energy.len().saturating_sub(1);
    let (own, right, below) = (&here[..n], &here[1..n + 1], &below[..n]);
    let energy = &mut energy[..n];
    for i in 0..n {
        // Differences fit into 16 bits with their sign.
        let dx = i32::from(right[i].wrapping_sub(own[i]).cast_signed());
        let dy = i32::from(below[i].wrapping_sub(own[i]).cast_signed());
        let squares = (dx * dx + dy * dy).cast_unsigned();
        energy[i] = energy[i].wrapping_add((squares + (1 << (ENERGY_SHIFT - 1))) >> ENERGY_SHIFT);
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_light(here: &[u16], light: &mut [u32]) {
    for (sum, own) in light.iter_mut().zip(here) {
        *sum += u32::from(*own);
    }
}
