//! The air against published figures. One survey of many apertures over many screens (fixed
//! seed; `SAMPLE_SEED=N` tries another), then one test for each figure.

use rayon::prelude::*;
use std::f64::consts::{PI, TAU};
use std::sync::OnceLock;
use stillwright_sample::PhaseScreen;

/// Samples across the aperture, whose diameter is the unit of length; r0 is 1 as well.
const ACROSS: usize = 48;
/// Samples of a screen.
const SIZE: usize = 1024;
/// Pairs of screens.
const PAIRS: u64 = 80;
/// Zernike modes, piston included.
const MODES: usize = 21;
/// r0 of the long exposure, samples.
const EXPOSURE_R0: f64 = 24.0;

/// Sums over all apertures.
#[derive(Clone, Default)]
struct Survey {
    apertures: f64,
    /// Mean square of the phase, and variance of each mode (rad²).
    square: f64,
    modes: Vec<f64>,
    /// Sum of squares of the gradient tilt, both axes, in (lambda / D)².
    gradient: f64,
    /// Variance without piston and tilt, aperture by aperture.
    untilted: Vec<f64>,
    /// Number of pairs of points, sums of squared differences, and of cosines of differences,
    /// by distance in samples.
    pairs: f64,
    structure: Vec<f64>,
    coherence: Vec<f64>,
}

impl Survey {
    fn add(mut self, other: Survey) -> Survey {
        let sum = |a: &mut Vec<f64>, b: &[f64]| {
            a.resize(b.len().max(a.len()), 0.0);
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
        };
        self.apertures += other.apertures;
        self.square += other.square;
        sum(&mut self.modes, &other.modes);
        self.gradient += other.gradient;
        self.untilted.extend(other.untilted);
        self.pairs += other.pairs;
        sum(&mut self.structure, &other.structure);
        sum(&mut self.coherence, &other.coherence);
        self
    }

    /// Residual variance after the first `j` modes, with what the grid cannot hold.
    fn residual(&self, j: usize) -> f64 {
        (self.square - self.modes[..j].iter().sum::<f64>()) / self.apertures + beyond_grid()
    }
}

/// Variance in the spatial frequencies beyond the square that the grid holds, for D = r0 = 1:
/// the integral of 0.0229 f^(-11/3) (Noll 1976) outside |fx|, |fy| < ACROSS / 2.
fn beyond_grid() -> f64 {
    let nyquist = ACROSS as f64 / 2.0;
    let steps = 1000;
    let mean = (0..steps)
        .map(|i| ((f64::from(i) + 0.5) / f64::from(steps) * PI / 4.0).cos().powf(5.0 / 3.0))
        .sum::<f64>()
        / f64::from(steps);
    TAU * 0.022_895_59 * 0.6 * nyquist.powf(-5.0 / 3.0) * mean
}

/// Share of each grid cell in the unit-diameter circle.
fn cover() -> Vec<f64> {
    let middle = (ACROSS as f64 - 1.0) / 2.0;
    let mut cover = Vec::new();
    for i in 0..ACROSS * ACROSS {
        let (x, y) = ((i % ACROSS) as f64 - middle, (i / ACROSS) as f64 - middle);
        let inside = (0..64).filter(|k| {
            let (u, v) = ((k % 8) as f64 / 8.0 - 0.4375, (k / 8) as f64 / 8.0 - 0.4375);
            (x + u).hypot(y + v) <= ACROSS as f64 / 2.0
        });
        cover.push(inside.count() as f64 / 64.0);
    }
    cover
}

