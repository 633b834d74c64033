//! `moon`: the Moon and the planets, then and there.

use crate::Status;
use crate::args_sky::{MoonArgs, When};
use crate::say::Results;
use anyhow::Context;
use serde::Serialize;
use stillwright_night::clock;
use stillwright_night::moon::{
    CentralMeridian, Lighting, LunarPoint, LunarView, Moment, Planet, PlanetView, cautions,
};

/// The result, as a line of JSON.
#[derive(Serialize)]
struct MoonLine<'a> {
    #[serde(flatten)]
    view: &'a LunarView,
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<PlaceLine>,
    #[serde(skip_serializing_if = "<[PlanetView]>::is_empty")]
    planets: &'a [PlanetView],
    cautions: &'a [String],
}

/// How the place that was asked for is lit.
#[derive(Serialize)]
struct PlaceLine {
    #[serde(flatten)]
    place: LunarPoint,
    #[serde(flatten)]
    lighting: Lighting,
}

/// The moment that was asked for.
///
/// # Errors
/// A clock outside the years that can be computed.
pub fn moment_of(when: When) -> anyhow::Result<Moment> {
    match when {
        When::At(moment) => Ok(moment),
        When::Now => Moment::parse(&clock::now()).context("this computer's clock is wrong"),
    }
}

/// Tell of the Moon.
///
/// # Errors
/// A time out of range after its clock was put right.
pub fn run(args: &MoonArgs, results: &mut Results) -> anyhow::Result<Status> {
    let time = moment_of(args.at)?.plus_seconds(-args.clock_fast.unwrap_or(0.0))?;
    let view = LunarView::at(time, args.site);
    let place = args.place.map(|place| PlaceLine { place, lighting: view.lighting(place) });
    let asked = if args.planets { &Planet::ALL[..] } else { &[] };
    let planets: Vec<PlanetView> =
        asked.iter().map(|planet| PlanetView::at(*planet, time, args.site)).collect();
    let cautions = cautions(&view);
    if args.json {
        results.json(&MoonLine { view: &view, place, planets: &planets, cautions: &cautions });
    } else {
        results.line(&in_words(&view, place.as_ref(), &planets, &cautions));
    }
    Ok(Status::Done)
}

fn in_words(
    view: &LunarView,
    place: Option<&PlaceLine>,
    planets: &[PlanetView],
    cautions: &[String],
) -> String {
    let mut lines = Vec::new();
    let time = view.time_utc.to_string().replace('T', " ").replace('Z', " UTC");
    let from = match view.site {
        Some(site) => format!(
            "{}, {}, {:.0} m",
            angle(site.lat_deg, "N", "S"),
            angle(site.lon_deg, "E", "W"),
            site.height_m
        ),
        None => "the Earth's centre".into(),
    };
    lines.push(format!("The Moon, {time}, from {from}"));
    let mut say = |text: String| lines.push(format!("  {text}"));
    say(format!(
        "Distance {:.0} km, diameter {:.1} arcsec ({:.2} arcmin), {:.4} km to the arcsec.",
        view.distance_km,
        view.diameter_arcsec,
        view.diameter_arcsec / 60.0,
        view.km_per_arcsec
    ));
    say(format!(
        "Lit {:.1} %, phase angle {:.2} deg, {:.1} deg from the Sun; bright limb at position angle {:.1} deg.",
        100.0 * view.illuminated,
        view.phase_angle_deg,
        view.elongation_deg,
        view.bright_limb_position_angle_deg
    ));
    say(format!("Middle of the disc (libration): {}.", point(view.sub_observer)));
    say(format!(
        "Sun overhead at {}; colongitude {:.2} deg.",
        point(view.sub_solar),
        view.colongitude_deg
    ));
    say(format!("Axis at position angle {:.2} deg.", view.axis_position_angle_deg));
    if let Some(sky) = view.sky {
        say(format!(
            "{}, azimuth {:.2} deg; the Sun {}.",
            height(sky.altitude_deg),
            sky.azimuth_deg,
            height(sky.sun_altitude_deg).to_lowercase()
        ));
    }
    if let Some(place) = place {
        let lighting = &place.lighting;
        let seen = if lighting.emission_deg < 90.0 {
            format!("seen {:.1} deg from overhead", lighting.emission_deg)
        } else {
            "on the far side of the limb".to_string()
        };
        let course = match (lighting.sun_altitude_deg > 0.0, lighting.morning) {
            (true, true) => ", morning",
            (true, false) => ", afternoon",
            (false, _) => "",
        };
        say(format!(
            "At {}: Sun {}{course}; {seen}.",
            point(place.place),
            height(lighting.sun_altitude_deg).to_lowercase()
        ));
    }
    for planet in planets {
        let up = match planet.altitude_deg {
            Some(altitude) => format!("; {}", height(altitude).to_lowercase()),
            None => String::new(),
        };
        say(format!(
            "{}: {:.4} au, {:.2} x {:.2} arcsec, lit {:.1} %; {}; tilt {:.2} deg, axis at {:.2} deg{up}.",
            planet.planet.name(),
            planet.distance_au,
            planet.equatorial_diameter_arcsec,
            planet.polar_diameter_arcsec,
            100.0 * planet.illuminated,
            meridians(planet.planet, planet.central_meridian),
            planet.tilt_deg,
            planet.axis_position_angle_deg
        ));
    }
    for caution in cautions {
        say(format!("Caution: {caution}"));
    }
    lines.join("\n")
}

fn meridians(planet: Planet, meridian: CentralMeridian) -> String {
    let mut all = Vec::new();
    let systems = [("I", meridian.system_i_deg), ("II", meridian.system_ii_deg)];
    for (name, value) in systems {
        all.extend(value.map(|deg| format!("{name} {deg:.2}")));
    }
    let third = if planet == Planet::Mars { String::new() } else { "III ".into() };
    all.push(format!("{third}{:.2}", meridian.system_iii_deg));
    format!("central meridian {} deg", all.join(", "))
}

/// A place on the Moon, in words.
pub fn point(place: LunarPoint) -> String {
    format!("{}, {}", angle(place.lat_deg, "N", "S"), angle(place.lon_deg, "E", "W"))
}

fn angle(deg: f64, positive: &str, negative: &str) -> String {
    format!("{:.2} {}", deg.abs(), if deg < 0.0 { negative } else { positive })
}

/// `62.30 deg above the horizon`.
pub fn height(altitude_deg: f64) -> String {
    let side = if altitude_deg < 0.0 { "below" } else { "above" };
    format!("{:.2} deg {side} the horizon", altitude_deg.abs())
}
