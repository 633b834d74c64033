//! Cratered ground: heights and albedo, from hills and plains, ridges and impacts.
//!
//! Lengths and heights are in camera pixels (about 0.4 km on the Moon). Craters follow what is
//! measured on the Moon: numbers fall as the square of the radius (N(>R) proportional to R^-2,
//! the equilibrium population); bowls are a fifth as deep as wide with a rim of 4 %, up to some
//! 15 km across; beyond, they are shallower, have flat floors, terraced walls and central peaks
//! (Pike 1977, figures from memory); ejecta thin out as r^-3 (McGetchin, Settle and Head 1973).

use crate::fields::{Field, smooth_step};
use crate::random::{Purpose, Random};
use rayon::prelude::*;

/// Heights and albedo on a grid finer than the camera's pixels.
pub(crate) struct Terrain {
    pub columns: usize,
    pub rows: usize,
    /// Grid points per camera pixel and axis.
    pub fine: usize,
    /// Heights, camera px.
    pub height: Vec<f32>,
    /// Reflectance, about 0.5 to 1.3.
    pub albedo: Vec<f32>,
}

/// Radius at which craters turn from bowls to flat floors, px.
const SIMPLE_RADIUS: f32 = 17.0;
/// Radius of the smallest craters, px: below the optical limit of about 1.3 px.
const SMALLEST: f64 = 0.8;
/// Craters above radius R per square pixel, times R².
const DENSITY: f64 = 0.020;

struct Crater {
    x: f32,
    y: f32,
    radius: f32,
    /// 0 fresh to 1 nearly gone.
    age: f32,
    seed: u64,
}

impl Terrain {
    /// Ground of `columns` x `rows` camera pixels, with `fine` grid points a pixel; a fresh
    /// crater with a central peak lies near the middle.
    pub fn new(seed: u64, columns_px: usize, rows_px: usize, fine: usize, hero_px: f32) -> Terrain {
        let (columns, rows) = (columns_px * fine, rows_px * fine);
        let mut random = Random::stream(seed, Purpose::Scene, 0);
        let hills = Field::new(random.bits());
        let plains = Field::new(random.bits());
        let ridges = Field::new(random.bits());
        let soil = Field::new(random.bits());
        let mut height = vec![0.0f32; columns * rows];
        let mut albedo = vec![0.0f32; columns * rows];
        let plain = |x: f32, y: f32| {
            smooth_step(-0.15, 0.25, plains.fractal(x / 210.0, y / 210.0, 4, 0.45) - 0.1)
        };
        let both = height.par_chunks_mut(columns).zip(albedo.par_chunks_mut(columns));
        both.enumerate().for_each(|(iy, (heights, albedos))| {
            let y = iy as f32 / fine as f32;
            for (ix, (h, a)) in heights.iter_mut().zip(albedos).enumerate() {
                let x = ix as f32 / fine as f32;
                let flat = plain(x, y);
                let rough = 1.0 - 0.82 * flat;
                // Rough uplands; the gain makes slopes fall slowly towards small scales.
                let upland = hills.fractal(x / 90.0, y / 90.0, 8, 0.53);
                // Wrinkle ridges on the plains: crests where a field crosses zero.
                let wander = ridges.fractal(x / 130.0, y / 130.0, 4, 0.4);
                let crest = (1.0 - (wander * 9.0).abs()).max(0.0);
                let step = smooth_step(-0.12, 0.12, wander);
                let grain = soil.fractal(x / 2.3, y / 2.3, 3, 0.5);
                *h = 6.0 * rough * upland - 4.5 * flat
                    + flat * (0.9 * crest * crest + 0.7 * step)
                    + (0.035 + 0.05 * rough) * grain;
                *a = 1.0 - 0.3 * flat + 0.07 * soil.fractal(x / 60.0, y / 60.0, 5, 0.6);
            }
        });
        let mut terrain = Terrain { columns, rows, fine, height, albedo };
        for crater in craters(&mut random, columns_px as f32, rows_px as f32, hero_px, plain) {
            terrain.strike(&crater);
        }
        terrain
    }

    fn height_near(&self, x: f32, y: f32) -> f32 {
        let index = |v: f32, n: usize| ((v * self.fine as f32).max(0.0) as usize).min(n - 1);
        self.height[index(y, self.rows) * self.columns + index(x, self.columns)]
    }

