//! Slopes of a picture, and rows of a frame sampled along a field.

#[cfg(test)]
use crate::interpolate::cubic_taps;
use crate::raster::Raster;

/// Slopes of `image` along x and y, from the samples beside each.
pub(crate) fn slopes(image: &Raster) -> (Raster, Raster) {
    let (width, height) = (image.width, image.height);
    let (mut gx, mut gy) = (Raster::zeros(width, height), Raster::zeros(width, height));
    for y in 0..height {
        let row = image.row(y);
        let above = image.row(y.saturating_sub(1));
        let below = image.row((y + 1).min(height - 1));
        for x in 0..width {
            gx.values[y * width + x] =
                0.5 * (row[(x + 1).min(width - 1)] - row[x.saturating_sub(1)]);
            gy.values[y * width + x] = 0.5 * (below[x] - above[x]);
        }
    }
    (gx, gy)
}

#[cfg(test)]
/// Sample `frame` at (`x0` + k + dx\[k\], `y` + dy\[k\]) with Keys' cubic. False when any of the
/// positions lies outside the frame: the cell then says nothing in this frame.
pub(crate) fn warp_row(
    frame: &Raster,
    x0: f32,
    y: f32,
    dx: &[f32],
    dy: &[f32],
    out: &mut [f32],
) -> bool {
    let (right, bottom) = ((frame.width - 3) as f32, (frame.height - 3) as f32);
    for (k, ((o, dx), dy)) in out.iter_mut().zip(dx).zip(dy).enumerate() {
        let (u, v) = (x0 + k as f32 + dx, y + dy);
        if !(u >= 1.0 && u <= right && v >= 1.0 && v <= bottom) {
            return false;
        }
        let (i, j) = (u as usize, v as usize);
        let (wx, wy) = (cubic_taps(u - i as f32), cubic_taps(v - j as f32));
        let mut sum = 0.0;
        for (m, wy) in wy.iter().enumerate() {
            let from = (j + m - 1) * frame.width + i - 1;
            let line = &frame.values[from..from + 4];
            sum += wy * (wx[0] * line[0] + wx[1] * line[1] + wx[2] * line[2] + wx[3] * line[3]);
        }
        *o = sum;
    }
    true
}
