//! Tones of one picture brought to those of another, for looking only.

/// Steps of the distribution.
const STEPS: usize = 64;

/// `values` bent so that they are distributed as `like` is, where `inside`: the curve through
/// 64 equal shares of both, straight between. For looking: what is measured stays as it was.
pub fn match_tones(values: &mut [f32], inside: &[bool], like: &[f32]) {
    let own: Vec<f32> =
        values.iter().zip(inside).filter(|(v, i)| **i && v.is_finite()).map(|(v, _)| *v).collect();
    let other: Vec<f32> =
        like.iter().zip(inside).filter(|(v, i)| **i && v.is_finite()).map(|(v, _)| *v).collect();
    if own.len() < STEPS || other.len() < STEPS {
        return;
    }
    let (from, to) = (steps(own), steps(other));
    for (value, _) in values.iter_mut().zip(inside).filter(|(_, inside)| **inside) {
        *value = bend(*value, &from, &to);
    }
}

fn steps(mut values: Vec<f32>) -> Vec<f32> {
    values.sort_unstable_by(f32::total_cmp);
    let last = values.len() - 1;
    (0..=STEPS).map(|i| values[i * last / STEPS]).collect()
}

fn bend(value: f32, from: &[f32], to: &[f32]) -> f32 {
    let after = from.partition_point(|step| *step < value).clamp(1, STEPS);
    let (a, b) = (from[after - 1], from[after]);
    let share = if b > a { ((value - a) / (b - a)).clamp(0.0, 1.0) } else { 0.5 };
    to[after - 1] + share * (to[after] - to[after - 1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bent_picture_is_bent_back() {
        let like: Vec<f32> = (0..5000).map(|i| ((i * 37) % 5000) as f32 / 5000.0).collect();
        let mut bent: Vec<f32> = like.iter().map(|v| 3.0 * v.sqrt() + 1.0).collect();
        let mut inside = vec![true; like.len()];
        inside[7] = false;
        let untouched = bent[7];
        match_tones(&mut bent, &inside, &like);
        for (i, (a, b)) in bent.iter().zip(&like).enumerate().filter(|(i, _)| *i != 7) {
            assert!((a - b).abs() < 0.03, "{i}: {a} {b}");
        }
        assert_eq!(bent[7], untouched);
        let mut flat = vec![0.4; 100];
        match_tones(&mut flat, &[true; 100], &like[..100]);
        assert!(flat.iter().all(|v| v.is_finite()));
    }
}
