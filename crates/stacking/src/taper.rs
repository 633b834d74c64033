//! The window under which halves are compared: its edges fade out, so that what lies across them is not taken for detail.

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
