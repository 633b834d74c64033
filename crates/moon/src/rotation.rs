//! How the bodies stand in space: poles and prime meridians.
//!
//! The Moon and Saturn by the reports of the IAU Working Group on Cartographic Coordinates and
//! Rotational Elements (WGCCRE) of 2009 and 2015 (Archinal et al., Celest. Mech. Dyn. Astr. 109,
//! 101 (2011) and 130:22 (2018)), Mars and Jupiter by that of 2015, as given in NAIF's kernel
//! pck00011. The Moon's series puts longitudes and latitudes into the mean-Earth frame of the
//! maps: against the integrated rotation of DE421 it is off by 0.0013 degree rms, at most 0.0041.

use crate::moment::JulianDay;
use crate::vector::Matrix;

/// From the ICRF to a frame fixed in a body, given its pole and the angle of its prime meridian.
fn body_from_icrf(pole_ra_deg: f64, pole_dec_deg: f64, meridian_deg: f64) -> Matrix {
    let (sa, ca) = pole_ra_deg.to_radians().sin_cos();
    let (sd, cd) = pole_dec_deg.to_radians().sin_cos();
    let (sw, cw) = (meridian_deg % 360.0).to_radians().sin_cos();
    // The ascending node of the body's equator, and the direction 90 degrees on.
    let (node, ahead) = ([-sa, ca, 0.0], [-sd * ca, -sd * sa, cd]);
    let row = |a: f64, b: f64| {
        [a * node[0] + b * ahead[0], a * node[1] + b * ahead[1], a * node[2] + b * ahead[2]]
    };
    [row(cw, sw), row(-sw, cw), [cd * ca, cd * sa, sd]]
}

/// The Moon's arguments E1 to E13: degrees, degrees per day.
const MOON_ARGUMENTS: [(f64, f64); 13] = [
    (125.045, -0.052_992_1),
    (250.089, -0.105_984_2),
    (260.008, 13.012_009_4),
    (176.625, 13.340_715_4),
    (357.529, 0.985_600_3),
    (311.589, 26.405_708_4),
    (134.963, 13.064_993_0),
    (276.617, 0.328_714_6),
    (34.226, 1.748_487_7),
    (15.134, -0.158_976_3),
    (119.743, 0.003_609_6),
    (239.961, 0.164_357_3),
    (25.053, 12.959_008_8),
];
const MOON_POLE_RA: [f64; 13] =
    [-3.8787, -0.1204, 0.0700, -0.0172, 0.0, 0.0072, 0.0, 0.0, 0.0, -0.0052, 0.0, 0.0, 0.0043];
const MOON_POLE_DEC: [f64; 13] =
    [1.5419, 0.0239, -0.0278, 0.0068, 0.0, -0.0029, 0.0009, 0.0, 0.0, 0.0008, 0.0, 0.0, -0.0009];
const MOON_MERIDIAN: [f64; 13] = [
    3.5610, 0.1208, -0.0642, 0.0158, 0.0252, -0.0066, -0.0047, -0.0046, 0.0028, 0.0052, 0.0040,
    0.0019, -0.0044,
];

/// From the ICRF to the Moon's mean-Earth frame.
pub(crate) fn moon_from_icrf(tt: JulianDay) -> Matrix {
    let (d, t) = (tt.days_since_2000(), tt.centuries_since_2000());
    let mut ra = 269.9949 + 0.0031 * t;
    let mut dec = 66.5392 + 0.0130 * t;
    let mut meridian = 38.3213 + 13.176_358_15 * d - 1.4e-12 * d * d;
    for (i, (start, rate)) in MOON_ARGUMENTS.into_iter().enumerate() {
        let (sin, cos) = (start + rate * d).to_radians().sin_cos();
        ra += MOON_POLE_RA[i] * sin;
        dec += MOON_POLE_DEC[i] * cos;
        meridian += MOON_MERIDIAN[i] * sin;
    }
    body_from_icrf(ra, dec, meridian)
}

