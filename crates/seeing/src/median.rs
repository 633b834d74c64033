//! The middle of a set of numbers.

/// The upper median of `values`, which are put out of order; 0 when there are none.
pub(crate) fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// The upper median of what `values` hands out; 0 when it hands out nothing.
pub(crate) fn median_of(values: impl Iterator<Item = f32>) -> f32 {
    median(&mut values.collect::<Vec<f32>>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_upper_of_two_middles_is_taken_and_nothing_has_the_median_0() {
        assert_eq!(median(&mut [5.0, 1.0, 3.0]), 3.0);
        assert_eq!(median_of([4.0, 1.0, 3.0, 2.0].into_iter()), 3.0);
        assert_eq!(median(&mut []), 0.0);
    }
}
