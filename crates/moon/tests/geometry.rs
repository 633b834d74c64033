//! Ground, sky and pixels: the projection against a test vector, the fix, what is laid over.
#![allow(clippy::unwrap_used)]

use stillwright_moon::fix::{
    Camera, Estimate, Fix, FixRequest, Mark, Projection, Px, SkyOffset, fix,
};
use stillwright_moon::measure::{
    GraticuleOf, distance_km, graticule, graticule_step_deg, profile, readout, scale_bar,
};
use stillwright_moon::{LunarPoint, LunarView, Moment, MoonError, Site};

fn close(what: &str, found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{what}: {found}, expected {expected} +- {within}");
}

/// 2026-03-26 20:00 UTC from Greenwich, with the test vector's own angles put in.
fn view() -> LunarView {
    let time = Moment::parse("2026-03-26T20:00:00Z").unwrap();
    let view = LunarView::at(time, Some(Site::new(51.4769, 0.0, 46.0).unwrap()));
    LunarView {
        sub_observer: LunarPoint::new(3.7567, -4.6373),
        sub_solar: LunarPoint::new(80.2238, 0.7233),
        axis_position_angle_deg: 7.4264,
        distance_km: 368_144.2,
        ..view
    }
}

fn camera(up_position_angle_deg: f64, mirrored: bool) -> Camera {
    Camera {
        anchor: SkyOffset { east_arcsec: 100.0, north_arcsec: 200.0 },
        anchor_px: Px { x: 640.0, y: 480.0 },
        arcsec_per_px: 0.15,
        up_position_angle_deg,
        mirrored,
    }
}

#[test]
fn the_disc_is_projected_as_in_the_test_vector() {
    // Recomputed two ways (closed formula, direct vectors in the ICRF): longitude, latitude, diameter
    // km; offset east and north, emission, Sun's altitude, axes of the rim as it appears, arcsec.
    let vector = [
        ([348.7847, -43.2958, 85.2938], [103.021, -630.820, 41.042, -1.543, 47.960, 36.172]),
        ([339.9214, 9.6209, 96.0699], [416.461, 181.806, 27.828, -10.032, 54.052, 47.801]),
        ([350.6175, 51.6192, 100.684], [241.307, 785.626, 57.594, 0.811, 56.555, 30.309]),
        ([61.0380, -8.8604, 131.977], [-818.411, -1.926, 57.218, 68.618, 74.134, 40.139]),
        ([291.6370, -5.3750, 173.488], [907.307, -185.758, 72.062, -58.298, 97.345, 29.981]),
    ];
    let projection = Projection { view: view(), camera: camera(0.0, false) };
    close("semi-diameter", 0.5 * view_diameter(), 973.439, 0.02);
    for ([lon, lat, km], [east, north, emission, sun, major, minor]) in vector {
        let place = LunarPoint::new(lon, lat);
        let at = |place: LunarPoint| {
            let point = stillwright_moon::vector::scale(place.direction(), 1737.4);
            projection.sky_of(point)
        };
        let sky = at(place);
        close("east", sky.east_arcsec, east, 0.01);
        close("north", sky.north_arcsec, north, 0.01);
        let lighting = projection.view.lighting(place);
        close("emission", lighting.emission_deg, emission, 0.002);
        close("Sun", lighting.sun_altitude_deg, sun, 0.002);
        // The vector's axes are diameter x (1, cos emission) at the place's distance.
        let arcsec = km / lighting.distance_km * 206_264.806;
        close("major axis", arcsec, major, 0.02);
        close("minor axis", arcsec * lighting.emission_deg.to_radians().cos(), minor, 0.02);
        // The rim itself, drawn on the sphere, is as wide and as narrow, but for its curvature.
        let up = place.direction();
        let side =
            stillwright_moon::vector::unit(stillwright_moon::vector::cross([0.0, 0.0, 1.0], up));
        let (mut widest, mut narrowest) = (0.0_f64, f64::MAX);
        let rim: Vec<SkyOffset> = (0..720)
            .map(|i| {
                let (sin, cos) = (f64::from(i) * 0.5).to_radians().sin_cos();
                let across = stillwright_moon::vector::cross(up, side);
                let (sr, cr) = (0.5 * km / 1737.4).sin_cos();
                let d = [0, 1, 2].map(|k| up[k] * cr + sr * (side[k] * cos + across[k] * sin));
                at(LunarPoint::of(d))
            })
            .collect();
        for i in 0..360 {
            let (a, b) = (rim[i], rim[i + 360]);
            let across = (a.east_arcsec - b.east_arcsec).hypot(a.north_arcsec - b.north_arcsec);
            (widest, narrowest) = (widest.max(across), narrowest.min(across));
        }
        close("drawn major axis", widest / major, 1.0, 0.004);
        close("drawn minor axis", narrowest / minor, 1.0, 0.006);
    }
}

