//! How uncertainty of marks and fix is carried over to what is measured.

use super::projection::{Camera, Projection, Px};
use super::solve::Fix;
use crate::error::MoonError;
use serde::Serialize;

/// Half-width of a stated uncertainty in standard deviations: covers the truth 95 times in 100.
pub const COVERAGE: f64 = 1.96;

/// A measured value and the half-width of the interval that covers the truth 95 times in 100.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Half-width of the interval, in the same unit.
    pub uncertainty: f64,
}

impl Measured {
    pub(crate) fn of(value: f64, variance: f64) -> Measured {
        Measured { value, uncertainty: COVERAGE * variance.max(0.0).sqrt() }
    }

    /// Whether `truth` lies in the interval.
    pub fn covers(&self, truth: f64) -> bool {
        (self.value - truth).abs() <= self.uncertainty
    }
}

impl Fix {
    /// What `quantity` says of the marks, and its variance: that of the marks, `sigma_px` in each
    /// direction and independent of each other, and that of the fix. First order, by differences of
    /// one standard deviation to both sides.
    ///
    /// # Errors
    /// When `quantity` has no answer at the marks or right beside them.
    pub(crate) fn value_and_variance(
        &self,
        marks: &[Px],
        sigma_px: f64,
        quantity: impl Fn(&Projection, &[Px]) -> Result<f64, MoonError>,
    ) -> Result<(f64, f64), MoonError> {
        let projection = &self.projection;
        let value = quantity(projection, marks)?;
        let mut variance = 0.0;
        let mut moved = marks.to_vec();
        for i in 0..marks.len() {
            for axis in 0..2 {
                let mut at = |by: f64| {
                    let Px { x, y } = marks[i];
                    moved[i] = if axis == 0 { Px { x: x + by, y } } else { Px { x, y: y + by } };
                    let found = quantity(projection, &moved);
                    moved[i] = marks[i];
                    found
                };
                variance += (0.5 * (at(sigma_px)? - at(-sigma_px)?)).powi(2);
            }
        }
        let mut slope = [0.0; Camera::UNKNOWNS];
        for (i, slope) in slope.iter_mut().enumerate() {
            let sigma = self.covariance[i][i].sqrt();
            if sigma > 0.0 {
                let at = |by: f64| {
                    let mut unknowns = [0.0; Camera::UNKNOWNS];
                    unknowns[i] = by;
                    let camera = projection.camera.varied(unknowns);
                    quantity(&Projection { camera, ..*projection }, marks)
                };
                *slope = (at(sigma)? - at(-sigma)?) / (2.0 * sigma);
            }
        }
        for (i, row) in self.covariance.iter().enumerate() {
            for (j, covariance) in row.iter().enumerate() {
                variance += slope[i] * covariance * slope[j];
            }
        }
        Ok((value, variance))
    }
}
