use super::*;
use ndarray::Array2;

#[test]
fn the_half_bit_curve_has_its_published_values() {
    // van Heel & Schatz 2005, recomputed.
    for (n, expected) in [(32.0, 0.3982), (100.0, 0.3067), (300.0, 0.2520), (1000.0, 0.2165)] {
        assert!((half_bit_threshold(n) - expected).abs() < 1e-4, "{n}");
    }
    assert!((half_bit_threshold(1e12) - 0.17157).abs() < 1e-4);
}

#[test]
fn a_falling_fit_pools_what_rises() {
    let fit = never_rising(&[3.0, 1.0, 2.0, 0.0], &[1.0, 1.0, 3.0, 1.0]);
    assert_eq!(fit, vec![(3.0, 1.0), (1.75, 4.0), (1.75, 4.0), (0.0, 1.0)]);
}

#[test]
fn the_robust_sigma_of_a_known_sample() {
    assert_eq!(sigma_of(&mut []), 0.0);
    let sigma = sigma_of(&mut [1.0, 2.0, 3.0, 4.0, 100.0]);
    assert!((sigma - 1.482_602).abs() < 1e-6);
}

#[test]
fn several_planes_by_twos_are_as_two_by_themselves() {
    let plane = |k: usize| {
        Array2::from_shape_fn((40, 56), |(y, x)| {
            let noise = (x * 7919 + y * 104_729 + k * 31_337) % 97;
            (x as f32 * 0.3).sin() + (y as f32 * 0.2).cos() + noise as f32 / 60.0
        })
    };
    let planes = [0, 1, 2].map(plane);
    let views: Vec<_> = planes.iter().map(|plane| plane.view()).collect();
    let pairs = [(0, 1), (2, 1), (0, 2)];
    let powers = powers_of_pairs(&views, &pairs, true, &Silent).unwrap();
    for ((a, b), powers) in pairs.iter().zip(powers) {
        let two = correlate_halves(views[*a], views[*b], &HalvesSettings::default()).unwrap();
        assert_eq!(powers.frequency, two.frequency);
        assert_eq!(powers.count, two.count);
        assert_eq!(powers.signal_power, two.signal_power);
        assert_eq!(powers.noise_power, two.noise_power);
        assert_eq!(powers.floor, two.floor);
    }
    assert_eq!(powers_of_pairs(&[], &[], true, &Silent), Ok(Vec::new()));
    let other = Array2::zeros((40, 50));
    let unlike = powers_of_pairs(&[views[0], other.view()], &[(0, 1)], true, &Silent);
    assert_eq!(unlike, Err(HalvesError::Shape((40, 56), (40, 50))));
}

#[test]
fn what_differs_by_a_factor_is_told_apart() {
    let noise = |k: usize, y: usize, x: usize| {
        // SplitMix64 (Steele, Lea & Flood 2014).
        let mut state = (k * 1_000_003 + y * 1009 + x) as u64;
        state = state.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        state = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        state = (state ^ (state >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        state ^= state >> 31;
        (state >> 40) as f32 / (1_u64 << 24) as f32 - 0.5
    };
    // Nothing at the finest frequencies, but for what the window spills.
    let bell = |i: usize| (-(i as f32 - 6.0).powi(2) / 8.0).exp();
    let near = |y: usize, x: usize| {
        (0..169).map(|k| bell(k / 13) * bell(k % 13) * noise(9, y + k / 13, x + k % 13)).sum()
    };
    let scene: Array2<f32> = Array2::from_shape_fn((96, 96), |(y, x)| near(y, x));
    let half = |k: usize, factor: f32, sigma: f32| {
        Array2::from_shape_fn((96, 96), |(y, x)| factor * scene[[y, x]] + sigma * noise(k, y, x))
    };
    let powers = |factor: f32, sigma: f32| {
        let (a, b) = (half(1, 1.0 + factor, sigma), half(2, 1.0 - factor, sigma));
        powers_of_pairs(&[a.view(), b.view()], &[(0, 1)], true, &Silent).unwrap().remove(0)
    };
    let sum = |of: &[f64], count: &[f64]| of.iter().zip(count).map(|(v, n)| v * n).sum::<f64>();
    let alike = powers(0.0, 0.2);
    let all = sum(&alike.noise_power, &alike.count);
    assert!((sum(&alike.unlike_power, &alike.count) / all - 1.0).abs() < 0.02);
    let factor = powers(0.1, 0.2);
    assert!(sum(&factor.noise_power, &factor.count) > 3.0 * all);
    let left = sum(&factor.unlike_power, &factor.count) / all;
    assert!((left - 1.0).abs() < 0.05, "{left}");
    let bare = powers(0.1, 0.0);
    let rest = sum(&bare.unlike_power, &bare.count) / sum(&bare.noise_power, &bare.count);
    assert!(rest < 1e-6, "{rest}");

    // Noise that both halves share is taken for as much more of each: of what is left of a factor as well.
    let with_shared = |factor: f32| {
        let of = |k: usize, factor: f32| half(k, factor, 0.2) + half(3, 0.0, 0.12);
        let (a, b) = (of(1, 1.0 + factor), of(2, 1.0 - factor));
        powers_of_pairs(&[a.view(), b.view()], &[(0, 1)], true, &Silent).unwrap().remove(0)
    };
    let (alike, factor) = (with_shared(0.0), with_shared(0.1));
    assert!(alike.floor > 0.15 && factor.floor > 0.15, "{} {}", alike.floor, factor.floor);
    let own = |powers: &Powers| {
        sum(&powers.unlike_power, &powers.count) * (1.0 - powers.floor) / (1.0 + powers.floor)
    };
    let left = own(&factor) / own(&alike);
    assert!((left - 1.0).abs() < 0.05, "{left}");
}