fn view_diameter() -> f64 {
    2.0 * (1737.4_f64 / view().distance_km).asin().to_degrees() * 3600.0
}

#[test]
fn a_width_is_foreshortened_by_its_direction() {
    // Along the direction psi from the one that runs along the limb, a width on the ground appears
    // shortened to sqrt(cos(psi)^2 + sin(psi)^2 cos(e)^2), e being the emission angle: the rule by
    // which a crater's true diameter is its long axis times the distance. Widths of 1 km.
    use stillwright_moon::vector::{add, cross, scale, subtract, unit};
    let projection = Projection { view: view(), camera: camera(33.0, false) };
    for (lon, lat) in [(-11.2, -43.3), (-20.1, 9.6), (61.0, -8.9), (-68.4, -5.4)] {
        let place = LunarPoint::new(lon, lat);
        let lighting = projection.view.lighting(place);
        let up = place.direction();
        let ground = scale(up, 1737.4);
        let sight = unit(subtract(projection.view.observer_km(), ground));
        // Level ground: across the line of sight (along the limb), and foreshortened.
        let along = unit(cross(sight, up));
        let across = cross(up, along);
        for psi_deg in [0.0, 20.0, 45.0, 70.0, 90.0_f64] {
            let (sin, cos) = psi_deg.to_radians().sin_cos();
            let way = add(scale(along, 0.5 * cos), scale(across, 0.5 * sin));
            let (a, b) = (
                projection.px_of_point(add(ground, way)),
                projection.px_of_point(subtract(ground, way)),
            );
            let arcsec = (a.x - b.x).hypot(a.y - b.y) * 0.15;
            let seen_km = arcsec / 206_264.806 * lighting.distance_km;
            let expected = cos.hypot(sin * lighting.emission_deg.to_radians().cos());
            // The plane that touches the sky stretches offsets by their tangent: 1e-5 at 15 arcmin.
            close("foreshortened", seen_km, expected, 5e-5);
        }
    }
}

#[test]
fn dropping_the_perspective_would_err_by_half_a_percent() {
    // Scale at the near surface and at the limb: (distance) / (distance - R), 0.47 %.
    let projection = Projection { view: view(), camera: camera(0.0, false) };
    let near = projection.km_per_px(projection.view.sub_observer).0;
    let (mut far, mut at) = (0.0, projection.view.sub_observer);
    for i in 0..89 {
        let place = LunarPoint::new(at.lon_deg + 1.0, at.lat_deg);
        if projection.px_of(place).is_some() && i < 88 {
            (far, at) = (projection.km_per_px(place).0, place);
        }
    }
    assert!((0.0044..0.0048).contains(&(far / near - 1.0)), "{}", far / near - 1.0);
}

