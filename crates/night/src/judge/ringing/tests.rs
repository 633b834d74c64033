//! The measure of ringing against pictures of which the ringing is known.

use super::*;
use stillwright_picture::Plane;

const SIZE: usize = 200;

/// Three straight edges, aslant, far from each other, `width_px` wide (a logistic curve).
fn straight_edges(width_px: f64) -> Plane {
    let edges = [(45.0, 0.3), (100.0, -0.2), (155.0, 0.25)];
    let (sin, cos) = 0.35f64.sin_cos();
    Plane::from_shape_fn((SIZE, SIZE), |(y, x)| {
        let across = x as f64 * cos + (y as f64 - 100.0) * sin;
        let lit = |(at, step): &(f64, f64)| step / (1.0 + ((at - across) / width_px).exp());
        (0.3 + edges.iter().map(lit).sum::<f64>()) as f32
    })
}

/// Discs of several sizes on an uneven ground, their edges `width_px` wide (a logistic curve).
fn scene(width_px: f64) -> Plane {
    let discs = [(60.0, 60.0, 22.0, 0.5), (140.0, 62.0, 18.0, -0.3), (100.0, 138.0, 30.0, 0.4)];
    Plane::from_shape_fn((SIZE, SIZE), |(y, x)| {
        let (x, y) = (x as f64, y as f64);
        let ground = 0.4 + 0.02 * (x / 17.0).sin() + 0.02 * (y / 13.0).cos();
        let lit: f64 = discs
            .iter()
            .map(|(cx, cy, r, step)| step / (1.0 + (((x - cx).hypot(y - cy) - r) / width_px).exp()))
            .sum();
        (ground + lit) as f32
    })
}

fn plane(raster: Raster) -> Plane {
    Plane::from_shape_vec((raster.height, raster.width), raster.values).unwrap_or_default()
}

fn soft(truth: &Plane, sigma_px: f32) -> Plane {
    plane(blurred(&Raster::of_plane(truth.view()), sigma_px))
}

#[test]
fn softness_gain_and_place_are_no_ringing() {
    let truth = scene(0.8);
    for sigma_px in [1.0, 2.0, 3.0] {
        let still = soft(&truth, sigma_px).mapv(|v| 0.6 * v + 0.1);
        let found = ringing(truth.view(), still.view());
        assert!(found.edges.len() > 20, "{}", found.edges.len());
        let most = found.percentile(1.0);
        assert!(most < 0.01, "{sigma_px} px: {most}");
    }
    // A core in a halo, displaced.
    let (core, halo) = (soft(&truth, 1.0), soft(&truth, 4.0));
    let source = Raster::of_plane((0.6 * &core + 0.4 * &halo).view());
    let moved =
        Plane::from_shape_fn((SIZE, SIZE), |(y, x)| cubic(&source, x as f64 + 0.4, y as f64 - 0.3));
    let most = ringing(truth.view(), moved.view()).percentile(1.0);
    assert!(most < 0.01, "{most}");
}

#[test]
fn a_known_overshoot_is_found() {
    // An unsharp mask `truth + a (truth - blurred)`: beside a straight edge it goes beyond by `a (truth - blurred)`,
    // most at 3 px, where ringing begins to count.
    let width_px = 0.5;
    let truth = straight_edges(width_px);
    let (strength, blur_px) = (0.5, 2.5);
    let still = (1.0 + strength) * &truth - strength * soft(&truth, blur_px);
    let found = ringing(truth.view(), still.view());
    // The edge's curve under a Gaussian, by the definition.
    let curve = |px: f64| 1.0 / (1.0 + (-px / width_px).exp());
    let steps = (-1000..=1000).map(|k| f64::from(k) * 0.01);
    let weighed = steps.map(|px| ((-0.5 * (px / f64::from(blur_px)).powi(2)).exp(), px));
    let (sum, weights) = weighed
        .fold((0.0, 0.0), |(sum, weights), (w, px)| (sum + w * curve(3.0 - px), weights + w));
    let expected = f64::from(strength) * (curve(3.0) - sum / weights);
    let median = found.percentile(0.5);
    assert!((median / expected - 1.0).abs() < 0.03, "{median} instead of {expected}");
    assert!((found.common / expected - 1.0).abs() < 0.03, "{} instead of {expected}", found.common);
    // Half as strong, half the ringing.
    let weaker = 1.25 * &truth - 0.25 * soft(&truth, blur_px);
    let half = ringing(truth.view(), weaker.view()).percentile(0.5);
    assert!((half / median - 0.5).abs() < 0.05, "{half} {median}");
}

#[test]
fn pictures_without_edges_have_none() {
    let even = Plane::from_elem((SIZE, SIZE), 0.3);
    assert_eq!(ringing(even.view(), even.view()).edges.len(), 0);
    let small = Plane::zeros((40, 40));
    assert_eq!(ringing(small.view(), small.view()).percentile(0.9), 0.0);
    let truth = scene(0.8);
    assert_eq!(ringing(truth.view(), even.view()).edges.len(), 0);
}
