//! Samples between pixels: where each output pixel lies in a frame, and what stands there.

use crate::drizzle::Drop;
use crate::window::{STRIDE, Window};
use multiversion::multiversion;
use stillwright_picture::BayerOrder;
use stillwright_seeing::lanes::{RAMP, whole};

/// Output pixels of one row of a block, at most.
pub const BLOCK: usize = stillwright_seeing::spline::BLOCK;

/// Frames fade out over this many px along their edge, so that a wandering edge leaves no line.
const FADE_PX: f32 = 12.0;

/// Where the pixels of one output row lie in a frame, and what they weigh there.
#[derive(Clone, Debug)]
pub struct Places {
    /// Column of the frame, px, limited to it.
    pub u: [f32; BLOCK],
    /// Row of the frame, px, limited to it.
    pub v: [f32; BLOCK],
    /// Weight; 0 where the pixel lies outside the frame or does not count.
    pub weight: [f32; BLOCK],
    corner: [u32; BLOCK],
}

impl Default for Places {
    fn default() -> Self {
        Places { u: [0.0; BLOCK], v: [0.0; BLOCK], weight: [0.0; BLOCK], corner: [0; BLOCK] }
    }
}

/// What turns the pixels of one output row into places in a frame.
#[derive(Clone, Copy, Debug, Default)]
pub struct RowPlace<'a> {
    /// Displacement of each pixel, px of the frame.
    pub dx: &'a [f32],
    /// Displacement of each pixel, px of the frame.
    pub dy: &'a [f32],
    /// Weight of each pixel before the frame's edge is looked at.
    pub weight: &'a [f32],
    /// Column of the first pixel in the output.
    pub first_column: usize,
    /// Output pixels per px of the frame.
    pub scale: f32,
    /// To be added to the column, px of the frame.
    pub offset_x: f32,
    /// Row of the pixels, px of the frame.
    pub position_y: f32,
    /// Columns and rows of the frame.
    pub size: (usize, usize),
}

/// Smallest and largest column and row of the frame that the pixels of weight touch, or more.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    /// Smallest column.
    pub left: f32,
    /// Largest column.
    pub right: f32,
    /// Smallest row.
    pub top: f32,
    /// Largest row.
    pub bottom: f32,
}

impl Extent {
    /// Holds nothing.
    pub const EMPTY: Extent =
        Extent { left: f32::MAX, right: f32::MIN, top: f32::MAX, bottom: f32::MIN };

    /// Whether it holds nothing.
    pub fn is_empty(&self) -> bool {
        self.right < self.left
    }

    /// What either holds.
    pub fn with(self, other: Extent) -> Extent {
        Extent {
            left: self.left.min(other.left),
            right: self.right.max(other.right),
            top: self.top.min(other.top),
            bottom: self.bottom.max(other.bottom),
        }
    }
}

impl Places {
    /// Work out the places of one row; gives what they touch.
    pub fn of_row(&mut self, row: &RowPlace<'_>) -> Extent {
        place_faded(self, row)
    }

    /// Find the first of the 6 x 6 samples around each of the first `n` places in `window`,
    /// which must hold them all.
    pub fn within(&mut self, n: usize, window: &Window) {
        corners(self, n, (window.left + 2) as f32, (window.top + 2) as f32);
    }

    /// Where in the window the first of the 6 x 6 samples around each place stands.
    pub fn corners(&self) -> &[u32; BLOCK] {
        &self.corner
    }
}