#[test]
fn pixels_and_places_go_round() {
    for (up, mirrored) in [(0.0, false), (33.0, false), (-120.0, true), (180.0, true)] {
        let projection = Projection { view: view(), camera: camera(up, mirrored) };
        let mut seen = 0;
        for lon in (-180..180).step_by(15) {
            for lat in (-90..=90).step_by(15) {
                let place = LunarPoint::new(f64::from(lon), f64::from(lat));
                let Some(px) = projection.px_of(place) else { continue };
                let back = projection.place_at(px).unwrap();
                assert!(distance_km(place, back) < 1e-3, "{place:?} {back:?}");
                seen += 1;
            }
        }
        assert!(seen > 100);
        let off = projection.centre_px();
        let beyond = Px { x: off.x + 1.01 * projection.limb_arcsec() / 0.15, y: off.y };
        assert!(projection.place_at(beyond).is_none());
        let within = Px { x: off.x + 0.999 * projection.limb_arcsec() / 0.15, y: off.y };
        assert!(projection.place_at(within).is_some());
    }
    // North up and unmirrored: celestial east is left, so the Moon's east (west in the sky) right.
    let projection = Projection { view: view(), camera: camera(7.4264, false) };
    let px = |lon, lat| projection.px_of(LunarPoint::new(lon, lat)).unwrap();
    assert!(px(40.0, 0.0).x > px(-40.0, 0.0).x && px(0.0, 40.0).y < px(0.0, -40.0).y);
    let mirrored = Projection { view: view(), camera: camera(7.4264, true) };
    let px = |lon, lat| mirrored.px_of(LunarPoint::new(lon, lat)).unwrap();
    assert!(px(40.0, 0.0).x < px(-40.0, 0.0).x && px(0.0, 40.0).y < px(0.0, -40.0).y);
}

fn marks(truth: &Projection, places: &[(f64, f64)]) -> Vec<Mark> {
    let mark = |(lon, lat): &(f64, f64)| {
        let place = LunarPoint::new(*lon, *lat);
        Mark { px: truth.px_of(place).unwrap(), place, sigma_px: 1.0 }
    };
    places.iter().map(mark).collect()
}

fn same(found: &Fix, truth: &Projection) {
    let probe = LunarPoint::new(10.0, -25.0);
    let (a, b) = (found.projection.px_of(probe).unwrap(), truth.px_of(probe).unwrap());
    close("x", a.x, b.x, 1e-4);
    close("y", a.y, b.y, 1e-4);
    close("scale", found.projection.camera.arcsec_per_px, truth.camera.arcsec_per_px, 1e-9);
}

#[test]
fn a_fix_is_found_in_each_way() {
    for (up, mirrored) in [(0.0, false), (100.0, false), (-170.0, true), (45.0, true)] {
        let truth = Projection { view: view(), camera: camera(up, mirrored) };
        let limb: Vec<Px> = (0..40)
            .map(|i| {
                let (sin, cos) = (f64::from(i) * 4.0 + 200.0).to_radians().sin_cos();
                let r = truth.limb_arcsec();
                truth.camera.px_of(SkyOffset { east_arcsec: r * sin, north_arcsec: r * cos })
            })
            .collect();
        let scale = Some(Estimate { value: 0.15, sigma: 0.0015 });
        let direction = Some(Estimate { value: up, sigma: 1.0 });
        let two = marks(&truth, &[(-20.0, 9.6), (5.0, -40.0)]);
        let one = two[..1].to_vec();
        let base =
            FixRequest { mirrored: Some(mirrored), limb_sigma_px: 3.0, ..FixRequest::default() };
        for request in [
            FixRequest { marks: two.clone(), ..base.clone() },
            FixRequest {
                marks: one.clone(),
                arcsec_per_px: scale,
                up_position_angle_deg: direction,
                ..base.clone()
            },
            FixRequest { limb: limb.clone(), up_position_angle_deg: direction, ..base.clone() },
            FixRequest { limb: limb.clone(), marks: one.clone(), ..base.clone() },
            FixRequest {
                limb: limb.clone(),
                marks: two.clone(),
                arcsec_per_px: scale,
                up_position_angle_deg: direction,
                ..base.clone()
            },
        ] {
            let found = fix(&truth.view, &request).unwrap();
            same(&found, &truth);
            assert!(found.misfit < 1e-4 && !found.mirrored_unknown);
        }
        // Three marks tell a mirror image by themselves.
        let three = marks(&truth, &[(-20.0, 9.6), (5.0, -40.0), (30.0, 20.0)]);
        let found =
            fix(&truth.view, &FixRequest { marks: three, ..FixRequest::default() }).unwrap();
        same(&found, &truth);
        assert!(found.projection.camera.mirrored == mirrored && !found.mirrored_unknown);
        let unknown =
            fix(&truth.view, &FixRequest { marks: two, ..FixRequest::default() }).unwrap();
        assert!(unknown.mirrored_unknown);
    }
}

