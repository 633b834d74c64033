//! Captures for measuring speed: rough ground, or a planet on black sky, that wanders, ripples, sharpens and blurs from
//! place to place, with noise. Cheap, not true to any optics; fidelity is measured elsewhere.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;
use stillwright_night::capture::{SerOptions, SerWriter};
use stillwright_night::picture::{Layout, Samples};

/// What is measured.
#[derive(Clone, Debug)]
pub struct Size {
    pub name: &'static str,
    pub width: usize,
    pub height: usize,
    pub bits: u8,
    pub frames: usize,
    /// Percent.
    pub keep: f32,
    pub shows: Shows,
}

/// What a capture shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shows {
    /// Ground that fills the frame.
    Ground,
    /// A disc with belts and spots, half as wide as the frame is high.
    Planet,
}

/// Frames that differ; they are written again and again.
const DISTINCT: usize = 24;

/// How much of a planet's sharpness changes from frame to frame, as a share; the rest from place to place. So much that at a keep of 10 % two fifths of
/// the frames give light somewhere, as of the simulated planets (`stillwright sample --kind disc --frames 400`, D/r0 3 to 6: 159 to 162 of
/// 400). Ground changes from place to place only, so that all do: more than simulated ground asks for (154 to 162 of 400).
const COMMON: f32 = 0.9;

/// Ground beyond the frame on every side, px.
const MARGIN: usize = 24;

/// Write the capture of `size`.
pub fn write_capture(path: &Path, size: &Size) {
    let (width, height) = (size.width + 2 * MARGIN, size.height + 2 * MARGIN);
    let sharp = match size.shows {
        Shows::Ground => ground(width, height),
        Shows::Planet => planet(width, height, size.height as f32 / 4.0),
    };
    let soft = softened(&sharp, width, 6);
    let distinct: Vec<Samples> =
        (0..DISTINCT.min(size.frames)).map(|k| frame(size, k, &sharp, &soft)).collect();
    let out = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
    let options = SerOptions::new(size.width, size.height, Layout::Mono, size.bits);
    let mut writer = SerWriter::create(out, options).unwrap();
    for k in 0..size.frames {
        writer.write_frame(&distinct[k % distinct.len()], None).unwrap();
    }
    writer.finish().unwrap();
    // What the disk has still to write would be waited for where results are written.
    File::open(path).unwrap().sync_all().unwrap();
}

/// Uniform numbers from 0 to 1 (Steele, Lea and Flood 2014: SplitMix).
fn uniform(i: u64) -> f32 {
    let mut s = i.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    s = (s ^ (s >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    s = (s ^ (s >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((s ^ (s >> 31)) >> 40) as f32 / (1u64 << 24) as f32
}

/// Bowls of all sizes, lit from the left.
fn ground(width: usize, height: usize) -> Vec<f32> {
    let mut ground = vec![0.35f32; width * height];
    for k in 0..(width * height / 400) as u64 {
        let radius = 2.5 + 14.0 * uniform(4 * k).powi(4);
        let (cx, cy) = (uniform(4 * k + 1) * width as f32, uniform(4 * k + 2) * height as f32);
        let reach = (1.6 * radius).ceil();
        for y in (cy - reach).max(0.0) as usize..((cy + reach) as usize).min(height) {
            for x in (cx - reach).max(0.0) as usize..((cx + reach) as usize).min(width) {
                let (dx, dy) = ((x as f32 - cx) / radius, (y as f32 - cy) / radius);
                let bowl = (-(dx * dx + dy * dy)).exp();
                ground[y * width + x] += 0.25 * dx * bowl;
            }
        }
    }
    ground
}

/// A disc of `radius` px in the middle, darker towards its limb, belts and oval spots on it.
fn planet(width: usize, height: usize, radius: f32) -> Vec<f32> {
    let (cx, cy) = (0.5 * width as f32, 0.5 * height as f32);
    let value = |i: usize| {
        let (x, y) = ((i % width) as f32 - cx, (i / width) as f32 - cy);
        let (u, v) = (x / radius, y / radius);
        let from_limb = (1.0 - u * u - v * v).max(0.0).sqrt();
        let belts = 1.0 + 0.15 * (v * 19.0 + 0.4 * (u * 9.0).sin()).sin() + 0.05 * (v * 61.0).cos();
        let spots = 0.08 * ((u * 23.0).sin() * (v * 29.0).cos()).powi(3);
        let limb = 1.0 / (1.0 + (x.hypot(y) - radius).exp());
        0.01 + 0.7 * limb * (0.4 + 0.6 * from_limb) * (belts + spots)
    };
    (0..width * height).map(value).collect()
}

/// Box means of `n` px along both axes, twice.
fn softened(ground: &[f32], width: usize, n: usize) -> Vec<f32> {
    let mut soft = ground.to_vec();
    for step in [1, width, 1, width] {
        let source = soft.clone();
        for i in n / 2 * step..source.len() - n / 2 * step {
            soft[i] = (0..n).map(|k| source[i + k * step - n / 2 * step]).sum::<f32>() / n as f32;
        }
    }
    soft
}

/// Frame `k`: wander of a few px, ripple of two, sharpness that changes from place to place.
fn frame(size: &Size, k: usize, sharp: &[f32], soft: &[f32]) -> Samples {
    let stride = size.width + 2 * MARGIN;
    let t = k as f32;
    let wander = (5.0 * (0.9 * t).sin(), 4.0 * (1.3 * t).cos());
    let white = ((1u32 << size.bits) - 1) as f32;
    let share = match size.shows {
        Shows::Ground => 0.0,
        Shows::Planet => COMMON,
    };
    let common = share * (2.0 * uniform(u64::MAX / 2 + k as u64) - 1.0);
    let mut values = Vec::with_capacity(size.width * size.height);
    for y in 0..size.height {
        for x in 0..size.width {
            let (u, v) = (x as f32, y as f32);
            let dx = wander.0 + 2.0 * (u / 41.0 + 2.0 * t).sin() * (v / 53.0 + t).cos();
            let dy = wander.1 + 2.0 * (u / 47.0 - t).cos() * (v / 39.0 + 3.0 * t).sin();
            let local = (u / 130.0 + 1.7 * t).sin() * (v / 110.0 - 2.3 * t).sin();
            let still = (0.5 + 0.5 * (common + (1.0 - share) * local)).clamp(0.0, 1.0);
            let (px, py) = (u + MARGIN as f32 - dx, v + MARGIN as f32 - dy);
            let (i, j) = (px as usize, py as usize);
            let (fx, fy) = (px - i as f32, py - j as f32);
            let at = |map: &[f32]| {
                let (a, b) = (j * stride + i, (j + 1) * stride + i);
                (1.0 - fy) * ((1.0 - fx) * map[a] + fx * map[a + 1])
                    + fy * ((1.0 - fx) * map[b] + fx * map[b + 1])
            };
            let light = still * at(sharp) + (1.0 - still) * at(soft);
            let seed = ((k * size.height + y) * size.width + x) as u64;
            let noise = uniform(3 * seed) + uniform(3 * seed + 1) - 1.0;
            values.push(((light + 0.02 * noise) * white).clamp(0.0, white));
        }
    }
    if size.bits <= 8 {
        Samples::U8(values.into_iter().map(|v| v as u8).collect())
    } else {
        Samples::U16(values.into_iter().map(|v| v as u16).collect())
    }
}
