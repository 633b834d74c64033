//! The height of a peak, from the length of its shadow.
//!
//! The ray that grazes the summit and ends at the shadow's tip is a straight line of length `L`
//! parallel to the sunlight. Seen from the Earth it spans an arc; with the angle between sunlight
//! and line of sight that gives `L`; and `L` with the Sun's altitude and the Moon's curvature gives
//! the height. (Schröter 1791 and Mädler had the method; the exact form on a sphere is plain
//! trigonometry.)

use crate::error::MoonError;
use crate::fix::{Fix, Measured, Projection, Px, off_disc};
use crate::lunar::{LunarPoint, LunarView, MOON_RADIUS_KM};
use crate::vector::{Vector, add, cross, dot, length, scale, subtract};
use serde::Serialize;

/// Half the Sun's apparent diameter as seen from the Moon, degrees: the shadow's edge is a
/// penumbra of rays from all of the disc.
pub const SUN_RADIUS_DEG: f64 = 0.2665;

/// How well a mark finds the middle of the penumbra, in half-widths of it, one standard deviation:
/// common practice, no source. Smaller, and heights at low Sun claim too much; larger, and the
/// penumbra drowns everything else.
const PENUMBRA_READING: f64 = 0.25;

/// Length of the ray from summit to shadow tip, km, from the arc that it spans (rad), the distance
/// to it and the angle Sun, feature, observer.
pub fn ray_km(arc_rad: f64, distance_km: f64, phase_angle_deg: f64) -> f64 {
    arc_rad * distance_km / phase_angle_deg.to_radians().sin()
}

/// Height of a summit, km, above the sphere on which the shadow ends, exactly: from the ray's
/// length and the Sun's altitude at the summit. Not a number where a ray so long would miss the
/// sphere.
pub fn height_from_ray_km(ray_km: f64, sun_altitude_deg: f64) -> f64 {
    let (sin, cos) = sun_altitude_deg.to_radians().sin_cos();
    ray_km * sin + (MOON_RADIUS_KM * MOON_RADIUS_KM - (ray_km * cos).powi(2)).sqrt()
        - MOON_RADIUS_KM
}

/// The same from the Sun's altitude at the shadow's tip.
pub fn height_above_tip_km(ray_km: f64, sun_altitude_at_tip_deg: f64) -> f64 {
    let r = MOON_RADIUS_KM;
    let sin = sun_altitude_at_tip_deg.to_radians().sin();
    (r * r + ray_km * ray_km + 2.0 * r * ray_km * sin).sqrt() - r
}

/// Height as if the Moon were flat, km: 4 to 62 % too much at a low Sun.
pub fn flat_height_km(ray_km: f64, sun_altitude_deg: f64) -> f64 {
    ray_km * sun_altitude_deg.to_radians().sin()
}

/// The shadow that a summit of a height casts on the sphere: arc from its foot to the tip
/// (degrees) and length of the ray (km), from the Sun's altitude at the summit. None where the
/// shadow has no end because the ray misses the sphere.
pub fn shadow_of(height_km: f64, sun_altitude_deg: f64) -> Option<(f64, f64)> {
    let h = sun_altitude_deg.to_radians();
    let cos_at_tip = h.cos() * (1.0 + height_km / MOON_RADIUS_KM);
    if !(height_km >= 0.0 && h > 0.0 && cos_at_tip <= 1.0) {
        return None;
    }
    let arc = h - cos_at_tip.acos();
    Some((arc.to_degrees(), MOON_RADIUS_KM * arc.sin() / h.cos()))
}

/// A height measured from a shadow.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ShadowHeight {
    /// Height of the summit above the ground at the shadow's tip, km. The uncertainty counts
    /// marks, fix, and the reading of the penumbra.
    pub height_km: Measured,
    /// The height as if the Moon were flat, for comparison, km.
    pub flat_height_km: f64,
    /// How far the height goes down and up if the tip was marked at the end of the penumbra rather
    /// than in its middle, km.
    pub penumbra_km: f64,
    /// Length of the ray from summit to tip, km.
    pub ray_km: f64,
    /// Length of the shadow over the ground, km.
    pub shadow_km: f64,
    /// The summit's foot.
    pub summit: LunarPoint,
    /// Where the shadow ends.
    pub tip: LunarPoint,
    /// Altitude of the Sun at the summit's foot, degrees.
    pub sun_altitude_deg: f64,
    /// Altitude of the Sun at the tip, degrees.
    pub sun_altitude_at_tip_deg: f64,
    /// How far the summit's mark lies beside the line of sunlight through the tip, px. More than a
    /// few times the marks' uncertainty: one of the two belongs to something else.
    pub beside_px: f64,
}

