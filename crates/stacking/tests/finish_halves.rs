//! Half-stack correlation and the numeric building blocks against independent programs and
//! known signal-to-noise ratios.

#![allow(clippy::unwrap_used)]

mod finish_support;

use finish_support::{Random, cratered, filtered};
use ndarray::s;
use stillwright_picture::Plane;
use stillwright_stacking::finish::atrous::decompose;
use stillwright_stacking::finish::transfer::annular_mtf;
use stillwright_stacking::halves::{
    HalfCorrelation, HalvesError, HalvesSettings, Region, correlate_halves,
};

/// One row of `fixtures/finish_reference.txt`, made by the script beside it.
fn reference(name: &str) -> Vec<f64> {
    let text = include_str!("fixtures/finish_reference.txt");
    let row = text.lines().find_map(|l| l.strip_prefix(name)?.strip_prefix(' ')).unwrap();
    row.split(' ').map(|v| v.parse().unwrap()).collect()
}

fn plane(name: &str, width: usize) -> Plane {
    let values: Vec<f32> = reference(name).iter().map(|v| *v as f32).collect();
    Plane::from_shape_vec((values.len() / width, width), values).unwrap()
}

fn correlate(a: &Plane, b: &Plane, cutoff: Option<f64>) -> HalfCorrelation {
    let settings = HalvesSettings { cutoff_cycles_per_px: cutoff, region: None };
    correlate_halves(a.view(), b.view(), &settings).unwrap()
}

fn noise(shape: (usize, usize), sigma: f64, seed: u64) -> Plane {
    let mut random = Random::new(seed);
    Plane::from_shape_fn(shape, |_| (sigma * random.normal()) as f32)
}

#[test]
fn the_ring_correlation_is_numpys() {
    let found = correlate(&plane("half_a", 28), &plane("half_b", 28), None);
    assert_eq!(found.count, reference("ring_count"));
    for (k, expected) in reference("frc").iter().enumerate().skip(1) {
        assert!((found.frc[k] - expected).abs() < 1e-6, "ring {k}: {} {expected}", found.frc[k]);
    }
}

#[test]
fn the_detail_scales_are_scipys() {
    let (details, rest) = decompose(&plane("half_a", 28), 3);
    for (found, name) in
        details.iter().chain([&rest]).zip(["scale_1", "scale_2", "scale_3", "rest"])
    {
        for (a, b) in found.iter().zip(reference(name)) {
            assert!((f64::from(*a) - b).abs() < 1e-6, "{name}: {a} {b}");
        }
    }
}

#[test]
fn the_annular_transfer_is_that_of_a_sampled_pupil() {
    for (nu, expected) in reference("mtf_nu").iter().zip(reference("mtf")) {
        let found = annular_mtf(*nu, 0.33);
        // The sampled pupil's edge is ragged by half a pixel of 900.
        assert!((found - expected).abs() < 6e-4, "{nu}: {found} {expected}");
    }
}

#[test]
fn a_known_signal_to_noise_ratio_is_found() {
    // SSNR = 2 FRC / (1 - FRC) (Frank & Al-Ali 1975), within 10 % where a ring has many
    // coefficients and the ratio is moderate.
    let scene = filtered(&noise((512, 512), 0.5, 1), |f| (-(f / 0.08).powi(2)).exp());
    let [a, b] = [2, 3].map(|seed| &scene + &noise((512, 512), 0.05, seed));
    let found = correlate(&a, &b, None);
    for first in [40usize, 50, 60] {
        // Ten rings together: one alone scatters by 7 % with its scene.
        let mean = |value: &dyn Fn(usize) -> f64| (first..first + 10).map(value).sum::<f64>();
        // The stack's noise variance is half of a half's.
        let power = |f: f64| 0.25 * (-2.0 * (f / 0.08).powi(2)).exp();
        let expected = mean(&|k| power(found.frequency[k]) / (0.5 * 0.0025));
        let ratio = mean(&|k| found.ssnr[k]) / expected;
        println!("rings from {first}: SSNR {:.3}, ratio {ratio:.3}", 0.1 * expected);
        assert!((ratio - 1.0).abs() < 0.1, "rings from {first}: {ratio}");
    }
    let sigma = found.noise_sigma / (0.05 / 2f64.sqrt());
    assert!((sigma - 1.0).abs() < 0.01, "{sigma}");
    // SSNR 1/3 where the correlation is 1/7 (Rosenthal & Henderson 2003): solved for f.
    let expected = 0.08 * (0.5 * (0.25f64 / 0.00125 * 3.0).ln()).sqrt();
    let resolution = found.at_one_seventh.unwrap();
    assert!((resolution.crossing_cycles_per_px / expected - 1.0).abs() < 0.03);
    assert!((resolution.detail_px * resolution.crossing_cycles_per_px - 1.0).abs() < 1e-12);
    let [half, bit] = [found.at_half, found.at_half_bit].map(|r| r.unwrap().crossing_cycles_per_px);
    assert!(half < bit && bit < resolution.crossing_cycles_per_px * 1.05);
}