    /// Let one crater replace what was there.
    fn strike(&mut self, crater: &Crater) {
        let (radius, age) = (crater.radius, crater.age);
        let shape = Field::new(crater.seed);
        let profile = Profile::new(crater);
        // The ground it falls on: the mean round the rim.
        let level = (0..12)
            .map(|i| {
                let (s, c) = (i as f32 * std::f32::consts::TAU / 12.0).sin_cos();
                self.height_near(crater.x + radius * c, crater.y + radius * s)
            })
            .sum::<f32>()
            / 12.0;
        let reach = radius * if radius < 3.0 { 2.0 } else { 2.8 };
        let fine = self.fine as f32;
        let span = |middle: f32, n: usize| {
            let low = ((middle - reach) * fine).ceil().max(0.0) as usize;
            low..(((middle + reach) * fine).floor().max(0.0) as usize + 1).min(n)
        };
        let columns = span(crater.x, self.columns);
        let bright = 0.22 * (1.0 - age / 0.12).max(0.0);
        for iy in span(crater.y, self.rows) {
            let dy = iy as f32 / fine - crater.y;
            for ix in columns.clone() {
                let dx = ix as f32 / fine - crater.x;
                let distance = dx.hypot(dy);
                if distance > reach {
                    continue;
                }
                let (ux, uy) = (dx / radius, dy / radius);
                // An uneven rim: the radius wavers with direction.
                let bend = if radius > 2.0 {
                    let (cx, cy) = (ux / (distance / radius + 0.3), uy / (distance / radius + 0.3));
                    1.0 + 0.06 * shape.fractal(cx * 1.6, cy * 1.6, 3, 0.55)
                } else {
                    1.0
                };
                let r = distance / (radius * bend);
                let at = iy * self.columns + ix;
                let (relief, keep) = profile.at(r, ux, uy, &shape);
                let ground = self.height[at];
                self.height[at] = level + (ground - level) * keep + relief;
                if bright > 0.0 {
                    let rays = 0.6 + 0.6 * shape.at(6.0 * uy.atan2(ux), 0.5);
                    let halo = (1.0 - r / 2.6).max(0.0) * if r < 1.0 { 1.0 } else { rays };
                    self.albedo[at] *= 1.0 + bright * halo;
                }
            }
        }
    }
}

/// All craters, the oldest first.
fn craters(
    random: &mut Random,
    width: f32,
    height: f32,
    hero_px: f32,
    plain: impl Fn(f32, f32) -> f32,
) -> Vec<Crater> {
    let largest = f64::from(hero_px) * 0.8;
    let area = f64::from(width) * f64::from(height);
    let count = (DENSITY * area / SMALLEST.powi(2)) as usize;
    let mut all = Vec::with_capacity(count + 1);
    for _ in 0..count {
        // N(>R) proportional to R^-2.
        let radius = SMALLEST / (1.0 - random.uniform()).sqrt();
        let (x, y) = (random.uniform() as f32 * width, random.uniform() as f32 * height);
        let (age, chance, seed) = (random.uniform() as f32, random.uniform(), random.bits());
        // Plains are younger: they drowned most of the large old craters.
        let drowned = 0.8 * f64::from(plain(x, y)) * if radius > 5.0 { 1.0 } else { 0.6 };
        if radius <= largest && chance >= drowned {
            all.push(Crater { x, y, radius: radius as f32, age, seed });
        }
    }
    let spot = |random: &mut Random, size: f32| size * random.between(0.42, 0.58) as f32;
    let (x, y) = (spot(random, width), spot(random, height));
    all.push(Crater { x, y, radius: hero_px, age: 0.13, seed: random.bits() });
    all.sort_by(|a, b| b.age.total_cmp(&a.age));
    all
}

/// Height of a crater over distance from its middle.
struct Profile {
    depth: f32,
    rim: f32,
    /// Radius of the flat floor in crater radii; 0 for a bowl.
    floor: f32,
    /// Rounding of the rim, px.
    round: f32,
    terraces: f32,
    /// Central peaks: place (crater radii), width, height (px).
    peaks: Vec<[f32; 4]>,
    hummocks: f32,
    keep_inside: f32,
}

