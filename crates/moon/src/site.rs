//! The observer's site, and the sky above it.

use crate::error::MoonError;
use crate::moment::Moment;
use crate::vector::{Matrix, Vector, rotate, rotate_back, scale, towards};
use serde::{Deserialize, Serialize};

/// A place on the Earth: geodetic, on WGS84, as maps and satellite receivers give it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Unchecked")]
pub struct Site {
    /// Latitude, degrees, north positive.
    pub lat_deg: f64,
    /// Longitude, degrees, east positive.
    pub lon_deg: f64,
    /// Height above the ellipsoid (above the sea will do), m.
    pub height_m: f64,
}

/// A site as it stands in a file, before its values are checked.
#[derive(Deserialize)]
struct Unchecked {
    lat_deg: f64,
    lon_deg: f64,
    #[serde(default)]
    height_m: f64,
}

impl TryFrom<Unchecked> for Site {
    type Error = MoonError;

    fn try_from(site: Unchecked) -> Result<Site, MoonError> {
        Site::new(site.lat_deg, site.lon_deg, site.height_m)
    }
}

impl Site {
    /// A site.
    ///
    /// # Errors
    /// Latitude outside -90 to 90, longitude outside -360 to 360, height outside -500 to 9000 m.
    pub fn new(lat_deg: f64, lon_deg: f64, height_m: f64) -> Result<Site, MoonError> {
        Ok(Site {
            lat_deg: MoonError::check(
                "latitude of the site",
                "-90 to 90 degrees",
                lat_deg,
                -90.0..=90.0,
            )?,
            lon_deg: MoonError::check(
                "longitude of the site",
                "-360 to 360 degrees",
                lon_deg,
                -360.0..=360.0,
            )?,
            height_m: MoonError::check(
                "height of the site",
                "-500 to 9000 m",
                height_m,
                -500.0..=9000.0,
            )?,
        })
    }
}

/// Direction in the sky of a site, without refraction, which lifts by 0.5 degree at the horizon, by
/// 0.1 at 10 degrees of altitude.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Horizontal {
    /// Above the horizon, degrees.
    pub altitude_deg: f64,
    /// From north through east, degrees, 0 to 360.
    pub azimuth_deg: f64,
}

/// The Earth at a moment: how it is turned, and its true equator.
pub(crate) struct Earth {
    earth_from_icrf: Matrix,
    /// The pole of the true equator of date, along the axes of the ICRF.
    pub north: Vector,
    true_from_icrf: Matrix,
}

impl Earth {
    pub fn at(moment: Moment) -> Earth {
        let (tt, ut) = (moment.tt(), moment.ut());
        // IAU 2000B precession and nutation: 0.001 arcsec. The pole's wandering, 0.3 arcsec, is
        // left out.
        let true_from_icrf = sofars::pnp::pnm00b(tt.day, tt.rest);
        let earth_from_icrf = sofars::pnp::c2t00b(tt.day, tt.rest, ut.day, ut.rest, 0.0, 0.0);
        Earth { earth_from_icrf, north: true_from_icrf[2], true_from_icrf }
    }

    /// The site from the Earth's centre, km along the axes of the ICRF.
    pub fn site_km(&self, site: Site) -> Vector {
        let (lon, lat) = (site.lon_deg.to_radians(), site.lat_deg.to_radians());
        // Fails for no checked site.
        let metres = sofars::coords::gd2gc(1, lon, lat, site.height_m).unwrap_or([f64::NAN; 3]);
        rotate_back(&self.earth_from_icrf, scale(metres, 1e-3))
    }

    /// Altitude and azimuth of a direction from the site.
    pub fn horizontal(&self, site: Site, direction: Vector) -> Horizontal {
        let v = rotate(&self.earth_from_icrf, direction);
        let up = towards(site.lon_deg, site.lat_deg);
        let (sin, cos) = site.lon_deg.to_radians().sin_cos();
        let (east, lat) = ([-sin, cos, 0.0], site.lat_deg.to_radians());
        let north = [-lat.sin() * cos, -lat.sin() * sin, lat.cos()];
        let along = rotate(&[east, north, up], v);
        Horizontal {
            altitude_deg: along[2].atan2(along[0].hypot(along[1])).to_degrees(),
            azimuth_deg: crate::angle::to_360(along[0].atan2(along[1]).to_degrees()),
        }
    }

    /// Right ascension (0 to 360) and declination of a direction, degrees, equator and equinox of
    /// date.
    pub fn equatorial_deg(&self, direction: Vector) -> (f64, f64) {
        let (ra, dec) = crate::vector::lon_lat_deg(rotate(&self.true_from_icrf, direction));
        (crate::angle::to_360(ra), dec)
    }
}
