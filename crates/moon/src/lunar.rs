//! The Moon as it is seen at a moment, from a site or from the Earth's centre.

use crate::angle::{ARCSEC_PER_RADIAN, to_180, to_360};
use crate::ephemeris::{LIGHT_KM_PER_S, earth_from_sun, moon_from_earth};
use crate::error::MoonError;
use crate::moment::Moment;
use crate::rotation::moon_from_icrf;
use crate::site::{Earth, Site};
use crate::vector::{
    Vector, add, angle_between, length, lon_lat_deg, position_angle_deg, rotate, scale, subtract,
    towards,
};
use serde::{Deserialize, Serialize};

/// Mean radius of the Moon, km (Archinal et al., Celest. Mech. Dyn. Astr. 130:22, 2018).
pub const MOON_RADIUS_KM: f64 = 1737.4;

/// A place on the Moon in the mean-Earth frame of the maps: degrees, east positive, east being the
/// side of Mare Crisium.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LunarPoint {
    /// Longitude, -180 to 180.
    pub lon_deg: f64,
    /// Latitude, -90 to 90.
    pub lat_deg: f64,
}

impl LunarPoint {
    /// A place; longitudes counted from 0 to 360 are brought into range.
    pub fn new(lon_deg: f64, lat_deg: f64) -> LunarPoint {
        LunarPoint { lon_deg: to_180(lon_deg), lat_deg }
    }

    /// The unit vector towards it from the Moon's centre.
    pub fn direction(self) -> Vector {
        towards(self.lon_deg, self.lat_deg)
    }

    /// The place in a direction from the Moon's centre.
    pub fn of(direction: Vector) -> LunarPoint {
        let (lon_deg, lat_deg) = lon_lat_deg(direction);
        LunarPoint { lon_deg, lat_deg }
    }
}

/// What only an observer at a site has: a horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Sky {
    /// Altitude of the Moon's centre, degrees, without refraction.
    pub altitude_deg: f64,
    /// Azimuth of the Moon's centre, degrees from north through east.
    pub azimuth_deg: f64,
    /// Altitude of the Sun's centre, degrees, without refraction.
    pub sun_altitude_deg: f64,
    /// Azimuth of the Sun's centre, degrees from north through east.
    pub sun_azimuth_deg: f64,
}

/// The Moon at a moment.
///
/// Light time is taken into account: everything is as it is seen at that moment. Against JPL's
/// DE421 with its own lunar rotation: libration and light within 0.005 degree, distance within
/// 1.5 km.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LunarView {
    /// When, UTC.
    pub time_utc: Moment,
    /// From where; none is the Earth's centre.
    pub site: Option<Site>,
    /// From the observer to the Moon's centre.
    pub distance_km: f64,
    /// Apparent diameter.
    pub diameter_arcsec: f64,
    /// Kilometres to the arcsecond, across the line of sight at the distance of the disc's centre.
    pub km_per_arcsec: f64,
    /// Angle Sun, Moon, observer: 0 full, 180 new. As in almanacs, sunlight's aberration at the
    /// Moon, 0.006 degree, is left out.
    pub phase_angle_deg: f64,
    /// Illuminated share of the disc, 0 to 1.
    pub illuminated: f64,
    /// Angle between Moon and Sun in the sky.
    pub elongation_deg: f64,
    /// Where the observer is in the zenith: the libration.
    pub sub_observer: LunarPoint,
    /// Where the Sun is in the zenith.
    pub sub_solar: LunarPoint,
    /// Longitude of the morning terminator, counted westward, 0 to 360: 0 at first quarter.
    pub colongitude_deg: f64,
    /// Position angle of the Moon's north pole, degrees from celestial north (of date) through
    /// east, -180 to 180.
    pub axis_position_angle_deg: f64,
    /// Position angle of the middle of the bright limb, 0 to 360.
    pub bright_limb_position_angle_deg: f64,
    /// Apparent right ascension, equator and equinox of date, 0 to 360.
    pub right_ascension_deg: f64,
    /// Apparent declination, equator of date.
    pub declination_deg: f64,
    /// The sky of the site.
    #[serde(flatten)]
    pub sky: Option<Sky>,
}

/// How a place on the Moon is lit and seen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Lighting {
    /// Altitude of the Sun's centre above the place's level horizon.
    pub sun_altitude_deg: f64,
    /// Azimuth of the Sun there, from lunar north through east.
    pub sun_azimuth_deg: f64,
    /// Whether the Sun is climbing there.
    pub morning: bool,
    /// Angle between the zenith of the place and the observer: 0 at the middle of the disc, 90 at
    /// the limb.
    pub emission_deg: f64,
    /// Angle Sun, place, observer.
    pub phase_angle_deg: f64,
    /// From the observer to the place.
    pub distance_km: f64,
}