#[test]
fn what_does_not_suffice_or_cannot_be_is_said() {
    let truth = Projection { view: view(), camera: camera(20.0, false) };
    let one = marks(&truth, &[(-20.0, 9.6)]);
    let twice = vec![one[0], one[0]];
    let behind = vec![Mark { place: LunarPoint::new(170.0, 0.0), ..one[0] }];
    let scale = Some(Estimate { value: 0.15, sigma: 0.001 });
    let base = FixRequest::default();
    for (request, part) in [
        (base.clone(), "too little"),
        (FixRequest { marks: one.clone(), ..base.clone() }, "too little"),
        (FixRequest { marks: one.clone(), arcsec_per_px: scale, ..base.clone() }, "too little"),
        (FixRequest { marks: twice, ..base.clone() }, "too little"),
        (FixRequest { marks: behind, ..base.clone() }, "behind the limb"),
        (
            FixRequest {
                limb: vec![Px { x: f64::NAN, y: 0.0 }],
                limb_sigma_px: 1.0,
                ..base.clone()
            },
            "no number",
        ),
        (FixRequest { limb: vec![Px { x: 0.0, y: 0.0 }; 5], ..base.clone() }, "uncertainty"),
    ] {
        let error = fix(&truth.view, &request).unwrap_err().to_string();
        assert!(error.contains(part), "{part}: {error}");
    }
}

fn plain_fix(truth: &Projection) -> Fix {
    let marks = marks(truth, &[(-20.0, 9.6), (5.0, -40.0), (30.0, 20.0), (-10.0, 30.0)]);
    fix(&truth.view, &FixRequest { marks, ..FixRequest::default() }).unwrap()
}

#[test]
fn residuals_point_at_the_wrong_mark() {
    let truth = Projection { view: view(), camera: camera(20.0, false) };
    let places = [(-20.0, 9.6), (5.0, -40.0), (30.0, 20.0), (-10.0, 30.0), (0.0, 0.0)];
    let mut marks = marks(&truth, &places);
    let good =
        fix(&truth.view, &FixRequest { marks: marks.clone(), ..FixRequest::default() }).unwrap();
    marks[2].px.x += 30.0;
    let bad = fix(&truth.view, &FixRequest { marks, ..FixRequest::default() }).unwrap();
    let sizes: Vec<f64> = bad.mark_residuals_px.iter().map(|r| r.x.hypot(r.y)).collect();
    assert!(sizes.iter().all(|size| *size <= sizes[2]) && bad.misfit > 3.0, "{sizes:?}");
    // Residuals that speak against the marks widen what is claimed.
    assert!(bad.arcsec_per_px().uncertainty > 3.0 * good.arcsec_per_px().uncertainty);
}

#[test]
fn the_readout_tells_place_scale_and_light() {
    let truth = Projection { view: view(), camera: camera(0.0, false) };
    let fix = plain_fix(&truth);
    let place = LunarPoint::new(-20.0786, 9.6209);
    let found = readout(&fix, truth.px_of(place).unwrap()).unwrap();
    close("longitude", found.place.lon_deg, place.lon_deg, 1e-5);
    close("east", found.east_arcsec, 416.461, 0.01);
    close("Sun", found.sun_altitude_deg, -10.032, 0.002);
    // 0.15 arcsec at the place's distance, 366.6 thousand km.
    close("scale", found.km_per_px, 0.15 * 1.7775, 5e-4);
    close(
        "foreshortened",
        found.km_per_px_foreshortened / found.km_per_px,
        1.0 / 27.828_f64.to_radians().cos(),
        1e-4,
    );
    assert!((0.01..2.0).contains(&found.uncertainty_km.unwrap()), "{found:?}");
    let off = Px { x: -20_000.0, y: 0.0 };
    assert!(readout(&fix, off).is_none());
}

