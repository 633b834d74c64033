//! Grades while frames are still being graded: near enough to be looked at, and no more.
//!
//! The grade of a frame is told against all usable frames, so it is known at the end only. Before, a
//! frame is told against the mean of the first batch: the order of frames is nearly the final one, the
//! scale is off by one factor, and nobody has been refused yet. Nothing here goes into a survey.

use stillwright_picture::Grade;

/// What is known of a frame while others are still being graded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EarlyGrade {
    /// Index in the capture, from 0.
    pub index: usize,
    /// Larger is sharper; about 1 for the frames of the first batch.
    pub grade: Grade,
    /// Its bytes could not be read.
    pub unreadable: bool,
}

/// Hears of frames as they are graded, batch after batch, in order.
pub type GradeWatcher<'a> = &'a (dyn Fn(&[EarlyGrade]) + Sync);

/// The mean of the first batch, cell by cell; empty before.
#[derive(Default)]
pub(crate) struct EarlyScale {
    cells: Vec<f64>,
}

impl EarlyScale {
    /// Grades of a batch: index, energy of each cell (`NaN` where not seen), and whether the frame could
    /// not be read.
    pub fn grade(&mut self, batch: &[(usize, &[f32], bool)]) -> Vec<EarlyGrade> {
        if self.cells.iter().all(|mean| *mean <= 0.0) {
            self.cells = mean(batch);
        }
        let grade_of = |energy: &[f32]| {
            let (mut seen, mut expected) = (0.0, 0.0);
            for (e, mean) in energy.iter().zip(&self.cells).filter(|(e, _)| e.is_finite()) {
                seen += f64::from(*e);
                expected += mean;
            }
            if expected > 0.0 { (seen / expected) as f32 } else { 0.0 }
        };
        let early = |(index, energy, unreadable): &(usize, &[f32], bool)| EarlyGrade {
            index: *index,
            grade: Grade(grade_of(energy)),
            unreadable: *unreadable,
        };
        batch.iter().map(early).collect()
    }
}

fn mean(batch: &[(usize, &[f32], bool)]) -> Vec<f64> {
    let cells = batch.first().map_or(0, |(_, energy, _)| energy.len());
    let mut sums = vec![(0.0f64, 0u32); cells];
    for (_, energy, _) in batch {
        for ((sum, count), e) in sums.iter_mut().zip(*energy).filter(|(_, e)| e.is_finite()) {
            *sum += f64::from(*e).max(0.0);
            *count += 1;
        }
    }
    sums.into_iter().map(|(sum, count)| sum / f64::from(count.max(1))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_batches_are_told_against_the_first() {
        let nan = f32::NAN;
        let mut scale = EarlyScale::default();
        let first = scale.grade(&[(0, &[1.0, 9.0], false), (1, &[nan, nan], true)]);
        assert_eq!((first[0].grade.0, first[0].unreadable), (1.0, false));
        assert_eq!((first[1].grade.0, first[1].unreadable), (0.0, true));
        let second = scale.grade(&[(2, &[2.0, 18.0], false), (3, &[2.0, nan], false)]);
        // A frame that lost a cell is told by the ones it shows.
        assert_eq!(second.iter().map(|e| e.grade.0).collect::<Vec<_>>(), [2.0, 2.0]);
        assert_eq!(second[1].index, 3);
        // A capture that begins unreadable finds its scale later.
        let mut late = EarlyScale::default();
        assert_eq!(late.grade(&[(0, &[nan], true)])[0].grade.0, 0.0);
        assert_eq!(late.grade(&[(1, &[4.0], false)])[0].grade.0, 1.0);
    }
}