/// The first Zernike polynomials in Noll's order (Noll 1976, Table I), made orthonormal over the
/// grid's aperture by Gram and Schmidt; with the aperture's weights worked in.
fn zernikes(cover: &[f64]) -> Vec<Vec<f64>> {
    let area: f64 = cover.iter().sum();
    let middle = (ACROSS as f64 - 1.0) / 2.0;
    // Radial orders and angular orders up to J = 21; sine or cosine does not matter here.
    let orders: [(i32, i32); MODES] = [
        (0, 0),
        (1, 1),
        (1, -1),
        (2, 0),
        (2, -2),
        (2, 2),
        (3, -1),
        (3, 1),
        (3, -3),
        (3, 3),
        (4, 0),
        (4, 2),
        (4, -2),
        (4, 4),
        (4, -4),
        (5, 1),
        (5, -1),
        (5, 3),
        (5, -3),
        (5, 5),
        (5, -5),
    ];
    let factorial = |n: i32| (1..=n).map(f64::from).product::<f64>();
    let mut modes: Vec<Vec<f64>> = Vec::new();
    for (n, m) in orders {
        let mut mode: Vec<f64> = (0..ACROSS * ACROSS)
            .map(|i| {
                let x = ((i % ACROSS) as f64 - middle) / (ACROSS as f64 / 2.0);
                let y = ((i / ACROSS) as f64 - middle) / (ACROSS as f64 / 2.0);
                let (r, angle) = (x.hypot(y), y.atan2(x));
                let a = m.abs();
                let radial: f64 = (0..=(n - a) / 2)
                    .map(|s| {
                        let sign = if s % 2 == 0 { 1.0 } else { -1.0 };
                        sign * factorial(n - s)
                            / (factorial(s)
                                * factorial((n + a) / 2 - s)
                                * factorial((n - a) / 2 - s))
                            * r.powi(n - 2 * s)
                    })
                    .sum();
                let turn = f64::from(a) * angle;
                radial * if m < 0 { turn.sin() } else { turn.cos() }
            })
            .collect();
        let dot = |a: &[f64], b: &[f64]| {
            a.iter().zip(b).zip(cover).map(|((a, b), c)| a * b * c).sum::<f64>() / area
        };
        for earlier in &modes {
            let along = dot(&mode, earlier);
            mode.iter_mut().zip(earlier).for_each(|(v, e)| *v -= along * e);
        }
        let norm = dot(&mode, &mode).sqrt();
        mode.iter_mut().for_each(|v| *v /= norm);
        modes.push(mode);
    }
    modes
        .into_iter()
        .map(|mode| mode.iter().zip(cover).map(|(v, c)| v * c / area).collect())
        .collect()
}

fn survey() -> &'static Survey {
    static SURVEY: OnceLock<Survey> = OnceLock::new();
    SURVEY.get_or_init(|| {
        let seed = std::env::var("SAMPLE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1976);
        let cover = cover();
        let modes = zernikes(&cover);
        let step = 1.0 / ACROSS as f64;
        (0..PAIRS)
            .into_par_iter()
            .map(|index| {
                let screens = PhaseScreen::pair(seed, index, SIZE, step, ACROSS);
                let both = screens.iter().map(|screen| one_screen(screen, index, &cover, &modes));
                both.fold(Survey::default(), Survey::add)
            })
            .collect::<Vec<Survey>>()
            .into_iter()
            .fold(Survey::default(), Survey::add)
    })
}

