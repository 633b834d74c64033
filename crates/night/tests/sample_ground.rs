//! A sample night over ground whose crater diameters and heights are known: measured on the finished
//! still, after air, telescope, camera, stacking and finish.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::sync::Arc;
use stillwright_night::moon::fix::{Camera, Projection, Px, SkyOffset};
use stillwright_night::moon::measure::{distance_km, shadow_of, shadow_tip, towards_sun};
use stillwright_night::moon::vector::{Vector, add, cross, dot, length, scale, unit};
use stillwright_night::moon::{LunarPoint, LunarView, MOON_RADIUS_KM, Moment};
use stillwright_night::picture::{Plane, Silent};
use stillwright_night::sample::{SampleCapture, SampleSettings};
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::sheet::{Instrument, Measurement, PlaceMark, Reading, Sheet, Source, find};
use stillwright_night::stacking::finish::{FinishSettings, finish};
use stillwright_night::stacking::{Keep, StackSettings, stack};

/// Numbers without a pattern (splitmix64).
struct Chance(u64);

impl Chance {
    fn uniform(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        low + (high - low) * (((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64)
    }

    fn jittered(&mut self, px: Px, sigma: f64) -> Px {
        let mut normal = || (0..12).map(|_| self.uniform(0.0, 1.0)).sum::<f64>() - 6.0;
        let (x, y) = (normal(), normal());
        Px { x: px.x + sigma * x, y: px.y + sigma * y }
    }
}

/// Half the Sun's diameter as seen from the Moon, degrees.
const SUN_RADIUS_DEG: f64 = 0.2665;
const SIZE: (usize, usize) = (288, 224);

/// Smooth noise on a lattice, -1 to 1.
fn lattice(x: f64, y: f64, seed: u64) -> f64 {
    let at = |i: i64, j: i64| {
        let mut z = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
            ^ (j as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f)
            ^ seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    };
    let (i, j) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - i), ease(y - j));
    let (i, j) = (i as i64, j as i64);
    let row = |j: i64| at(i, j) * (1.0 - u) + at(i + 1, j) * u;
    row(j) * (1.0 - v) + row(j + 1) * v
}

/// The ground: a bowl with a raised rim, a ridge, hills and spots everywhere.
struct Ground {
    projection: Projection,
    sun: Vector,
    crater: (LunarPoint, f64),
    /// Where the ridge's foot is, which way across it the Sun stands, its height, km.
    ridge: (Vector, Vector, f64),
    seed: u64,
}

impl Ground {
    /// Height of crater and hills, km, over km east and north of the crater's middle.
    fn height(&self, e: f64, n: f64) -> f64 {
        let radius = 0.5 * self.crater.1;
        let r = e.hypot(n) / radius;
        // An eighth as deep as wide (Pike's law for its size), the rim 4 % high, thinning out.
        let (deep, rim) = (0.13 * self.crater.1, 0.04 * self.crater.1);
        let bowl = if r < 1.0 { rim + deep * (r * r - 1.0) } else { rim / (r * r * r) };
        let hills =
            0.05 * lattice(e / 2.6, n / 2.6, self.seed) + 0.02 * lattice(e, n, self.seed + 1);
        bowl + if (0.85..1.15).contains(&r) { 0.0 } else { hills }
    }

