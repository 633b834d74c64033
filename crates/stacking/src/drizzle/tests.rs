use super::*;
use crate::accumulate::{Accumulator, Aligned};
use crate::finish::NoiseModel;
use crate::halves::{HalvesSettings, correlate_halves};
use stillwright_picture::{BayerOrder, FrameFormat, Layout, RawFrame, SampleType, Samples, Silent};
use stillwright_seeing::field::Field;
use stillwright_seeing::sharpness::CellGrid;

/// Reproducible random numbers from 0 to 1 (SplitMix64; Steele, Lea & Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32
    }
}

const CELL: usize = 16;

fn cells(side: usize) -> CellGrid {
    CellGrid { cell_px: CELL, columns: side / CELL, rows: side / CELL }
}

/// A square frame that is displaced as a whole.
fn frame(side: usize, layout: Layout, samples: Vec<f32>, at: (f32, f32), half: usize) -> Aligned {
    let sample_type = SampleType::F32;
    let format = FrameFormat { width: side, height: side, layout, sample_type, white: 1.0 };
    let mut frame = RawFrame::black(format);
    frame.samples = Samples::F32(samples);
    let weights = vec![vec![1.0; cells(side).len()]];
    let field = Field::constant(side, side, 16, at.0, at.1);
    Aligned { frame, transparency: 1.0, field, weights, half }
}

fn sums(side: usize, channels: usize, pixfrac: f32, scale: f32) -> Accumulator {
    Accumulator::new(channels, (side, side), scale, cells(side), [(0.0, 0.0); 3])
        .of_drops(Some(Drop::new(pixfrac, scale)))
}

#[test]
fn a_share_is_the_length_that_drop_and_pixel_have_in_common() {
    let mut random = Random(1);
    for _ in 0..2000 {
        let (pixfrac, scale) = (0.1 + 0.9 * random.next(), 1.0 + 3.0 * random.next());
        let (drop, distance) = (Drop::new(pixfrac, scale), 1.2 * random.next());
        let (half, half_pixel) = (0.5 * pixfrac, 0.5 / scale);
        let common = (distance + half).min(half_pixel) - (distance - half).max(-half_pixel);
        assert!(
            (drop.share(distance) - common.max(0.0)).abs() < 1e-6,
            "{pixfrac} {scale} {distance}"
        );
    }
    assert_eq!(Drop::TENT.share(0.25), 0.75);
}

/// The definition: each sample's shrunken square given to the output pixels by the area in common.
fn poured(
    samples: &[f32],
    side: usize,
    at: (f32, f32),
    pixfrac: f32,
    scale: f32,
) -> Vec<(f32, f32)> {
    let n = (side as f32 * scale).round() as usize;
    let mut out = vec![(0.0, 0.0); n * n];
    let common = |low: f32, pixel: usize| {
        let high = low + pixfrac * scale;
        (high.min(pixel as f32 + 1.0) - low.max(pixel as f32)).max(0.0)
    };
    for j in 0..side {
        for i in 0..side {
            // Edges of the drop in output pixels, whose first begins at 0.
            let edge = |k: usize, shift: f32| (k as f32 - shift + 0.5 - 0.5 * pixfrac) * scale;
            let (left, top) = (edge(i, at.0), edge(j, at.1));
            for y in (top.max(0.0) as usize)..((top + 4.0).max(0.0) as usize).min(n) {
                for x in (left.max(0.0) as usize)..((left + 4.0).max(0.0) as usize).min(n) {
                    let area = common(left, x) * common(top, y);
                    out[y * n + x].0 += area * samples[j * side + i];
                    out[y * n + x].1 += area;
                }
            }
        }
    }
    out
}

#[test]
fn drops_fall_where_the_definition_says_for_every_scale_and_drop() {
    let (side, mut random) = (48, Random(2));
    for (pixfrac, scale) in [(1.0, 1.0), (0.7, 1.5), (0.5, 2.0), (0.3, 3.0), (1.0, 2.0)] {
        let mut sum = sums(side, 1, pixfrac, scale);
        let at = (1.3 * random.next(), -1.3 * random.next());
        let samples: Vec<f32> = (0..side * side).map(|_| random.next()).collect();
        let expected = poured(&samples, side, at, pixfrac, scale);
        let aligned = [frame(side, Layout::Mono, samples, at, 0)];
        Accumulator::add_to(std::slice::from_mut(&mut sum), &aligned, None, &Silent).unwrap();
        let (n, _) = sum.size();
        let got = sum.whole(None);
        let (mut seen, edge) = (0, (4.0 * scale) as usize);
        for y in edge..n - edge {
            for x in edge..n - edge {
                let (light, area) = expected[y * n + x];
                // What hardly touches is a matter of rounding.
                if area > 1e-3 {
                    let value = got.planes[[0, y, x]];
                    assert!((value - light / area).abs() < 1e-3, "{pixfrac} {scale} {x} {y}");
                    seen += 1;
                }
            }
        }
        assert!(seen > n * n / 8, "{pixfrac} {scale}: {seen}");
    }
}

