//! Arguments of `moon`: times, sites, places.

use clap::Args;
use stillwright_night::moon::{LunarPoint, Moment, Site};

/// Arguments of `moon`.
#[derive(Debug, Args)]
#[command(after_help = "\
Never point optics at the Sun, finder included, without a certified full-aperture front filter.

Examples:
  stillwright moon
  stillwright moon --at 2026-03-26T20:00Z --site 47.5,8.25,450
  stillwright moon --at 2026-03-26T21:00+01:00 --site 47.5,8.25 --place 9.62,-20.08 --planets")]
pub struct MoonArgs {
    /// When: 2024-11-15T21:30:00Z, 2024-11-15T22:30+01:00, 2024-11-15, or now. UTC where no zone
    /// is given; 1901 to 2099.
    #[arg(long, value_name = "TIME", default_value = "now", value_parser = when)]
    pub at: When,
    /// From where: latitude (north positive), longitude (east positive), degrees, and height, m.
    /// From the Earth's centre when left out.
    #[arg(long, value_name = "LAT,LON[,HEIGHT_M]", value_parser = site, allow_hyphen_values = true)]
    pub site: Option<Site>,
    /// How many seconds the clock that TIME comes from was fast (negative: slow).
    #[arg(long, value_name = "SECONDS", value_parser = seconds, allow_hyphen_values = true)]
    pub clock_fast: Option<f64>,
    /// A place on the Moon: latitude (north positive) and longitude (east positive, the side of
    /// Mare Crisium), degrees. How it is lit and seen.
    #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true)]
    pub place: Option<LunarPoint>,
    /// Tell of Mars, Jupiter and Saturn, too.
    #[arg(long)]
    pub planets: bool,
    /// Print one line of JSON.
    #[arg(long)]
    pub json: bool,
}

/// A time as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// The clock of this computer.
    Now,
    /// A given one.
    At(Moment),
}

/// A time, or `now`.
pub fn when(text: &str) -> Result<When, String> {
    if text.eq_ignore_ascii_case("now") {
        return Ok(When::Now);
    }
    Moment::parse(text).map(When::At).map_err(|error| error.to_string())
}

fn numbers(text: &str) -> Option<Vec<f64>> {
    text.split(',').map(|part| part.trim().parse().ok().filter(|n: &f64| n.is_finite())).collect()
}

/// A site on the Earth.
pub fn site(text: &str) -> Result<Site, String> {
    let (lat, lon, height) = match numbers(text).as_deref() {
        Some(&[lat, lon]) => (lat, lon, 0.0),
        Some(&[lat, lon, height]) => (lat, lon, height),
        _ => {
            return Err("expected latitude and longitude in degrees and perhaps a height in m, \
                        such as 47.5,-8.25,450"
                .into());
        }
    };
    Site::new(lat, lon, height).map_err(|error| error.to_string())
}

/// A place on the Moon.
pub fn place(text: &str) -> Result<LunarPoint, String> {
    match numbers(text).as_deref() {
        Some(&[lat, lon]) if lat.abs() <= 90.0 && lon.abs() <= 360.0 => {
            Ok(LunarPoint::new(lon, lat))
        }
        _ => Err("expected latitude (-90 to 90) and longitude (-360 to 360) in degrees, such as \
                  9.6,-20.1"
            .into()),
    }
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(seconds) if f64::abs(seconds) <= 1e8 => Ok(seconds),
        _ => Err("expected a number of seconds from -1e8 to 1e8".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sites_and_places_are_read_and_checked() {
        assert_eq!(site("47.5,-8.25,450"), Ok(Site::new(47.5, -8.25, 450.0).unwrap()));
        assert_eq!(site("-33.9, 18.4"), Ok(Site::new(-33.9, 18.4, 0.0).unwrap()));
        for text in ["", "47.5", "91,0", "0,361", "1,2,9999", "1,2,3,4", "a,b", "nan,0", "inf,0"] {
            assert!(site(text).is_err(), "{text}");
        }
        let read = place("9.6,339.9").unwrap();
        assert!((read.lon_deg + 20.1).abs() < 1e-9 && read.lat_deg == 9.6);
        for text in ["", "9.6", "91,0", "0,400", "1,2,3"] {
            assert!(place(text).is_err(), "{text}");
        }
        assert_eq!(when("NOW"), Ok(When::Now));
        assert!(when("yesterday").is_err() && when("2024-11-15").is_ok());
        assert!(seconds("-90").is_ok() && seconds("nan").is_err() && seconds("2e8").is_err());
    }
}
