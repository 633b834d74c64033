//! Small loops over rows that several stages share.

use crate::spline::BLOCK;
use multiversion::multiversion;

/// 0, 1, 2, ...
pub static RAMP: [f32; BLOCK] = {
    let mut ramp = [0.0; BLOCK];
    let mut x = 0;
    while x < BLOCK {
        ramp[x] = x as f32;
        x += 1;
    }
    ramp
};

/// The whole number nearest to `value`, which lies from 0 to 2^22: the bits of a sum whose last
/// place is 1. A conversion would look for values out of range, one by one.
#[inline(always)]
pub fn whole(value: f32) -> u32 {
    const UNITS: f32 = (1u32 << 23) as f32;
    (value + UNITS).to_bits() & 0x007f_ffff
}

/// Smallest and largest of `values`.
#[inline(always)]
pub fn lowest_and_highest(values: &[f32]) -> (f32, f32) {
    const LANES: usize = 8;
    let (whole, rest) = values.as_chunks::<LANES>();
    let mut low = [f32::MAX; LANES];
    for some in whole {
        for l in 0..LANES {
            low[l] = if some[l] < low[l] { some[l] } else { low[l] };
        }
    }
    let mut high = [f32::MIN; LANES];
    for some in whole {
        for l in 0..LANES {
            high[l] = if some[l] > high[l] { some[l] } else { high[l] };
        }
    }
    let ends = low.into_iter().zip(high).chain(rest.iter().map(|v| (*v, *v)));
    ends.fold((f32::MAX, f32::MIN), |(low, high), (a, b)| (low.min(a), high.max(b)))
}

/// Samples of one byte, times `scale`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
pub fn widen_u8(row: &[u8], scale: f32, out: &mut [f32]) {
    for (o, s) in out.iter_mut().zip(row) {
        *o = scale * f32::from(*s);
    }
}

/// Samples of two bytes, likewise.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
pub fn widen_u16(row: &[u16], scale: f32, out: &mut [f32]) {
    for (o, s) in out.iter_mut().zip(row) {
        *o = scale * f32::from(*s);
    }
}
