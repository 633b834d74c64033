//! The Moon by ELP/MPP02, the semi-analytical theory fitted to the JPL ephemeris DE405.
//!
//! J. Chapront & G. Francou, A&A 404, 735 (2003), and the authors' note "The lunar theory ELP
//! revisited" (2002). The series are sums of `amplitude sin(phase)`; the three tables beside this
//! file hold the terms above 0.02 arcsec and 0.04 km, with phases up to the square of the time,
//! cut from the collected series in the npm package `astronomia` 4.2.0 (copyright 2013 Sonia Keys,
//! 2016 Commenthol, MIT licence).
//!
//! Against JPL's DE421 at 3000 dates from 1901 to 2049: distance 0.23 km rms, at most 1.1; across
//! the line of sight 0.31 km rms, at most 1.4. SOFA's `moon98` is off by 3.1 km rms in distance,
//! at most 10.6, which is more than the 2 km wanted here.

use super::elp_distance::DISTANCE;
use super::elp_latitude::LATITUDE;
use super::elp_longitude::LONGITUDE;
use crate::angle::ARCSEC_PER_RADIAN;
use crate::moment::JulianDay;
use crate::vector::Vector;

/// The Moon's mean mean longitude W1: rad, and rad per century to the powers.
const MEAN_LONGITUDE: [f64; 5] = [
    3.810_344_090_830_880_3,
    8_399.684_730_071_93,
    -0.000_033_189_520_425_500_94,
    3.110_249_449_106_061_6e-8,
    -2.032_823_764_892_284_5e-10,
];

/// Obliquity of the theory's ecliptic to the equator of the ICRF, rad: 23 deg 26 min 21.40928 arcsec.
const OBLIQUITY: f64 = 84_381.409_28 / ARCSEC_PER_RADIAN;
/// From the origin of the ICRF to the theory's equinox, rad.
const EQUINOX: f64 = -0.055_42 / ARCSEC_PER_RADIAN;

fn polynomial(t: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c)
}

/// Sum of a series, whose rows are grouped by the power of the time that they grow with.
fn series(t: f64, powers: &[&[[f64; 4]]]) -> f64 {
    powers.iter().rev().fold(0.0, |sum, rows| {
        let term =
            |[a, phase, rate, square]: &[f64; 4]| a * (phase + t * (rate + t * square)).sin();
        sum * t + rows.iter().map(term).sum::<f64>()
    })
}

/// The Moon's centre from the Earth's, km along the axes of the ICRF.
pub(crate) fn moon_from_earth(tt: JulianDay) -> Vector {
    // The theory counts barycentric time, which differs by 0.002 s at most.
    let t = tt.centuries_since_2000();
    let lon = polynomial(t, &MEAN_LONGITUDE) + series(t, LONGITUDE) / ARCSEC_PER_RADIAN;
    let lat = series(t, LATITUDE) / ARCSEC_PER_RADIAN;
    let distance = series(t, DISTANCE);
    let (sin_lon, cos_lon) = lon.sin_cos();
    let (sin_lat, cos_lat) = lat.sin_cos();
    let [x, y, z] =
        [distance * cos_lat * cos_lon, distance * cos_lat * sin_lon, distance * sin_lat];

    // From the mean ecliptic of date to that of 2000 (Laskar's P and Q, in the authors' note).
    let p = polynomial(t, &[0.0, 0.101_803_91e-4, 0.470_204_39e-6, -0.541_736_7e-9]);
    let q = polynomial(t, &[0.0, -0.113_469_002e-3, 0.123_726_74e-6, 0.126_541_70e-8]);
    let r = 2.0 * (1.0 - p * p - q * q).sqrt();
    let [x, y, z] = [
        (1.0 - 2.0 * p * p) * x + 2.0 * p * q * y + p * r * z,
        2.0 * p * q * x + (1.0 - 2.0 * q * q) * y - q * r * z,
        -p * r * x + q * r * y + (1.0 - 2.0 * p * p - 2.0 * q * q) * z,
    ];
    let (sin, cos) = OBLIQUITY.sin_cos();
    let [y, z] = [y * cos - z * sin, y * sin + z * cos];
    let (sin, cos) = EQUINOX.sin_cos();
    [x * cos - y * sin, x * sin + y * cos, z]
}
