//! The window under which halves are compared: its edges fade out, so that what lies across them is not taken for detail.

use ndarray::ArrayView2;

/// Share of each side over which the edges fade out.
pub(crate) const TAPER: f64 = 0.125;

/// Window of one side: 1 inside, fading out over a share `fade` of it as a raised cosine.
pub(crate) fn taper(n: usize, fade: f64) -> Vec<f64> {
    let fade = (n as f64 * fade).max(1.0);
    let weight = |i: usize| {
        let edge = (i.min(n - 1 - i) as f64 + 0.5) / fade;
        if edge < 1.0 { 0.5 - 0.5 * (std::f64::consts::PI * edge).cos() } else { 1.0 }
    };
    (0..n).map(weight).collect()
}

/// Mean of `of` over `plane` as the window of halves of this size weighs its power: what noise of that variance has in every ring.
pub(crate) fn mean_under_window(plane: ArrayView2<'_, f32>, of: impl Fn(f32) -> f64) -> f64 {
    let (height, width) = plane.dim();
    let [down, across] = [height, width].map(|n| taper(n, TAPER));
    let (mut sum, mut weight) = (0.0, 0.0);
    for (row, wy) in plane.rows().into_iter().zip(&down) {
        for (v, wx) in row.iter().zip(&across) {
            let w = (wx * wy).powi(2);
            sum += w * of(*v);
            weight += w;
        }
    }
    if weight > 0.0 { sum / weight } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn what_lies_in_the_middle_counts_more_than_the_corners() {
        let even = mean_under_window(Array2::<f32>::ones((64, 80)).view(), f64::from);
        assert!((even - 1.0).abs() < 1e-12);
        // A disc on black sky: its share of the area is 0.2827, that of the window's power more.
        let disc = |(y, x): (usize, usize)| {
            let (dy, dx) = (y as f32 - 99.5, x as f32 - 99.5);
            if dy.hypot(dx) < 60.0 { 1.0 } else { 0.0 }
        };
        let share = mean_under_window(Array2::from_shape_fn((200, 200), disc).view(), f64::from);
        // All of it lies where the window is 1; mean of its square along a side: 0.75 + 0.25 x 3/8 = 0.84375.
        assert!((share - 0.2827 / 0.84375_f64.powi(2)).abs() < 2e-3, "{share}");
        assert_eq!(mean_under_window(Array2::<f32>::ones((0, 0)).view(), f64::from), 0.0);
    }
}