fn one_screen(screen: &PhaseScreen, index: u64, cover: &[f64], modes: &[Vec<f64>]) -> Survey {
    let mut survey = Survey { modes: vec![0.0; MODES], ..Survey::default() };
    let area: f64 = cover.iter().sum();
    let middle = (ACROSS as f64 - 1.0) / 2.0;
    let mut phase = vec![0.0f64; ACROSS * ACROSS];
    let per_side = (SIZE / ACROSS) as i64;
    for cell in 0..per_side * per_side {
        // The array repeats; the long waves go on. So each aperture is taken from its own
        // repetition, far away from all others.
        let far = |k: i64| (k * 7919 + index as i64 * 104_729) % 50_000 * SIZE as i64;
        let x = (cell % per_side) * ACROSS as i64 + far(cell);
        let y = (cell / per_side) * ACROSS as i64 + far(3 * cell + 1);
        let (sx, sy) = screen.long_slope(x as f64 + middle, y as f64 + middle);
        let rows = screen.window(x, y).chunks(screen.stride()).take(ACROSS);
        for (v, (to, from)) in phase.chunks_mut(ACROSS).zip(rows).enumerate() {
            for (u, (to, from)) in to.iter_mut().zip(from).enumerate() {
                *to = f64::from(*from) + sx * (u as f64 - middle) + sy * (v as f64 - middle);
            }
        }
        // The mean has no meaning and may be large: without it sums keep their digits.
        let mean = phase.iter().zip(cover).map(|(p, c)| p * c).sum::<f64>() / area;
        phase.iter_mut().for_each(|p| *p -= mean);
        let square = phase.iter().zip(cover).map(|(p, c)| p * p * c).sum::<f64>() / area;
        let mut untilted = square;
        for (j, mode) in modes.iter().enumerate() {
            let part: f64 = phase.iter().zip(mode).map(|(p, m)| p * m).sum();
            survey.modes[j] += part * part;
            if (1..3).contains(&j) {
                untilted -= part * part;
            }
        }
        survey.untilted.push(untilted + beyond_grid());
        let (mut gx, mut gy, mut total) = (0.0, 0.0, 0.0);
        for i in 0..ACROSS * (ACROSS - 1) {
            if i % ACROSS < ACROSS - 1 {
                // The difference of two samples stands for the slope between their cells.
                let weight =
                    0.25 * (cover[i] + cover[i + 1] + cover[i + ACROSS] + cover[i + ACROSS + 1]);
                let (a, b, c, d) =
                    (phase[i], phase[i + 1], phase[i + ACROSS], phase[i + ACROSS + 1]);
                gx += weight * 0.5 * (b - a + d - c);
                gy += weight * 0.5 * (c - a + d - b);
                total += weight;
            }
        }
        let scale = ACROSS as f64 / TAU / total;
        survey.gradient += (gx * scale).powi(2) + (gy * scale).powi(2);
        survey.square += square;
        survey.apertures += 1.0;
    }
    // Pairs of points along both axes, from a coarse lattice of places.
    let strength = (1.0 / (EXPOSURE_R0 / ACROSS as f64)).powf(5.0 / 6.0);
    let reach = SIZE / 8;
    survey.structure = vec![0.0; reach + 1];
    survey.coherence = vec![0.0; reach + 1];
    for place in 0..4096i64 {
        let (x, y) = (
            (place % 64) * 16 + place * 31 * SIZE as i64,
            (place / 64) * 16 + place * 17 * SIZE as i64,
        );
        let (sx, sy) = screen.long_slope(x as f64, y as f64);
        let first = f64::from(screen.window(x, y)[0]);
        for r in 1..=reach {
            for (dx, dy, slope) in [(r as i64, 0, sx), (0, r as i64, sy)] {
                let there = f64::from(screen.window(x + dx, y + dy)[0]) + slope * r as f64;
                survey.structure[r] += (there - first).powi(2);
                survey.coherence[r] += (strength * (there - first)).cos();
            }
        }
        survey.pairs += 2.0;
    }
    survey
}

#[test]
fn structure_function_is_kolmogorovs() {
    // Fried, J. Opt. Soc. Am. 56, 1372 (1966): 6.88 (r / r0)^(5/3); exact constant 6.883877.
    let survey = survey();
    for r in [6, 8, 12, 16, 24, 32, 48, 64, 96, 128] {
        let expected = 6.883_877 * (r as f64 / ACROSS as f64).powf(5.0 / 3.0);
        let ratio = survey.structure[r] / survey.pairs / expected;
        println!("structure function at {r:3} samples: {ratio:.4} of Kolmogorov's");
        assert!((ratio - 1.0).abs() < 0.03, "{r}: {ratio}");
    }
}