    fn light(&self, px: Px) -> f32 {
        let Some(place) = self.projection.place_at(px) else { return 0.0 };
        let up = place.direction();
        let east = unit(cross([0.0, 0.0, 1.0], up));
        let north = cross(up, east);
        let middle = self.crater.0.direction();
        let home_east = unit(cross([0.0, 0.0, 1.0], middle));
        let home_north = cross(middle, home_east);
        let (e, n) = (
            MOON_RADIUS_KM * dot(up, home_east) / dot(up, middle),
            MOON_RADIUS_KM * dot(up, home_north) / dot(up, middle),
        );
        let height = |de: f64, dn: f64| self.height(e + de, n + dn);
        const STEP: f64 = 0.05;
        let slope = (
            (height(STEP, 0.0) - height(-STEP, 0.0)) / (2.0 * STEP),
            (height(0.0, STEP) - height(0.0, -STEP)) / (2.0 * STEP),
        );
        let normal = unit(add(up, add(scale(east, -slope.0), scale(north, -slope.1))));
        let incidence = dot(normal, self.sun);
        if incidence <= 0.0 {
            return 0.0;
        }
        // Shadows within the crater: the ray to the Sun over the bowl, where the ground is about flat.
        let (se, sn, su) = (dot(self.sun, east), dot(self.sun, north), dot(self.sun, up));
        let across = se.hypot(sn).max(1e-9);
        let mut free = 1.0_f64;
        let here = height(0.0, 0.0);
        if e.hypot(n) < 0.75 * self.crater.1 {
            for i in 1..80 {
                // Close steps near by: a crest half a pixel away throws its shadow too.
                let way = self.crater.1 * (f64::from(i) / 80.0).powi(2);
                let blocks = height(way * se / across, way * sn / across) - here;
                // The Sun's disc rises over the edge within half a degree.
                let clear = (way * su / across - blocks) / (way * SUN_RADIUS_DEG.to_radians());
                free = free.min((0.5 + 0.5 * clear).clamp(0.0, 1.0));
            }
        }
        let spots = 1.0 + 0.12 * lattice(e / 1.1, n / 1.1, self.seed + 2);
        let ridge = self.behind_ridge(scale(up, MOON_RADIUS_KM));
        // Lommel-Seeliger seen from near overhead of each slope, as the simulation's own ground.
        let law = 0.45 * 2.0 * incidence / (incidence + 1.0) + 0.55 * incidence;
        (law * free * ridge * spots) as f32
    }

    /// Share of the Sun's disc that is seen past the ridge.
    fn behind_ridge(&self, ground: Vector) -> f64 {
        let (_, along, height) = self.ridge;
        let behind = dot(ground, along);
        if behind >= 0.0 {
            return 1.0;
        }
        let side = unit(cross(self.sun, scale(ground, 1.0 / length(ground))));
        let lift = cross(side, self.sun);
        const POINTS: i32 = 9;
        let (mut lit, mut all) = (0.0, 0.0);
        for i in 0..POINTS {
            let share = (2.0 * f64::from(i) + 1.0) / f64::from(POINTS) - 1.0;
            let weight = (1.0 - share * share).sqrt();
            let (sin, cos) = (share * SUN_RADIUS_DEG).to_radians().sin_cos();
            let from = add(scale(self.sun, cos), scale(lift, -sin));
            let t = -behind / dot(from, along);
            let over = length(add(ground, scale(from, t))) - MOON_RADIUS_KM > height;
            all += weight;
            lit += if over { weight } else { 0.0 };
        }
        lit / all
    }
}

