//! Which part of a stack has light from nearly all kept frames.
//!
//! A mount that drifts bares the rims of the reference's field: few frames show them, so they are noisy
//! and, in an automatic tone, would speak for the whole.

use crate::accumulate::Accumulator;
use crate::halves::Region;

/// Rows and columns whose light is less than this share of the median one's are rims. More, and ground of
/// slightly fewer frames is lost; less, and noise of thrice the usual variance counts.
const COVERED_SHARE: f64 = 0.75;

/// Share of a side that is kept whatever the light.
const LEAST_SHARE: f64 = 0.25;

impl Accumulator {
    /// The rectangle without the rims that few frames show; the whole where there are none.
    pub fn covered(&self) -> Region {
        let (columns, rows) = self.light_along();
        let (left, right) = span(&columns);
        let (top, bottom) = span(&rows);
        Region { left, top, width: right - left, height: bottom - top }
    }
}

/// First and end of the entries that are no rims: from the outside inwards up to the first that has enough.
fn span(light: &[f64]) -> (usize, usize) {
    let mut sorted = light.to_vec();
    sorted.sort_by(f64::total_cmp);
    let enough = COVERED_SHARE * sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let counts = |v: &f64| *v >= enough;
    let first = light.iter().position(counts).unwrap_or(0);
    let end = light.iter().rposition(counts).map_or(light.len(), |last| last + 1);
    if ((end - first) as f64) < LEAST_SHARE * light.len() as f64 {
        return (0, light.len());
    }
    (first, end)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rims_are_what_has_less_light_at_the_ends() {
        assert_eq!(span(&[0.0, 2.0, 9.0, 10.0, 3.0, 10.0, 10.0, 6.0]), (2, 7));
        assert_eq!(span(&[5.0; 6]), (0, 6));
        assert_eq!(span(&[0.0; 6]), (0, 6));
        // A single bright column is no field.
        assert_eq!(span(&[1.0, 1.0, 1.0, 9.0, 9.0, 1.0, 1.0, 1.0]), (0, 8));
        assert_eq!(span(&[]), (0, 0));
    }
}