#[test]
fn residual_variances_are_nolls() {
    // Noll, J. Opt. Soc. Am. 66, 207 (1976), Table IV, here from the closed gamma-function
    // expressions with the exact constant.
    const EXACT: [f64; MODES] = [
        1.03242, 0.58354, 0.13466, 0.11145, 0.08823, 0.06501, 0.05882, 0.05263, 0.04644, 0.04024,
        0.03779, 0.03534, 0.03288, 0.03043, 0.02797, 0.02678, 0.02559, 0.02440, 0.02321, 0.02202,
        0.02083,
    ];
    let survey = survey();
    println!("{} apertures", survey.apertures);
    for (j, exact) in EXACT.iter().enumerate() {
        let ratio = survey.residual(j + 1) / exact;
        println!("residual after {:2} modes: {ratio:.4} of the exact value", j + 1);
        // Piston and the first tilt hang on the slowest waves, of which there are few.
        let allowed = if j < 2 { 0.03 } else { 0.015 };
        assert!((ratio - 1.0).abs() < allowed, "{}: {ratio}", j + 1);
    }
}

#[test]
fn image_motion_is_as_published() {
    // One axis, (lambda / D)² (D / r0)^(5/3): Zernike tilt 0.18192 (Noll 1976), gradient tilt
    // 0.16980 (Tyler, J. Opt. Soc. Am. A 11, 358 (1994)).
    let survey = survey();
    // A unit of a Zernike tilt is a slope of 4 over the diameter: angle 4 / (2 pi) lambda / D.
    let zernike = survey.modes[1..3].iter().sum::<f64>() / survey.apertures / 2.0;
    let zernike = zernike * (4.0 / TAU).powi(2) / 0.181_92;
    let gradient = survey.gradient / survey.apertures / 2.0 / 0.169_80;
    println!("Zernike tilt {zernike:.4}, gradient tilt {gradient:.4} of the published variance");
    assert!((zernike - 1.0).abs() < 0.03, "{zernike}");
    assert!((gradient - 1.0).abs() < 0.03, "{gradient}");
}

#[test]
fn lucky_pictures_are_as_rare_as_they_should_be() {
    // Probability of a variance below 1 rad², tilt removed: Fried, J. Opt. Soc. Am. 68, 1651
    // (1978), re-evaluated without his kernel sum's error from the eigenvalues of Noll's
    // covariance (radial orders up to 60).
    let survey = survey();
    for (d_over_r0, exact) in
        [(2.0, 0.9841), (3.0, 0.7303), (4.0, 0.3255), (5.0, 0.0909), (6.0, 0.01686)]
    {
        let scale = f64::powf(d_over_r0, 5.0 / 3.0);
        let lucky = survey.untilted.iter().filter(|v| **v * scale < 1.0).count() as f64;
        let ratio = lucky / survey.apertures / exact;
        println!("D/r0 {d_over_r0}: {lucky} lucky, {ratio:.4} of the exact probability");
        assert!((ratio - 1.0).abs() < 0.05, "{d_over_r0}: {ratio}");
    }
}

#[test]
fn long_exposures_have_the_seeing_disc() {
    // Full width at half maximum 0.975863 lambda / r0 (Roddier 1981; Dierickx 1992): here from
    // the measured coherence over distance, by a Hankel transform.
    let survey = survey();
    let coherence = |r: f64| {
        let (i, t) = (r as usize, r.fract());
        let at = |i: usize| {
            if i == 0 { 1.0 } else { survey.coherence[i] / survey.pairs }
        };
        at(i) * (1.0 - t) + at(i + 1) * t
    };
    // Angle in lambda / r0; distance in samples, up to where coherence is lost.
    let bessel = |x: f64| {
        let n = 400;
        (0..n).map(|k| (x * ((f64::from(k) + 0.5) / f64::from(n) * PI).sin()).cos()).sum::<f64>()
            / f64::from(n)
    };
    let profile = |angle: f64| {
        let steps = 480;
        (0..steps)
            .map(|k| {
                let r = (f64::from(k) + 0.5) / f64::from(steps) * 2.0 * EXPOSURE_R0;
                coherence(r) * r * bessel(TAU * angle * r / EXPOSURE_R0)
            })
            .sum::<f64>()
    };
    let half = profile(0.0) / 2.0;
    let (mut low, mut high) = (0.1, 1.0);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if profile(middle) > half { low = middle } else { high = middle }
    }
    let ratio = 2.0 * low / 0.975_863;
    println!("seeing disc {ratio:.4} of the published width");
    assert!((ratio - 1.0).abs() < 0.015, "{ratio}");
}
