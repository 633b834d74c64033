//! Heights from shadows that are found in pictures: ridges of known height on the sphere, their
//! shadows traced with the Sun's whole disc, blurred and noisy.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod common;

use common::{Chance, picture};
use stillwright_moon::fix::{Camera, Px};
use stillwright_moon::measure::{shadow_height, shadow_of, shadow_tip, towards_sun};
use stillwright_moon::vector::{Vector, add, cross, dot, length, scale, unit};
use stillwright_moon::{LunarPoint, MOON_RADIUS_KM};
use stillwright_picture::Plane;

/// Half the Sun's diameter as seen from the Moon, degrees.
const SUN_RADIUS_DEG: f64 = 0.2665;

/// Share of the Sun's disc that lights a point of the ground behind a ridge.
///
/// The ridge stands on the great circle whose pole is `along` (unit vector, towards the Sun), as high
/// as `height_km`.
fn light(ground: Vector, along: Vector, height_km: f64, sun: Vector) -> f64 {
    let behind = dot(ground, along);
    let up = scale(ground, 1.0 / length(ground));
    let side = unit(cross(sun, up));
    let lift = cross(side, sun);
    const POINTS: i32 = 11;
    let (mut lit, mut all) = (0.0, 0.0);
    for i in 0..POINTS {
        // Strips of the disc, each as wide as the disc there.
        let share = (2.0 * f64::from(i) + 1.0) / f64::from(POINTS) - 1.0;
        let weight = (1.0 - share * share).sqrt();
        let (sin, cos) = (share * SUN_RADIUS_DEG).to_radians().sin_cos();
        let from = add(scale(sun, cos), scale(lift, -sin));
        let risen = dot(from, up) > 0.0;
        let free = behind >= 0.0 || {
            let t = -behind / dot(from, along);
            length(add(ground, scale(from, t))) - MOON_RADIUS_KM > height_km
        };
        all += weight;
        lit += if risen && free { weight } else { 0.0 };
    }
    lit / all
}

#[test]
fn heights_of_ridges_come_back_within_five_per_cent() {
    // Sun 3 to 20 deg high, places out to 60 deg from the middle of the disc, 8-inch telescope: blur
    // of 2.2 px rms (0.7 arcsec wide), noise of 1 %. The summit is marked to 0.5 px, the tip only to
    // 6 px and then found in the picture.
    let mut chance = Chance(11);
    let (mut count, mut covered, mut squares, mut worst) = (0, 0, 0.0, 0.0_f64);
    while count < 40 {
        let view = chance.view();
        let lit = |place| (3.0..20.0).contains(&view.lighting(place).sun_altitude_deg);
        let Some(place) = chance.place(&view, 60.0, lit) else { continue };
        let sun_altitude = view.lighting(place).sun_altitude_deg;
        let height = chance.uniform(0.5, 5.0);
        let Some((_, ray)) = shadow_of(height, sun_altitude) else { continue };
        if !(10.0..45.0).contains(&ray) {
            continue;
        }
        let full = chance.camera(&view, place);
        let sun = view.sub_solar.direction();
        let up = place.direction();
        let along = unit(cross(up, cross(sun, up)));
        let summit_km = scale(up, MOON_RADIUS_KM + height);
        let tip_km = add(summit_km, scale(sun, -ray));
        // A cut-out of the picture with the shadow's end in the midst of it.
        let centre = full.px_of_point(tip_km);
        let side = 72.0;
        let fix = chance.fix(&full, 1.0);
        let moved = |camera: Camera| Camera {
            anchor_px: Px {
                x: camera.anchor_px.x - centre.x + 0.5 * side,
                y: camera.anchor_px.y - centre.y + 0.5 * side,
            },
            ..camera
        };
        let truth = stillwright_moon::fix::Projection { camera: moved(full.camera), ..full };
        let fix = fix.shifted(0.5 * side - centre.x, 0.5 * side - centre.y);
        let plane: Plane = picture(72, 72, 2.2, 0.01, |x, y| {
            let Some(seen) = truth.place_at(Px { x, y }) else { return 0.0 };
            light(scale(seen.direction(), MOON_RADIUS_KM), along, height, sun)
        });
        let summit = chance.jittered(truth.px_of_point(summit_km), 0.5);
        let near = chance.jittered(truth.px_of_point(tip_km), 6.0);
        let tip = shadow_tip(&fix.projection, &plane, summit, near, 25.0).unwrap();
        let found = shadow_height(&fix, summit, tip, 0.5).unwrap();
        let off = found.height_km.value / height - 1.0;
        covered += usize::from(found.height_km.covers(height));
        squares += off * off;
        worst = worst.max(off.abs());
        count += 1;
        // The light falls from the Sun's side: shadows point away from it.
        let [dx, dy] = towards_sun(&truth, tip).unwrap();
        assert!((summit.x - tip.x) * dx + (summit.y - tip.y) * dy > 0.0);
        assert!(LunarPoint::of(tip_km).lat_deg.is_finite());
    }
    let rms = (squares / f64::from(count)).sqrt();
    println!(
        "{count} ridges: off by {:.2} % rms, worst {:.2} %, covered {covered}",
        100.0 * rms,
        100.0 * worst
    );
    assert!(rms < 0.03 && worst < 0.05, "{rms} {worst}");
    assert!(10 * covered >= 9 * count as usize, "{covered}");
}
