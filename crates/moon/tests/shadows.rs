//! Heights from shadows: the exact formulae and whole measurements against figures recomputed by
//! tracing rays in three dimensions; depths of craters.
#![allow(clippy::unwrap_used)]

use stillwright_moon::fix::{
    Camera, Estimate, Fix, FixRequest, Mark, Projection, Px, SkyOffset, fix,
};
use stillwright_moon::measure::{
    complex_depth_km, flat_height_km, height_above_tip_km, height_from_ray_km, ray_km,
    shadow_height, shadow_of, simple_depth_km,
};
use stillwright_moon::vector::{add, scale};
use stillwright_moon::{LunarPoint, LunarView, MOON_RADIUS_KM, Moment};

fn close(what: &str, found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{what}: {found}, expected {expected} +- {within}");
}

#[test]
fn the_exact_formulae_on_a_sphere() {
    // Sun's altitude, height, arc of the shadow, its length over the ground, the ray, the flat
    // height and its error in per cent (recomputed for R = 1737.4 km).
    for [h, height, arc, ground, ray, flat, error] in [
        [2.0, 0.5, 0.54695, 16.5853, 16.5951, 0.5792, 15.8],
        [2.0, 1.0, 1.52787, 46.3300, 46.3528, 1.6177, 61.8],
        [5.0, 1.0, 0.39229, 11.8956, 11.9410, 1.0407, 4.1],
        [5.0, 2.0, 0.82116, 24.9005, 24.9947, 2.1784, 8.9],
        [5.0, 4.0, 1.84909, 56.0707, 56.2751, 4.9047, 22.6],
        [10.0, 1.0, 0.18879, 5.7248, 5.8131, 1.0094, 0.9],
        [10.0, 2.0, 0.38125, 11.5608, 11.7390, 2.0385, 1.9],
        [10.0, 4.0, 0.77809, 23.5944, 23.9577, 4.1602, 4.0],
        [20.0, 2.0, 0.18201, 5.5190, 5.8732, 2.0088, 0.4],
    ] {
        let (found_arc, found_ray) = shadow_of(height, h).unwrap();
        close("arc", found_arc, arc, 6e-6);
        close("ground", found_arc.to_radians() * MOON_RADIUS_KM, ground, 6e-5 * 3.0);
        close("ray", found_ray, ray, 6e-5 * 2.0);
        close("height back", height_from_ray_km(found_ray, h), height, 1e-6);
        close(
            "height back from the tip",
            height_above_tip_km(found_ray, h - found_arc),
            height,
            1e-6,
        );
        close("flat", flat_height_km(found_ray, h), flat, 6e-5);
        close("flat error", 100.0 * (flat / height - 1.0), error, 0.06);
        // To second order, what the curve of the Moon takes away: L cos(h)^2 / 2R. The cosines make
        // the neglected part a thousandth.
        let second = found_ray * h.to_radians().sin()
            - (found_ray * h.to_radians().cos()).powi(2) / (2.0 * MOON_RADIUS_KM);
        close("second order", second, height, 1e-3);
        // From arc alone: H = R (cos(h - arc) / cos h - 1).
        let (h, arc) = (h.to_radians(), found_arc.to_radians());
        close("by the arc", MOON_RADIUS_KM * ((h - arc).cos() / h.cos() - 1.0), height, 1e-6);
    }
    // At 1 deg even half a kilometre has no tip: (R + H) cos h > R.
    assert!(shadow_of(0.5, 1.0).is_none() && shadow_of(0.2, 1.0).is_some());
    assert!(shadow_of(1.0, -1.0).is_none() && shadow_of(-1.0, 5.0).is_none());
    assert!(shadow_of(f64::NAN, 5.0).is_none() && height_from_ray_km(2000.0, 0.0).is_nan());
}

#[test]
fn a_published_example() {
    // Promontorium Laplace, 2010 May 23 (a worked example on the site castor2.ca): Sun 6.7010508
    // deg high, shadow of 0.7032254 deg on R = 1737.5 km: ray 21.3254 km, height 2.5 km by
    // L tan A. Its flat height is 2.5056 by L sin A / cos A; exactly it is 2.3746.
    let (h, arc) = (6.701_050_8_f64.to_radians(), 0.703_225_4_f64.to_radians());
    close("shadow", 1737.5 * arc, 21.3254, 2e-4);
    close("flat", 1737.5 * arc * h.tan(), 2.5056, 1e-4);
    let exact = height_from_ray_km(MOON_RADIUS_KM * arc.sin() / h.cos(), h.to_degrees());
    close("exact", exact, 2.3746, 2e-3);
}

/// The view of an end-to-end vector: from the Earth's centre, with the angles put in where given.
fn view(time: &str, given: Option<[f64; 5]>) -> LunarView {
    let view = LunarView::at(Moment::parse(time).unwrap(), None);
    match given {
        None => view,
        Some([l, b, l_sun, b_sun, km]) => LunarView {
            sub_observer: LunarPoint::new(l, b),
            sub_solar: LunarPoint::new(l_sun, b_sun),
            distance_km: km,
            ..view
        },
    }
}