/// Where the picture changes most along the way from the crater's middle near where the rim is
/// expected: what an eye takes for the crest.
fn crest(light: &Plane, middle: Px, guess: Px, reach: f64) -> Option<Px> {
    let (height, width) = light.dim();
    let at = |px: Px| {
        let inside =
            px.x >= 1.0 && px.y >= 1.0 && px.x < width as f64 - 2.0 && px.y < height as f64 - 2.0;
        inside.then(|| {
            let (x, y) = (px.x.floor(), px.y.floor());
            let (u, v) = ((px.x - x) as f32, (px.y - y) as f32);
            let value = |dx: usize, dy: usize| light[[y as usize + dy, x as usize + dx]];
            let row = |dy: usize| value(0, dy) * (1.0 - u) + value(1, dy) * u;
            row(0) * (1.0 - v) + row(1) * v
        })
    };
    let away = (guess.x - middle.x).hypot(guess.y - middle.y);
    let way = [(guess.x - middle.x) / away, (guess.y - middle.y) / away];
    let along = |r: f64| at(Px { x: middle.x + r * way[0], y: middle.y + r * way[1] });
    const STEP: f64 = 0.25;
    let steps = (2.0 * reach / STEP) as i32;
    let change = |i: i32| {
        let r = away - reach + STEP * f64::from(i);
        Some((along(r + 1.0)? - along(r - 1.0)?).abs())
    };
    let all: Vec<f32> = (0..=steps).map(change).collect::<Option<_>>()?;
    let best = (0..all.len()).max_by(|a, b| all[*a].total_cmp(&all[*b]))?;
    let mean = all.iter().sum::<f32>() / all.len() as f32;
    // Where the crest casts no shadow and turns no slope to the Sun, nobody could mark it.
    if all[best] < 2.2 * mean || best == 0 || best + 1 == all.len() {
        return None;
    }
    let r = away - reach + STEP * best as f64;
    Some(Px { x: middle.x + r * way[0], y: middle.y + r * way[1] })
}

