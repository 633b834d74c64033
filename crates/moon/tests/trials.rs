//! Simulated evenings: marks set with the scatter of a hand, measured, held against the truth. The
//! stated uncertainty must cover it at least 90 times in 100.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod common;

use common::Chance;
use stillwright_moon::fix::{Estimate, FixRequest, Mark, Measured, Px, SkyOffset, fix};
use stillwright_moon::measure::{crater, disc, distance, distance_km, shadow_height, shadow_of};
use stillwright_moon::vector::{Vector, add, cross, scale, unit};
use stillwright_moon::{LunarPoint, MOON_RADIUS_KM, Moment, Planet, PlanetView};

const TRIALS: usize = 200;
#[derive(Default)]
struct Score {
    covered: usize,
    off: Vec<f64>,
    claimed: Vec<f64>,
}

impl Score {
    fn take(&mut self, found: Measured, truth: f64) {
        self.covered += usize::from(found.covers(truth));
        self.off.push(found.value / truth - 1.0);
        self.claimed.push(found.uncertainty / truth);
    }

    fn rms(&self) -> f64 {
        (self.off.iter().map(|o| o * o).sum::<f64>() / self.off.len() as f64).sqrt()
    }

    fn told(&self, what: &str) -> String {
        let mut sizes: Vec<f64> = self.off.iter().map(|o| 100.0 * o.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let claimed = self.claimed.iter().sum::<f64>() / self.claimed.len() as f64;
        format!(
            "{what}: off by {:.2} % rms, 95 of 100 within {:.2} %, worst {:.2} %; claimed +-{:.2} %; \
             covered {} of {}",
            100.0 * self.rms(),
            sizes[sizes.len() * 95 / 100],
            sizes[sizes.len() - 1],
            100.0 * claimed,
            self.covered,
            self.off.len()
        )
    }

    fn covers_enough(&self, what: &str) {
        println!("{}", self.told(what));
        assert_eq!(self.off.len(), TRIALS);
        assert!(10 * self.covered >= 9 * TRIALS, "{}", self.told(what));
        // Nor may it be bought with uncertainties that are far too wide.
        let claimed = self.claimed.iter().sum::<f64>() / TRIALS as f64;
        assert!(claimed < 4.0 * self.rms(), "{}", self.told(what));
    }
}

/// Points of a circle of `radius_km` over the sphere around `place`.
fn rim(place: LunarPoint, radius_km: f64, count: usize, first_rad: f64) -> Vec<Vector> {
    let up = place.direction();
    let side = unit(cross([0.0, 0.0, 1.0], up));
    let across = cross(up, side);
    let (sr, cr) = (radius_km / MOON_RADIUS_KM).sin_cos();
    (0..count)
        .map(|i| {
            let turn = first_rad + std::f64::consts::TAU * i as f64 / count as f64;
            let (sin, cos) = turn.sin_cos();
            let d = add(scale(up, cr), scale(add(scale(side, cos), scale(across, sin)), sr));
            scale(d, MOON_RADIUS_KM)
        })
        .collect()
}

#[test]
fn crater_diameters_come_back_within_two_per_cent() {
    // Craters of 25 to 110 km out to 60 deg from the middle of the disc, twelve marks of 1 px on
    // the rim (0.14 arcsec, 0.26 km), a fix from four places marked to 1 px. Of a crater of 15 km
    // such marks are 1.7 % of the width each, and the worst of 200 diameters is off by 2.5 %.
    let mut chance = Chance(5);
    let mut score = Score::default();
    let mut axes = 0;
    for _ in 0..TRIALS {
        let view = chance.view();
        let place = chance.place(&view, 60.0, |_| true).unwrap();
        let truth = chance.camera(&view, place);
        let diameter = chance.uniform(25.0, 110.0);
        let first = chance.uniform(0.0, 6.3);
        let marks: Vec<Px> = rim(place, 0.5 * diameter, 12, first)
            .into_iter()
            .map(|point| chance.jittered(truth.px_of_point(point), 1.0))
            .collect();
        let fix = chance.fix(&truth, 1.0);
        let found = crater(&fix, &marks, 1.0).unwrap();
        score.take(found.diameter_km, diameter);
        assert!(distance_km(found.centre, place) < 3.0, "{found:?}");
        let (long, short) = found.axes_km.unwrap();
        axes += usize::from(long / short - 1.0 < 0.1);
        assert!(found.residual_px < 2.5);
    }
    score.covers_enough("crater diameters");
    assert!(score.rms() < 0.01 && score.off.iter().all(|o| o.abs() < 0.02), "{}", score.told(""));
    assert!(axes > 9 * TRIALS / 10, "{axes}");
}

#[test]
fn half_a_rim_tells_a_diameter_and_admits_more_doubt() {
    let mut chance = Chance(6);
    let (mut half, mut whole) = (Score::default(), Score::default());
    for _ in 0..TRIALS {
        let view = chance.view();
        let place = chance.place(&view, 60.0, |_| true).unwrap();
        let truth = chance.camera(&view, place);
        let diameter = chance.uniform(30.0, 110.0);
        let first = chance.uniform(0.0, 6.3);
        let marks: Vec<Px> = rim(place, 0.5 * diameter, 20, first)
            .into_iter()
            .map(|point| chance.jittered(truth.px_of_point(point), 1.0))
            .collect();
        let fix = chance.fix(&truth, 1.0);
        half.take(crater(&fix, &marks[..10], 1.0).unwrap().diameter_km, diameter);
        whole.take(crater(&fix, &marks, 1.0).unwrap().diameter_km, diameter);
    }
    half.covers_enough("diameters from half a rim");
    whole.covers_enough("diameters from a whole rim");
    assert!(half.claimed.iter().sum::<f64>() > 1.5 * whole.claimed.iter().sum::<f64>());
}

#[test]
fn heights_come_back_within_five_per_cent() {
    // Peaks with the Sun 3 to 20 deg high out to 60 deg from the middle of the disc. Marks of half
    // a pixel (0.07 arcsec) on summit and tip; the tip besides wherever in the penumbra the eye put
    // it, a quarter of its half-width rms. Heights cast shadows of 10 to 45 km, which is where
    // shadows are measured: shorter ones show too few pixels, longer ones leave the picture.
    let mut chance = Chance(7);
    let mut score = Score::default();
    let mut by_sun = [Vec::new(), Vec::new(), Vec::new()];
    while score.off.len() < TRIALS {
        let view = chance.view();
        let lit = |place| (3.0..20.0).contains(&view.lighting(place).sun_altitude_deg);
        let Some(place) = chance.place(&view, 60.0, lit) else { continue };
        let sun = view.lighting(place).sun_altitude_deg;
        let height = chance.uniform(0.5, 5.5);
        let Some((_, ray)) = shadow_of(height, sun) else { continue };
        if !(10.0..45.0).contains(&ray) {
            continue;
        }
        let truth = chance.camera(&view, place);
        let summit = scale(place.direction(), MOON_RADIUS_KM + height);
        // The ray of the point of the Sun's disc whose shadow edge the eye took for the middle.
        let reading = chance.normal(0.25) * 0.2665_f64;
        let Some((_, marked)) = shadow_of(height, sun + reading) else { continue };
        let light = view.sub_solar.direction();
        let plane = unit(cross(cross(light, place.direction()), light));
        let (sin, cos) = reading.to_radians().sin_cos();
        let from = add(scale(light, cos), scale(plane, sin));
        let tip = add(summit, scale(from, -marked));
        let (summit, tip) = (truth.px_of_point(summit), truth.px_of_point(tip));
        let fix = chance.fix(&truth, 1.0);
        let (summit, tip) = (chance.jittered(summit, 0.5), chance.jittered(tip, 0.5));
        let found = shadow_height(&fix, summit, tip, 0.5).unwrap();
        score.take(found.height_km, height);
        let last = score.off[score.off.len() - 1];
        by_sun[if sun < 6.0 {
            0
        } else if sun < 12.0 {
            1
        } else {
            2
        }]
        .push(last);
        assert!(found.beside_px.abs() < 4.0, "{found:?}");
    }
    for (name, off) in ["Sun 3 to 6 deg", "6 to 12", "12 to 20"].into_iter().zip(&by_sun) {
        assert!(off.len() > 20, "{name}: {}", off.len());
        let rms = (off.iter().map(|o| o * o).sum::<f64>() / off.len() as f64).sqrt();
        println!("{name}: heights off by {:.2} % rms in {} trials", 100.0 * rms, off.len());
        assert!(rms < 0.05, "{name}: {rms}");
    }
    score.covers_enough("heights");
    let within = score.off.iter().filter(|off| off.abs() < 0.05).count();
    assert!(20 * within >= 19 * TRIALS, "{within} of {TRIALS} within 5 %");
}

#[test]
fn distances_and_places_keep_their_word() {
    let mut chance = Chance(8);
    let mut score = Score::default();
    let mut inside = 0;
    for _ in 0..TRIALS {
        let view = chance.view();
        let place = chance.place(&view, 60.0, |_| true).unwrap();
        let truth = chance.camera(&view, place);
        let (a, b) = (Px { x: 200.0, y: 300.0 }, Px { x: 1000.0, y: 700.0 });
        let real = distance_km(truth.place_at(a).unwrap(), truth.place_at(b).unwrap());
        let fix = chance.fix(&truth, 1.5);
        let found = distance(&fix, chance.jittered(a, 1.0), chance.jittered(b, 1.0), 1.0).unwrap();
        score.take(found, real);
        let told = fix.place_uncertainty_km(a).unwrap();
        let off = distance_km(fix.projection.place_at(a).unwrap(), truth.place_at(a).unwrap());
        inside += usize::from(off <= told);
    }
    score.covers_enough("distances");
    assert!(10 * inside >= 9 * TRIALS, "{inside}");
}

#[test]
fn scale_and_turn_keep_their_word() {
    // From the limb with a known direction of north, and from one mark with optics and orientation.
    let mut chance = Chance(9);
    let (mut from_limb, mut from_optics) = (Score::default(), Score::default());
    for _ in 0..TRIALS {
        let view = chance.view();
        let place = chance.place(&view, 30.0, |_| true).unwrap();
        let truth = chance.camera(&view, place);
        let up = truth.camera.up_position_angle_deg;
        let direction = Some(Estimate { value: up + chance.normal(0.5), sigma: 0.5 });
        let bright = view.bright_limb_position_angle_deg;
        let limb: Vec<Px> = (0..30)
            .map(|i| {
                let angle = bright + f64::from(i) * 5.0 - 72.5;
                let (sin, cos) = angle.to_radians().sin_cos();
                let r = truth.limb_arcsec();
                let px =
                    truth.camera.px_of(SkyOffset { east_arcsec: r * sin, north_arcsec: r * cos });
                chance.jittered(px, 4.0)
            })
            .collect();
        let mirrored = Some(truth.camera.mirrored);
        let base =
            FixRequest { mirrored, up_position_angle_deg: direction, ..FixRequest::default() };
        let request = FixRequest { limb, limb_sigma_px: 4.0, ..base.clone() };
        let found = fix(&view, &request).unwrap();
        from_limb.take(found.arcsec_per_px(), truth.camera.arcsec_per_px);

        let px = chance.jittered(truth.px_of(place).unwrap(), 1.0);
        let scale = truth.camera.arcsec_per_px * (1.0 + chance.normal(0.01));
        let request = FixRequest {
            marks: vec![Mark { px, place, sigma_px: 1.0 }],
            arcsec_per_px: Some(Estimate { value: scale, sigma: 0.01 * scale }),
            ..base
        };
        let found = fix(&view, &request).unwrap();
        from_optics.take(found.arcsec_per_px(), truth.camera.arcsec_per_px);
    }
    from_limb.covers_enough("scale from the limb");
    from_optics.covers_enough("scale from the optics");
}

#[test]
fn planets_are_as_wide_and_flat_as_the_ephemeris_says() {
    // Jupiter, marked along its whole limb to 0.5 px at 0.2 arcsec: diameter, flattening of the
    // outline, plate scale.
    let mut chance = Chance(10);
    let (mut scale_score, mut flattening) = (Score::default(), Score::default());
    for _ in 0..TRIALS {
        let days = chance.uniform(0.0, 7300.0);
        let time = Moment::parse("2015-01-01").unwrap().plus_seconds(days * 86_400.0).unwrap();
        let view = PlanetView::at(Planet::Jupiter, time, None);
        let turn = chance.uniform(0.0, 6.3);
        let arcsec_per_px = 0.2;
        let (a, b) = (view.equatorial_diameter_arcsec, view.polar_diameter_arcsec);
        let (a, b) = (0.5 * a / arcsec_per_px, 0.5 * b / arcsec_per_px);
        let marks: Vec<Px> = (0..40)
            .map(|i| {
                let (sin, cos) = (f64::from(i) * 0.157).sin_cos();
                let (u, v) = (a * cos, b * sin);
                let (s, c) = turn.sin_cos();
                let px = Px { x: 300.0 + u * c - v * s, y: 250.0 + u * s + v * c };
                chance.jittered(px, 0.5)
            })
            .collect();
        let found = disc(&marks, 0.5).unwrap();
        let beside = found.beside(&view, Some(arcsec_per_px));
        scale_score.take(beside.arcsec_per_px, arcsec_per_px);
        flattening.take(found.flattening, beside.expected_flattening);
        let arcsec = beside.equatorial_arcsec.unwrap();
        assert!((arcsec.value / beside.expected_equatorial_arcsec - 1.0).abs() < 0.02);
        assert!(beside.phase_defect_arcsec < 0.6);
    }
    scale_score.covers_enough("plate scale from Jupiter");
    flattening.covers_enough("flattening of Jupiter");
}
