//! Arguments of `plan`.

use crate::args::size;
use crate::args_sky::{When, place, site, when};
use clap::{Args, ValueEnum};
use stillwright_night::moon::plan::Between;
use stillwright_night::moon::{LunarPoint, Planet, Site};

/// Arguments of `plan`.
#[derive(Debug, Args)]
#[command(after_help = "\
Never point optics at the Sun, finder included, without a certified full-aperture front filter.

Examples:
  stillwright plan --site 47.5,8.25 --place 9.62,-20.08 --sun 5,12 --morning
  stillwright plan --site 47.5,8.25 --place 9.62,-20.08 --like 2024-11-11T20:00Z
  stillwright plan --target jupiter --aperture 200 --focal 4000 --pixel 2.9 --rate 150")]
pub struct PlanArgs {
    /// From where: latitude (north positive), longitude (east positive), degrees, and height, m.
    #[arg(long, value_name = "LAT,LON[,HEIGHT_M]", value_parser = site, allow_hyphen_values = true)]
    pub site: Option<Site>,
    /// The place on the Moon: latitude (north positive) and longitude (east positive, the side of
    /// Mare Crisium), degrees. Lists the hours in which it is to be seen as wished.
    #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true,
        requires = "site")]
    pub place: Option<LunarPoint>,
    /// First moment to look at; now when left out. Also the moment for the advice on a capture.
    #[arg(long, value_name = "TIME", value_parser = when)]
    pub from: Option<When>,
    /// How many days to look through, 0.01 to 367.
    #[arg(long, value_name = "N", default_value_t = 366.0, value_parser = days)]
    pub days: f64,
    /// How many stretches of time to list at most, 1 to 10000.
    #[arg(long, value_name = "N", default_value_t = 40,
        value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub most: u32,
    /// Add a chart of altitude and light through each night, from six hours before the best moment
    /// to six after, every half hour; a star where all is as wished.
    #[arg(long, requires = "place")]
    pub chart: bool,
    /// Print one line of JSON.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub wish: WishArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub camera: CameraArgs,
}

/// What is wished of the place; everything left out is free.
#[derive(Debug, Args)]
#[command(next_help_heading = "What is wished of the place")]
pub struct WishArgs {
    /// Altitude of the Sun at the place, degrees.
    #[arg(long, value_name = "LOW,HIGH", value_parser = between, allow_hyphen_values = true)]
    pub sun: Option<Between>,
    /// The Sun climbs at the place.
    #[arg(long, conflicts_with = "evening")]
    pub morning: bool,
    /// The Sun sinks at the place.
    #[arg(long)]
    pub evening: bool,
    /// Light like that of another moment, that of a reference picture say.
    #[arg(long, value_name = "TIME", value_parser = when)]
    pub like: Option<When>,
    /// How far the direction of the light may differ with --like, degrees, 0.1 to 90.
    #[arg(long, value_name = "DEG", default_value_t = 1.0, requires = "like")]
    pub within: f64,
    /// Most degrees between the place's zenith and the Earth: how far libration must turn it to us
    /// (0 is the middle of the disc, 90 the limb).
    #[arg(long, value_name = "DEG")]
    pub facing: Option<f64>,
    /// Libration in longitude, degrees (positive: more of the east is seen).
    #[arg(long, value_name = "LOW,HIGH", value_parser = between, allow_hyphen_values = true)]
    pub libration_lon: Option<Between>,
    /// Libration in latitude, degrees (positive: more of the north is seen).
    #[arg(long, value_name = "LOW,HIGH", value_parser = between, allow_hyphen_values = true)]
    pub libration_lat: Option<Between>,
    /// Least altitude of the Moon at the site, degrees.
    #[arg(long, value_name = "DEG", default_value_t = 20.0, allow_negative_numbers = true)]
    pub moon_above: f64,
    /// How dark the sky at the site must be.
    #[arg(long, value_name = "SKY", value_enum, default_value_t = SkyArg::Night)]
    pub sky: SkyArg,
}

/// How dark a sky is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SkyArg {
    /// The Sun at least 18 degrees below the horizon.
    Dark,
    /// The Sun at least 6 degrees below the horizon.
    Night,
    /// By day, too.
    Any,
}

/// Telescope and camera, for the advice on a capture.
#[derive(Debug, Args)]
#[command(next_help_heading = "Telescope and camera (advice on the capture)")]
pub struct CameraArgs {
    /// Aperture, mm.
    #[arg(long, value_name = "MM", requires_all = ["focal", "pixel", "rate"])]
    pub aperture: Option<f64>,
    /// Focal length with everything in the light path, mm.
    #[arg(long, value_name = "MM", requires = "aperture")]
    pub focal: Option<f64>,
    /// Pitch of the camera's pixels, micrometres.
    #[arg(long, value_name = "UM", requires = "aperture")]
    pub pixel: Option<f64>,
    /// Frames a second that camera and disk manage.
    #[arg(long, value_name = "HZ", requires = "aperture")]
    pub rate: Option<f64>,
    /// What is captured.
    #[arg(long, value_name = "TARGET", value_enum, default_value_t = TargetArg::Moon)]
    pub target: TargetArg,
    /// Diameter of the central obstruction over the aperture, 0 to 0.9.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    pub obstruction: f64,
    /// Wavelength of the light, nm.
    #[arg(long, value_name = "NM", default_value_t = 550.0)]
    pub wavelength: f64,
    /// Size of the frames, px.
    #[arg(long, value_name = "WIDTHxHEIGHT", default_value = "1280x960", value_parser = size)]
    pub frame: (usize, usize),
    /// Bytes of a pixel in the capture: 1 for 8 bit, 2 for more, 3 for 8-bit colour.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub bytes_per_px: u32,
    /// Width of a star's image in a long exposure, arcsec.
    #[arg(long, value_name = "ARCSEC", default_value_t = 2.0)]
    pub seeing: f64,
    /// How fast the picture drifts, arcsec a second: 15 without tracking.
    #[arg(long, value_name = "ARCSEC_PER_S", default_value_t = 0.0)]
    pub drift: f64,
}

/// What can be captured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs)]
pub enum TargetArg {
    Moon,
    Mars,
    Jupiter,
    Saturn,
}

impl TargetArg {
    /// The planet, unless it is the Moon.
    pub fn planet(self) -> Option<Planet> {
        match self {
            TargetArg::Moon => None,
            TargetArg::Mars => Some(Planet::Mars),
            TargetArg::Jupiter => Some(Planet::Jupiter),
            TargetArg::Saturn => Some(Planet::Saturn),
        }
    }
}

fn between(text: &str) -> Result<Between, String> {
    let words = || "expected two numbers of degrees, the lower first, such as 5,12".to_string();
    let (low, high) = text.split_once(',').ok_or_else(words)?;
    match (low.trim().parse(), high.trim().parse()) {
        (Ok(low), Ok(high)) if low <= high => Ok(Between { low, high }),
        _ => Err(words()),
    }
}

fn days(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(days) if (0.01..=367.0).contains(&days) => Ok(days),
        _ => Err("expected a number of days from 0.01 to 367".into()),
    }
}
