//! Powers and cross power of two pictures, ring by ring of spatial frequency.

use crate::fourier::{Fourier, FourierWork};
use crate::raster::Raster;
use rustfft::num_complex::Complex32;
use std::f32::consts::TAU;

/// Rings of frequency, evenly from 0 to 0.5 cycles per px.
pub(crate) const RINGS: usize = 40;

/// Means over each ring.
pub(crate) struct RingSums {
    /// Middle of the ring, cycles per px.
    pub frequency: Vec<f64>,
    /// Real part of the cross power.
    pub cross: Vec<f64>,
    /// Power of the first picture.
    pub first: Vec<f64>,
    /// Power of the second.
    pub second: Vec<f64>,
    /// Coefficients (half plane) in the ring.
    pub count: Vec<f64>,
}

/// Sums of two pictures of the same size, their means taken off and their edges faded out.
pub(crate) fn ring_sums(first: &Raster, second: &Raster) -> RingSums {
    let (width, height) = (first.width, first.height);
    let fourier = Fourier::new(width, height);
    let mut work = FourierWork::default();
    let fade = |k: usize, n: usize| 0.5 - 0.5 * (TAU * (k as f32 + 0.5) / n as f32).cos();
    let mut spectrum_of = |raster: &Raster| {
        let mean = raster.mean();
        let mut values: Vec<f32> = raster.values.iter().map(|v| v - mean).collect();
        for (y, row) in values.chunks_mut(width).enumerate() {
            let down = fade(y, height);
            row.iter_mut().enumerate().for_each(|(x, v)| *v *= down * fade(x, width));
        }
        let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
        fourier.forward(&mut values, &mut spectrum, &mut work);
        spectrum
    };
    let (a, b) = (spectrum_of(first), spectrum_of(second));
    let mut out = RingSums {
        frequency: (0..RINGS).map(|k| (k as f64 + 0.5) * 0.5 / RINGS as f64).collect(),
        cross: vec![0.0; RINGS],
        first: vec![0.0; RINGS],
        second: vec![0.0; RINGS],
        count: vec![0.0; RINGS],
    };
    for u in 0..fourier.columns() {
        for v in 0..height {
            let (fx, fy) = fourier.frequency(u, v);
            let ring = (f64::from(fx.hypot(fy)) * 2.0 * RINGS as f64) as usize;
            if ring >= RINGS {
                continue;
            }
            let (p, q) = (a[u * height + v], b[u * height + v]);
            out.cross[ring] += f64::from((p * q.conj()).re);
            out.first[ring] += f64::from(p.norm_sqr());
            out.second[ring] += f64::from(q.norm_sqr());
            out.count[ring] += 1.0;
        }
    }
    for k in 0..RINGS {
        let n = out.count[k].max(1.0);
        out.cross[k] /= n;
        out.first[k] /= n;
        out.second[k] /= n;
    }
    out
}