/// A fix that is exact, at 0.02 arcsec to the pixel.
fn exact_fix(view: &LunarView) -> Fix {
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
        anchor_px: Px { x: 0.0, y: 0.0 },
        arcsec_per_px: 0.02,
        up_position_angle_deg: 25.0,
        mirrored: true,
    };
    let truth = Projection { view: *view, camera };
    let mark = |lon, lat| {
        let place = LunarPoint::new(lon, lat);
        Mark { px: truth.px_of(place).unwrap(), place, sigma_px: 1e-3 }
    };
    let marks = vec![mark(0.0, 0.0), mark(30.0, 30.0), mark(-30.0, 20.0)];
    let scale = Some(Estimate { value: 0.02, sigma: 1e-9 });
    let request =
        FixRequest { marks, arcsec_per_px: scale, mirrored: Some(true), ..FixRequest::default() };
    fix(view, &request).unwrap()
}

#[test]
fn whole_measurements_give_the_height_back() {
    // Place, height; Sun's altitude, ray, apparent length summit to tip (arcsec), all recomputed
    // by tracing rays in three dimensions.
    let piton = [3.8337, -5.0817, 80.2238, 0.7233, 373_800.0];
    for (view, (lon, lat), height, h, ray, apparent, within) in [
        (
            view("2026-03-26T20:00:00Z", Some(piton)),
            (359.0773, 40.7167),
            2.25,
            7.1738,
            18.8210,
            10.1312,
            2e-4,
        ),
        (
            view("2026-03-24T20:00:00Z", None),
            (26.2847, -11.4524),
            4.1,
            11.3188,
            21.5442,
            11.7902,
            6e-3,
        ),
        (view("1992-04-11T23:59:01.816Z", None), (-20.0, 9.7), 0.9, 2.3208, 27.6507, 14.5162, 2e-1),
    ] {
        let fix = exact_fix(&view);
        let place = LunarPoint::new(lon, lat);
        let lighting = view.lighting(place);
        close("Sun", lighting.sun_altitude_deg, h, 0.005);
        // At exactly the vector's Sun, its ray; the angles of a fresh view differ by 0.003 deg.
        close("ray of the vector", shadow_of(height, h).unwrap().1, ray, 0.02);
        let (_, length) = shadow_of(height, lighting.sun_altitude_deg).unwrap();
        let summit_km = scale(place.direction(), MOON_RADIUS_KM + height);
        let tip_km = add(summit_km, scale(view.sub_solar.direction(), -length));
        let (summit, tip) =
            (fix.projection.px_of_point(summit_km), fix.projection.px_of_point(tip_km));
        let arcsec = (summit.x - tip.x).hypot(summit.y - tip.y) * 0.02;
        close("apparent length", arcsec, apparent, within);
        let found = shadow_height(&fix, summit, tip, 1.0).unwrap();
        close("height", found.height_km.value, height, 1e-4);
        close("ray found", found.ray_km, length, 1e-3);
        close("Sun at the summit", found.sun_altitude_deg, lighting.sun_altitude_deg, 1e-5);
        assert!(found.beside_px.abs() < 1e-3 && found.flat_height_km > found.height_km.value);

        // By the formula: arc times distance over the sine of the phase angle, both at the feature.
        let arc = arcsec / 206_264.806;
        let formula = ray_km(arc, lighting.distance_km, lighting.phase_angle_deg);
        close("ray by the formula", formula / length, 1.0, 3e-3);
    }
}

