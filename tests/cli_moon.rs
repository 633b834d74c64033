//! `moon` keeps its contract.
#![allow(clippy::unwrap_used)]

mod cli;

use cli::run;
use serde_json::Value;

fn number(value: &Value, path: &str) -> f64 {
    let found = value.pointer(path).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("no number {path} in {value}"))
}

fn close(value: &Value, path: &str, expected: f64, within: f64) {
    let found = number(value, path);
    assert!((found - expected).abs() <= within, "{path}: {found}, expected {expected}");
}

/// Recomputed with skyfield 1.55 from DE421 and its lunar rotation, 2026-03-26 20:00 UTC.
const TIME: &str = "2026-03-26T20:00:00Z";

#[test]
fn moon_from_the_earths_centre() {
    let ran = run(&["moon", "--at", TIME, "--json"]);
    assert_eq!((ran.status, ran.lines().len()), (0, 1), "{ran:?}");
    let found = ran.result();
    close(&found, "/distance_km", 373_800.0, 2.0);
    close(&found, "/diameter_arcsec", 1917.40, 0.02);
    close(&found, "/phase_angle_deg", 76.5173, 0.005);
    close(&found, "/illuminated", 0.616_58, 1e-4);
    close(&found, "/sub_observer/lon_deg", 3.8337, 0.005);
    close(&found, "/sub_observer/lat_deg", -5.0817, 0.005);
    close(&found, "/sub_solar/lon_deg", 80.2238, 0.005);
    close(&found, "/sub_solar/lat_deg", 0.7233, 0.005);
    close(&found, "/colongitude_deg", 9.7762, 0.005);
    close(&found, "/axis_position_angle_deg", 7.4842, 0.005);
    assert!(found.get("altitude_deg").is_none() && found["site"].is_null(), "{found}");
    assert_eq!(found["time_utc"], TIME);
}

#[test]
fn moon_from_a_site() {
    let ran = run(&["moon", "--at", TIME, "--site", "51.4769,0,46", "--json"]);
    let found = ran.result();
    close(&found, "/distance_km", 368_144.2, 2.0);
    close(&found, "/sub_observer/lon_deg", 3.7567, 0.005);
    close(&found, "/sub_observer/lat_deg", -4.6373, 0.005);
    close(&found, "/axis_position_angle_deg", 7.4264, 0.005);
    close(&found, "/altitude_deg", 62.2982, 0.005);
    close(&found, "/azimuth_deg", 205.1334, 0.01);
    assert_eq!(found["cautions"], Value::Array(vec![]), "the Sun is down, the Moon far from it");
    // The same moment said otherwise: in another zone, by a clock that was fast, in the south.
    for (at, more) in [
        ("2026-03-26T21:00:00+01:00", &[][..]),
        ("2026-03-26 20:01:30", &["--clock-fast", "90"]),
        ("2026-03-26 19:58:30", &["--clock-fast", "-90"]),
    ] {
        let mut arguments = vec!["moon", "--site", "51.4769,0,46", "--json", "--at", at];
        arguments.extend(more);
        assert_eq!(run(&arguments).out, ran.out, "{at}");
    }
    let south = run(&["moon", "--at", TIME, "--site", "-33.9,18.4", "--json"]).result();
    assert!(number(&south, "/site/lat_deg") < 0.0 && number(&south, "/altitude_deg") > 0.0);
}

#[test]
fn a_place_and_the_planets_on_request() {
    let place = ["moon", "--at", TIME, "--place", "-43.2958,348.7847", "--planets", "--json"];
    let found = run(&place).result();
    // Tycho: Sun 1.5 deg below its horizon, seen from Greenwich 41 deg from overhead.
    close(&found, "/place/sun_altitude_deg", -1.543, 0.005);
    close(&found, "/place/emission_deg", 41.04, 1.0);
    assert_eq!(found["place"]["morning"], true);
    let planets = found["planets"].as_array().unwrap();
    let named: Vec<&str> = planets.iter().map(|p| p["planet"].as_str().unwrap()).collect();
    assert_eq!(named, ["mars", "jupiter", "saturn"]);
    close(&found, "/planets/0/central_meridian/III", 19.057, 0.02);
    close(&found, "/planets/1/central_meridian/I", 168.152, 0.05);
    close(&found, "/planets/1/central_meridian/II", 118.992, 0.05);
    close(&found, "/planets/2/central_meridian/III", 342.807, 0.05);
    let words = run(&place[..6]);
    assert!(words.out.contains("Saturn: ") && words.out.contains("43.30 S, 11.22 W"), "{words:?}");
}

#[test]
fn words_say_what_the_numbers_say() {
    let words = run(&["moon", "--at", TIME, "--site", "51.4769,0,46"]);
    assert_eq!(words.status, 0);
    for part in [
        "The Moon, 2026-03-26 20:00:00 UTC, from 51.48 N, 0.00 E, 46 m",
        "Distance 368144 km",
        "colongitude 9.78 deg",
        "4.64 S, 3.76 E",
        "62.30 deg above the horizon",
    ] {
        assert!(words.out.contains(part), "{part}: {}", words.out);
    }
    assert!(!words.out.contains("Caution"));
}

#[test]
fn the_sun_is_warned_of_where_it_is_near_or_up() {
    let warned = |arguments: &[&str]| {
        let mut all = vec!["moon", "--json"];
        all.extend(arguments);
        run(&all).result()["cautions"].to_string().contains("certified full-aperture front filter")
    };
    // New Moon of 2026 August 12: near the Sun from anywhere, unless the Sun is down there.
    assert!(warned(&["--at", "2026-08-12T17:00:00Z"]));
    assert!(warned(&["--at", "2026-08-12T17:00:00Z", "--site", "43,-4"]));
    assert!(!warned(&["--at", "2026-08-12T23:30:00Z", "--site", "43,-4"]));
    // By day with a half Moon; without a site nobody knows whether it is day.
    assert!(warned(&["--at", "2026-03-26T14:00:00Z", "--site", "51.4769,0"]));
    assert!(!warned(&["--at", "2026-03-26T14:00:00Z"]));
    let words = run(&["moon", "--at", "2026-08-12T17:00:00Z"]);
    assert!(words.out.contains("Caution: Never point optics at the Sun"), "{words:?}");
}

#[test]
fn what_makes_no_sense_is_refused_as_wrong_usage() {
    for (arguments, part) in [
        (&["moon"][..], "--at"),
        (&["moon", "--at", "yesterday"], "expected a time such as"),
        (&["moon", "--at", "2150-01-01"], "1901"),
        (&["moon", "--at", "2026-02-30"], "expected a time such as"),
        (&["moon", "--at", TIME, "--site", "91,0"], "-90 to 90"),
        (&["moon", "--at", TIME, "--site", "here"], "latitude and longitude"),
        (&["moon", "--at", TIME, "--site", "1,2,99999"], "9000"),
        (&["moon", "--at", TIME, "--place", "1"], "latitude"),
        (&["moon", "--at", TIME, "--clock-fast", "soon"], "seconds"),
    ] {
        let ran = run(arguments);
        assert_eq!(ran.status, 2, "{ran:?}");
        assert!(ran.err.contains(part) && ran.out.is_empty(), "{part}: {ran:?}");
    }
    // Right by itself, out of range once the clock is put right.
    let ran = run(&["moon", "--at", "1901-01-01", "--clock-fast", "9000"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("out of range"), "{ran:?}");
    assert_eq!(run(&["moon", "--at", "now", "--json"]).status, 0);
}
