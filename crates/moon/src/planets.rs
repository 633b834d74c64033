//! Mars, Jupiter and Saturn as they are seen at a moment.

use crate::angle::{ARCSEC_PER_RADIAN, to_360};
use crate::ephemeris::{AU_KM, LIGHT_KM_PER_S, earth_from_sun, planet_from_sun};
use crate::moment::{JulianDay, Moment};
use crate::rotation::{jupiter_from_icrf, mars_from_icrf, saturn_from_icrf};
use crate::site::{Earth, Site};
use crate::vector::{
    Matrix, angle_between, length, lon_lat_deg, position_angle_deg, rotate, scale, subtract,
};
use serde::Serialize;

/// The planets that are known here.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Planet {
    /// Mars.
    Mars,
    /// Jupiter.
    Jupiter,
    /// Saturn.
    Saturn,
}

impl Planet {
    /// All of them.
    pub const ALL: [Planet; 3] = [Planet::Mars, Planet::Jupiter, Planet::Saturn];

    /// The name in English.
    pub fn name(self) -> &'static str {
        match self {
            Planet::Mars => "Mars",
            Planet::Jupiter => "Jupiter",
            Planet::Saturn => "Saturn",
        }
    }

    /// Equatorial and polar radius, km (Archinal et al. 2018; of Jupiter and Saturn at 1 bar).
    pub fn radii_km(self) -> (f64, f64) {
        match self {
            Planet::Mars => (3396.19, 3376.20),
            Planet::Jupiter => (71_492.0, 66_854.0),
            Planet::Saturn => (60_268.0, 54_364.0),
        }
    }

    /// How fast the fastest of its rotation systems turns, degrees a day.
    pub fn rotation_deg_per_day(self) -> f64 {
        match self {
            Planet::Mars => 350.891_982_443_297,
            Planet::Jupiter => SYSTEM_I_JUPITER.1,
            Planet::Saturn => SYSTEM_I_SATURN.1,
        }
    }

    fn number(self) -> i32 {
        match self {
            Planet::Mars => 4,
            Planet::Jupiter => 5,
            Planet::Saturn => 6,
        }
    }

    fn body_from_icrf(self, tt: JulianDay) -> Matrix {
        match self {
            Planet::Mars => mars_from_icrf(tt),
            Planet::Jupiter => jupiter_from_icrf(tt),
            Planet::Saturn => saturn_from_icrf(tt),
        }
    }
}

// Prime meridians at 2000-01-01 12:00, degrees, and degrees per day.
const SYSTEM_III_JUPITER: (f64, f64) = (284.95, 870.536);
/// WGCCRE 2000, table I, note d.
const SYSTEM_I_JUPITER: (f64, f64) = (67.1, 877.900);
/// As System I, from memory; Meeus's expressions give 43.36 at the epoch.
const SYSTEM_II_JUPITER: (f64, f64) = (43.3, 870.270);
const SYSTEM_III_SATURN: (f64, f64) = (38.90, 810.793_902_4);
/// Saturn's equator: rate and zero as in the report of the IAU's working group of 1979 (Davies et
/// al. 1980), found in several published codes.
const SYSTEM_I_SATURN: (f64, f64) = (227.2037, 844.3);
/// Observers' convention: the rate from memory, the zero found in one published code and uncertain
/// by 0.6 degree (from memory it is 104.91).
const SYSTEM_II_SATURN: (f64, f64) = (105.4857, 812.0);

/// Longitudes of the central meridian, degrees, 0 to 360, growing with time (west longitudes).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CentralMeridian {
    /// Jupiter's and Saturn's System I: the equator.
    #[serde(rename = "I", skip_serializing_if = "Option::is_none")]
    pub system_i_deg: Option<f64>,
    /// System II: the rest of the clouds.
    #[serde(rename = "II", skip_serializing_if = "Option::is_none")]
    pub system_ii_deg: Option<f64>,
    /// System III: the inside, told from radio waves; of Mars, the ground.
    #[serde(rename = "III")]
    pub system_iii_deg: f64,
}

/// Saturn's rings: the outer edge of ring A.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ring {
    /// Long axis.
    pub major_arcsec: f64,
    /// Short axis.
    pub minor_arcsec: f64,
    /// How far the Earth stands north of the rings' plane, degrees.
    pub tilt_deg: f64,
    /// How far the Sun stands north of it.
    pub sun_tilt_deg: f64,
}

/// Diameter of the outer edge of ring A at one astronomical unit, arcsec (Meeus, Astronomical
/// Algorithms, 2nd ed., chapter 45).
const RING_ARCSEC_AU: f64 = 375.35;

