//! What someone wishes to see, and whether a view fulfils it.

use crate::error::MoonError;
use crate::lunar::{Lighting, LunarPoint, LunarView};
use crate::vector::angle_between;
use serde::Serialize;

/// Time of day on the Moon.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Course {
    /// The Sun climbs.
    Morning,
    /// The Sun sinks.
    Evening,
}

/// Values from the first to the second, both included.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Between {
    /// Least.
    pub low: f64,
    /// Most.
    pub high: f64,
}

impl Between {
    fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// The light of another moment, such as that of a reference picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Like {
    /// Where the Sun was overhead.
    pub sub_solar: LunarPoint,
    /// How far the direction of the sunlight may differ, degrees.
    pub within_deg: f64,
}

/// What someone wishes to see of a place on the Moon. Everything that is not wished is free.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Wish {
    /// The place.
    pub place: LunarPoint,
    /// Altitude of the Sun at the place, degrees.
    pub sun_altitude_deg: Option<Between>,
    /// Morning or evening at the place.
    pub course: Option<Course>,
    /// Light like that of another moment.
    pub like: Option<Like>,
    /// Largest angle between the place's zenith and the observer, degrees: how far libration must
    /// turn it towards us.
    pub most_emission_deg: Option<f64>,
    /// Libration in longitude, degrees.
    pub libration_lon_deg: Option<Between>,
    /// Libration in latitude, degrees.
    pub libration_lat_deg: Option<Between>,
    /// Least altitude of the Moon above the site's horizon, degrees.
    pub moon_above_deg: f64,
    /// Highest altitude of the Sun at the site, degrees: -18 is a dark sky, -6 the end of civil
    /// twilight; none allows the day.
    pub site_sun_below_deg: Option<f64>,
}

impl Wish {
    /// A wish for nothing but the Moon `moon_above_deg` high and the place on the near side.
    pub fn of(place: LunarPoint, moon_above_deg: f64) -> Wish {
        Wish {
            place,
            sun_altitude_deg: None,
            course: None,
            like: None,
            most_emission_deg: None,
            libration_lon_deg: None,
            libration_lat_deg: None,
            moon_above_deg,
            site_sun_below_deg: None,
        }
    }

    /// Whether values and ranges make sense.
    ///
    /// # Errors
    /// The first that does not.
    pub fn check(&self) -> Result<(), MoonError> {
        let check = MoonError::check;
        check("latitude of the place", "-90 to 90 degrees", self.place.lat_deg, -90.0..=90.0)?;
        check("longitude of the place", "-180 to 180 degrees", self.place.lon_deg, -180.0..=180.0)?;
        check("altitude of the Moon", "-90 to 90 degrees", self.moon_above_deg, -90.0..=90.0)?;
        if let Some(deg) = self.site_sun_below_deg {
            check("altitude of the Sun at the site", "-90 to 90 degrees", deg, -90.0..=90.0)?;
        }
        if let Some(deg) = self.most_emission_deg {
            check("angle from overhead", "more than 0, at most 90 degrees", deg, 1e-6..=90.0)?;
        }
        if let Some(like) = self.like {
            check("difference of the light", "0.1 to 90 degrees", like.within_deg, 0.1..=90.0)?;
        }
        for (what, between) in [
            ("altitude of the Sun at the place", self.sun_altitude_deg),
            ("libration in longitude", self.libration_lon_deg),
            ("libration in latitude", self.libration_lat_deg),
        ] {
            let Some(Between { low, high }) = between else { continue };
            check(what, "-90 to 90 degrees", low, -90.0..=90.0)?;
            check(what, "at least the lower value, at most 90 degrees", high, low..=90.0)?;
        }
        Ok(())
    }

    /// Whether the place is lit as wished, up to `margin_deg`: depends on the Moon and the Sun, not
    /// on the site (to less than a hundredth of a degree).
    pub(crate) fn lit_as_wished(&self, view: &LunarView, margin_deg: f64) -> bool {
        let lighting = view.lighting(self.place);
        let wide = |b: Between| Between { low: b.low - margin_deg, high: b.high + margin_deg };
        let altitude =
            self.sun_altitude_deg.is_none_or(|b| wide(b).holds(lighting.sun_altitude_deg));
        // Around lunar noon and midnight the course changes: a margin in time would blur it.
        let noon = crate::angle::to_180(view.sub_solar.lon_deg - self.place.lon_deg);
        let course = self.course.is_none_or(|course| {
            let near = noon.abs() <= margin_deg || 180.0 - noon.abs() <= margin_deg;
            near || lighting.morning == (course == Course::Morning)
        });
        let like = self.like.is_none_or(|like| {
            let off = angle_between(like.sub_solar.direction(), view.sub_solar.direction());
            off.to_degrees() <= like.within_deg + margin_deg
        });
        altitude && course && like
    }

    /// Whether all is as wished.
    pub(crate) fn fulfilled(&self, view: &LunarView) -> bool {
        let lighting: Lighting = view.lighting(self.place);
        let sky = view.sky.is_some_and(|sky| {
            sky.altitude_deg >= self.moon_above_deg
                && self.site_sun_below_deg.is_none_or(|deg| sky.sun_altitude_deg <= deg)
        });
        let turned = lighting.emission_deg <= self.most_emission_deg.unwrap_or(90.0);
        let libration = view.sub_observer;
        sky && turned
            && self.libration_lon_deg.is_none_or(|b| b.holds(libration.lon_deg))
            && self.libration_lat_deg.is_none_or(|b| b.holds(libration.lat_deg))
            && self.lit_as_wished(view, 0.0)
    }
}