/// Measure a height from marks on the summit and on the tip of its shadow (the middle of the
/// penumbra), each good to `sigma_px` in each direction.
///
/// # Errors
/// A tip off the disc, not in sunlight, the marks in the wrong order, or the Sun behind the
/// observer (full Moon), when shadows hide behind what casts them.
pub fn shadow_height(
    fix: &Fix,
    summit: Px,
    tip: Px,
    sigma_px: f64,
) -> Result<ShadowHeight, MoonError> {
    MoonError::check("uncertainty of a mark", "0 to 1000 px", sigma_px, 0.0..=1e3)?;
    let found = trace(&fix.projection, summit, tip)?;
    let (height, variance) =
        fix.value_and_variance(&[summit, tip], sigma_px, |projection, marks| {
            Ok(trace(projection, marks[0], marks[1])?.height_km)
        })?;
    // A tip marked off the middle of the penumbra is where the ray of another point of the Sun
    // ends: the same length, another altitude.
    let at = |off_deg: f64| height_above_tip_km(found.ray_km, found.at_tip_deg + off_deg);
    let penumbra_km = 0.5 * (at(SUN_RADIUS_DEG) - at(-SUN_RADIUS_DEG));
    let reading = PENUMBRA_READING * penumbra_km;
    Ok(ShadowHeight {
        height_km: Measured::of(height, variance + reading * reading),
        flat_height_km: flat_height_km(found.ray_km, found.at_summit_deg),
        penumbra_km,
        ray_km: found.ray_km,
        shadow_km: super::distance_km(found.summit, found.tip),
        summit: found.summit,
        tip: found.tip,
        sun_altitude_deg: found.at_summit_deg,
        sun_altitude_at_tip_deg: found.at_tip_deg,
        beside_px: found.beside_px,
    })
}

struct Traced {
    height_km: f64,
    ray_km: f64,
    summit: LunarPoint,
    tip: LunarPoint,
    at_summit_deg: f64,
    at_tip_deg: f64,
    beside_px: f64,
}

fn sun_altitude_deg(view: &LunarView, up: Vector) -> f64 {
    dot(up, view.sub_solar.direction()).clamp(-1.0, 1.0).asin().to_degrees()
}

/// Follow the sunlight back from the tip to where the summit is seen.
fn trace(projection: &Projection, summit: Px, tip: Px) -> Result<Traced, MoonError> {
    let view = &projection.view;
    let sun = view.sub_solar.direction();
    let tip_place = projection.place_at(tip).ok_or_else(off_disc)?;
    let ground = scale(tip_place.direction(), MOON_RADIUS_KM);
    let at_tip_deg = sun_altitude_deg(view, tip_place.direction());
    if at_tip_deg < 0.0 {
        return Err(MoonError::Geometry(format!(
            "the Sun stands {:.2} degrees below the horizon at the marked tip: no sunlight reaches \
             the ground there then; check the mark, the time and the fix",
            -at_tip_deg
        )));
    }
    // Straight lines stay straight in the picture: the summit lies on the line from the tip
    // towards the Sun. What its mark lies beside that line is error, and left out.
    let ahead = projection.px_of_point(add(ground, scale(sun, 1.0)));
    let (dx, dy) = (ahead.x - tip.x, ahead.y - tip.y);
    let pace = dx.hypot(dy);
    let (x, y) = (summit.x - tip.x, summit.y - tip.y);
    let (along, beside_px) = ((x * dx + y * dy) / pace, (x * dy - y * dx) / pace);
    let sight = subtract(ground, view.observer_km());
    if length(cross(sun, scale(sight, 1.0 / length(sight)))) < 0.02 {
        return Err(MoonError::Geometry(
            "the Sun stands behind the observer (full Moon), so shadows hide behind what casts \
             them; heights need a phase angle of a few degrees"
                .into(),
        ));
    }
    if along.is_nan() || along <= 0.0 {
        return Err(MoonError::Marks(
            "the summit's mark lies on the far side of the tip from the Sun; mark the summit \
             first, then the end of its shadow"
                .into(),
        ));
    }
    let mark = Px { x: tip.x + along * dx / pace, y: tip.y + along * dy / pace };
    // Where the two lines meet: the sunlight through the tip, the sight through the mark.
    let ray = projection.ray(mark);
    let normal = cross(ray, cross(sun, ray));
    let ray_km = -dot(sight, normal) / dot(sun, normal);
    let peak = add(ground, scale(sun, ray_km));
    let summit_place = LunarPoint::of(peak);
    Ok(Traced {
        height_km: height_above_tip_km(ray_km, at_tip_deg),
        ray_km,
        summit: summit_place,
        tip: tip_place,
        at_summit_deg: sun_altitude_deg(view, summit_place.direction()),
        at_tip_deg,
        beside_px,
    })
}