impl Profile {
    fn new(crater: &Crater) -> Profile {
        let across = 2.0 * crater.radius;
        let grown = (crater.radius / SIMPLE_RADIUS).max(1.0);
        let fresh = 1.0 - 0.75 * crater.age;
        let simple = 2.0 * SIMPLE_RADIUS;
        let depth = if grown > 1.0 { 0.2 * simple * grown.powf(0.35) } else { 0.2 * across };
        let rim = if grown > 1.0 { 0.04 * simple * grown.powf(0.5) } else { 0.04 * across };
        let floor = if grown > 1.0 { 0.62 * (1.0 - 0.8 / grown.powi(2)).max(0.0) } else { 0.0 };
        let mut random = Random::stream(crater.seed, Purpose::Scene, 1);
        let mut peaks = Vec::new();
        if crater.radius > 1.3 * SIMPLE_RADIUS {
            let count = 2 + random.below(3);
            for i in 0..count {
                let spread = if i == 0 { 0.03 } else { 0.14 };
                let (x, y) = (random.normal() * spread, random.normal() * spread);
                let width = random.between(0.045, 0.10);
                let tall = f64::from(depth) * random.between(0.22, 0.5);
                peaks.push([x as f32, y as f32, width as f32, tall as f32 * fresh.sqrt()]);
            }
        }
        Profile {
            depth: depth * fresh,
            rim: rim * fresh.powi(2),
            floor,
            round: across * (0.006 + 0.05 * crater.age),
            terraces: if grown > 1.0 { 0.09 * depth * fresh } else { 0.0 },
            peaks,
            hummocks: if crater.radius > 4.0 { 0.35 } else { 0.0 },
            keep_inside: 0.12 + 0.5 * crater.age,
        }
    }

    /// Relief, px, and the share of the older relief that stays, at `r` crater radii (the uneven
    /// rim taken into account) and the place (`ux`, `uy`) in crater radii.
    fn at(&self, r: f32, ux: f32, uy: f32, shape: &Field) -> (f32, f32) {
        let outside = |r: f32| {
            let thin = self.rim / (r * r * r);
            let end = 1.0 - smooth_step(1.4, 2.6, r);
            thin * end
        };
        let inside = if self.floor > 0.0 {
            let t = ((r - self.floor) / (1.0 - self.floor)).max(0.0);
            let wall = t * t * (1.6 - 0.6 * t);
            // Slumped terraces: steps along the wall, broken by direction.
            let broken = 1.0 + 0.8 * shape.at(ux * 5.0 + 40.0, uy * 5.0);
            let steps =
                if t < 1.0 { (t * 18.0 + broken * 2.0).sin() * t * (1.0 - t) * 2.0 } else { 0.0 };
            let mut floor = -self.depth + (self.depth + self.rim) * wall + self.terraces * steps;
            for [px, py, width, tall] in &self.peaks {
                let far = ((ux - px).powi(2) + (uy - py).powi(2)).sqrt() / width;
                let craggy = 1.0 + 0.45 * shape.fractal(ux * 14.0, uy * 14.0, 3, 0.6);
                floor += tall * craggy * (1.6 - far).max(0.0).powf(1.3) * 0.6;
            }
            let low = 1.0 - smooth_step(self.floor * 0.8, self.floor * 1.2, r);
            floor + low * 0.035 * self.depth * shape.fractal(ux * 6.0, uy * 6.0, 4, 0.55)
        } else {
            -self.depth + (self.depth + self.rim) * r * r
        };
        let mut apron = outside(r.max(0.6));
        if self.hummocks > 0.0 && r > 0.9 {
            apron *= 1.0 + self.hummocks * 2.0 * shape.fractal(ux * 4.5, uy * 4.5, 3, 0.6);
        }
        // The lower of the two, joined smoothly over the width of the rim (at r = 1 both agree).
        let k = self.round + 1e-3;
        let d = ((inside - apron) / k).clamp(-20.0, 20.0);
        let joined = if r > 1.35 { apron } else { inside - k * d.exp().ln_1p() + k * 0.3 };
        let keep = self.keep_inside + (1.0 - self.keep_inside) * smooth_step(0.85, 1.6, r);
        (joined, keep)
    }
}
