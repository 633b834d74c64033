//! Places that show nothing: the black sky around a planet, the night side of the Moon.
//!
//! What is graded there is noise. Frames chosen by it would be others in every cell, nearly every frame of a capture would give light
//! somewhere, and each would be aligned where there is nothing to align. So blank places take the frames that are sharpest as a whole,
//! and ask for no alignment of their own.

use crate::keep::{blur_cells, steady_taps};
use stillwright_seeing::sharpness::CellGrid;

/// A place is blank where what is graded around it has less structure than this share of the average cell. The survey takes no cell for
/// less than a fiftieth of the average; so nothing around a blank place stands out of that floor by much.
const BLANK_BELOW: f32 = 2.0 / 50.0;

/// Which `cells` are blank, given their structure (mean gradient energy), as the grades of their surroundings are steadied.
pub(crate) fn blank_cells(cells: &CellGrid, structure: &[f32]) -> Vec<bool> {
    if cells.is_empty() {
        return Vec::new();
    }
    let average = structure.iter().sum::<f32>() / structure.len().max(1) as f32;
    let taps = steady_taps(cells.cell_px);
    let (mut work, mut here, mut all) = (Vec::new(), Vec::new(), Vec::new());
    blur_cells(structure, cells.columns, &taps, 0..cells.rows, &mut work, &mut here);
    let ones = vec![1.0; structure.len()];
    blur_cells(&ones, cells.columns, &taps, 0..cells.rows, &mut work, &mut all);
    here.iter().zip(&all).map(|(here, all)| *here < BLANK_BELOW * average * all).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const CELLS: CellGrid = CellGrid { cell_px: 16, columns: 40, rows: 30 };

    /// Structure by the distance of a cell from the middle, cells, not below a fiftieth of the average.
    fn structure(of: impl Fn(f32) -> f32) -> Vec<f32> {
        let at = |cell: usize| ((cell % 40) as f32 - 20.0).hypot((cell / 40) as f32 - 15.0);
        let mut all: Vec<f32> = (0..CELLS.len()).map(|cell| of(at(cell))).collect();
        let floor = all.iter().sum::<f32>() / all.len() as f32 / 50.0;
        all.iter_mut().for_each(|structure| *structure = structure.max(floor));
        all
    }

    #[test]
    fn sky_is_blank_up_to_what_a_planet_reaches() {
        let planet = structure(|from_middle| if from_middle < 7.0 { 1.0 } else { 0.0 });
        let blank = blank_cells(&CELLS, &planet);
        for cell in 0..CELLS.len() {
            let from_middle = ((cell % 40) as f32 - 20.0).hypot((cell / 40) as f32 - 15.0);
            // Grades are steadied over four cells.
            if from_middle < 8.0 || from_middle > 12.0 {
                assert_eq!(blank[cell], from_middle > 12.0, "{from_middle}");
            }
        }
    }

    #[test]
    fn smooth_ground_is_not_blank_nor_is_what_has_no_structure_anywhere() {
        let plain = structure(|from_middle| if from_middle < 7.0 { 0.06 } else { 1.0 });
        assert!(blank_cells(&CELLS, &plain).iter().all(|blank| !blank));
        assert!(blank_cells(&CELLS, &structure(|_| 1.0)).iter().all(|blank| !blank));
        assert!(blank_cells(&CELLS, &structure(|_| 0.0)).iter().all(|blank| !blank));
        assert!(blank_cells(&CellGrid { columns: 0, rows: 0, ..CELLS }, &[]).is_empty());
    }
}