#[test]
fn the_graticule_lies_on_the_ground_and_in_the_picture() {
    let (width, height) = (1280.0, 960.0);
    let whole = Camera {
        arcsec_per_px: 2.2,
        anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
        ..camera(10.0, false)
    };
    for (camera, fewest) in [(camera(30.0, true), 4), (whole, 20)] {
        let truth = Projection { view: view(), camera };
        let step = graticule_step_deg(&truth, width, height);
        let lines = graticule(&truth, width, height, step).unwrap();
        assert!(lines.len() >= fewest && lines.len() < 100, "{step} {}", lines.len());
        for line in &lines {
            for px in &line.points {
                let place = truth.place_at(*px).unwrap();
                let off = match line.of {
                    GraticuleOf::Meridian(lon) => {
                        stillwright_moon::angle::to_180(place.lon_deg - lon)
                            * place.lat_deg.to_radians().cos()
                    }
                    GraticuleOf::Parallel(lat) => place.lat_deg - lat,
                };
                assert!(off.abs() < 1e-3, "{:?} {place:?}", line.of);
                assert!(px.x > -0.06 * width && px.x < 1.06 * width);
            }
            // Drawn as straight pieces, the line stays within a third of a pixel of the true one.
            for pair in line.points.windows(2) {
                let middle =
                    Px { x: 0.5 * (pair[0].x + pair[1].x), y: 0.5 * (pair[0].y + pair[1].y) };
                let Some(place) = truth.place_at(middle) else { continue };
                let true_place = match line.of {
                    GraticuleOf::Meridian(lon) => LunarPoint::new(lon, place.lat_deg),
                    GraticuleOf::Parallel(lat) => LunarPoint::new(place.lon_deg, lat),
                };
                if let Some(on) = truth.px_of(true_place) {
                    let off = (on.x - middle.x).hypot(on.y - middle.y);
                    assert!(off < 0.34 || truth.view.lighting(place).emission_deg > 80.0, "{off}");
                }
            }
        }
    }
    let truth = Projection { view: view(), camera: camera(0.0, false) };
    for bad in [0.0, -1.0, f64::NAN, 90.0] {
        assert!(matches!(graticule(&truth, width, height, bad), Err(MoonError::Value { .. })));
    }
    // A picture of nothing but sky has no lines.
    let sky = Camera {
        anchor: SkyOffset { east_arcsec: 9000.0, north_arcsec: 0.0 },
        ..camera(0.0, false)
    };
    assert!(
        graticule(&Projection { camera: sky, ..truth }, width, height, 5.0).unwrap().is_empty()
    );
}

#[test]
fn the_scale_bar_is_round_and_fits() {
    let truth = Projection { view: view(), camera: camera(0.0, false) };
    for longest in [1.0, 33.0, 150.0, 400.0, 2345.0] {
        let bar = scale_bar(&truth, truth.view.sub_observer, longest).unwrap();
        assert!(bar.px <= longest && bar.px > longest / 2.6, "{bar:?}");
        close("arcsec", bar.arcsec, bar.px * 0.15, 1e-9);
        let lead = bar.km / 10_f64.powf(bar.km.log10().floor());
        assert!([1.0, 2.0, 5.0].iter().any(|n| (lead - n).abs() < 1e-6), "{bar:?}");
    }
    assert!(scale_bar(&truth, truth.view.sub_observer, f64::NAN).is_err());
}

