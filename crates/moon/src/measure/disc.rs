//! A planet's disc, from marks along its limb, held against the ephemeris.

use super::ellipse::nearest_ellipse;
use crate::error::MoonError;
use crate::fix::{Measured, Px, circle_through};
use crate::planets::PlanetView;
use serde::Serialize;

/// A disc as its limb was marked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Disc {
    /// Its middle.
    pub centre: Px,
    /// Long diameter, px.
    pub equatorial_px: Measured,
    /// Short diameter, px.
    pub polar_px: Measured,
    /// Flattening of the outline: 1 less short over long.
    pub flattening: Measured,
    /// Direction of the short axis in the picture, degrees from up, counter-clockwise, 0 to 180.
    pub polar_axis_deg: f64,
    /// Root mean square of the marks' distances from the ellipse, px.
    pub residual_px: f64,
}

/// A disc beside what the ephemeris says.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DiscComparison {
    /// Long diameter as measured, arcsec; none where the scale is not known.
    pub equatorial_arcsec: Option<Measured>,
    /// Long diameter by the ephemeris, arcsec.
    pub expected_equatorial_arcsec: f64,
    /// Flattening of the outline by the ephemeris, tilt included.
    pub expected_flattening: f64,
    /// Scale that would make the long diameter right, arcsec per px: the plate scale.
    pub arcsec_per_px: Measured,
    /// Width of the dark limb that the phase hides, arcsec: marks there measure the terminator.
    pub phase_defect_arcsec: f64,
}

/// Fit an ellipse to marks on the limb, each good to `sigma_px`. Where the phase hides part of the
/// limb, mark the bright side only; half the way around suffices.
///
/// # Errors
/// Fewer than five marks, more than 10000, or marks that determine no ellipse.
pub fn disc(limb: &[Px], sigma_px: f64) -> Result<Disc, MoonError> {
    let sigma =
        MoonError::check("uncertainty of a mark", "0.001 to 1000 px", sigma_px, 1e-3..=1e3)?;
    let words = || {
        MoonError::Marks(format!(
            "expected 5 to 10000 marks along the limb, at least half the way around, found {} that \
             determine no ellipse",
            limb.len()
        ))
    };
    if limb.len() > 10_000 {
        return Err(words());
    }
    let (middle, radius) = circle_through(limb).ok_or_else(words)?;
    let points: Vec<[f64; 2]> = limb.iter().map(|px| [px.x, px.y]).collect();
    let fitted = nearest_ellipse(&points, (middle.x, middle.y, radius), |_, miss, _| miss / sigma)
        .ok_or_else(words)?;
    let squares: f64 = fitted.residuals.iter().map(|r| r * r).sum();
    let spare = limb.len() - 5;
    let factor = if spare > 0 { (squares / spare as f64).max(1.0) } else { 1.0 };
    let measured = |quantity: fn(&super::ellipse::Ellipse) -> f64| {
        Measured::of(quantity(&fitted.ellipse), factor * fitted.variance(quantity))
    };
    // From x towards y (down), turned into from up, counter-clockwise.
    let axis = fitted.ellipse.short_axis_rad().to_degrees();
    Ok(Disc {
        centre: Px { x: fitted.ellipse.x, y: fitted.ellipse.y },
        equatorial_px: measured(|e| 2.0 * e.half_axes().0),
        polar_px: measured(|e| 2.0 * e.half_axes().1),
        flattening: measured(|e| 1.0 - e.half_axes().1 / e.half_axes().0),
        polar_axis_deg: (-axis - 90.0).rem_euclid(180.0),
        residual_px: (squares / limb.len() as f64).sqrt() * sigma,
    })
}

impl Disc {
    /// Hold the disc against the ephemeris.
    pub fn beside(&self, view: &PlanetView, arcsec_per_px: Option<f64>) -> DiscComparison {
        let expected = view.equatorial_diameter_arcsec;
        let Measured { value, uncertainty } = self.equatorial_px;
        let scaled = |by: f64| Measured { value: value * by, uncertainty: uncertainty * by };
        DiscComparison {
            equatorial_arcsec: arcsec_per_px.map(scaled),
            expected_equatorial_arcsec: expected,
            expected_flattening: 1.0 - view.polar_diameter_arcsec / expected,
            arcsec_per_px: Measured {
                value: expected / value,
                uncertainty: expected / value * uncertainty / value,
            },
            phase_defect_arcsec: (1.0 - view.illuminated) * expected,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ellipse_is_found_with_its_axes_and_direction() {
        // Long half axis 120 px, short 108, the short one 30 deg counter-clockwise from up.
        let turn = 30.0_f64.to_radians();
        let marks: Vec<Px> = (0..24)
            .map(|i| {
                let t = f64::from(i) * 0.26;
                let (long, short) = (120.0 * t.cos(), 108.0 * t.sin());
                // Unit vectors on the screen: short axis (-sin, -cos), long axis (cos, -sin).
                Px {
                    x: 300.0 + long * turn.cos() - short * turn.sin(),
                    y: 200.0 - long * turn.sin() - short * turn.cos(),
                }
            })
            .collect();
        let found = disc(&marks, 0.5).unwrap();
        assert!((found.equatorial_px.value - 240.0).abs() < 1e-4, "{found:?}");
        assert!((found.polar_px.value - 216.0).abs() < 1e-4, "{found:?}");
        assert!((found.flattening.value - 0.1).abs() < 1e-6);
        assert!((found.polar_axis_deg - 30.0).abs() < 1e-3, "{found:?}");
        assert!((found.centre.x - 300.0).abs() < 1e-4 && found.residual_px < 1e-4);
        assert!(disc(&marks[..4], 0.5).is_err() && disc(&[], 0.5).is_err());
        let line: Vec<Px> = (0..9).map(|i| Px { x: f64::from(i), y: 1.0 }).collect();
        assert!(disc(&line, 0.5).is_err());
    }
}