#[test]
fn noise_that_the_halves_share_does_not_pass_for_signal() {
    let cutoff = 0.3;
    let scene =
        filtered(&cratered(384, 384, 6), |f| annular_mtf(f / cutoff, 0.3) * (-(f / 0.1)).exp());
    let halves = |shared: f64| {
        let pattern = noise((384, 384), shared, 50);
        [51, 52].map(|seed| &scene + &pattern + &noise((384, 384), 0.01, seed))
    };
    let [a, b] = halves(0.0);
    let clean = correlate(&a, &b, Some(cutoff));
    assert!(clean.floor < 0.01, "{}", clean.floor);
    // A pattern of variance C beside own noise U: floor C / (C + U) = 0.36 / 1.36.
    let [a, b] = halves(0.006);
    for known in [Some(cutoff), None] {
        let found = correlate(&a, &b, known);
        println!("floor {:.4} from {:?}", found.floor, found.floor_from_cycles_per_px);
        assert!((found.floor - 0.2647).abs() < 0.015, "{}", found.floor);
        let ring = found.frequency.iter().position(|f| *f > 0.4).unwrap();
        assert!(found.ssnr[ring] < 0.05, "{}", found.ssnr[ring]);
        // More noise, so less resolution; never more.
        let [now, then] = [&found, &clean].map(|c| c.at_one_seventh.unwrap());
        let ratio = now.crossing_cycles_per_px / then.crossing_cycles_per_px;
        assert!((0.85..1.0).contains(&ratio), "{ratio}");
        // Noise of the stack per pixel: U / 2 + C.
        let power = found.noise_power[ring] / (0.5e-4 + 0.36e-4);
        assert!((power - 1.0).abs() < 0.15, "{power}");
    }
}

#[test]
fn shape_region_and_blocks_do_not_change_the_scales() {
    // White noise of one strength, whatever the shape: power = variance of the stack.
    for shape in [(200, 90), (64, 300), (1100, 1300)] {
        let [a, b] = [1, 2].map(|seed| noise(shape, 0.02, seed));
        let found = correlate(&a, &b, None);
        let total: f64 = found.count.iter().skip(1).sum();
        let power = found.noise_power.iter().zip(&found.count).skip(1);
        let mean = power.map(|(p, n)| p * n).sum::<f64>() / total;
        assert!((mean / 0.0002 - 1.0).abs() < 0.04, "{shape:?}: {mean}");
        // A circle of radius 0.5 in a square of side 1.
        let share = total / (shape.0 * shape.1) as f64 / std::f64::consts::FRAC_PI_4;
        assert!((share - 1.0).abs() < 0.04, "{shape:?}: {share}");
        assert!(found.at_one_seventh.is_none() && found.information_bits < 0.02 * total);
    }
    let [a, b] = [1, 2].map(|seed| noise((120, 150), 0.02, seed));
    let region = Region { left: 30, top: 20, width: 64, height: 50 };
    let settings = HalvesSettings { cutoff_cycles_per_px: None, region: Some(region) };
    let part = correlate_halves(a.view(), b.view(), &settings).unwrap();
    let cut = s![20..70, 30..94];
    assert_eq!(part, correlate(&a.slice(cut).to_owned(), &b.slice(cut).to_owned(), None));
}

#[test]
fn what_does_not_fit_is_refused() {
    let (a, b) = (Plane::zeros((40, 40)), Plane::zeros((40, 41)));
    let settings = HalvesSettings::default();
    let refused = |a: &Plane, b: &Plane, settings: &HalvesSettings| {
        correlate_halves(a.view(), b.view(), settings).unwrap_err()
    };
    assert!(matches!(refused(&a, &b, &settings), HalvesError::Shape(..)));
    let small = Plane::zeros((15, 400));
    assert!(matches!(refused(&small, &small, &settings), HalvesError::TooSmall { .. }));
    let region = Region { left: 30, top: usize::MAX, width: 11, height: 5 };
    let settings = HalvesSettings { region: Some(region), ..settings };
    assert!(matches!(refused(&a, &a, &settings), HalvesError::Region(..)));
}
