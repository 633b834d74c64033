//! Sums over any rectangle of a raster, told at once.

use crate::raster::Raster;
use std::ops::Range;

/// Sums of all that lies above and to the left of each corner of the px (a summed-area table: Crow, SIGGRAPH 1984, from memory), in
/// double precision.
#[derive(Clone, Debug)]
pub(crate) struct AreaSums {
    stride: usize,
    corners: Vec<f64>,
}

impl AreaSums {
    /// Those of `raster`.
    pub fn of(raster: &Raster) -> AreaSums {
        let stride = raster.width + 1;
        let mut corners = vec![0.0; stride * (raster.height + 1)];
        for y in 0..raster.height {
            let mut row = 0.0;
            for (x, value) in raster.row(y).iter().enumerate() {
                row += f64::from(*value);
                corners[(y + 1) * stride + x + 1] = corners[y * stride + x + 1] + row;
            }
        }
        AreaSums { stride, corners }
    }

    /// Sum over these columns and rows, which the raster has.
    pub fn over(&self, columns: Range<usize>, rows: Range<usize>) -> f64 {
        let at = |x: usize, y: usize| self.corners[y * self.stride + x];
        at(columns.end, rows.end) - at(columns.start, rows.end) - at(columns.end, rows.start)
            + at(columns.start, rows.start)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_px_by_px() {
        let (width, height) = (13, 9);
        let values = (0..width * height).map(|i| (i * 37 % 11) as f32 - 3.0).collect();
        let raster = Raster { width, height, values };
        let sums = AreaSums::of(&raster);
        for (columns, rows) in [(0..13, 0..9), (3..4, 2..3), (5..12, 0..7), (4..4, 1..5)] {
            let expected: f32 =
                rows.clone().map(|y| raster.row(y)[columns.clone()].iter().sum::<f32>()).sum();
            assert_eq!(sums.over(columns, rows), f64::from(expected));
        }
    }
}
