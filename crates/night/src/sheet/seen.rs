//! From where a reference picture shows the Moon.

use serde::{Deserialize, Serialize};
use stillwright_moon::{LunarPoint, LunarView, MOON_RADIUS_KM, Moment};

/// From where a reference picture shows the Moon, where that is known: what laying it through the
/// sphere needs besides the still's fix.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase", deny_unknown_fields)]
pub enum SeenFrom {
    /// From the Earth, the night's site where it is known, at this time (UTC).
    Earth(Moment),
    /// From so high above a place.
    Above {
        /// The place in whose zenith the camera was.
        place: LunarPoint,
        /// Above the sphere of 1737.4 km.
        height_km: f64,
    },
}

/// What can be typed.
const EXPECTED: &str = "a time in UTC for a picture taken from the Earth (2025-03-08T20:15Z), or latitude, longitude and \
     height in km of the camera over the Moon (9.6, -20.1, 110)";

impl SeenFrom {
    /// What was typed: a time, or latitude, longitude (degrees, north and east positive) and height
    /// above the ground in km.
    ///
    /// # Errors
    /// In words.
    pub fn read(text: &str) -> Result<SeenFrom, String> {
        let text = text.trim();
        if text.contains([':', 'T', 'Z']) {
            return Moment::parse(text).map(SeenFrom::Earth).map_err(|e| e.to_string());
        }
        let wrong = || format!("expected {EXPECTED}, found \"{text}\"");
        let parts = text.split([',', ';', ' ', '°']).filter(|part| !part.is_empty());
        let parts = parts.map(|part| part.trim_end_matches("km").replace('−', "-"));
        let numbers: Result<Vec<f64>, _> =
            parts.filter(|part| !part.is_empty()).map(|part| part.parse()).collect();
        let Ok([lat, lon, height_km]) =
            numbers.map_err(|_| ()).and_then(|found| <[f64; 3]>::try_from(found).map_err(|_| ()))
        else {
            return Err(wrong());
        };
        let seen = SeenFrom::Above { place: LunarPoint::new(lon, lat), height_km };
        seen.check().map(|()| seen)
    }

    /// The words that [`SeenFrom::read`] understands.
    pub fn words(self) -> String {
        match self {
            SeenFrom::Earth(time) => time.to_string(),
            SeenFrom::Above { place, height_km } => {
                format!("{}, {}, {} km", place.lat_deg, place.lon_deg, height_km)
            }
        }
    }

    /// Whether the values are in their ranges.
    ///
    /// # Errors
    /// The first that is not, in words.
    pub fn check(self) -> Result<(), String> {
        let SeenFrom::Above { place, height_km } = self else { return Ok(()) };
        for (what, value, most) in
            [("latitude", place.lat_deg, 90.0), ("longitude", place.lon_deg, 180.0)]
        {
            if !(-most..=most).contains(&value) {
                return Err(format!(
                    "{what} below the camera: expected -{most} to {most} degrees, found {value}"
                ));
            }
        }
        if (1.0..=1e7).contains(&height_km) {
            Ok(())
        } else {
            Err(format!("height of the camera: expected 1 to 10 million km, found {height_km}"))
        }
    }

    /// The Moon as the reference shows it; `still` is the Moon as the still does, whose site counts.
    ///
    /// # Errors
    /// Values out of their ranges, in words.
    pub fn view(self, still: &LunarView) -> Result<LunarView, String> {
        match self {
            SeenFrom::Earth(time) => Ok(LunarView::at(time, still.site)),
            SeenFrom::Above { place, height_km } => {
                still.from_above(place, MOON_RADIUS_KM + height_km).map_err(|e| e.to_string())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_or_a_place_below_the_camera_is_understood() {
        let time = SeenFrom::read("2025-03-08T20:15Z").unwrap();
        assert!(matches!(time, SeenFrom::Earth(_)));
        let above = SeenFrom::read(" 9.6, −20.1, 110 km").unwrap();
        assert_eq!(above, SeenFrom::Above { place: LunarPoint::new(-20.1, 9.6), height_km: 110.0 });
        for seen in [time, above] {
            assert_eq!(SeenFrom::read(&seen.words()), Ok(seen));
        }
        for bad in
            ["", "9.6", "9.6, -20.1", "95, 0, 100", "9, 0, -3", "a, b, c", "2025:99", "1 2 3 4"]
        {
            assert!(SeenFrom::read(bad).is_err(), "{bad}");
        }
        assert!(SeenFrom::read("9.6").unwrap_err().contains("latitude, longitude and height"));
    }
}