#[test]
fn a_profile_follows_the_line() {
    let truth = Projection { view: view(), camera: camera(0.0, false) };
    let plane =
        stillwright_picture::Plane::from_shape_fn((100, 200), |(y, x)| (3 * x + 5 * y) as f32);
    let (from, to) = (Px { x: 10.0, y: 20.0 }, Px { x: 130.5, y: 80.25 });
    let points = profile(&truth, &plane, from, to).unwrap();
    assert_eq!(points.len(), 136);
    for point in &points {
        close("value", f64::from(point.value), 3.0 * point.px.x + 5.0 * point.px.y, 1e-3);
    }
    let (a, b) = (truth.place_at(from).unwrap(), truth.place_at(to).unwrap());
    close("length", points[135].distance_km.unwrap(), distance_km(a, b), 1e-9);
    let corner =
        profile(&truth, &plane, Px { x: 199.0, y: 99.0 }, Px { x: 199.0, y: 99.0 }).unwrap();
    assert_eq!(corner.len(), 1);
    assert!(profile(&truth, &plane, from, Px { x: 199.5, y: 0.0 }).is_err());
    assert!(profile(&truth, &plane, from, Px { x: f64::NAN, y: 0.0 }).is_err());
}

#[test]
fn a_request_keeps_in_a_file() {
    let request = FixRequest {
        marks: vec![Mark {
            px: Px { x: 1.5, y: 2.5 },
            place: LunarPoint::new(10.0, -5.0),
            sigma_px: 1.0,
        }],
        arcsec_per_px: Some(Estimate { value: 0.15, sigma: 0.001 }),
        mirrored: Some(true),
        ..FixRequest::default()
    };
    let text = serde_json::to_string(&request).unwrap();
    assert_eq!(serde_json::from_str::<FixRequest>(&text).unwrap(), request);
    let site = Site::new(47.5, 8.25, 450.0).unwrap();
    let text = serde_json::to_string(&site).unwrap();
    assert_eq!(serde_json::from_str::<Site>(&text).unwrap(), site);
    let wrong = serde_json::from_str::<Site>(r#"{"lat_deg": 91, "lon_deg": 0}"#).unwrap_err();
    assert!(wrong.to_string().contains("-90 to 90"), "{wrong}");
    let time = Moment::parse("2026-03-26T20:00:00.25Z").unwrap();
    let text = serde_json::to_string(&time).unwrap();
    assert_eq!(serde_json::from_str::<Moment>(&text).unwrap(), time);
    assert!(serde_json::from_str::<Moment>("\"soon\"").is_err());
}

#[test]
fn ground_is_carried_from_one_picture_into_another() {
    // Wherever the other picture was taken from: through the place itself.
    let here = Projection { view: view(), camera: camera(20.0, false) };
    let above = view().from_above(LunarPoint::new(20.0, 10.0), 5000.0).unwrap();
    let there =
        Projection { view: above, camera: Camera { arcsec_per_px: 40.0, ..camera(-60.0, true) } };
    let mut count = 0;
    for (lon, lat) in [(0.0, 0.0), (10.0, -20.0), (40.0, 30.0), (55.0, 5.0), (20.0, 10.0)] {
        let place = LunarPoint::new(lon, lat);
        let px = here.px_of(place).unwrap();
        let carried = here.onto(&there, px).unwrap();
        let expected = there.px_of(place).unwrap();
        close("x", carried.x, expected.x, 1e-6);
        close("y", carried.y, expected.y, 1e-6);
        let back = there.onto(&here, carried).unwrap();
        close("x back", back.x, px.x, 1e-4);
        close("y back", back.y, px.y, 1e-4);
        count += 1;
    }
    assert_eq!(count, 5);
    // Beyond that camera's limb, acos(1737.4 / 5000) = 69.7 deg away, and off the disc.
    let hidden = here.px_of(LunarPoint::new(-55.0, 0.0)).unwrap();
    assert_eq!(here.onto(&there, hidden), None);
    assert_eq!(here.onto(&there, Px { x: 1e5, y: 0.0 }), None);
    // Overhead means overhead, and what only the Earth's sky has is not made up.
    close("emission", above.lighting(LunarPoint::new(20.0, 10.0)).emission_deg, 0.0, 1e-6);
    assert!(above.right_ascension_deg.is_nan() && above.sky.is_none());
    let inside = view().from_above(LunarPoint::new(0.0, 0.0), 1700.0).unwrap_err().to_string();
    assert!(inside.contains("1738"), "{inside}");
}
