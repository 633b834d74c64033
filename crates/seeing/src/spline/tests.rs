//! Every place against the definition, to the last bit.

use super::*;

const ROWS: usize = 40;

fn values() -> Vec<f32> {
    (0..ROWS * STRIDE + SLACK).map(|i| (i * 7919 % 251) as f32 / 251.0).collect()
}

fn naive(values: &[f32], taps: fn(f32) -> [f32; 4], u: f32, v: f32) -> f32 {
    let (i, j) = (u.floor(), v.floor());
    let inside = i >= 1.0 && i < STRIDE as f32 && j >= 1.0 && j + 2.0 < ROWS as f32;
    if !inside {
        return 0.0;
    }
    let (wx, wy) = (taps(u - i), taps(v - j));
    let mut sum = 0.0;
    for (k, wy) in wy.iter().enumerate() {
        let row = &values[(j as usize + k - 1) * STRIDE + i as usize - 1..];
        let mut along = 0.0;
        for (value, wx) in row.iter().zip(wx) {
            along += wx * value;
        }
        sum += wy * along;
    }
    sum
}

#[test]
fn places_have_the_same_bits_together_and_one_by_one() {
    let (values, corner) = (values(), (20.0, 7.0));
    let samples = Samples { values: &values, corner };
    let mut work = Between::default();
    for (n, bend, scale) in [
        (BLOCK, 0.0, 1.0),
        (BLOCK, 1.0, 1.0),
        (BLOCK, 4.0, 1.0),
        (BLOCK, 9.0, 1.0),
        (200, 2.0, 0.5),
        (100, 2.0, 2.0),
        (1, 1.0, 1.0),
        (61, 3.0, 1.0),
    ] {
        let at = |x: usize| scale * x as f32;
        let u: Vec<f32> = (0..n).map(|x| 31.7 + at(x) + bend * (at(x) * 0.05).sin()).collect();
        let v: Vec<f32> = (0..n).map(|x| 24.4 + bend * (at(x) * 0.06).cos()).collect();
        let mut out = vec![0.0; n];
        for keys in [false, true] {
            let taps = if keys { Keys::taps } else { BSpline::taps };
            if keys {
                work.keys(&samples, &u, &v, &mut out);
            } else {
                work.b_spline(&samples, &u, &v, &mut out);
            }
            for x in 0..n {
                let expected = naive(&values, taps, u[x] - corner.0, v[x] - corner.1);
                assert_eq!(out[x], expected, "{keys} {bend} {scale} {x}");
                assert!(out[x] != 0.0);
            }
        }
    }
}

#[test]
fn places_without_samples_are_0_and_leave_the_others_alone() {
    let values = values();
    let samples = Samples { values: &values, corner: (0.0, 0.0) };
    let u = [f32::NAN, 10.3, 0.9, 12.0, -5.0, f32::INFINITY, 15.2, 16.1, 17.0];
    let v = [5.0, 6.2, 5.0, f32::NAN, 5.0, 5.0, 0.2, 1.0, 1e9];
    let mut out = [7.0; 9];
    Between::default().b_spline(&samples, &u, &v, &mut out);
    for x in 0..9 {
        let expected = naive(&values, BSpline::taps, u[x], v[x]);
        assert_eq!(out[x], expected, "{x}");
    }
    assert!(out[1] > 0.0 && out[7] > 0.0);
    assert_eq!(out.iter().filter(|v| **v == 0.0).count(), 7);
}

#[test]
fn kernels_sum_to_one_and_do_to_a_parabola_what_they_should() {
    for t in [0.0f32, 0.2, 0.5, 0.9, 1.0] {
        for taps in [BSpline::taps(t), Keys::taps(t)] {
            assert!((taps.iter().sum::<f32>() - 1.0).abs() < 1e-6);
        }
        let square = |taps: [f32; 4]| -> f32 {
            taps.iter().zip([1.0, 0.0, 1.0, 4.0]).map(|(w, v)| w * v).sum()
        };
        assert!((square(Keys::taps(t)) - t * t).abs() < 1e-6);
        // The B-spline has a variance of 1/3 px^2.
        assert!((square(BSpline::taps(t)) - t * t - 1.0 / 3.0).abs() < 1e-6);
        let expected = crate::interpolate::cubic_taps(t);
        assert!(Keys::taps(t).iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-6));
    }
}
