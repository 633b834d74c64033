//! Which frames take part: grades made comparable, and the blank, clouded and bumped told apart.

use crate::median::median_of;
use crate::survey::{FrameReport, Rejection};
use stillwright_picture::{Grade, Shift};

/// What pass 1 measured of a frame, before it is compared with the others.
#[derive(Clone, Debug, Default)]
pub(crate) struct Raw {
    pub index: usize,
    pub shift: Shift,
    pub correlation: f32,
    /// Relative to the reference, over what both show.
    pub brightness: f32,
    /// Mean over the whole frame, share of full scale.
    pub mean: f32,
    /// Standard deviation of the reduced light, share of full scale.
    pub contrast: f32,
    pub clipped_share: f32,
    pub trouble: Option<String>,
}

/// Below this share of the clear frames' light, or dim and below this share of their contrast, a
/// frame is blank (many cameras add a pedestal to every sample, so that dark is not 0).
const BLANK_BELOW: f32 = 0.1;
/// Below this share of the clear frames' light a frame is clouded. Thin haze changes little but
/// the noise; a cloud that takes a third of the light scatters enough to veil the rest.
const CLOUD_BELOW: f32 = 0.65;
/// Frames on each side whose shifts tell where the scene should lie.
const NEIGHBOURS: usize = 8;

/// Compare the frames: the reports, in order, and the mean energy of each cell. `cell_energy` (frame after frame, `cells` each) is
/// turned into grades relative to each cell's mean over the usable frames.
pub(crate) fn judge_frames(
    raws: Vec<Raw>,
    cell_energy: &mut [f32],
    cells: usize,
    short_side_px: f32,
) -> (Vec<FrameReport>, Vec<f32>) {
    let mut rejected: Vec<Option<Rejection>> =
        raws.iter().map(|r| r.trouble.as_ref().map(|_| Rejection::Unreadable)).collect();
    dim_frames(&raws, &mut rejected);
    bumped_frames(&raws, &mut rejected, short_side_px);
    let (grades, structure) = grade_frames(cell_energy, cells, &rejected);
    let clear = clear_level(&raws, &rejected);
    let reports = raws
        .into_iter()
        .zip(rejected)
        .zip(grades)
        .map(|((raw, rejected), grade)| FrameReport {
            index: raw.index,
            grade: Grade(grade),
            shift: raw.shift,
            brightness: raw.mean,
            transparency: if clear > 0.0 { raw.brightness / clear } else { 0.0 },
            clipped_share: raw.clipped_share,
            rejected,
            trouble: raw.trouble,
        })
        .collect();
    (reports, structure)
}

/// Median brightness of frames that take part.
fn clear_level(raws: &[Raw], rejected: &[Option<Rejection>]) -> f32 {
    let usable = raws.iter().zip(rejected).filter(|(_, r)| r.is_none());
    median_of(usable.map(|(raw, _)| raw.brightness))
}

fn dim_frames(raws: &[Raw], rejected: &mut [Option<Rejection>]) {
    // The clear level: the upper quartile, so that a night half clouded is judged by its clear
    // half.
    let mut levels: Vec<f32> =
        raws.iter().filter(|r| r.trouble.is_none()).map(|r| r.brightness).collect();
    if levels.is_empty() {
        return;
    }
    let rank = levels.len() * 3 / 4;
    let rank = rank.min(levels.len() - 1);
    let clear = *levels.select_nth_unstable_by(rank, f32::total_cmp).1;
    let contrast = median_of(raws.iter().filter(|r| r.trouble.is_none()).map(|r| r.contrast));
    for (raw, reason) in raws.iter().zip(rejected.iter_mut()) {
        if reason.is_some() {
            continue;
        }
        let dim = raw.brightness < CLOUD_BELOW * clear;
        let dark = raw.mean < 1e-4 || raw.brightness < BLANK_BELOW * clear;
        if dark || (dim && raw.contrast < BLANK_BELOW * contrast) {
            *reason = Some(Rejection::Blank);
        } else if dim {
            *reason = Some(Rejection::Cloud);
        }
    }
}

