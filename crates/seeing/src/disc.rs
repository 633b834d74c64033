//! A disc on black sky, by what is bright in a frame.

use crate::raster::Raster;
use crate::scene::quick_length;
use multiversion::multiversion;

/// Centre and share of the frame of what is bright, on reduced light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disc {
    /// Centroid of the bright region, reduced px.
    pub x_px: f32,
    /// Centroid of the bright region, reduced px.
    pub y_px: f32,
    /// Share of the frame that is bright.
    pub share: f32,
    /// Share of the outermost pixels that are dark.
    pub dark_edge: f32,
    /// Standard deviation of the bright region about its centroid, reduced px: half the radius
    /// of a disc.
    pub spread_px: (f32, f32),
}

impl Disc {
    /// Corner and size of the part of `light` that holds the disc (out to 1.3 radii, for its
    /// rings and phases) and what the band-pass needs around it, of lengths that transform quickly. Of that, `edge_px` are passed over
    /// along the edges.
    pub(crate) fn surroundings(
        &self,
        light: &Raster,
        edge_px: usize,
    ) -> ((usize, usize), (usize, usize)) {
        let span = |centre: f32, spread: f32, n: usize| {
            let reach = 2.6 * spread + 2.1 * edge_px as f32;
            let wanted = (2.0 * reach).ceil().max(1.0) as usize;
            if wanted >= n {
                return (0, n);
            }
            let length = (wanted..=n).find(|m| quick_length(*m) == *m).unwrap_or(n);
            let first = (centre - 0.5 * length as f32).round().max(0.0) as usize;
            (first.min(n - length), length)
        };
        let (left, width) = span(self.x_px, self.spread_px.0, light.width);
        let (top, height) = span(self.y_px, self.spread_px.1, light.height);
        ((left, top), (width, height))
    }
}

/// Samples of which the percentiles of a frame are told, about.
const PERCENTILE_SAMPLES: usize = 4096;

/// Find what is bright in `light`: above a quarter of the way from the sky (5th percentile) to
/// the brightest (99.5th percentile). `None` when nothing stands out.
pub fn find_disc(light: &Raster) -> Option<Disc> {
    let n = light.values.len();
    if n < 16 {
        return None;
    }
    // Some thousands of samples tell the percentiles of a frame well enough; an odd step does not keep to columns.
    let step = (n / PERCENTILE_SAMPLES).max(1) | 1;
    let mut sorted: Vec<f32> = light.values.iter().step_by(step).copied().collect();
    let m = sorted.len();
    let low = *sorted.select_nth_unstable_by(m / 20, f32::total_cmp).1;
    let high = *sorted.select_nth_unstable_by(m - 1 - m / 200, f32::total_cmp).1;
    if high - low <= 1e-4 {
        return None;
    }
    let level = low + 0.25 * (high - low);
    // Whole numbers, whose sums are exact: how many px of each column and row are bright.
    let (mut columns, mut rows) = (vec![0u32; light.width], vec![0u32; light.height]);
    count_bright(light, level, &mut columns, &mut rows);
    let moments = |counts: &[u32]| {
        let (mut sum, mut square) = (0.0f64, 0.0f64);
        for (at, n) in counts.iter().enumerate() {
            sum += at as f64 * f64::from(*n);
            square += (at * at) as f64 * f64::from(*n);
        }
        (sum, square)
    };
    let count = rows.iter().map(|n| f64::from(*n)).sum::<f64>();
    if count == 0.0 {
        return None;
    }
    let ((sum_x, square_x), (sum_y, square_y)) = (moments(&columns), moments(&rows));
    let (mut edge, mut dark) = (0usize, 0usize);
    for y in 0..light.height {
        let row = light.row(y);
        let all = y == 0 || y + 1 == light.height;
        let step = if all { 1 } else { (row.len() - 1).max(1) };
        for v in row.iter().step_by(step) {
            edge += 1;
            dark += usize::from(*v <= level);
        }
    }
    let (x, y) = (sum_x / count, sum_y / count);
    let spread = |square: f64, mean: f64| (square / count - mean * mean).max(0.0).sqrt() as f32;
    Some(Disc {
        spread_px: (spread(square_x, x), spread(square_y, y)),
        x_px: x as f32,
        y_px: y as f32,
        share: (count / n as f64) as f32,
        dark_edge: dark as f32 / edge.max(1) as f32,
    })
}

/// How many px of each column and row are brighter than `level`.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn count_bright(light: &Raster, level: f32, columns: &mut [u32], rows: &mut [u32]) {
    let width = columns.len();
    for (row, n) in light.values.chunks_exact(width.max(1)).zip(rows) {
        let row = &row[..width];
        for x in 0..width {
            columns[x] += u32::from(row[x] > level);
        }
        let mut bright = 0u32;
        for v in row {
            bright += u32::from(*v > level);
        }
        *n = bright;
    }
}

/// Whether a reduced frame shows a disc on black sky: its edge is mostly dark, its dark part is
/// truly dark, and something is bright.
pub fn looks_like_a_disc(light: &Raster) -> bool {
    let Some(disc) = find_disc(light) else { return false };
    let n = light.values.len();
    let mut sorted = light.values.clone();
    let sky = *sorted.select_nth_unstable_by(n / 20, f32::total_cmp).1;
    let bright = *sorted.select_nth_unstable_by(n - 1 - n / 200, f32::total_cmp).1;
    disc.dark_edge > 0.7 && disc.share < 0.7 && sky < 0.2 * bright
}