#[test]
fn craters_and_heights_come_back_from_a_finished_still() {
    let mut chance = Chance(5);
    let mut worst = (0.0_f64, 0.0_f64);
    // Sun 4 to 20 deg high, 10 to 60 deg from the middle of the disc.
    for (sun_deg, from_middle_deg) in [(4.5, 35.0), (8.0, 12.0), (12.0, 60.0), (19.0, 45.0)] {
        let moment = Moment::parse("2026-03-26T20:00:00Z").unwrap();
        let view = LunarView::at(moment, None);
        // A place lit and seen as wanted.
        let place = (0..200_000)
            .map(|_| {
                let lat = chance.uniform(-1.0, 1.0).asin().to_degrees();
                LunarPoint::new(chance.uniform(-90.0, 90.0), lat)
            })
            .find(|place| {
                let lighting = view.lighting(*place);
                (lighting.sun_altitude_deg - sun_deg).abs() < 0.3
                    && (lighting.emission_deg - from_middle_deg).abs() < 4.0
            })
            .unwrap();
        let mut settings = SampleSettings::small((sun_deg * 10.0) as u64);
        (settings.width, settings.height, settings.frames) = (SIZE.0, SIZE.1, 60);
        settings.margin_px = 8;
        settings.air.d_over_r0 = 2.5;
        let scale_arcsec = settings.telescope.arcsec_per_px;
        let plain = Camera {
            anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
            anchor_px: Px { x: 0.0, y: 0.0 },
            arcsec_per_px: scale_arcsec,
            up_position_angle_deg: 20.0,
            mirrored: false,
        };
        let there = Projection { view, camera: plain }.px_of(place).unwrap();
        let middle = Px { x: 0.5 * SIZE.0 as f64, y: 0.5 * SIZE.1 as f64 };
        let anchor_px = Px { x: middle.x - there.x, y: middle.y - there.y };
        let projection = Projection { view, camera: Camera { anchor_px, ..plain } };

        // The crater to one side of the picture, the ridge's shadow to the other, across the light.
        let sun = view.sub_solar.direction();
        let [sx, sy] = towards_sun(&projection, middle).unwrap();
        let across = |by: f64, along: f64| Px {
            x: middle.x - sy * by + sx * along,
            y: middle.y + sx * by + sy * along,
        };
        let (km_per_px, _) = projection.km_per_px(place);
        let diameter = 62.0 * km_per_px;
        let crater_at = across(58.0, 0.0);
        let crater = projection.place_at(crater_at).unwrap();
        let lit = view.lighting(projection.place_at(across(-55.0, 0.0)).unwrap());
        // A height whose shadow is some 45 px of the sky long.
        let ray = |height| shadow_of(height, lit.sun_altitude_deg).map(|(_, ray)| ray);
        let wanted = 45.0 * km_per_px / lit.phase_angle_deg.to_radians().sin();
        let height = (1..4000)
            .map(|i| f64::from(i) * 0.002)
            .find(|height| ray(*height).is_some_and(|ray| ray > wanted))
            .unwrap();
        let foot = projection.place_at(across(-55.0, 22.0)).unwrap().direction();
        let along = unit(cross(foot, cross(sun, foot)));
        let at_foot = view.lighting(LunarPoint::of(foot)).sun_altitude_deg;
        let (_, true_ray) = shadow_of(height, at_foot).unwrap();
        let summit_km = scale(foot, MOON_RADIUS_KM + height);
        let tip_km = add(summit_km, scale(sun, -true_ray));
        // The ridge shades its own half of the picture only.
        let split = across(0.0, 0.0);
        let ground = Ground {
            projection,
            sun,
            crater: (crater, diameter),
            ridge: (foot, along, height),
            seed: 77,
        };
        let drawing = |x: f64, y: f64| {
            let side = (x - split.x) * -sy + (y - split.y) * sx;
            let px = Px { x, y };
            if side > 8.0 {
                let plain = Ground { ridge: (foot, along, -1.0), ..ground_of(&ground) };
                plain.light(px)
            } else {
                ground.light(px)
            }
        };
        let capture = SampleCapture::prepare_drawn(&settings, &drawing).unwrap();
        let surveyed = survey(&capture, &SurveySettings::default(), &Silent).unwrap();
        let told = StackSettings { keep: Keep::Percent(40.0), ..StackSettings::default() };
        let stacked = stack(&capture, &surveyed, &told, &Silent).unwrap();
        let finished = finish(&stacked, &FinishSettings::default(), &Silent).unwrap();
        let still = Arc::clone(&finished.picture);
        let light = still.luminance();
        // The stack has the grid of its reference frame, where the scene lies shifted.
        let moved = capture_shift(&capture, surveyed.reference_index);
        let onto = |px: Px| Px { x: px.x + moved.0, y: px.y + moved.1 };

        // Known places, marked to 1 px; the crest along 24 ways; summit to 0.5 px, the tip found.
        let spots = [(20.0, 20.0), (265.0, 30.0), (250.0, 200.0), (25.0, 205.0)];
        let places = spots
            .iter()
            .map(|(x, y)| {
                let px = Px { x: *x, y: *y };
                let place = projection.place_at(px);
                PlaceMark { name: "spot".into(), px: onto(chance.jittered(px, 0.7)), place }
            })
            .collect();
        let rim_on = |light: &Plane, onto: &dyn Fn(Px) -> Px| -> Vec<Px> {
            let rim: Vec<(Px, f64)> = (0..24)
                .filter_map(|i| {
                    let (sin, cos) = (f64::from(i) * 15.0_f64.to_radians()).sin_cos();
                    let up = crater.direction();
                    let east = unit(cross([0.0, 0.0, 1.0], up));
                    let north = cross(up, east);
                    let (sin_r, cos_r) = (0.5 * diameter / MOON_RADIUS_KM).sin_cos();
                    let around = add(scale(east, cos), scale(north, sin));
                    let point = add(scale(up, cos_r), scale(around, sin_r));
                    let guess = projection.px_of(LunarPoint::of(point))?;
                    let (guess, middle) = (onto(guess), onto(crater_at));
                    let found = crest(light, middle, guess, 7.0)?;
                    let away = |px: Px| (px.x - middle.x).hypot(px.y - middle.y);
                    Some((found, away(found) / away(guess)))
                })
                .collect();
            // A person sees the ring as a whole and does not mark a spot or a shadow's edge beside it.
            let mut shares: Vec<f64> = rim.iter().map(|(_, share)| *share).collect();
            shares.sort_by(f64::total_cmp);
            let usual = shares[shares.len() / 2];
            let on_ring = rim.iter().filter(|(_, share)| (share - usual).abs() < 0.05);
            on_ring.map(|(px, _)| *px).collect()
        };
        let rim = rim_on(&light, &onto);
        // The same marks on what a perfect telescope would show: what is left is the stack's geometry.
        let margin = 0.5 * (capture.picture().width() as f64 - SIZE.0 as f64);
        let perfect =
            rim_on(&capture.picture().luminance(), &|px| Px { x: px.x + margin, y: px.y + margin });
        let on_truth: Vec<f64> = perfect
            .iter()
            .filter_map(|px| projection.place_at(Px { x: px.x - margin, y: px.y - margin }))
            .map(|place| 2.0 * distance_km(place, crater) / diameter - 1.0)
            .collect();
        let off_truth = on_truth.iter().sum::<f64>() / on_truth.len() as f64;
        assert!(off_truth.abs() < 0.005, "{sun_deg}: marks on the true picture {off_truth}");
        assert!(rim.len() >= 6, "{sun_deg}: {} marks on the crest", rim.len());
        let mut sheet = Sheet {
            time_utc: Some(moment),
            places,
            measurements: vec![Measurement {
                number: 1,
                instrument: Instrument::Crater,
                name: "crater".into(),
                points: rim.clone(),
            }],
            ..Sheet::default()
        };
        let source = |sheet: &Sheet| Source {
            sheet: Arc::new(sheet.clone()),
            size: SIZE,
            start: None,
            duration_s: None,
            optics: None,
            names: None,
            still: Some((Arc::clone(&still), 1.0)),
            detail_px: None,
            survey: None,
            ripple_px2: None,
        };
        let fix = find(&source(&sheet)).fix.unwrap();
        let summit = onto(chance.jittered(projection.px_of_point(summit_km), 0.5));
        let near = onto(chance.jittered(projection.px_of_point(tip_km), 4.0));
        let tip = shadow_tip(&fix.projection, &light, summit, near, 15.0).unwrap();
        sheet.measurements.push(Measurement {
            number: 2,
            instrument: Instrument::Height,
            name: "ridge".into(),
            points: vec![summit, tip],
        });
        let findings = find(&source(&sheet));
        let Some(Ok(Reading::Crater(found))) = findings.reading(1) else {
            panic!("{:?}", findings.reading(1))
        };
        let Some(Ok(Reading::Height(tall))) = findings.reading(2) else {
            panic!("{:?}", findings.reading(2))
        };
        let off = found.diameter_km.value / diameter - 1.0;
        let off_height = tall.height_km.value / height - 1.0;
        println!(
            "Sun {sun_deg} deg, {from_middle_deg} deg out: crater {:.2} of {diameter:.2} km ({:+.2} %, {} marks; on the true picture {:+.2} %), height {:.3} of {height:.3} km ({:+.2} %)",
            found.diameter_km.value,
            100.0 * off,
            rim.len(),
            100.0 * off_truth,
            tall.height_km.value,
            100.0 * off_height
        );
        worst = (worst.0.max(off.abs()), worst.1.max(off_height.abs()));
    }
    println!("worst: craters {:.2} %, heights {:.2} %", 100.0 * worst.0, 100.0 * worst.1);
    assert!(worst.0 < 0.02, "craters within 2 %: {worst:?}");
    assert!(worst.1 < 0.05, "heights within 5 %: {worst:?}");
}

fn ground_of(ground: &Ground) -> Ground {
    Ground { ..*ground }
}

/// How far the scene lies shifted in a frame, mean over its places, px.
fn capture_shift(capture: &SampleCapture, index: usize) -> (f64, f64) {
    let warp = capture.true_warp(index).unwrap();
    let n = warp.motion_px.len() as f64;
    let sum = warp
        .motion_px
        .iter()
        .fold([0.0, 0.0], |s, m| [s[0] + f64::from(m[0]), s[1] + f64::from(m[1])]);
    (sum[0] / n, sum[1] / n)
}
