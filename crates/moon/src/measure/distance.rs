//! Distances on the Moon's sphere.

use crate::error::MoonError;
use crate::fix::{Fix, Measured, Px};
use crate::lunar::{LunarPoint, MOON_RADIUS_KM};
use crate::vector::angle_between;

/// Distance over the sphere, km, along the great circle.
pub fn distance_km(a: LunarPoint, b: LunarPoint) -> f64 {
    MOON_RADIUS_KM * angle_between(a.direction(), b.direction())
}

/// Distance over the sphere between two marks of `sigma_px` each, km.
///
/// # Errors
/// A mark off the disc or too near the limb.
pub fn distance(fix: &Fix, from: Px, to: Px, sigma_px: f64) -> Result<Measured, MoonError> {
    MoonError::check("uncertainty of a mark", "0 to 1000 px", sigma_px, 0.0..=1e3)?;
    let (value, variance) =
        fix.value_and_variance(&[from, to], sigma_px, |projection, marks| {
            let place = |px| projection.place_at(px).ok_or_else(crate::fix::off_disc);
            Ok(distance_km(place(marks[0])?, place(marks[1])?))
        })?;
    Ok(Measured::of(value, variance))
}