/// The places of the rows of a block, one of [`Places`] for each of `rows`, where all of them lie inside the frame by more
/// than the fading edge; `None`, with nothing meaningful written, where they do not. The same as [`Places::of_row`] then.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
pub fn places_inside<'a>(places: &mut [Places], rows: &[RowPlace<'a>]) -> Option<Extent> {
    const LANES: usize = 8;
    let (mut low, mut high) = ([[f32::MAX; LANES]; 2], [[f32::MIN; LANES]; 2]);
    let size = rows.first()?.size;
    let (columns, lines) = ((size.0 - 1) as f32, (size.1 - 1) as f32);
    let inside = |(left, right): (f32, f32), (top, bottom): (f32, f32)| {
        left >= FADE_PX && top >= FADE_PX && right <= columns - FADE_PX && bottom <= lines - FADE_PX
    };
    for (places, row) in places.iter_mut().zip(rows) {
        let n = row.dx.len().min(row.dy.len()).min(row.weight.len()).min(BLOCK);
        let (dx, dy, weight) = (&row.dx[..n], &row.dy[..n], &row.weight[..n]);
        let (us, vs, ws) = (&mut places.u[..n], &mut places.v[..n], &mut places.weight[..n]);
        let (first, step) = (row.first_column as f32 + 0.5, 1.0 / row.scale);
        let (y, offset_x) = (row.position_y, row.offset_x);
        for x in 0..n {
            let column = (first + RAMP[x]) * step - 0.5;
            us[x] = column + dx[x] + offset_x;
            vs[x] = y + dy[x];
            ws[x] = weight[x];
        }
        // Most blocks that reach too far out do so at the end of their first row already.
        let ends = us.first().zip(us.last()).zip(vs.first().zip(vs.last()));
        if ends.is_some_and(|((l, r), (a, b))| !inside((*l, *r), (a.min(*b), a.max(*b)))) {
            return None;
        }
        for ((low, high), at) in low.iter_mut().zip(&mut high).zip([&*us, vs]) {
            let (whole, rest) = at.as_chunks::<LANES>();
            for at in whole {
                for l in 0..LANES {
                    low[l] = if at[l] < low[l] { at[l] } else { low[l] };
                }
            }
            for at in whole {
                for l in 0..LANES {
                    high[l] = if at[l] > high[l] { at[l] } else { high[l] };
                }
            }
            for at in rest {
                low[0] = low[0].min(*at);
                high[0] = high[0].max(*at);
            }
        }
    }
    let [left, top] = low.map(|low| low.into_iter().fold(f32::MAX, f32::min));
    let [right, bottom] = high.map(|high| high.into_iter().fold(f32::MIN, f32::max));
    inside((left, right), (top, bottom)).then_some(Extent { left, right, top, bottom })
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn place_faded<'a>(places: &mut Places, row: &RowPlace<'a>) -> Extent {
    const LANES: usize = 8;
    let n = row.dx.len().min(row.dy.len()).min(row.weight.len()).min(BLOCK);
    let (right, bottom) = ((row.size.0 - 1) as f32, (row.size.1 - 1) as f32);
    let (dx, dy, weight) = (&row.dx[..n], &row.dy[..n], &row.weight[..n]);
    let (us, vs, ws) = (&mut places.u[..n], &mut places.v[..n], &mut places.weight[..n]);
    let (first, step) = (row.first_column as f32 + 0.5, 1.0 / row.scale);
    for x in 0..n {
        let column = (first + RAMP[x]) * step - 0.5;
        let u = column + dx[x] + row.offset_x;
        let v = row.position_y + dy[x];
        // 1 inside the frame, fading towards its edge, 0 outside. It never quite reaches 0
        // inside, so that the outermost pixels of a scene that never moves are still covered.
        let to_right = right - u;
        let to_bottom = bottom - v;
        let across = if u < to_right { u } else { to_right };
        let down = if v < to_bottom { v } else { to_bottom };
        let distance = if across < down { across } else { down };
        let t = distance / FADE_PX;
        let t = if t < 1.0 { t } else { 1.0 };
        let fade = 0.02 + 0.98 * t * t * (3.0 - 2.0 * t);
        let inside = u >= 0.0 && v >= 0.0 && u <= right && v <= bottom;
        ws[x] = if inside { weight[x] * fade } else { 0.0 };
        us[x] = if inside { u } else { 0.0 };
        vs[x] = if inside { v } else { 0.0 };
    }
    let mut low = [[f32::MAX; LANES]; 2];
    let mut high = [[f32::MIN; LANES]; 2];
    let whole = n / LANES * LANES;
    let (ws, [us, vs]) = (&ws[..n], [&us[..n], &vs[..n]]);
    for ((low, high), at) in low.iter_mut().zip(&mut high).zip([us, vs]) {
        let lanes = at.as_chunks::<LANES>().0.iter().zip(ws.as_chunks::<LANES>().0);
        for (at, weight) in lanes {
            for l in 0..LANES {
                let from = if weight[l] != 0.0 { at[l] } else { f32::MAX };
                let to = if weight[l] != 0.0 { at[l] } else { f32::MIN };
                low[l] = if from < low[l] { from } else { low[l] };
                high[l] = if to > high[l] { to } else { high[l] };
            }
        }
        for x in (whole..n).filter(|x| ws[*x] != 0.0) {
            low[0] = low[0].min(at[x]);
            high[0] = high[0].max(at[x]);
        }
    }
    let [low_u, low_v] = low;
    let [high_u, high_v] = high;
    Extent {
        left: low_u.into_iter().fold(f32::MAX, f32::min),
        right: high_u.into_iter().fold(f32::MIN, f32::max),
        top: low_v.into_iter().fold(f32::MAX, f32::min),
        bottom: high_v.into_iter().fold(f32::MIN, f32::max),
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn corners(places: &mut Places, n: usize, left: f32, top: f32) {
    let n = n.min(BLOCK);
    let (us, vs, ws) = (&places.u[..n], &places.v[..n], &places.weight[..n]);
    let corner = &mut places.corner[..n];
    for x in 0..n {
        // Pixels that do not count point to the corner, which is never read for them.
        let counts = ws[x] != 0.0;
        let (u, v) = if counts { (us[x], vs[x]) } else { (left, top) };
        let (i, j) = (u.floor(), v.floor());
        corner[x] = whole(j - top) * STRIDE as u32 + whole(i - left);
    }
}

/// What has been added up along one output row.
pub struct RowSums<'a> {
    /// Sums of weighted samples.
    pub sums: &'a mut [f32],
    /// Sums of weights.
    pub weights: &'a mut [f32],
}

/// One colour of a mosaic.
#[derive(Clone, Copy)]
pub struct Mosaic {
    pub order: BayerOrder,
    pub channel: usize,
    /// What a sample shares with the px around it.
    pub drop: Drop,
}

impl RowSums<'_> {
    /// Add samples with their weights, or the share of these that the second of two weights has in the first.
    pub fn add(&mut self, samples: &[f32], weight: &[f32], share: Option<(&[f32], &[f32])>) {
        let n = self.sums.len().min(self.weights.len()).min(samples.len()).min(BLOCK);
        let to = (&mut self.sums[..n], &mut self.weights[..n]);
        match share {
            None => add_all(to, samples, weight),
            Some(share) => add_share(to, samples, weight, share),
        }
    }

    /// Add one colour of a mosaic from that colour's own samples: the up to four raw samples
    /// around the place, those of this colour, each weighted by what it shares with the place's pixel.
    /// `places` are columns, rows (px of the frame) and weights. Over many frames that wander, every place is covered. Gives how many
    /// samples were refused as not credible (where that is known: expected value and largest credible difference from it).
    pub fn add_mosaic(
        &mut self,
        window: &Window,
        (u, v, weight): (&[f32], &[f32], &[f32]),
        Mosaic { order, channel, drop }: Mosaic,
        credible: Option<(&[f32], &[f32])>,
    ) -> u64 {
        let mut refused = 0;
        for (x, ((u, v), w)) in u.iter().zip(v).zip(weight).enumerate().take(self.sums.len()) {
            let (u, v, w) = (*u, *v, *w);
            if w == 0.0 {
                continue;
            }
            let (i, j) = (u as usize, v as usize);
            let (fx, fy) = (u - i as f32, v - j as f32);
            let corner =
                (j as isize - window.top) as usize * STRIDE + (i as isize - window.left) as usize;
            let (left, right) = (drop.share(fx), drop.share(1.0 - fx));
            let (above, below) = (drop.even * drop.share(fy), drop.even * drop.share(1.0 - fy));
            let near = [
                (0, 0, left * above),
                (1, 0, right * above),
                (0, 1, left * below),
                (1, 1, right * below),
            ];
            for (dx, dy, nearness) in near {
                if nearness == 0.0 || order.channel_at(i + dx, j + dy) != channel {
                    continue;
                }
                let sample = window.values[corner + dy * STRIDE + dx];
                let beyond =
                    |(value, tolerance): (&[f32], &[f32])| (sample - value[x]).abs() > tolerance[x];
                if credible.is_some_and(beyond) {
                    refused += 1;
                    continue;
                }
                let share = w * nearness;
                self.sums[x] += share * sample;
                self.weights[x] += share;
            }
        }
        refused
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_all((sums, weights): (&mut [f32], &mut [f32]), samples: &[f32], weight: &[f32]) {
    for (((sum, total), sample), w) in sums.iter_mut().zip(weights).zip(samples).zip(weight) {
        *sum += w * sample;
        *total += w;
    }
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_share(
    (sums, weights): (&mut [f32], &mut [f32]),
    samples: &[f32],
    weight: &[f32],
    (all, own): (&[f32], &[f32]),
) {
    let n = sums.len().min(weight.len()).min(all.len()).min(own.len());
    let (sums, weights, samples) = (&mut sums[..n], &mut weights[..n], &samples[..n]);
    let (weight, all, own) = (&weight[..n], &all[..n], &own[..n]);
    for x in 0..n {
        let w = share(weight[x], all[x], own[x]);
        sums[x] += w * samples[x];
        weights[x] += w;
    }
}

/// As much of `weight`, what the frame's edge and foreign samples left of `all` weights of a px, as belongs to `own`, some of them.
#[inline(always)]
fn share(weight: f32, all: f32, own: f32) -> f32 {
    own * (weight / if all > f32::MIN_POSITIVE { all } else { f32::MIN_POSITIVE })
}

/// The same along a row.
pub fn shared<'a>(
    weight: &[f32],
    all: &[f32],
    own: &[f32],
    out: &'a mut [f32; BLOCK],
) -> &'a [f32] {
    let n = weight.len().min(all.len()).min(own.len()).min(BLOCK);
    for (x, out) in out[..n].iter_mut().enumerate() {
        *out = share(weight[x], all[x], own[x]);
    }
    &out[..n]
}

#[cfg(test)]
mod tests;