#[test]
fn mons_piton_by_hand() {
    // 10.1312 arcsec in the test vector: 2.2500 km with the phase angle at the feature (76.5015
    // deg), 2.2498 with that of the disc's centre, 2.2568 with the distance of the Moon's centre,
    // 2.3503 on a flat Moon. Greenwich saw 10.2903 arcsec.
    let view = view("2026-03-26T20:00:00Z", Some([3.8337, -5.0817, 80.2238, 0.7233, 373_800.0]));
    let lighting = view.lighting(LunarPoint::new(359.0773, 40.7167));
    close("phase angle at the feature", lighting.phase_angle_deg, 76.5015, 0.003);
    let arc = 10.1312 / 206_264.806;
    let height = |km: f64, phase: f64| height_from_ray_km(ray_km(arc, km, phase), 7.1738);
    close("height", height(lighting.distance_km, 76.5015), 2.2500, 0.002);
    close("centre's phase", height(lighting.distance_km, 76.5173), 2.2498, 0.002);
    close("centre's distance", height(373_800.0, 76.5015), 2.2568, 0.002);
    close(
        "flat",
        flat_height_km(ray_km(arc, lighting.distance_km, 76.5015), 7.1738),
        2.3503,
        0.002,
    );
    // Copernicus's rim on 1992 April 12: flat 1.1197 for 0.9 km, 24 % too much.
    close("flat Copernicus", flat_height_km(27.6507, 2.3208), 1.1197, 2e-4);
    // The tip of the vector: -1.7325, +40.7702.
    let up = LunarPoint::new(359.0773, 40.7167).direction();
    let summit = scale(up, MOON_RADIUS_KM + 2.25);
    let (_, length) = shadow_of(2.25, lighting.sun_altitude_deg).unwrap();
    let tip = LunarPoint::of(add(summit, scale(view.sub_solar.direction(), -length)));
    close("tip's longitude", tip.lon_deg, -1.7325, 2e-3);
    close("tip's latitude", tip.lat_deg, 40.7702, 2e-3);
    // From Greenwich the same shadow spanned 10.2903 arcsec.
    let site = stillwright_moon::Site::new(51.4769, 0.0, 46.0).unwrap();
    let here = LunarView::at(view.time_utc, Some(site));
    let projection = Projection { view: here, camera: exact_fix(&view).projection.camera };
    let (a, b) =
        (projection.sky_of(summit), projection.sky_of(scale(tip.direction(), MOON_RADIUS_KM)));
    let arcsec = (a.east_arcsec - b.east_arcsec).hypot(a.north_arcsec - b.north_arcsec);
    close("from Greenwich", arcsec, 10.2903, 0.01);
}

#[test]
fn the_penumbra_is_told() {
    // +-0.2665 deg make +-0.14 km of a shadow of 30 km at 5 deg.
    let view = view("2026-03-26T20:00:00Z", None);
    let fix = exact_fix(&view);
    // A place on the central meridian's side where the Sun stands 5 deg high.
    let lon = (-900..900)
        .map(|i| f64::from(i) * 0.1)
        .find(|lon| view.lighting(LunarPoint::new(*lon, 10.0)).sun_altitude_deg > 5.0);
    let tip = scale(LunarPoint::new(lon.unwrap(), 10.0).direction(), MOON_RADIUS_KM);
    let summit = add(tip, scale(view.sub_solar.direction(), 30.0));
    let (summit, tip) = (fix.projection.px_of_point(summit), fix.projection.px_of_point(tip));
    let found = shadow_height(&fix, summit, tip, 0.1).unwrap();
    close("ray", found.ray_km, 30.0, 1e-3);
    close("penumbra", found.penumbra_km, 0.14, 0.003);
    assert!(found.height_km.uncertainty > 0.4 * found.penumbra_km);
}

#[test]
fn marks_that_make_no_shadow_are_refused() {
    let view = view("2026-03-26T20:00:00Z", None);
    let fix = exact_fix(&view);
    let px = |lon, lat| fix.projection.px_of(LunarPoint::new(lon, lat)).unwrap();
    for (summit, tip, part) in [
        (px(-40.0, 0.0), px(-41.0, 0.0), "below the horizon"),
        (px(10.0, 0.0), px(11.0, 0.0), "far side of the tip"),
        (px(10.0, 0.0), px(10.0, 0.0), "far side of the tip"),
        (px(10.0, 0.0), Px { x: 1e6, y: 0.0 }, "off the Moon's disc"),
        (Px { x: f64::NAN, y: 0.0 }, px(10.0, 0.0), "far side of the tip"),
    ] {
        let error = shadow_height(&fix, summit, tip, 0.5).unwrap_err().to_string();
        assert!(error.contains(part), "{part}: {error}");
    }
    let full = self::view("2026-03-03T11:38:00Z", None);
    let fix = exact_fix(&full);
    let px = |lon, lat| fix.projection.px_of(LunarPoint::new(lon, lat)).unwrap();
    let error = shadow_height(&fix, px(1.0, 1.0), px(0.0, 1.0), 0.5).unwrap_err().to_string();
    assert!(error.contains("full Moon"), "{error}");
}

#[test]
fn fresh_craters_are_as_deep_as_published() {
    // Pike, in Impact and Explosion Cratering (1977), p. 489 (coefficients from memory, and found
    // in two codes that cite him): depths by the simple and by the complex law, km.
    for (diameter, simple, complex) in [
        (1.0, Some(0.196), None),
        (5.0, Some(0.996), None),
        (10.0, Some(2.006), Some(2.088)),
        (20.0, None, Some(2.572)),
        (50.0, None, Some(3.389)),
        (86.0, None, Some(3.990)),
        (100.0, None, Some(4.175)),
    ] {
        if let Some(depth) = simple {
            close("simple", simple_depth_km(diameter), depth, 6e-4);
        }
        if let Some(depth) = complex {
            close("complex", complex_depth_km(diameter), depth, 6e-4);
        }
    }
    // They cross at 10.58 km.
    close("crossing", simple_depth_km(10.58) / complex_depth_km(10.58), 1.0, 5e-4);
}
