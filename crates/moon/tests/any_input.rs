//! Nothing panics, whatever is asked: texts, angles, marks at random.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use std::sync::OnceLock;
use stillwright_moon::fix::{Estimate, Fix, FixRequest, Mark, Px, fix};
use stillwright_moon::measure::{
    crater, disc, disc_limb, distance, graticule, parse_places, readout, scale_bar, shadow_height,
    snap_to_limb,
};
use stillwright_moon::plan::{Between, Like, Wish, chart};
use stillwright_moon::{LunarPoint, LunarView, Moment, Planet, PlanetView, Site};

/// Any number at all, and often one that might be meant.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<f64>(),
        -400.0..400.0,
        -2000.0..2000.0,
        Just(0.0),
        Just(90.0),
        Just(-180.0),
        Just(f64::NAN),
        Just(f64::INFINITY)
    ]
}

fn px() -> impl Strategy<Value = Px> {
    (number(), number()).prop_map(|(x, y)| Px { x, y })
}

fn pixels() -> impl Strategy<Value = Vec<Px>> {
    proptest::collection::vec(px(), 0..12)
}

fn place() -> impl Strategy<Value = LunarPoint> {
    (number(), number()).prop_map(|(lon, lat)| LunarPoint { lon_deg: lon, lat_deg: lat })
}

fn view() -> &'static LunarView {
    static VIEW: OnceLock<LunarView> = OnceLock::new();
    VIEW.get_or_init(|| LunarView::at(Moment::parse("2026-03-26T20:00:00Z").unwrap(), None))
}

fn sound_fix() -> &'static Fix {
    static FIX: OnceLock<Fix> = OnceLock::new();
    FIX.get_or_init(|| {
        let mark = |x, y, lon, lat| Mark {
            px: Px { x, y },
            place: LunarPoint::new(lon, lat),
            sigma_px: 1.0,
        };
        let marks = vec![mark(300.0, 200.0, 20.0, 10.0), mark(-300.0, 150.0, -30.0, 12.0)];
        fix(view(), &FixRequest { marks, ..FixRequest::default() }).unwrap()
    })
}

proptest! {
    #[test]
    fn texts(text in ".{0,40}", time in "[0-9:TZ+ .-]{0,30}", list in "[a-z0-9,\" .#\n-]{0,80}") {
        for text in [&text, &time] {
            if let Ok(moment) = Moment::parse(text) {
                prop_assert_eq!(Moment::parse(&moment.to_string()).unwrap(), moment);
            }
        }
        let _ = parse_places(&list);
        let _ = parse_places(&text);
    }

    #[test]
    fn views(unix_us in any::<i64>(), lat in number(), lon in number(), height in number(), at in place()) {
        let Ok(moment) = Moment::from_unix_us(unix_us % 5_000_000_000_000_000) else { return Ok(()) };
        let site = Site::new(lat, lon, height).ok();
        let view = LunarView::at(moment, site);
        prop_assert!((350_000.0 - 6500.0..414_000.0).contains(&view.distance_km));
        prop_assert!(view.sub_observer.lat_deg.abs() < 8.5 && view.sub_solar.lat_deg.abs() < 1.7);
        let _ = view.lighting(at);
        for planet in Planet::ALL {
            let seen = PlanetView::at(planet, moment, site);
            prop_assert!(seen.equatorial_diameter_arcsec > 3.0 && seen.equatorial_diameter_arcsec < 60.0);
        }
    }

    #[test]
    fn fixes(
        marks in proptest::collection::vec((px(), place(), number()), 0..5),
        limb in pixels(),
        limb_sigma_px in number(),
        scale in proptest::option::of((number(), number())),
        up in proptest::option::of((number(), number())),
        mirrored in proptest::option::of(any::<bool>()),
    ) {
        let estimate = |e: Option<(f64, f64)>| e.map(|(value, sigma)| Estimate { value, sigma });
        let request = FixRequest {
            marks: marks.into_iter().map(|(px, place, sigma_px)| Mark { px, place, sigma_px }).collect(),
            limb,
            limb_sigma_px,
            arcsec_per_px: estimate(scale),
            up_position_angle_deg: estimate(up),
            mirrored,
        };
        if let Ok(found) = fix(view(), &request) {
            let _ = (found.arcsec_per_px(), found.up_position_angle_deg());
            let _ = readout(&found, Px { x: 1.0, y: 2.0 });
        }
    }

    #[test]
    fn measurements(marks in pixels(), a in px(), b in px(), sigma in number(), size in number(), at in place()) {
        let fix = sound_fix();
        let _ = crater(fix, &marks, sigma);
        let _ = disc(&marks, sigma);
        let _ = distance(fix, a, b, sigma);
        let _ = shadow_height(fix, a, b, sigma);
        let _ = readout(fix, a);
        let _ = scale_bar(&fix.projection, at, size);
        let _ = graticule(&fix.projection, size, sigma, 20.0);
    }

    #[test]
    fn pictures(marks in pixels(), values in proptest::collection::vec(any::<f32>(), 400), reach in number(), count in 0_usize..40) {
        let plane = stillwright_picture::Plane::from_shape_vec((20, 20), values).unwrap();
        let _ = disc_limb(&plane, count);
        let _ = snap_to_limb(&plane, &marks, reach, count);
        let near: Vec<Px> = marks.iter().map(|px| Px { x: px.x % 20.0, y: px.y % 20.0 }).collect();
        let _ = snap_to_limb(&plane, &near, reach.abs() % 30.0, count);
    }

    #[test]
    fn wishes(at in place(), low in number(), high in number(), within in number(), step in number()) {
        let between = Some(Between { low, high });
        let wish = Wish {
            sun_altitude_deg: between,
            libration_lon_deg: between,
            like: Some(Like { sub_solar: at, within_deg: within }),
            most_emission_deg: Some(within),
            ..Wish::of(at, low)
        };
        let _ = wish.check();
        let site = Site::new(47.0, 8.0, 0.0).unwrap();
        let from = Moment::parse("2026-12-01").unwrap();
        let to = from.plus_seconds(3600.0).unwrap();
        if let Ok(points) = chart(&wish, site, from, to, step.max(600.0)) {
            prop_assert!(!points.is_empty() && points.len() <= 7);
        }
    }
}