/// A knock throws the scene far from where its neighbours in time have it, for a few frames; a
/// smeared or foreign frame matches the reference much worse than the rest.
fn bumped_frames(raws: &[Raw], rejected: &mut [Option<Rejection>], short_side_px: f32) {
    let usable: Vec<usize> = (0..raws.len()).filter(|i| rejected[*i].is_none()).collect();
    if usable.len() < 5 {
        return;
    }
    let typical = median_of(usable.iter().map(|i| raws[*i].correlation));
    let away: Vec<f32> = usable
        .iter()
        .enumerate()
        .map(|(place, i)| {
            let low = place.saturating_sub(NEIGHBOURS);
            let high = (place + NEIGHBOURS + 1).min(usable.len());
            let around = &usable[low..high];
            let x = median_of(around.iter().map(|j| raws[*j].shift.x_px));
            let y = median_of(around.iter().map(|j| raws[*j].shift.y_px));
            (raws[*i].shift.x_px - x).hypot(raws[*i].shift.y_px - y)
        })
        .collect();
    let usual = median_of(away.iter().copied());
    // Wander of a mount and of the air has no sharp limit: six times the usual distance, and
    // at least a sixteenth of the frame, is beyond what either does.
    let limit = (6.0 * usual).max(short_side_px / 16.0);
    for (i, distance) in usable.into_iter().zip(away) {
        let lost = !raws[i].shift.x_px.is_finite() || raws[i].correlation < 0.4 * typical;
        if lost || distance > limit {
            rejected[i] = Some(Rejection::Bumped);
        }
    }
}

/// Turn cell energies into relative grades in place; returns the grade of each whole frame (the
/// energy of the cells it shows over what these cells have on average) and the mean of each cell.
fn grade_frames(
    energy: &mut [f32],
    cells: usize,
    rejected: &[Option<Rejection>],
) -> (Vec<f32>, Vec<f32>) {
    let mut sum = vec![0.0f64; cells];
    let mut count = vec![0u32; cells];
    for (frame, reason) in energy.chunks_exact(cells).zip(rejected) {
        if reason.is_some() {
            continue;
        }
        for ((s, n), e) in sum.iter_mut().zip(&mut count).zip(frame) {
            if e.is_finite() {
                *s += f64::from(*e);
                *n += 1;
            }
        }
    }
    let mean: Vec<f64> =
        sum.iter().zip(&count).map(|(s, n)| if *n > 0 { s / f64::from(*n) } else { 0.0 }).collect();
    // A cell without structure has a mean of about nothing: dividing by it would make noise of
    // it. Below a fiftieth of the average cell it is divided by that instead.
    let average = mean.iter().map(|m| m.max(0.0)).sum::<f64>() / cells.max(1) as f64;
    let floor = (average / 50.0).max(1e-12);
    let grades = energy
        .chunks_exact_mut(cells)
        .map(|frame| {
            let (mut seen, mut expected) = (0.0f64, 0.0f64);
            for (e, m) in frame.iter_mut().zip(&mean) {
                if e.is_finite() {
                    seen += f64::from(*e);
                    expected += m.max(floor);
                    *e = (f64::from(*e) / m.max(floor)) as f32;
                }
            }
            if expected > 0.0 { (seen / expected) as f32 } else { 0.0 }
        })
        .collect();
    (grades, mean.into_iter().map(|m| m.max(floor) as f32).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night(n: usize) -> Vec<Raw> {
        (0..n)
            .map(|index| Raw {
                index,
                shift: Shift::new((index as f32 * 0.7).sin() * 4.0, index as f32 * 0.05),
                correlation: 0.8,
                brightness: 1.0,
                mean: 0.3,
                contrast: 0.05,
                clipped_share: 0.0,
                trouble: None,
            })
            .collect()
    }

    #[test]
    fn blank_cloud_bump_and_trouble_are_told_apart() {
        let mut raws = night(120);
        raws[10].brightness = 0.001;
        raws[10].mean = 0.0;
        // A blank frame of a camera with a pedestal.
        raws[20].brightness = 0.3;
        raws[20].contrast = 0.001;
        for raw in &mut raws[40..50] {
            raw.brightness = 0.45;
        }
        raws[70].shift = Shift::new(45.0, -28.0);
        raws[71].shift = Shift::new(43.0, -25.0);
        raws[90].correlation = 0.1;
        raws[100].trouble = Some("cut off".into());
        let mut energy = vec![1.0; 120 * 4];
        let (reports, _) = judge_frames(raws, &mut energy, 4, 224.0);
        let expected = |i: usize| match i {
            10 | 20 => Some(Rejection::Blank),
            40..50 => Some(Rejection::Cloud),
            70 | 71 | 90 => Some(Rejection::Bumped),
            100 => Some(Rejection::Unreadable),
            _ => None,
        };
        for report in &reports {
            assert_eq!(report.rejected, expected(report.index), "frame {}", report.index);
        }
    }

    #[test]
    fn a_frame_is_graded_by_the_cells_it_shows() {
        // Cell 1 has nine times the energy of cell 0; a frame that lost cell 1 is no duller.
        let mut energy = vec![1.0, 9.0, 1.0, 9.0, 1.0, f32::NAN, 2.0, 18.0];
        let (grades, _) = grade_frames(&mut energy, 2, &[None; 4]);
        assert!((grades[0] - grades[2]).abs() < 0.1 * grades[0], "{grades:?}");
        assert!((grades[3] / grades[0] - 2.0).abs() < 1e-5);
        assert!(energy[5].is_nan());
    }
}
