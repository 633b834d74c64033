//! Where the px of a row of the reference lie in a frame, and what comparing them there needs.

use multiversion::multiversion;
use std::ops::Range;

/// Steps between two px for which kernels are tabulated.
pub(crate) const PHASES: usize = 512;

/// Lanes of the sums.
pub(crate) const LANES: usize = 8;

/// The values from `at` on.
#[inline(always)]
pub(crate) fn eight(values: &[f32], at: usize) -> [f32; LANES] {
    values[at..].first_chunk().copied().unwrap_or_default()
}

/// The kernel of a phase.
#[inline(always)]
pub(crate) fn table_at(table: &[[f32; 4]; PHASES + 1], phase: u16) -> [f32; 4] {
    table[usize::from(phase).min(PHASES)]
}

/// What a frame is made of.
pub(crate) trait Sample: Copy {
    /// As it stands.
    fn value(self) -> f32;
}

impl Sample for u8 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

impl Sample for u16 {
    #[inline(always)]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

impl Sample for f32 {
    #[inline(always)]
    fn value(self) -> f32 {
        self
    }
}

/// The frame between the 4 x 4 samples from `corner` on, by the kernels across and down.
#[inline(always)]
pub(crate) fn between<T: Sample>(
    frame: &[T],
    stride: usize,
    corner: u32,
    (wx, wy): (&[f32; 4], &[f32; 4]),
) -> f32 {
    let mut sum = [0.0f32; 4];
    for (tap, wy) in wy.iter().enumerate() {
        let start = corner as usize + tap * stride;
        let line = &frame[start..start + 4];
        for i in 0..4 {
            sum[i] += wy * line[i].value();
        }
    }
    for i in 0..4 {
        sum[i] *= wx[i];
    }
    (sum[0] + sum[2]) + (sum[1] + sum[3])
}

/// The runs of cells side by side that are `wanted`, in a row of `columns` cells that begins at cell `first`.
pub(crate) fn runs(
    wanted: Option<&[bool]>,
    first: usize,
    columns: usize,
) -> impl Iterator<Item = Range<usize>> {
    let counts = move |c: usize| wanted.is_none_or(|w| w[first + c]);
    let mut column = 0;
    std::iter::from_fn(move || {
        let from = (column..columns).find(|c| counts(*c))?;
        column = (from..columns).find(|c| !counts(*c)).unwrap_or(columns);
        Some(from..column)
    })
}

/// Where the px of a row lie in the frame: the corner of the 4 x 4 samples around each, how far it lies between the
/// second and the third of them, and whether all 16 are there.
#[derive(Clone, Debug, Default)]
pub(crate) struct Places {
    /// 0, 1, 2, ...
    ramp: Vec<f32>,
    /// Index of the first of the 16 samples.
    pub corner: Vec<u32>,
    /// Parts of [`PHASES`] across.
    pub phase_x: Vec<u16>,
    /// Parts of [`PHASES`] down.
    pub phase_y: Vec<u16>,
    /// 1 where all 16 samples are in the frame.
    pub inside: Vec<u8>,
}

impl Places {
    /// Work out where (`corner.0` + k + dx\[k\], `corner.1` + dy\[k\]) lies in a frame of `size`.
    pub fn set(&mut self, size: (usize, usize), corner: (f32, f32), dx: &[f32], dy: &[f32]) {
        place(self, size, corner, dx, dy);
    }
}

/// The whole number nearest to `value`, which lies from 0 to 2^22: the bits of a sum whose last
/// place is 1. A conversion would look for values out of range, one by one.
#[inline(always)]
fn whole(value: f32) -> u32 {
    const UNITS: f32 = (1u32 << 23) as f32;
    (value + UNITS).to_bits() & 0x007f_ffff
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn place(
    places: &mut Places,
    (width, height): (usize, usize),
    (x0, y): (f32, f32),
    dx: &[f32],
    dy: &[f32],
) {
    let n = dx.len().min(dy.len());
    while places.ramp.len() < n {
        places.ramp.push(places.ramp.len() as f32);
    }
    places.corner.resize(n, 0);
    places.phase_x.resize(n, 0);
    places.phase_y.resize(n, 0);
    places.inside.resize(n, 0);
    let (right, bottom) = (width as f32 - 3.0, height as f32 - 3.0);
    let (dx, dy, ramp) = (&dx[..n], &dy[..n], &places.ramp[..n]);
    let stride = width as u32;
    let (corner, inside) = (&mut places.corner[..n], &mut places.inside[..n]);
    let (px, py) = (&mut places.phase_x[..n], &mut places.phase_y[..n]);
    for k in 0..n {
        let (u, v) = (x0 + ramp[k] + dx[k], y + dy[k]);
        let ok = u >= 1.0 && u <= right && v >= 1.0 && v <= bottom;
        let (u, v) = if ok { (u, v) } else { (1.0, 1.0) };
        let (i, j) = (u.floor(), v.floor());
        px[k] = whole((u - i) * PHASES as f32) as u16;
        py[k] = whole((v - j) * PHASES as f32) as u16;
        corner[k] = whole(j - 1.0) * stride + whole(i - 1.0);
        inside[k] = u8::from(ok);
    }
}