/// Terms of amplitude, phase and rate per century, degrees.
type Terms = [(f64, f64, f64)];

const MARS_RA: &Terms = &[
    (0.000_068, 198.991_226, 19_139.481_998_5),
    (0.000_238, 226.292_679, 38_280.851_128_1),
    (0.000_052, 249.663_391, 57_420.725_159_3),
    (0.000_009, 266.183_510, 76_560.636_795_0),
    (0.419_057, 79.398_797, 0.504_261_5),
];
const MARS_DEC: &Terms = &[
    (0.000_051, 122.433_576, 19_139.940_747_6),
    (0.000_141, 43.058_401, 38_280.875_327_2),
    (0.000_031, 57.663_379, 57_420.751_720_5),
    (0.000_005, 79.476_401, 76_560.649_500_4),
    (1.591_274, 166.325_722, 0.504_261_5),
];
const MARS_MERIDIAN: &Terms = &[
    (0.000_145, 129.071_773, 19_140.032_824_4),
    (0.000_157, 36.352_167, 38_281.047_359_1),
    (0.000_040, 56.668_646, 57_420.929_536_0),
    (0.000_001, 67.364_003, 76_560.255_221_5),
    (0.000_001, 104.792_680, 95_700.438_757_8),
    (0.584_542, 95.391_654, 0.504_261_5),
];
/// Jupiter's arguments Ja to Je, with amplitudes for the pole's right ascension and declination.
const JUPITER_POLE: [(f64, f64, f64, f64); 5] = [
    (0.000_117, 0.000_050, 99.360_714, 4_850.404_6),
    (0.000_938, 0.000_404, 175.895_369, 1_191.960_5),
    (0.001_432, 0.000_617, 300.323_162, 262.547_5),
    (0.000_030, -0.000_013, 114.012_305, 6_070.247_6),
    (0.002_150, 0.000_926, 49.511_251, 64.300_0),
];

fn sines(terms: &Terms, t: f64) -> f64 {
    terms.iter().map(|(a, phase, rate)| a * (phase + rate * t).to_radians().sin()).sum()
}

fn cosines(terms: &Terms, t: f64) -> f64 {
    terms.iter().map(|(a, phase, rate)| a * (phase + rate * t).to_radians().cos()).sum()
}

/// From the ICRF to Mars.
pub(crate) fn mars_from_icrf(tt: JulianDay) -> Matrix {
    let (d, t) = (tt.days_since_2000(), tt.centuries_since_2000());
    body_from_icrf(
        317.269_202 - 0.109_275_47 * t + sines(MARS_RA, t),
        54.432_516 - 0.058_271_05 * t + cosines(MARS_DEC, t),
        176.049_863 + 350.891_982_443_297 * d + sines(MARS_MERIDIAN, t),
    )
}

/// From the ICRF to Jupiter, System III.
pub(crate) fn jupiter_from_icrf(tt: JulianDay) -> Matrix {
    let (d, t) = (tt.days_since_2000(), tt.centuries_since_2000());
    let (mut ra, mut dec) = (268.056_595 - 0.006_499 * t, 64.495_303 + 0.002_413 * t);
    for (in_ra, in_dec, phase, rate) in JUPITER_POLE {
        let (sin, cos) = (phase + rate * t).to_radians().sin_cos();
        ra += in_ra * sin;
        dec += in_dec * cos;
    }
    body_from_icrf(ra, dec, 284.95 + 870.536 * d)
}

/// From the ICRF to Saturn, System III.
pub(crate) fn saturn_from_icrf(tt: JulianDay) -> Matrix {
    let (d, t) = (tt.days_since_2000(), tt.centuries_since_2000());
    body_from_icrf(40.589 - 0.036 * t, 83.537 - 0.004 * t, 38.90 + 810.793_902_4 * d)
}
