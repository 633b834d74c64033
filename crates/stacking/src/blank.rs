//! Places that show nothing: the black sky around a planet, the night side of the Moon.
//!
//! What is graded there is noise. Frames chosen by it would be others in every cell, nearly every frame of a capture would give light
//! somewhere, and each would be aligned where there is nothing to align. So blank places take the frames that are sharpest as a whole,
//! and ask for no alignment of their own.

use crate::keep::{blur_cells, taps_of};
use stillwright_seeing::Survey;
use stillwright_seeing::sharpness::CellGrid;

/// A place is blank where what is graded around it has less structure than this share of the average cell. The survey takes no cell for
/// less than a fiftieth of the average; so nothing around a blank place stands out of that floor by much.
const BLANK_BELOW: f32 = 2.0 / 50.0;

/// What a place's surroundings are, px (standard deviation of a Gaussian, which ends at 2.5 of them), but half a cell at least. Over 32 px, as grades of a disc are
/// steadied, half of the picture around a planet 240 px wide counted as a part of it, and 8,666 of 20,000 frames gave light somewhere at a
/// keep of 10 %; over 20 px 6,166, over 16 and 12 px 5,832. Stacks of a disc are as good with 32, 20 and 12 px (information within 0.2 %),
/// those of ground the same to the last digit with 20 and 12.
const AROUND_PX: f32 = 12.0;

/// Which cells of the survey are blank.
pub(crate) fn blank_cells(survey: &Survey) -> Vec<bool> {
    blank_among(&survey.cells, &survey.cell_structure)
}

/// The same for `cells` of this structure (mean gradient energy).
fn blank_among(cells: &CellGrid, structure: &[f32]) -> Vec<bool> {
    if cells.is_empty() {
        return Vec::new();
    }
    let taps = &taps_of(AROUND_PX / cells.cell_px as f32);
    let average = structure.iter().sum::<f32>() / structure.len().max(1) as f32;
    let (mut work, mut here, mut all) = (Vec::new(), Vec::new(), Vec::new());
    blur_cells(structure, cells.columns, taps, 0..cells.rows, &mut work, &mut here);
    let ones = vec![1.0; structure.len()];
    blur_cells(&ones, cells.columns, taps, 0..cells.rows, &mut work, &mut all);
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

    fn blank(structure: &[f32]) -> Vec<bool> {
        blank_among(&CELLS, structure)
    }

    #[test]
    fn sky_is_blank_up_to_what_a_planet_reaches() {
        let planet = structure(|from_middle| if from_middle < 7.0 { 1.0 } else { 0.0 });
        let blank = blank(&planet);
        for (cell, blank) in blank.iter().enumerate() {
            let from_middle = ((cell % 40) as f32 - 20.0).hypot((cell / 40) as f32 - 15.0);
            // Two cells are looked at on every side.
            if !(8.0..=10.0).contains(&from_middle) {
                assert_eq!(*blank, from_middle > 10.0, "{from_middle}");
            }
        }
    }

    #[test]
    fn smooth_ground_is_not_blank_nor_is_what_has_no_structure_anywhere() {
        let plain = structure(|from_middle| if from_middle < 7.0 { 0.06 } else { 1.0 });
        assert!(blank(&plain).iter().all(|blank| !blank));
        assert!(blank(&structure(|_| 1.0)).iter().all(|blank| !blank));
        assert!(blank(&structure(|_| 0.0)).iter().all(|blank| !blank));
        assert!(blank_among(&CellGrid { columns: 0, rows: 0, ..CELLS }, &[]).is_empty());
    }
}
