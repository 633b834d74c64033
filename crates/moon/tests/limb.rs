//! Limbs found in pictures: planets' discs, and a piece of the Moon's edge.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod common;

use common::picture;
use stillwright_moon::fix::{Camera, Estimate, FixRequest, Projection, Px, SkyOffset, fix};
use stillwright_moon::measure::{disc, disc_limb, snap_to_limb};
use stillwright_moon::{LunarView, Moment, Planet, PlanetView};
use stillwright_picture::Plane;

#[test]
fn jupiter_measures_as_the_ephemeris_says() {
    // At opposition: the phase hides nothing. Limb darkening by the cosine's square root, a blur of
    // 1.2 px, noise of 2 %, belts.
    let view =
        PlanetView::at(Planet::Jupiter, Moment::parse("2024-12-07T20:58:00Z").unwrap(), None);
    let arcsec_per_px = 0.2;
    let a = 0.5 * view.equatorial_diameter_arcsec / arcsec_per_px;
    let b = 0.5 * view.polar_diameter_arcsec / arcsec_per_px;
    let turn = 0.4_f64;
    let plane = picture(320, 300, 1.2, 0.02, |x, y| {
        let (dx, dy) = (x - 161.3, y - 149.2);
        let u = (dx * turn.cos() + dy * turn.sin()) / a;
        let v = (dy * turn.cos() - dx * turn.sin()) / b;
        let inside = 1.0 - u * u - v * v;
        let belts = 1.0 - 0.2 * (14.0 * v).sin().powi(2);
        if inside > 0.0 { belts * (0.25 + 0.75 * inside.sqrt().sqrt()) } else { 0.0 }
    });
    let limb = disc_limb(&plane, 180).unwrap();
    assert!(limb.len() > 150, "{}", limb.len());
    let found = disc(&limb, 0.4).unwrap();
    let beside = found.beside(&view, Some(arcsec_per_px));
    println!("{found:?} {beside:?}");
    assert!((found.centre.x - 161.3).abs() < 0.2 && (found.centre.y - 149.2).abs() < 0.2);
    // Half a pixel of 237 in the diameter; limb darkening pulls the limb inwards.
    assert!((found.equatorial_px.value / (2.0 * a) - 1.0).abs() < 0.01, "{found:?}");
    assert!((found.flattening.value - beside.expected_flattening).abs() < 0.006, "{found:?}");
    assert!((beside.arcsec_per_px.value / arcsec_per_px - 1.0).abs() < 0.01);
}

#[test]
fn a_piece_of_the_moons_limb_gives_the_fix() {
    // Uneven bright ground inside the limb, sky outside; three marks that are up to 12 px off.
    let view = LunarView::at(Moment::parse("2026-03-26T20:00:00Z").unwrap(), None);
    let angle = view.bright_limb_position_angle_deg.to_radians();
    let r = 0.5 * view.diameter_arcsec;
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: r * angle.sin(), north_arcsec: r * angle.cos() },
        anchor_px: Px { x: 250.0, y: 220.0 },
        arcsec_per_px: 0.8,
        up_position_angle_deg: 12.0,
        mirrored: false,
    };
    let truth = Projection { view, camera };
    let limb_px = truth.limb_arcsec() / 0.8;
    let centre = truth.centre_px();
    let plane = picture(500, 440, 1.5, 0.02, |x, y| {
        let away = (x - centre.x).hypot(y - centre.y);
        let ground = 0.8 + 0.2 * (x / 17.0).sin() * (y / 23.0).cos();
        if away < limb_px { ground } else { 0.03 }
    });
    let on_limb = |deg: f64, off: f64| {
        let (sin, cos) = (angle + deg.to_radians()).sin_cos();
        let sky = SkyOffset {
            east_arcsec: truth.limb_arcsec() * sin,
            north_arcsec: truth.limb_arcsec() * cos,
        };
        let px = truth.camera.px_of(sky);
        Px { x: px.x + off, y: px.y - 0.5 * off }
    };
    let marks = [on_limb(-9.0, 12.0), on_limb(0.0, -9.0), on_limb(9.0, 10.0)];
    let limb = snap_to_limb(&plane, &marks, 30.0, 80).unwrap();
    assert!(limb.len() > 70, "{}", limb.len());
    for px in &limb {
        let off = (px.x - centre.x).hypot(px.y - centre.y) - limb_px;
        assert!(off.abs() < 1.0, "{off}");
    }
    let request = FixRequest {
        limb,
        limb_sigma_px: 0.3,
        arcsec_per_px: Some(Estimate { value: 0.8, sigma: 0.008 }),
        up_position_angle_deg: Some(Estimate { value: 12.0, sigma: 0.2 }),
        mirrored: Some(false),
        ..FixRequest::default()
    };
    let found = fix(&view, &request).unwrap();
    assert!(found.misfit < 1.5, "{}", found.misfit);
    assert!(found.arcsec_per_px().covers(0.8));
}

#[test]
fn pictures_without_a_limb_are_refused() {
    let flat = Plane::from_elem((50, 60), 0.5);
    let tiny = Plane::from_elem((3, 3), 0.5);
    let nothing = Plane::from_elem((0, 0), 0.0);
    let odd = Plane::from_elem((50, 60), f32::NAN);
    for plane in [&flat, &tiny, &nothing, &odd] {
        assert!(disc_limb(plane, 90).is_err());
        let marks = [Px { x: 1.0, y: 1.0 }, Px { x: 20.0, y: 2.0 }, Px { x: 30.0, y: 20.0 }];
        assert!(snap_to_limb(plane, &marks, 10.0, 40).is_err());
    }
    assert!(disc_limb(&flat, 3).is_err() && disc_limb(&flat, usize::MAX).is_err());
    let line = [Px { x: 0.0, y: 0.0 }, Px { x: 1.0, y: 1.0 }, Px { x: 2.0, y: 2.0 }];
    assert!(snap_to_limb(&flat, &line, 10.0, 40).is_err());
    assert!(snap_to_limb(&flat, &[Px { x: f64::NAN, y: 0.0 }; 3], 10.0, 40).is_err());
    assert!(snap_to_limb(&flat, &line, f64::NAN, 40).is_err());
}
