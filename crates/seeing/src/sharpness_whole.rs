//! The rows of the sharpness measure in whole numbers, for samples of one byte: the binomial blur of five
//! taps along both axes, times 256, fits into 16 bits, and twice as many samples into a vector.

use crate::raster::mirror;
use crate::sharpness::{LANES, add_differences};
use multiversion::multiversion;

/// Samples on each side that the blur takes in.
const RADIUS: usize = 2;

/// What a smoothed sample is worth: samples of the frame times this.
pub(crate) const TIMES: f32 = 256.0;

/// The last two smoothed rows.
#[derive(Clone, Debug, Default)]
pub(crate) struct WholeRows {
    padded: Vec<u16>,
    /// Smoothed row y at y modulo 2.
    smoothed: [Vec<u16>; 2],
    /// First smoothed row that is not yet there.
    next: usize,
}

impl WholeRows {
    /// Start anew at row `first` of frames of `width` columns.
    pub fn begin(&mut self, width: usize, first: usize) {
        for row in &mut self.smoothed {
            row.resize(width, 0);
        }
        self.padded.resize(width + 2 * RADIUS, 0);
        self.next = first;
    }

    /// Add row `y` of the frame whose samples are `v`, and what lies below it, to the lanes of each span of
    /// columns: squared differences to the right and below, and the samples themselves. Rows come in order.
    pub fn add_row(
        &mut self,
        v: &[u8],
        height: usize,
        y: usize,
        spans: &[(usize, usize)],
        lanes: &mut [[[f32; LANES]; 2]],
    ) {
        while self.next <= y + 1 {
            let [even, odd] = &mut self.smoothed;
            let out = if self.next.is_multiple_of(2) { even } else { odd };
            smooth_row(v, height, self.next, &mut self.padded, out);
            self.next += 1;
        }
        let [even, odd] = &self.smoothed;
        let (here, below) = if y.is_multiple_of(2) { (even, odd) } else { (odd, even) };
        add(here, below, spans, lanes);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
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
    for i in 1..=RADIUS {
        padded[RADIUS - i] = padded[RADIUS + mirror(-(i as isize), width)];
        padded[RADIUS + width - 1 + i] = padded[RADIUS + mirror((width - 1 + i) as isize, width)];
    }
    let (a, b, c) = (&padded[..width], &padded[1..width + 1], &padded[2..width + 2]);
    let (d, e) = (&padded[3..width + 3], &padded[4..width + 4]);
    for i in 0..width {
        let (outer, inner) = (a[i].wrapping_add(e[i]), b[i].wrapping_add(d[i]));
        out[i] = c[i].wrapping_mul(6).wrapping_add(inner.wrapping_mul(4)).wrapping_add(outer);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn add(here: &[u16], below: &[u16], spans: &[(usize, usize)], lanes: &mut [[[f32; LANES]; 2]]) {
    add_differences(here, below, spans, lanes);
}
