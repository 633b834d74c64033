//! A reference picture of wide ground, seen from another angle: laid through longitude and latitude it lies
//! where it belongs, laid as flat ground it does not. The ground is the sphere itself, without relief.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::sync::Arc;
use stillwright_night::beside::{Ends, Known, Mapped, MatchedBy, SetBeside, Task, set_beside};
use stillwright_night::moon::fix::{Camera, FixRequest, Mark, Projection, Px, SkyOffset, fix};
use stillwright_night::moon::vector::Vector;
use stillwright_night::moon::{LunarPoint, LunarView, MOON_RADIUS_KM, Moment};
use stillwright_night::picture::{Picture, Plane, Silent};
use stillwright_night::seeing::beside::Mapping;

const SIZE: (usize, usize) = (400, 300);

struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
    fn jittered(&mut self, px: Px, sigma: f64) -> Px {
        Px { x: px.x + sigma * self.normal(), y: px.y + sigma * self.normal() }
    }
}

/// Smooth noise in space, -1 to 1, lengths in lattice steps.
fn lattice(p: Vector, seed: u64) -> f64 {
    let floor = p.map(f64::floor);
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let share = [0, 1, 2].map(|k| ease(p[k] - floor[k]));
    let mut sum = 0.0;
    for corner in 0..8_u32 {
        let bit = |k: usize| (corner >> k) & 1;
        let mut z = seed;
        let mut weight = 1.0;
        for k in 0..3 {
            let at = floor[k] as i64 + i64::from(bit(k));
            z = (z ^ (at as u64)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            z ^= z >> 29;
            weight *= if bit(k) == 1 { share[k] } else { 1.0 - share[k] };
        }
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        sum += weight * (((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0);
    }
    sum
}

/// Brightness of the ground: spots from 40 km down to 3 km.
fn brightness(place: LunarPoint, seed: u64) -> f64 {
    let point = place.direction().map(|c| c * MOON_RADIUS_KM);
    let octave = |km: f64, k: u64| lattice(point.map(|c| c / km), seed * 31 + k);
    0.45 + 0.10 * octave(40.0, 1)
        + 0.10 * octave(13.0, 2)
        + 0.09 * octave(6.0, 3)
        + 0.06 * octave(3.2, 4)
}

/// What a camera sees, each pixel from 2 x 2 places, with noise.
fn seen(
    projection: &Projection,
    (width, height): (usize, usize),
    seed: u64,
    noise: f64,
) -> Picture {
    let mut random = Random(seed + 99);
    let plane = Plane::from_shape_fn((height, width), |(y, x)| {
        let mut sum = 0.0;
        for k in 0..4 {
            let off = |bit: usize| 0.5 * (bit as f64) - 0.25;
            let px = Px { x: x as f64 + off(k & 1), y: y as f64 + off(k >> 1) };
            sum += projection.place_at(px).map_or(0.0, |place| brightness(place, seed));
        }
        (0.25 * sum + noise * random.normal()) as f32
    });
    Picture::from_plane(plane)
}

/// A camera of `arcsec_per_px` that has a place in the middle of a picture.
fn camera_at(
    view: LunarView,
    place: LunarPoint,
    size: (usize, usize),
    arcsec_per_px: f64,
    up_deg: f64,
) -> Projection {
    let plain = Camera {
        anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
        anchor_px: Px { x: 0.0, y: 0.0 },
        arcsec_per_px,
        up_position_angle_deg: up_deg,
        mirrored: false,
    };
    let there = Projection { view, camera: plain }.px_of(place).unwrap();
    let anchor_px = Px { x: 0.5 * size.0 as f64 - there.x, y: 0.5 * size.1 as f64 - there.y };
    Projection { view, camera: Camera { anchor_px, ..plain } }
}

/// The still's fix as a person gets it: six places marked to half a px.
fn fixed(truth: &Projection, random: &mut Random) -> Projection {
    let spots =
        [(40.0, 40.0), (350.0, 30.0), (360.0, 260.0), (50.0, 250.0), (200.0, 60.0), (210.0, 240.0)];
    let marks = spots
        .map(|(x, y)| {
            let px = Px { x, y };
            let place = truth.place_at(px).unwrap();
            Mark { px: random.jittered(px, 0.5), place, sigma_px: 0.5 }
        })
        .to_vec();
    fix(&truth.view, &FixRequest { marks, ..FixRequest::default() }).unwrap().projection
}

/// Rms and worst distance, px of the still, of where the mapping puts the still's ground.
fn off(
    map: &impl Mapping,
    still: &Projection,
    reference: &Projection,
    size: (usize, usize),
) -> (f64, f64) {
    let (mut sum, mut n, mut worst) = (0.0, 0.0, 0.0_f64);
    for y in (0..SIZE.1).step_by(10) {
        for x in (0..SIZE.0).step_by(10) {
            let px = Px { x: x as f64, y: y as f64 };
            let Some(true_px) = still.onto(reference, px) else { continue };
            let inside = (0.0..size.0 as f64).contains(&true_px.x)
                && (0.0..size.1 as f64).contains(&true_px.y);
            let [u, v] = map.apply([px.x, px.y]);
            // Back to the still by the truth, so that px of the still are told.
            let Some(there) = reference.onto(still, Px { x: u, y: v }).filter(|_| inside) else {
                continue;
            };
            let miss = (there.x - px.x).hypot(there.y - px.y);
            (sum, n, worst) = (sum + miss * miss, n + 1.0, worst.max(miss));
        }
    }
    assert!(n > 300.0, "{n} places in common");
    ((sum / n).sqrt(), worst)
}

struct Case {
    name: &'static str,
    still: Projection,
    reference: Projection,
    /// Size of the reference.
    size: (usize, usize),
    /// Whether four marks are given.
    marked: bool,
}

fn set(case: &Case, seed: u64) -> SetBeside {
    let mut random = Random(seed);
    let still = seen(&case.still, SIZE, seed, 0.004);
    let reference = seen(&case.reference, case.size, seed, 0.004);
    let own = fixed(&case.still, &mut random);
    let spots = [(70.0, 60.0), (330.0, 70.0), (320.0, 240.0), (80.0, 235.0)];
    let pairs = spots.map(|(x, y)| {
        let px = Px { x, y };
        [px, random.jittered(case.still.onto(&case.reference, px).unwrap(), 0.7)]
    });
    let task = Task {
        still: Arc::new(still),
        still_scale: 1.0,
        size: SIZE,
        reference: Arc::new(reference),
        pairs: if case.marked { pairs.to_vec() } else { Vec::new() },
        sigma_px: 1.0,
        ends: Some(Ends { still: own, reference: case.reference.view }),
        halves: None,
        known: Known::Nothing,
    };
    set_beside(&task, &Silent).unwrap().unwrap()
}

/// The views of two years between which the middle of the disc moves most along the equator.
fn librations() -> [LunarView; 2] {
    let start = Moment::parse("2025-01-01T00:00Z").unwrap();
    let views: Vec<LunarView> = (0..2 * 365)
        .map(|day| LunarView::at(start.plus_seconds(86_400.0 * f64::from(day)).unwrap(), None))
        .collect();
    let lon = |view: &&LunarView| view.sub_observer.lon_deg;
    let most = views.iter().max_by(|a, b| lon(a).total_cmp(&lon(b))).unwrap();
    let least = views.iter().min_by(|a, b| lon(a).total_cmp(&lon(b))).unwrap();
    [*most, *least]
}

#[test]
fn views_agree_although_the_angles_differ() {
    let [east, west] = librations();
    let place = LunarPoint::new(38.0, 22.0);
    let small = (440, 340);
    let from_earth = |view, scale, up| camera_at(view, place, small, scale, up);
    let above = |lon, lat, height_km: f64, km_per_px: f64| {
        let view = west.from_above(LunarPoint::new(lon, lat), MOON_RADIUS_KM + height_km).unwrap();
        let away = view.lighting(place).distance_km;
        let arcsec = km_per_px / away * stillwright_night::moon::angle::ARCSEC_PER_RADIAN;
        camera_at(view, place, small, arcsec, 35.0)
    };
    let still = camera_at(east, place, SIZE, 0.55, 0.0);
    let cases = [
        Case {
            name: "libration",
            still,
            reference: from_earth(west, 0.6, 20.0),
            size: small,
            marked: false,
        },
        Case {
            name: "libration, marked",
            still,
            reference: from_earth(west, 0.6, -70.0),
            size: small,
            marked: true,
        },
        Case {
            name: "from overhead, marked",
            still,
            reference: above(38.0, 20.0, 4000.0, 1.0),
            size: small,
            marked: true,
        },
        Case {
            name: "from the other side, marked",
            still,
            reference: above(75.0, 30.0, 6000.0, 1.0),
            size: small,
            marked: true,
        },
    ];
    for (case, seed) in cases.iter().zip(1..) {
        let angle = {
            let up = place.direction().map(|c| c * MOON_RADIUS_KM);
            let sight = |p: &Projection| {
                let o = p.view.observer_km();
                [o[0] - up[0], o[1] - up[1], o[2] - up[2]]
            };
            stillwright_night::moon::vector::angle_between(
                sight(&case.still),
                sight(&case.reference),
            )
            .to_degrees()
        };
        let begun = std::time::Instant::now();
        let found = set(case, seed).matched;
        let took = begun.elapsed().as_secs_f64();
        let sphere = off(&found.map, &case.still, &case.reference, case.size);
        let flat = found.flat.map(|(_, flat)| {
            off(&flat.reference_from_still, &case.still, &case.reference, case.size)
        });
        println!(
            "{}: {angle:.0} deg apart, {:?}: {:.2} px rms, {:.2} worst (told {:.2}); flat ground {flat:.2?}; {took:.1} s",
            case.name, found.by, sphere.0, sphere.1, found.rms_px
        );
        assert!(matches!(found.map, Mapped::Sphere(_)), "{}: {:?}", case.name, found.note);
        assert!(sphere.0 < 0.5, "{}: {sphere:?}", case.name);
        assert!(flat.is_none_or(|flat| flat.0 > 2.0 * sphere.0 && flat.1 > 2.0), "{flat:?}");
        let expected =
            if case.marked { MatchedBy::MarksAndPictures(4) } else { MatchedBy::Pictures };
        assert_eq!(found.by, expected, "{}", case.name);
    }
}

#[test]
fn a_wrong_point_of_view_is_found_out() {
    let [east, west] = librations();
    let place = LunarPoint::new(38.0, 22.0);
    let still = camera_at(east, place, SIZE, 0.55, 0.0);
    let reference = camera_at(west, place, (440, 340), 0.6, 20.0);
    let mut case = Case { name: "", still, reference, size: (440, 340), marked: false };
    // Said to be seen from far on the other side.
    let seed = 5;
    let pictures =
        (seen(&case.still, SIZE, seed, 0.004), seen(&case.reference, case.size, seed, 0.004));
    case.reference.view = west.from_above(LunarPoint::new(-30.0, -40.0), 300_000.0).unwrap();
    let task = Task {
        still: Arc::new(pictures.0),
        still_scale: 1.0,
        size: SIZE,
        reference: Arc::new(pictures.1),
        pairs: Vec::new(),
        sigma_px: 1.0,
        ends: Some(Ends { still: case.still, reference: case.reference.view }),
        halves: None,
        known: Known::Nothing,
    };
    let set = set_beside(&task, &Silent).unwrap().unwrap();
    assert!(matches!(set.matched.map, Mapped::Flat(_)));
    assert!(set.matched.note.is_some(), "it is said why not");
}