impl LunarView {
    /// The Moon at `time`, from `site` or the Earth's centre.
    pub fn at(time: Moment, site: Option<Site>) -> LunarView {
        let tt = time.tt();
        let earth = Earth::at(time);
        let observer = site.map_or([0.0; 3], |site| earth.site_km(site));
        // Directions in the frame that moves with the observer: aberration and light time are
        // both in the places that the bodies had relative to it when the light set out.
        let now = moon_from_earth(tt);
        let delay = length(subtract(now, observer)) / LIGHT_KM_PER_S;
        let then = tt.plus_seconds(-delay);
        let at_then = moon_from_earth(then);
        let moon = subtract(at_then, observer);
        let distance_km = length(moon);
        let moon_velocity = scale(subtract(now, at_then), 1.0 / delay);

        // In the eight minutes that sunlight takes the Earth's path bends by 0.8 km from straight.
        let (earth_place, earth_velocity) = earth_from_sun(tt);
        let sun_delay = length(earth_place) / LIGHT_KM_PER_S;
        let earth_before = |s: f64| subtract(earth_place, scale(earth_velocity, s));
        let sun = subtract(scale(earth_before(sun_delay), -1.0), observer);
        // The Sun from the Moon: where it is, and where it appears, for its light met the Moon in
        // motion (0.006 degree).
        let sun_place = scale(add(earth_before(delay), at_then), -1.0);
        let moon_before = subtract(at_then, scale(moon_velocity, sun_delay));
        let sun_from_moon = scale(add(earth_before(delay + sun_delay), moon_before), -1.0);
        let body = moon_from_icrf(then);
        let sub_observer = LunarPoint::of(rotate(&body, scale(moon, -1.0)));
        let sub_solar = LunarPoint::of(rotate(&body, sun_from_moon));
        let phase = angle_between(sun_place, scale(moon, -1.0));
        let (right_ascension_deg, declination_deg) = earth.equatorial_deg(moon);
        LunarView {
            time_utc: time,
            site,
            distance_km,
            diameter_arcsec: 2.0 * (MOON_RADIUS_KM / distance_km).asin() * ARCSEC_PER_RADIAN,
            km_per_arcsec: distance_km / ARCSEC_PER_RADIAN,
            phase_angle_deg: phase.to_degrees(),
            illuminated: 0.5 * (1.0 + phase.cos()),
            elongation_deg: angle_between(moon, sun).to_degrees(),
            sub_observer,
            sub_solar,
            colongitude_deg: to_360(90.0 - sub_solar.lon_deg),
            axis_position_angle_deg: to_180(position_angle_deg(moon, earth.north, body[2])),
            bright_limb_position_angle_deg: position_angle_deg(moon, earth.north, sun),
            right_ascension_deg,
            declination_deg,
            sky: site.map(|site| {
                let moon = earth.horizontal(site, moon);
                let sun = earth.horizontal(site, sun);
                Sky {
                    altitude_deg: moon.altitude_deg,
                    azimuth_deg: moon.azimuth_deg,
                    sun_altitude_deg: sun.altitude_deg,
                    sun_azimuth_deg: sun.azimuth_deg,
                }
            }),
        }
    }

    /// The Moon at the same moment, seen from `distance_km` (to its centre) above a place: from a
    /// spacecraft, say. Position angles are then counted from the Moon's own axis, and what only a
    /// place on the Earth's sky has (right ascension, declination, elongation) is not a number.
    ///
    /// # Errors
    /// A distance inside the Moon or beyond a hundred million km.
    pub fn from_above(&self, place: LunarPoint, distance_km: f64) -> Result<LunarView, MoonError> {
        let what = "distance to the Moon's centre";
        let expected = "1738 to 1e8 km (the Moon's radius is 1737.4 km)";
        let distance_km = MoonError::check(what, expected, distance_km, 1738.0..=1e8)?;
        let phase = angle_between(place.direction(), self.sub_solar.direction());
        Ok(LunarView {
            site: None,
            distance_km,
            diameter_arcsec: 2.0 * (MOON_RADIUS_KM / distance_km).asin() * ARCSEC_PER_RADIAN,
            km_per_arcsec: distance_km / ARCSEC_PER_RADIAN,
            phase_angle_deg: phase.to_degrees(),
            illuminated: 0.5 * (1.0 + phase.cos()),
            elongation_deg: f64::NAN,
            sub_observer: place,
            axis_position_angle_deg: 0.0,
            bright_limb_position_angle_deg: f64::NAN,
            right_ascension_deg: f64::NAN,
            declination_deg: f64::NAN,
            sky: None,
            ..*self
        })
    }

    /// How `place` is lit and seen. Sunlight is taken as parallel (3 arcsec over the Moon).
    pub fn lighting(&self, place: LunarPoint) -> Lighting {
        let up = place.direction();
        let sun = self.sub_solar.direction();
        let observer = self.observer_km();
        let sight = subtract(observer, scale(up, MOON_RADIUS_KM));
        let east = crate::vector::cross([0.0, 0.0, 1.0], up);
        let north = crate::vector::cross(up, east);
        let dot = crate::vector::dot;
        Lighting {
            sun_altitude_deg: dot(up, sun).clamp(-1.0, 1.0).asin().to_degrees(),
            sun_azimuth_deg: to_360(dot(east, sun).atan2(dot(north, sun)).to_degrees()),
            morning: to_180(self.sub_solar.lon_deg - place.lon_deg) > 0.0,
            emission_deg: angle_between(up, sight).to_degrees(),
            phase_angle_deg: angle_between(sun, sight).to_degrees(),
            distance_km: length(sight),
        }
    }

    /// The observer from the Moon's centre, km along the Moon's axes.
    pub fn observer_km(&self) -> Vector {
        scale(self.sub_observer.direction(), self.distance_km)
    }
}
