//! What can be had without Stillwright's alignment: one frame, and plain means of frames that
//! are moved as a whole.
//!
//! The baselines are given every help that is cheap: stuck pixels are mended, shifts are the
//! survey's, and the resampling is a windowed sinc that keeps everything below the cut-off.

use stillwright_night::picture::{Layout, Plane, RawFrame, Samples, Shift};

/// Samples of a mono or Bayer frame, share of full scale.
pub fn raw_plane(frame: &RawFrame) -> Plane {
    let format = frame.format;
    let scaled = |v: f32| v / format.white;
    let values: Vec<f32> = match &frame.samples {
        Samples::U8(v) => v.iter().map(|v| scaled(f32::from(*v))).collect(),
        Samples::U16(v) => v.iter().map(|v| scaled(f32::from(*v))).collect(),
        Samples::F32(v) => v.clone(),
    };
    Plane::from_shape_vec((format.height, format.width), values).unwrap()
}

/// One channel of one frame. The gaps of a mosaic are filled by normalised convolution of that
/// colour's samples with a tent of 2 px on each side (for red and blue: bilinear interpolation).
pub fn single(raw: &Plane, layout: Layout, channel: usize) -> Plane {
    let Layout::Bayer(order) = layout else { return raw.clone() };
    let (height, width) = raw.dim();
    Plane::from_shape_fn((height, width), |(y, x)| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for v in y.saturating_sub(1)..(y + 2).min(height) {
            for u in x.saturating_sub(1)..(x + 2).min(width) {
                if order.channel_at(u, v) == channel {
                    let near = (2 - u.abs_diff(x)) * (2 - v.abs_diff(y));
                    sum += near as f32 * raw[(v, u)];
                    weight += near as f32;
                }
            }
        }
        sum / weight
    })
}

/// A mean of frames that are moved as a whole.
pub struct Mean {
    sum: Plane,
    weight: Plane,
}

impl Mean {
    pub fn new(height: usize, width: usize) -> Mean {
        Mean { sum: Plane::zeros((height, width)), weight: Plane::zeros((height, width)) }
    }

    /// Add a frame in which the scene lies `shift` from where it lies in the reference.
    pub fn add(&mut self, raw: &Plane, layout: Layout, channel: usize, shift: Shift) {
        match layout {
            Layout::Mono => self.add_whole(raw, shift),
            _ => self.add_mosaic(raw, layout, channel, shift),
        }
    }

    /// Separable sinc under a Lanczos window of 4 px (Duchon, J. Appl. Meteorology 18, 1016, 1979).
    fn add_whole(&mut self, raw: &Plane, shift: Shift) {
        let (height, width) = raw.dim();
        let (first_x, taps_x) = taps(shift.x_px);
        let (first_y, taps_y) = taps(shift.y_px);
        let inside = |at: isize, length: usize| at >= 0 && at + 8 <= length as isize;
        let mut row = vec![0.0f32; width];
        for y in 0..height {
            let top = y as isize + first_y;
            if !inside(top, height) {
                continue;
            }
            row.fill(0.0);
            for (k, tap) in taps_y.iter().enumerate() {
                for (sum, value) in row.iter_mut().zip(raw.row(top as usize + k)) {
                    *sum += tap * value;
                }
            }
            for x in 0..width {
                let left = x as isize + first_x;
                if inside(left, width) {
                    let samples = &row[left as usize..left as usize + 8];
                    self.sum[(y, x)] +=
                        samples.iter().zip(&taps_x).map(|(s, t)| s * t).sum::<f32>();
                    self.weight[(y, x)] += 1.0;
                }
            }
        }
    }

    /// Each colour from its own samples, weighted by a tent of 1 px on each side.
    fn add_mosaic(&mut self, raw: &Plane, layout: Layout, channel: usize, shift: Shift) {
        let Layout::Bayer(order) = layout else { panic!("{layout:?} is not in these captures") };
        let (height, width) = raw.dim();
        for y in 0..height {
            for x in 0..width {
                let (u, v) = (x as f32 + shift.x_px, y as f32 + shift.y_px);
                if u < 0.0 || v < 0.0 || u >= (width - 1) as f32 || v >= (height - 1) as f32 {
                    continue;
                }
                let (i, j) = (u as usize, v as usize);
                let (fx, fy) = (u - i as f32, v - j as f32);
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    if order.channel_at(i + dx, j + dy) == channel {
                        let near_x = if dx == 0 { 1.0 - fx } else { fx };
                        let near_y = if dy == 0 { 1.0 - fy } else { fy };
                        self.sum[(y, x)] += near_x * near_y * raw[(j + dy, i + dx)];
                        self.weight[(y, x)] += near_x * near_y;
                    }
                }
            }
        }
    }

    /// The mean; every pixel further than `border` px from the edge has been given light.
    pub fn finish(self, border: usize) -> Plane {
        let (height, width) = self.sum.dim();
        for ((y, x), weight) in self.weight.indexed_iter() {
            let inner = x.min(y).min(width - 1 - x).min(height - 1 - y) >= border;
            assert!(!inner || *weight > 1e-3, "no frame covers ({x}, {y})");
        }
        self.sum / self.weight.mapv(|w| w.max(1e-6))
    }
}

/// What is left between `test` and the truth without any help but place, gain and offset, as a
/// share of the truth's contrast: blur counts here. `place` is where the test's pixel (0, 0) lies
/// in the truth (x, y), to a fraction of a px; `border` px of the test are left out.
pub fn error_as_it_is(truth: &Plane, test: &Plane, place: (f64, f64), border: usize) -> f64 {
    let (left, taps_x) = taps(place.0 as f32);
    let (top, taps_y) = taps(place.1 as f32);
    let (height, width) = test.dim();
    let mut pairs = Vec::new();
    for y in border..height - border {
        for x in border..width - border {
            let (u, v) = ((x as isize + left) as usize, (y as isize + top) as usize);
            let mut sum = 0.0;
            for (j, ty) in taps_y.iter().enumerate() {
                for (i, tx) in taps_x.iter().enumerate() {
                    sum += ty * tx * truth[(v + j, u + i)];
                }
            }
            pairs.push((f64::from(sum), f64::from(test[(y, x)])));
        }
    }
    let n = pairs.len() as f64;
    let mean_t = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_s = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut tt, mut ts, mut ss) = (0.0, 0.0, 0.0);
    for (t, s) in pairs {
        let (t, s) = (t - mean_t, s - mean_s);
        (tt, ts, ss) = (tt + t * t, ts + t * s, ss + s * s);
    }
    (1.0 - ts * ts / (ss * tt)).max(0.0).sqrt()
}

/// First sample and eight weights, which add up to 1, for a value `shift` px further on.
fn taps(shift: f32) -> (isize, [f32; 8]) {
    let whole = shift.floor();
    let sinc = |x: f64| if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
    let mut taps = [0.0; 8];
    for (k, tap) in taps.iter_mut().enumerate() {
        let x = std::f64::consts::PI * (k as f64 - 3.0 - f64::from(shift - whole));
        *tap = sinc(x) * sinc(x / 4.0);
    }
    let sum: f64 = taps.iter().sum();
    (whole as isize - 3, taps.map(|tap| (tap / sum) as f32))
}
