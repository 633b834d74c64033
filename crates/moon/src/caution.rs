//! Caution about the Sun, where it belongs.

use crate::lunar::LunarView;

/// What holds wherever the Sun is near or up.
const SUN: &str = "Never point optics at the Sun, finder included, without a certified full-aperture front filter.";

/// How near to the Sun, degrees, the Moon is when a slip of the telescope could find the Sun:
/// common practice, no source. Smaller, and a warning comes late; larger, and it is always there.
const NEAR_SUN_DEG: f64 = 30.0;

/// Altitude, degrees, from which the Sun's upper limb shows: half its diameter and the refraction
/// at the horizon below it (the usual 50 arcmin of almanacs).
const SUN_UP_DEG: f64 = -50.0 / 60.0;

/// Sentences of caution about the Sun for someone who points a telescope at the Moon then and
/// there; none when the Sun is far or down. Without a site, whether it is day is not known.
pub fn cautions(view: &LunarView) -> Vec<String> {
    sun_cautions("Moon", view.elongation_deg, view.sky.map(|sky| sky.sun_altitude_deg))
}

/// The same for any target, from its distance to the Sun in the sky and the Sun's altitude at the
/// site, where there is one.
pub fn sun_cautions(
    target: &str,
    elongation_deg: f64,
    sun_altitude_deg: Option<f64>,
) -> Vec<String> {
    let day = sun_altitude_deg.is_some_and(|deg| deg > SUN_UP_DEG);
    let night = sun_altitude_deg.is_some_and(|deg| deg <= SUN_UP_DEG);
    let mut words = Vec::new();
    if day {
        words.push("The Sun is above the horizon.".to_string());
    }
    if elongation_deg < NEAR_SUN_DEG && !night {
        words.push(format!("The {target} is only {elongation_deg:.1} degrees from the Sun."));
    }
    if !words.is_empty() {
        words.push(SUN.to_string());
        words.push("Local rules and licensed practice come first.".to_string());
    }
    words
}
