//! A planet that is nobody's: belts and zones of our own, an oval storm, a moon and its shadow.

use crate::fields::{Field, smooth_step};
use crate::random::{Purpose, Random};
use rayon::prelude::*;

/// Polar over equatorial radius.
const FLATTENING: f32 = 0.94;
/// Exponent of Minnaert's law, I = mu0^k mu^(k - 1) (Minnaert 1941): darkens the limb.
const MINNAERT: f32 = 0.92;

type Colour = [f32; 3];

fn mix(a: Colour, b: Colour, t: f32) -> Colour {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t)
}

/// Red, green and blue planes of `columns` x `rows` grid points with a planet round the `middle`
/// (x, y); its equatorial radius in grid points. 1 is about its brightest zone.
pub(crate) fn planet(
    seed: u64,
    (columns, rows): (usize, usize),
    middle: [f32; 2],
    radius: f32,
) -> [Vec<f32>; 3] {
    let mut random = Random::stream(seed, Purpose::Scene, 0);
    let face = Face::new(&mut random);
    let tilt = random.between(-0.35, 0.35) as f32;
    let (sin, cos) = tilt.sin_cos();
    // The Sun stands a little to the left: a hint of a terminator on the right limb.
    let sun = (-0.17f32, 0.04f32);
    let sun_z = (1.0 - sun.0 * sun.0 - sun.1 * sun.1).sqrt();
    let side = if random.uniform() < 0.5 { -1.0 } else { 1.0 };
    let moon_at = (side * random.between(1.5, 1.7) as f32, random.between(-0.2, 0.2) as f32);
    let moon_radius = 0.04f32;
    let shade_at = (random.between(-0.4, 0.4) as f32, random.between(0.28, 0.4) as f32);
    let mut planes = [(); 3].map(|()| vec![0.0f32; columns * rows]);
    let [red, green, blue] = &mut planes;
    let lines = red
        .par_chunks_mut(columns)
        .zip(green.par_chunks_mut(columns))
        .zip(blue.par_chunks_mut(columns));
    lines.enumerate().for_each(|(iy, ((red, green), blue))| {
        let y = (iy as f32 - middle[1]) / radius;
        for ix in 0..columns {
            let x = (ix as f32 - middle[0]) / radius;
            // Turn the picture so that the planet's axis is upright.
            let (u, v) = (x * cos + y * sin, (y * cos - x * sin) / FLATTENING);
            let r2 = u * u + v * v;
            let mut colour = [0.0; 3];
            if r2 < 1.0 {
                let w = (1.0 - r2).sqrt();
                let lit = (u * sun.0 + v * sun.1 + w * sun_z).max(0.0);
                let law = lit.powf(MINNAERT) * w.max(0.02).powf(MINNAERT - 1.0);
                let shade = ((u - shade_at.0).powi(2) + (v - shade_at.1).powi(2)).sqrt();
                let shade = smooth_step(0.9 * moon_radius, 1.3 * moon_radius, shade);
                colour = face.colour(u.atan2(w), v.asin());
                // Blue light comes from high haze and darkens less towards the limb.
                let limb: Colour = [law * w.powf(0.12), law * w.powf(0.06), law];
                colour = std::array::from_fn(|i| colour[i] * limb[i] * (0.05 + 0.95 * shade));
            }
            let moon = (u - moon_at.0).hypot((v - moon_at.1) * FLATTENING) / moon_radius;
            if moon < 1.0 {
                let w = (1.0 - moon * moon).sqrt();
                colour = [0.62 * w.sqrt(), 0.60 * w.sqrt(), 0.55 * w.sqrt()];
            }
            (red[ix], green[ix], blue[ix]) = (colour[0], colour[1], colour[2]);
        }
    });
    planes
}

/// What the planet's surface shows.
struct Face {
    bands: Field,
    swirl: Field,
    wisps: Field,
    storm: (f32, f32),
    belts: Vec<(f32, f32, f32)>,
}

impl Face {
    fn new(random: &mut Random) -> Face {
        // Belts: latitude, half width (rad), depth. Two broad ones and several narrow ones.
        let mut belts = Vec::new();
        for (latitude, width, depth) in [
            (-0.30, 0.085, 0.85),
            (0.24, 0.10, 1.0),
            (-0.62, 0.05, 0.55),
            (0.55, 0.045, 0.6),
            (0.78, 0.05, 0.4),
            (-0.02, 0.02, 0.3),
        ] {
            let shift = random.between(-0.05, 0.05);
            let scale = random.between(0.8, 1.2);
            belts.push(((latitude + shift) as f32, (width * scale) as f32, depth as f32));
        }
        let storm_longitude = random.between(-0.5, 0.5) as f32;
        let storm = (storm_longitude, belts[1].0 + belts[1].1 + 0.06);
        let mut field = || Field::new(random.bits());
        Face { bands: field(), swirl: field(), wisps: field(), storm, belts }
    }

    fn colour(&self, longitude: f32, latitude: f32) -> Colour {
        const ZONE: Colour = [0.96, 0.92, 0.80];
        const BELT: Colour = [0.60, 0.47, 0.42];
        const POLE: Colour = [0.50, 0.57, 0.60];
        const STORM: Colour = [1.0, 0.98, 0.94];
        let (dx, dy) = ((longitude - self.storm.0) / 0.24, (latitude - self.storm.1) / 0.105);
        let storm = (dx * dx + dy * dy).sqrt();
        // Belts flow round the storm; their edges are festooned by waves and eddies.
        let push = 0.06 * (-storm * storm * 0.5).exp() * dy.signum();
        let eddies = self.swirl.fractal(longitude * 5.0, latitude * 16.0, 5, 0.55);
        let flow = latitude - push + 0.024 * eddies;
        let mut dark = 0.18 * self.bands.fractal(3.7, flow * 14.0, 4, 0.6);
        for (middle, half, depth) in &self.belts {
            let away = (flow - middle).abs() / half;
            dark += depth * (1.0 - smooth_step(0.6, 1.35, away));
        }
        let wisps = self.wisps.fractal(longitude * 9.0 + 2.0 * eddies, flow * 42.0, 4, 0.6);
        dark += 0.4 * wisps * (0.4 + dark.clamp(0.0, 1.0));
        let mut colour = mix(ZONE, BELT, dark.clamp(-0.1, 1.1));
        colour = mix(colour, POLE, smooth_step(0.75, 1.25, latitude.abs()) * 0.8);
        let hollow = 1.0 - smooth_step(1.1, 1.5, storm);
        colour = mix(colour, BELT, 0.75 * hollow);
        let curl = 0.12 * self.swirl.at(storm * 7.0, 2.0 * dy.atan2(dx) + 4.0 * storm);
        let core = 1.0 - smooth_step(0.75, 1.05, storm);
        mix(colour, STORM, (core * (0.9 + curl)).clamp(0.0, 1.0))
    }
}
