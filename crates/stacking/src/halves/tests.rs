use super::*;

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
