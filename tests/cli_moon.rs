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
        (&["moon", "--at", "yesterday"][..], "expected a time such as"),
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
    assert_eq!(run(&["moon", "--json"]).status, 0, "without a time: now");
}

const NIGHTS: [&str; 10] = [
    "plan",
    "--site",
    "47.5,8.25",
    "--place",
    "9.62,-20.08",
    "--from",
    "2026-12-01",
    "--days",
    "40",
    "--sky",
];

#[test]
fn plan_lists_hours_that_are_as_wished() {
    let wished = ["dark", "--sun", "5,12", "--morning", "--moon-above", "30"];
    let mut arguments = NIGHTS.to_vec();
    arguments.extend(wished);
    let words = run(&arguments);
    assert_eq!(words.status, 0, "{words:?}");
    assert!(words.out.contains("1 chance within 40 days"), "{words:?}");
    assert!(words.out.contains("2026-12-18 17:29 UTC to 2026-12-18 22:16 UTC"), "{words:?}");
    arguments.extend(["--json", "--chart"]);
    let ran = run(&arguments);
    assert_eq!(ran.lines().len(), 1);
    let found = ran.result();
    let chances = found["chances"].as_array().unwrap();
    assert_eq!(chances.len(), 1);
    // What the plan promises, `moon` confirms.
    let best = chances[0].pointer("/best/time_utc").and_then(Value::as_str).unwrap();
    let moon =
        run(&["moon", "--json", "--at", best, "--site", "47.5,8.25", "--place", "9.62,-20.08"]);
    let moon = moon.result();
    let sun = number(&moon, "/place/sun_altitude_deg");
    assert!((5.0..=12.0).contains(&sun) && moon["place"]["morning"] == true, "{moon}");
    assert!(number(&moon, "/altitude_deg") >= 30.0 && number(&moon, "/sun_altitude_deg") <= -18.0);
    close(&chances[0], "/best/sun_altitude_deg", sun, 1e-9);
    assert_eq!(chances[0]["cautions"], Value::Array(vec![]));
    let chart = chances[0]["chart"].as_array().unwrap();
    assert_eq!(chart.len(), 25);
    assert!(chart.iter().any(|at| at["as_wished"] == true));
    assert!(chart.iter().any(|at| at["as_wished"] == false));
}

#[test]
fn plan_finds_the_light_of_another_moment_and_warns_by_day() {
    let mut arguments = NIGHTS.to_vec();
    arguments.extend(["any", "--like", "2024-11-11T20:00Z", "--within", "2", "--json"]);
    let found = run(&arguments).result();
    let then = ["moon", "--json", "--at", "2024-11-11T20:00Z", "--place", "9.62,-20.08"];
    let then = number(&run(&then).result(), "/place/sun_altitude_deg");
    let chances = found["chances"].as_array().unwrap();
    assert!(!chances.is_empty());
    for chance in chances {
        close(chance, "/best/sun_altitude_deg", then, 2.01);
        let day = ["begins", "ends"]
            .iter()
            .any(|at| number(chance, &format!("/{at}/site_sun_altitude_deg")) > 0.0);
        assert_eq!(day, chance["cautions"].to_string().contains("Never point"), "{chance}");
    }
    // Nothing is also an answer.
    let mut none = NIGHTS.to_vec();
    none.extend(["dark", "--sun", "89,90"]);
    let words = run(&none);
    assert!(words.status == 0 && words.out.contains("no chance"), "{words:?}");
}

#[test]
fn plan_advises_on_a_capture() {
    let camera = ["--aperture", "200", "--focal", "4000", "--pixel", "2.9", "--rate", "150"];
    let mut arguments = vec!["plan", "--target", "jupiter", "--from", "2024-11-15T21:30:00Z"];
    arguments.extend(camera);
    arguments.extend(["--frame", "640x480", "--json"]);
    let found = run(&arguments).result();
    let capture = &found["capture"];
    // 2.9 um at 4000 mm; Rayleigh 138.37 / 200; half of 0.5672 arcsec passes at 0.0042025 a second.
    close(capture, "/arcsec_per_px", 0.149_542, 1e-6);
    close(capture, "/limits/rayleigh/arcsec", 0.691_85, 1e-4);
    close(capture, "/rotation/longest_s", 67.48, 0.1);
    let frames = (number(capture, "/capture_s") * 150.0).floor();
    close(capture, "/frames", frames, 0.0);
    close(capture, "/bytes", frames * 640.0 * 480.0, 0.0);
    arguments.pop();
    let words = run(&arguments);
    assert!(words.out.contains("Turning: 0.28 arcsec pass in 67 s"), "{words:?}");
}

#[test]
fn plan_refuses_what_makes_no_sense() {
    for (arguments, part) in [
        (&["plan"][..], "nothing to plan"),
        (&["plan", "--place", "1,2"], "--site"),
        (&["plan", "--aperture", "200"], "--focal"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--sun", "12,5"], "the lower first"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--sun", "5"], "the lower first"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--days", "400"], "0.01 to 367"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--moon-above", "91"], "-90 to 90"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--facing", "0"], "overhead"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--morning", "--evening"], "--evening"),
        (&["plan", "--site", "1,2", "--place", "1,2", "--from", "2099-06-01"], "out of range"),
        (
            &["plan", "--aperture", "0", "--focal", "1", "--pixel", "1", "--rate", "1"],
            "10 to 30000 mm",
        ),
    ] {
        let ran = run(arguments);
        assert_eq!(ran.status, 2, "{ran:?}");
        assert!(ran.err.contains(part) && ran.out.is_empty(), "{part}: {ran:?}");
    }
}