/// A planet at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PlanetView {
    /// Which.
    pub planet: Planet,
    /// From the observer, astronomical units.
    pub distance_au: f64,
    /// Equatorial diameter.
    pub equatorial_diameter_arcsec: f64,
    /// Short axis of the outline as seen, which for a tilted planet is longer than the polar
    /// diameter.
    pub polar_diameter_arcsec: f64,
    /// Kilometres to the arcsecond at the planet.
    pub km_per_arcsec: f64,
    /// Central meridians of the whole disc, not of its lit part.
    pub central_meridian: CentralMeridian,
    /// Planetocentric latitude of the disc's centre: the tilt, north positive.
    pub tilt_deg: f64,
    /// The same, planetographic.
    pub tilt_graphic_deg: f64,
    /// Planetocentric latitude at which the Sun is in the zenith.
    pub sun_tilt_deg: f64,
    /// Longitude of the Sun less that of the observer as seen from the planet, degrees.
    pub sun_longitude_difference_deg: f64,
    /// Position angle of the north pole, from celestial north (of date) through east, 0 to 360.
    pub axis_position_angle_deg: f64,
    /// Position angle of the middle of the bright limb, 0 to 360.
    pub bright_limb_position_angle_deg: f64,
    /// Angle Sun, planet, observer.
    pub phase_angle_deg: f64,
    /// Illuminated share of the disc, 0 to 1.
    pub illuminated: f64,
    /// Angle to the Sun in the sky.
    pub elongation_deg: f64,
    /// Apparent right ascension, equator and equinox of date, 0 to 360.
    pub right_ascension_deg: f64,
    /// Apparent declination, equator of date.
    pub declination_deg: f64,
    /// Above the site's horizon, without refraction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub altitude_deg: Option<f64>,
    /// From north through east.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub azimuth_deg: Option<f64>,
    /// Saturn's rings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ring: Option<Ring>,
}

impl PlanetView {
    /// `planet` at `time`, from `site` or the Earth's centre.
    pub fn at(planet: Planet, time: Moment, site: Option<Site>) -> PlanetView {
        let tt = time.tt();
        let earth = Earth::at(time);
        let on_earth = site.map_or([0.0; 3], |site| earth.site_km(site));
        let observer = crate::vector::add(earth_from_sun(tt).0, on_earth);

        // What is seen of the globe follows the line from where the planet was to where the
        // observer is; where it appears in the sky follows the observer's motion, too.
        let place = |tt| planet_from_sun(planet.number(), tt);
        let mut then = tt;
        let mut seen = subtract(place(tt), observer);
        for _ in 0..3 {
            then = tt.plus_seconds(-length(seen) / LIGHT_KM_PER_S);
            seen = subtract(place(then), observer);
        }
        let from_sun = place(then);
        let distance_km = length(seen);
        let apparent = subtract(subtract(from_sun, earth_from_sun(then).0), on_earth);

        let body = planet.body_from_icrf(then);
        let (east_lon, tilt_deg) = lon_lat_deg(rotate(&body, scale(seen, -1.0)));
        let (sun_lon, sun_tilt_deg) = lon_lat_deg(rotate(&body, scale(from_sun, -1.0)));
        let phase = angle_between(from_sun, seen);
        let (equatorial, polar) = planet.radii_km();
        let flat = polar / equatorial;
        let (sin, cos) = tilt_deg.to_radians().sin_cos();
        let outline = (cos * flat).hypot(sin);
        let diameter = |radius: f64| 2.0 * (radius / distance_km).asin() * ARCSEC_PER_RADIAN;
        let apparent_sun = scale(observer, -1.0);
        let (right_ascension_deg, declination_deg) = earth.equatorial_deg(apparent);
        let sky = site.map(|site| earth.horizontal(site, apparent));
        let distance_au = distance_km / AU_KM;
        PlanetView {
            planet,
            distance_au,
            equatorial_diameter_arcsec: diameter(equatorial),
            polar_diameter_arcsec: diameter(equatorial) * outline,
            km_per_arcsec: distance_km / ARCSEC_PER_RADIAN,
            central_meridian: central_meridian(planet, -east_lon, then),
            tilt_deg,
            tilt_graphic_deg: (tilt_deg.to_radians().tan() / (flat * flat)).atan().to_degrees(),
            sun_tilt_deg,
            sun_longitude_difference_deg: crate::angle::to_180(sun_lon - east_lon),
            axis_position_angle_deg: position_angle_deg(apparent, earth.north, body[2]),
            bright_limb_position_angle_deg: position_angle_deg(apparent, earth.north, apparent_sun),
            phase_angle_deg: phase.to_degrees(),
            illuminated: 0.5 * (1.0 + phase.cos()),
            elongation_deg: angle_between(apparent, apparent_sun).to_degrees(),
            right_ascension_deg,
            declination_deg,
            altitude_deg: sky.map(|sky| sky.altitude_deg),
            azimuth_deg: sky.map(|sky| sky.azimuth_deg),
            ring: (planet == Planet::Saturn).then(|| Ring {
                major_arcsec: RING_ARCSEC_AU / distance_au,
                minor_arcsec: RING_ARCSEC_AU / distance_au * tilt_deg.to_radians().sin().abs(),
                tilt_deg,
                sun_tilt_deg,
            }),
        }
    }
}

/// Meridians of all systems, from that of System III (west longitude, degrees).
fn central_meridian(planet: Planet, system_iii_deg: f64, then: JulianDay) -> CentralMeridian {
    let d = then.days_since_2000();
    let other = |system: (f64, f64), iii: (f64, f64)| {
        to_360(system_iii_deg + (system.0 - iii.0) + (system.1 - iii.1) * d)
    };
    let (i, ii) = match planet {
        Planet::Mars => (None, None),
        Planet::Jupiter => (
            Some(other(SYSTEM_I_JUPITER, SYSTEM_III_JUPITER)),
            Some(other(SYSTEM_II_JUPITER, SYSTEM_III_JUPITER)),
        ),
        Planet::Saturn => (
            Some(other(SYSTEM_I_SATURN, SYSTEM_III_SATURN)),
            Some(other(SYSTEM_II_SATURN, SYSTEM_III_SATURN)),
        ),
    };
    CentralMeridian { system_i_deg: i, system_ii_deg: ii, system_iii_deg: to_360(system_iii_deg) }
}