#[test]
fn an_even_scene_stays_even_in_mono_and_in_a_mosaic() {
    let (side, mut random) = (64, Random(3));
    for layout in [Layout::Mono, Layout::Bayer(BayerOrder::Rggb)] {
        let channels = layout.picture_channels();
        let mut sum = sums(side, channels, 0.5, 2.0);
        let shift = |random: &mut Random| (4.0 * random.next() - 2.0, 4.0 * random.next() - 2.0);
        let frames: Vec<Aligned> = (0..40)
            .map(|i| frame(side, layout, vec![0.37; side * side], shift(&mut random), i % 2))
            .collect();
        Accumulator::add_to(std::slice::from_mut(&mut sum), &frames, None, &Silent).unwrap();
        for v in sum.whole(None).planes.slice(ndarray::s![.., 8..120, 8..120]) {
            assert!((v - 0.37).abs() < 1e-6, "{layout:?} {v}");
        }
    }
}

#[test]
fn the_light_of_a_point_is_kept_and_stays_in_its_place() {
    let (side, mut random) = (64, Random(4));
    let (x, y) = (30.3f32, 33.8f32);
    for (pixfrac, scale) in [(0.5, 2.0), (0.7, 3.0), (1.0, 1.5)] {
        let mut sum = sums(side, 1, pixfrac, scale);
        let frames: Vec<Aligned> = (0..2000)
            .map(|_| {
                let at = (2.0 * random.next() - 1.0, 2.0 * random.next() - 1.0);
                let mut samples = vec![0.0; side * side];
                let pixel = ((y + at.1).round() as usize) * side + (x + at.0).round() as usize;
                samples[pixel] = 1.0;
                frame(side, Layout::Mono, samples, at, 0)
            })
            .collect();
        Accumulator::add_to(std::slice::from_mut(&mut sum), &frames, None, &Silent).unwrap();
        let stack = sum.whole(None);
        let (mut light, mut mx, mut my) = (0.0, 0.0, 0.0);
        for ((_, v, u), value) in stack.planes.indexed_iter() {
            light += value;
            mx += value * ((u as f32 + 0.5) / scale - 0.5);
            my += value * ((v as f32 + 0.5) / scale - 0.5);
        }
        let flux = light / (scale * scale);
        assert!((flux - 1.0).abs() < 0.01, "{pixfrac} {scale}: {flux}");
        assert!((mx / light - x).abs() < 0.03 && (my / light - y).abs() < 0.03);
    }
}

/// Two halves of frames that hold nothing but white noise.
fn noise_halves(pixfrac: f32, scale: f32, seed: u64) -> Accumulator {
    let (side, mut random) = (128, Random(seed));
    let mut sum = sums(side, 1, pixfrac, scale);
    for batch in 0..12 {
        let frames: Vec<Aligned> = (0..16)
            .map(|i| {
                let at = (3.0 * random.next(), 3.0 * random.next());
                // The sum of four is near enough to normal; only its variance matters.
                let sample = |random: &mut Random| {
                    (0..4).map(|_| random.next() - 0.5).sum::<f32>() * 3f32.sqrt()
                };
                let samples = (0..side * side).map(|_| sample(&mut random)).collect();
                frame(side, Layout::Mono, samples, at, (batch + i) % 2)
            })
            .collect();
        Accumulator::add_to(std::slice::from_mut(&mut sum), &frames, None, &Silent).unwrap();
    }
    sum
}

