//! Which part of a stack has light from nearly all kept frames.
//!
//! A mount that drifts bares the rims of the reference's field: few frames show them, so they are noisy
//! and, in an automatic tone, would speak for the whole. Where the frames lay says which rims those
//! are. What was added up does not: sharp moments weigh more, so ground that saw few of them has less weight
//! than its neighbours, and a sunlit ridge in it must not be taken for a rim.

use crate::halves::Region;
use stillwright_picture::Shift;

/// What fewer than this share of the frames show is a rim. More, and ground of slightly fewer frames is
/// lost; less, and noise of thrice the usual variance counts.
const COVERED_SHARE: f64 = 0.75;

/// Share of a side that is kept whatever the frames show.
const LEAST_SHARE: f64 = 0.25;

/// The rectangle of an output of `size` (columns, rows; `scale` px to the px of a frame) that nearly all
/// frames with these shifts show.
pub fn covered(shifts: &[Shift], size: (usize, usize), scale: f32) -> Region {
    let (left, right) = span(shifts.iter().map(|s| s.x_px * scale).collect(), size.0);
    let (top, bottom) = span(shifts.iter().map(|s| s.y_px * scale).collect(), size.1);
    Region { left, top, width: right - left, height: bottom - top }
}

/// First and end of the `n` px that nearly all frames show, which lie shifted by `shifts`: px `x` is shown by
/// frames with `0 <= x + shift < n`.
fn span(mut shifts: Vec<f32>, n: usize) -> (usize, usize) {
    shifts.sort_by(f32::total_cmp);
    let few = (shifts.len() as f64 * (1.0 - COVERED_SHARE)) as usize;
    let (Some(low), Some(high)) = (shifts.get(few), shifts.iter().rev().nth(few)) else {
        return (0, n);
    };
    let first = (-low).max(0.0).ceil() as usize;
    let end = n.saturating_sub(high.max(0.0).ceil() as usize);
    if (end.saturating_sub(first) as f64) < LEAST_SHARE * n as f64 { (0, n) } else { (first, end) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rims_are_what_few_frames_show() {
        // A drift of 10 px to the right: a quarter of the frames does not show the last 7.5 px.
        let drift: Vec<f32> = (0..100).map(|i| i as f32 * 0.1).collect();
        assert_eq!(span(drift.clone(), 50), (0, 42));
        assert_eq!(span(drift.iter().map(|s| -s).collect(), 50), (8, 50));
        assert_eq!(span(vec![0.0; 6], 50), (0, 50));
        // One frame that was bumped bares nothing.
        assert_eq!(span(vec![0.0, 0.0, 0.0, 0.0, 0.0, 30.0], 50), (0, 50));
        // Hardly two frames show the same ground: no part speaks for the whole.
        assert_eq!(span(vec![-40.0, -20.0, 0.0, 20.0, 40.0], 50), (0, 50));
        assert_eq!(span(vec![], 50), (0, 50));
    }
}
