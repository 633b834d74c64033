//! The ellipse nearest to marks.

use crate::fix::least_squares;

/// An ellipse `d Q d = 1`, with `d` counted from its middle. This form has no axis to lose where
/// the ellipse is a circle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ellipse {
    pub x: f64,
    pub y: f64,
    /// Q: xx, xy, yy.
    pub q: [f64; 3],
}

/// An ellipse that was fitted.
pub(crate) struct FittedEllipse {
    pub ellipse: Ellipse,
    /// Covariance of x, y and Q for residuals as large as stated.
    pub covariance: [[f64; 5]; 5],
    /// Over their standard deviation.
    pub residuals: Vec<f64>,
}

impl Ellipse {
    /// Long and short half axis.
    pub fn half_axes(&self) -> (f64, f64) {
        let [xx, xy, yy] = self.q;
        let (mean, half) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
        (1.0 / (mean - half).sqrt(), 1.0 / (mean + half).sqrt())
    }

    /// Direction of the short axis: angle from x towards y, rad, -pi/2 to pi/2.
    pub fn short_axis_rad(&self) -> f64 {
        let [xx, xy, yy] = self.q;
        0.5 * (2.0 * xy).atan2(xx - yy)
    }

    /// First-order distance of a point from the ellipse, outwards positive, with the direction
    /// across it; none for an ellipse that is none or a point in its middle.
    fn miss(&self, p: [f64; 2]) -> Option<(f64, [f64; 2])> {
        let [xx, xy, yy] = self.q;
        let (dx, dy) = (p[0] - self.x, p[1] - self.y);
        let (gx, gy) = (xx * dx + xy * dy, xy * dx + yy * dy);
        let level = (gx * dx + gy * dy).sqrt();
        let steep = gx.hypot(gy);
        let sound = xx > 0.0 && xx * yy > xy * xy && level > 0.0 && steep > 0.0;
        sound.then(|| ((level - 1.0) * level / steep, [gx / steep, gy / steep]))
    }
}

/// The ellipse nearest to `points`, starting from a circle; `weigh` turns the distance of point `i`
/// and the direction across the ellipse into a residual over its standard deviation.
///
/// None for fewer than five points, or when they determine no ellipse.
pub(crate) fn nearest_ellipse(
    points: &[[f64; 2]],
    (x, y, radius): (f64, f64, f64),
    weigh: impl Fn(usize, f64, [f64; 2]) -> f64,
) -> Option<FittedEllipse> {
    let usable = points.len() >= 5 && radius > 0.0 && radius.is_finite();
    // Unknowns in units of the radius, so that all are of order one.
    let ellipse = |u: &[f64; 5]| Ellipse {
        x: x + u[0] * radius,
        y: y + u[1] * radius,
        q: [u[2], u[3], u[4]].map(|q| q / (radius * radius)),
    };
    let residuals = |u: &[f64; 5]| {
        let ellipse = ellipse(u);
        let one = |(i, p): (usize, &[f64; 2])| {
            ellipse.miss(*p).map(|(miss, across)| weigh(i, miss, across))
        };
        points.iter().enumerate().map(one).collect()
    };
    if !usable {
        return None;
    }
    let fitted = least_squares([0.0, 0.0, 1.0, 0.0, 1.0], [1e-5; 5], residuals)?;
    let unit = [radius, radius, radius.powi(-2), radius.powi(-2), radius.powi(-2)];
    let mut covariance = fitted.covariance;
    for (i, row) in covariance.iter_mut().enumerate() {
        for (j, c) in row.iter_mut().enumerate() {
            *c *= unit[i] * unit[j];
        }
    }
    Some(FittedEllipse {
        ellipse: ellipse(&fitted.values),
        covariance,
        residuals: fitted.residuals,
    })
}

impl FittedEllipse {
    /// Variance of a quantity of the ellipse, first order.
    pub fn variance(&self, quantity: impl Fn(&Ellipse) -> f64) -> f64 {
        let varied = |i: usize, by: f64| {
            let mut e = self.ellipse;
            match i {
                0 => e.x += by,
                1 => e.y += by,
                _ => e.q[i - 2] += by,
            }
            quantity(&e)
        };
        let slope: Vec<f64> = (0..5)
            .map(|i| {
                let step = 0.1 * self.covariance[i][i].sqrt();
                if step > 0.0 { (varied(i, step) - varied(i, -step)) / (2.0 * step) } else { 0.0 }
            })
            .collect();
        let terms = (0..5).flat_map(|i| (0..5).map(move |j| (i, j)));
        terms.map(|(i, j)| slope[i] * self.covariance[i][j] * slope[j]).sum()
    }
}