/// The published ratio, measured two ways on frames of white noise: by blocks of pixels, and by the noise spectrum from which
/// the finish takes the noise of its detail scales.
#[test]
fn noise_of_neighbours_is_alike_as_published() {
    // Fruchter & Hook 2002, section 7; 0.6 and 0.5 is the paper's own example, 1.662.
    let published =
        [(0.6, 2.0, 1.6615), (1.0, 1.0, 1.5), (1.0, 2.0, 2.4), (0.8, 2.0, 2.0211), (0.5, 1.0, 1.2)];
    for (pixfrac, scale, ratio) in published {
        assert!((noise_ratio(Some(pixfrac), scale) - ratio).abs() < 1e-4);
        let sum = noise_halves(pixfrac, scale, 5);
        let edge = (20.0 * scale) as usize;
        let (n, _) = sum.size();
        let halves = [0, 1].map(|half| {
            let whole = sum.half(half, None);
            whole.planes.slice(ndarray::s![0, edge..n - edge, edge..n - edge]).to_owned()
        });
        let block = 11;
        let (mut single, mut blocks, mut count) = (0.0, 0.0, 0.0);
        for half in &halves {
            single += half.iter().map(|v| f64::from(v * v)).sum::<f64>() / half.len() as f64 / 2.0;
            for part in half.exact_chunks((block, block)) {
                blocks += f64::from(part.mean().unwrap()).powi(2);
                count += 1.0;
            }
        }
        let by_blocks = (blocks / count / single).sqrt() * block as f64;
        let settings = HalvesSettings::default();
        let halves_of = correlate_halves(halves[0].view(), halves[1].view(), &settings).unwrap();
        let mean = (&halves[0] + &halves[1]) * 0.5;
        let noise =
            NoiseModel::measure(mean.view(), halves[0].view(), halves[1].view(), &halves_of);
        let coarse: Vec<usize> =
            (1..noise.frequency.len()).filter(|k| noise.frequency[*k] < 0.06).collect();
        let (mut power, mut weight) = (0.0, 0.0);
        for k in coarse {
            power += halves_of.count[k] * noise.spectrum[k];
            weight += halves_of.count[k];
        }
        let by_spectrum = (power / weight).sqrt();
        println!(
            "pixfrac {pixfrac} scale {scale}: {ratio} published, {by_blocks:.3} by blocks, {by_spectrum:.3} by spectrum"
        );
        let near = |found: f64| (found / f64::from(ratio) - 1.0).abs() < 0.08;
        assert!(
            near(by_blocks) && near(by_spectrum),
            "{pixfrac} {scale} {ratio} {by_blocks} {by_spectrum}"
        );
        // Within a half neighbours are alike; the halves know nothing of each other.
        let rings = halves_of.frc.iter().zip(&halves_of.count).skip(1);
        let (agreement, all) = rings.fold((0.0, 0.0), |(s, m), (f, n)| (s + f * n, m + n));
        assert!((agreement / all).abs() < 4.0 * (2.0 / all).sqrt(), "{}", agreement / all);
    }
}

#[test]
fn interpolated_noise_is_alike_too_and_the_more_the_finer_the_output() {
    // Filter and B-spline leave 0.867 of the variance along an axis on average (numerical integral of the square).
    let (one, two) = (noise_ratio(None, 1.0), noise_ratio(None, 2.0));
    assert!((one - 1.0 / 0.867).abs() < 0.005 && (two / one - 2.0).abs() < 1e-5, "{one} {two}");
    assert_eq!(noise_ratio(None, 0.5), 1.0);
}

#[test]
fn gaps_are_filled_from_beside_them_and_wide_ones_stay() {
    let mut planes = Array3::from_shape_fn((1, 12, 40), |(_, y, x)| {
        if (6..9).contains(&x) && (4..7).contains(&y) || x >= 20 { f32::NAN } else { 0.25 }
    });
    fill_gaps(&mut planes);
    for ((_, _, x), v) in planes.indexed_iter() {
        assert_eq!(v.is_nan(), x >= 20 + GAP_PX, "{x}");
        assert!(v.is_nan() || *v == 0.25);
    }
}

#[test]
fn the_usual_drop_leaves_no_gap() {
    for (scale, expected) in [(1.5, 0.5), (2.0, 0.5), (3.0, 2.0 / 3.0), (4.0, 0.75)] {
        assert!((usual_pixfrac(scale, 1.0, 1) - expected).abs() < 1e-6);
    }
    // A quarter of a mosaic is red: many frames cover it with small drops, few need whole ones.
    assert_eq!(usual_pixfrac(2.0, 0.25, 100), 0.5);
    let few = usual_pixfrac(2.0, 0.25, 12);
    assert!(few > 0.6 && few <= 1.0, "{few}");
    assert_eq!(usual_pixfrac(2.0, 0.25, 1), 1.0);
}
