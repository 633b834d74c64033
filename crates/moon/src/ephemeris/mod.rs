//! Where the Earth, the Moon and the planets are: km along the axes of the ICRF.

mod elp;
mod elp_distance;
mod elp_latitude;
mod elp_longitude;

pub(crate) use elp::moon_from_earth;

use crate::moment::JulianDay;
use crate::vector::{Vector, scale};

/// Speed of light, km/s (exact by definition).
pub(crate) const LIGHT_KM_PER_S: f64 = 299_792.458;
/// The astronomical unit, km (IAU 2012 resolution B2, exact).
pub const AU_KM: f64 = 149_597_870.7;

/// The Earth's centre from the Sun, km, and its velocity, km/s. SOFA's `epv00`: within 11 km of
/// JPL's DE421 at 1000 dates from 1970 to 2048.
pub(crate) fn earth_from_sun(tt: JulianDay) -> (Vector, Vector) {
    // No moment is outside the range of the theory (1900 to 2100).
    let nowhere = [[f64::NAN; 3]; 2];
    let helio = sofars::eph::epv00(tt.day, tt.rest).map_or(nowhere, |(helio, _)| helio);
    (scale(helio[0], AU_KM), scale(helio[1], AU_KM / 86_400.0))
}

/// A planet from the Sun, km; `number` 4 is Mars, 5 Jupiter, 6 Saturn. SOFA's `plan94`: as seen from
/// the Earth, off DE421 by 9, 17 and 31 arcsec rms, at the worst by 51, 54 and 89 (1000 dates from
/// 1970 to 2048), which turns a central meridian by at most 0.014, 0.015 and 0.025 degree.
pub(crate) fn planet_from_sun(number: i32, tt: JulianDay) -> Vector {
    let helio = sofars::eph::plan94(tt.day, tt.rest, number);
    scale(helio.map_or([f64::NAN; 3], |(place, _)| place[0]), AU_KM)
}
