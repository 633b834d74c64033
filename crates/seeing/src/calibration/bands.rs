//! Rows and columns that read too much or too little in every frame, found without a dark: by what stays
//! put while the scene wanders.
//!
//! The median over each row of what it exceeds its neighbours by is that of a band of the sensor plus
//! that of the scene. The first stays at its row, the second moves with the scene; both are found
//! in turns, the scene first, so that without any wander all of it counts as scene and nothing is
//! taken away. Bands that change from frame to frame are left to the stack, which averages them out.

use super::Calibration;
use crate::disc::looks_like_a_disc;
use crate::luminance::Luminance;
use crate::median::{median, median_of};
use crate::raster::Raster;
use crate::scene::{SceneTracker, TrackerWork, reduction_factor};
use crate::survey::SceneKind;
use rayon::prelude::*;
use stillwright_picture::{
    Cancelled, FrameError, FrameFormat, FrameSource, Progress, RawFrame, Samples, Shift, Stage,
};

/// Frames looked at, spread over the capture.
const FRAMES: usize = 48;
/// Fewest frames from which bands are told.
const FEWEST: usize = 12;
/// Least standard deviation of the scene's wander, px: with less, scene and bands are hard to tell apart.
const LEAST_WANDER_PX: f32 = 1.0;
/// Rounds in which scene and bands are told apart; with a wander of 1 px, 40 leave about a tenth of a band.
const ROUNDS: usize = 40;
/// Waves of bands are believed down to this many radians over the scene's wander: slower ones move too little to
/// be told from the scene in so many rounds.
const SLOWEST_WAVE: f32 = 0.5;
/// Bands must exceed the uncertainty of their own measurement this much.
const TELLING: f32 = 2.0;

/// What was found of bands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bands {
    /// What each row reads too much, share of full scale; empty where nothing was found.
    pub rows: Vec<f32>,
    /// The same of columns.
    pub columns: Vec<f32>,
    /// Standard deviation of the scene's place: across (x), down (y), px.
    pub wander_px: (f32, f32),
}

/// Root mean square of bands, share of full scale; 0 where there are none.
pub fn rms(bands: &[f32]) -> f32 {
    (bands.iter().fold(0.0, |sum, b| sum + b * b) / bands.len().max(1) as f32).sqrt()
}

/// Find bands in the frames of `source`, calibrated by `calibration` first.
///
/// # Errors
/// When cancelled. Frames that cannot be read are passed over.
pub fn find_bands(
    source: &dyn FrameSource,
    calibration: &Calibration,
    progress: &dyn Progress,
) -> Result<Bands, Cancelled> {
    let format = calibration.format(source.format());
    let count = source.frame_count();
    let wanted = count.min(FRAMES);
    if wanted < FEWEST || format.width < 64 || format.height < 64 {
        return Ok(Bands::default());
    }
    let factor = reduction_factor(format.width, format.height);
    let indices: Vec<usize> = (0..wanted).map(|i| (2 * i + 1) * count / (2 * wanted)).collect();
    let mut looks: Vec<Look> = Vec::with_capacity(wanted);
    for (i, batch) in indices.chunks(8).enumerate() {
        progress.advance(Stage::Calibrating, i * 8, wanted)?;
        let batch: Vec<_> =
            batch.par_iter().map(|index| Look::at(source, calibration, *index, factor)).collect();
        looks.extend(batch.into_iter().flatten());
    }
    let Some(first) = looks.first().filter(|_| looks.len() >= FEWEST) else {
        return Ok(Bands::default());
    };
    let discs = looks.iter().filter(|look| looks_like_a_disc(&look.reduced)).count();
    let scene = if 2 * discs > looks.len() { SceneKind::Disc } else { SceneKind::Ground };
    let tracker = SceneTracker::new(scene, factor, &first.reduced, &mut TrackerWork::default());
    let Some(tracker) = tracker else { return Ok(Bands::default()) };
    let shifts: Vec<Shift> = looks
        .par_iter()
        .map_init(TrackerWork::default, |work, look| tracker.track(&look.reduced, work).shift)
        .collect();
    let step = step_of(&format);
    let across: Vec<f32> = shifts.iter().map(|s| s.x_px).collect();
    let down: Vec<f32> = shifts.iter().map(|s| s.y_px).collect();
    let rows: Vec<&[f32]> = looks.iter().map(|look| look.rows.as_slice()).collect();
    let columns: Vec<&[f32]> = looks.iter().map(|look| look.columns.as_slice()).collect();
    Ok(Bands {
        rows: bands_of(&rows, &down, step),
        columns: bands_of(&columns, &across, step),
        wander_px: (deviation(&across), deviation(&down)),
    })
}

/// What is taken from one frame.
struct Look {
    reduced: Raster,
    rows: Vec<f32>,
    columns: Vec<f32>,
}

impl Look {
    fn at(
        source: &dyn FrameSource,
        calibration: &Calibration,
        index: usize,
        factor: usize,
    ) -> Result<Look, FrameError> {
        let mut raw = RawFrame::black(source.format());
        source.read_frame(index, &mut raw)?;
        let mut frame = RawFrame::black(calibration.format(raw.format));
        calibration.apply(&raw, &mut frame);
        let mut reduced = Raster::default();
        Luminance::default().reduced(&frame, factor, &mut reduced);
        let (rows, columns) = excesses(&frame);
        Ok(Look { reduced, rows, columns })
    }
}

fn step_of(format: &FrameFormat) -> usize {
    if format.layout.is_mosaic() { 2 } else { 1 }
}

/// Median over each row, and over each column, of what a sample exceeds the mean of its two neighbours
/// of the same colour by, across the row or column.
fn excesses(frame: &RawFrame) -> (Vec<f32>, Vec<f32>) {
    let format = frame.format;
    let (width, height) = (format.width, format.height);
    let (step, planes) = (step_of(&format), format.layout.samples_per_pixel());
    let Samples::F32(v) = &frame.samples else { return (Vec::new(), Vec::new()) };
    // Of three colours, green.
    let at = |x: usize, y: usize| v[(y * width + x) * planes + planes / 2];
    let mut row = vec![0.0; width];
    let mut column = vec![0.0; height];
    let rows = (0..height)
        .map(|y| {
            if y < step || y + step >= height {
                return 0.0;
            }
            for (x, e) in row.iter_mut().enumerate() {
                *e = at(x, y) - 0.5 * (at(x, y - step) + at(x, y + step));
            }
            median(&mut row)
        })
        .collect();
    let columns = (0..width)
        .map(|x| {
            if x < step || x + step >= width {
                return 0.0;
            }
            for (y, e) in column.iter_mut().enumerate() {
                *e = at(x, y) - 0.5 * (at(x - step, y) + at(x + step, y));
            }
            median(&mut column)
        })
        .collect();
    (rows, columns)
}

fn deviation(values: &[f32]) -> f32 {
    let n = values.len().max(1) as f32;
    let mean = values.iter().sum::<f32>() / n;
    (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>() / n).sqrt()
}

/// Bands from the excesses of each frame and the scene's places in them.
fn bands_of(excesses: &[&[f32]], places: &[f32], step: usize) -> Vec<f32> {
    let n = excesses.first().map_or(0, |e| e.len());
    if deviation(places) < LEAST_WANDER_PX * step as f32 || n < 16 {
        return Vec::new();
    }
    let middle = median_of(places.iter().copied());
    let places: Vec<f32> = places.iter().map(|p| p - middle).collect();
    let mut fixed = vec![0.0f32; n];
    let mut scene = vec![0.0f32; n];
    for _ in 0..ROUNDS {
        // The scene first: what cannot be told apart is its.
        let rest: Vec<Vec<f32>> =
            excesses.iter().map(|e| e.iter().zip(&fixed).map(|(e, f)| e - f).collect()).collect();
        for (q, s) in scene.iter_mut().enumerate() {
            *s = mean(rest.iter().zip(&places).map(|(rest, p)| sample(rest, q as f32 + p)));
        }
        for (r, f) in fixed.iter_mut().enumerate() {
            *f = mean(
                excesses
                    .iter()
                    .zip(&places)
                    .map(|(e, p)| Some(e[r] - sample(&scene, r as f32 - p)?)),
            );
        }
    }
    // The scatter from frame to frame says how well the means are known.
    let scatter = |r: usize| {
        let left = excesses
            .iter()
            .zip(&places)
            .filter_map(|(e, p)| Some(e[r] - sample(&scene, r as f32 - p)? - fixed[r]));
        let left: Vec<f32> = left.collect();
        left.iter().map(|v| v * v).sum::<f32>() / (left.len().max(2) - 1) as f32
    };
    let error = (mean((0..n).map(|r| Some(scatter(r)))) / excesses.len() as f32).sqrt();
    let found = rms(&fixed);
    if found < TELLING * error || found == 0.0 {
        return Vec::new();
    }
    // The excess of a wave of `w` radians a step is `1 - cos w` of it. Held back: what is slower than can be told
    // from the scene, and what is drowned by the uncertainty of the excess.
    let wave = SLOWEST_WAVE * step as f32 / deviation(&places);
    let hold_back = (1.0 - wave.cos()).max(error / found);
    undo_excess(&fixed, step, f64::from(hold_back * hold_back))
}

fn mean(values: impl Iterator<Item = Option<f32>>) -> f32 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values.flatten() {
        sum += value;
        count += 1.0;
    }
    if count > 0.0 { sum / count } else { 0.0 }
}

/// Linear between entries; none beyond the ends.
fn sample(values: &[f32], at: f32) -> Option<f32> {
    if at < 0.0 {
        return None;
    }
    let i = at as usize;
    let (a, b) = (*values.get(i)?, *values.get(i + 1)?);
    Some(a + (at - i as f32) * (b - a))
}

/// The bands whose excess over their neighbours is `excess`, held back: the solution of
/// `(D'D + hold back) bands = D' excess` by conjugate gradients.
fn undo_excess(excess: &[f32], step: usize, hold_back: f64) -> Vec<f32> {
    let n = excess.len();
    // Rows without two neighbours say nothing.
    let forward = |b: &[f64]| -> Vec<f64> {
        let own = |r: usize| {
            let inner = r >= step && r + step < n;
            if inner { b[r] - 0.5 * (b[r - step] + b[r + step]) } else { 0.0 }
        };
        (0..n).map(own).collect()
    };
    let backward = |e: &[f64]| -> Vec<f64> {
        let mut b = vec![0.0; n];
        for r in step..n - step {
            b[r] += e[r];
            b[r - step] -= 0.5 * e[r];
            b[r + step] -= 0.5 * e[r];
        }
        b
    };
    let apply = |b: &[f64]| -> Vec<f64> {
        let mut out = backward(&forward(b));
        out.iter_mut().zip(b).for_each(|(o, b)| *o += hold_back * b);
        out
    };
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let mut bands = vec![0.0; n];
    let mut residual = backward(&excess.iter().map(|e| f64::from(*e)).collect::<Vec<f64>>());
    let mut direction = residual.clone();
    let start = dot(&residual, &residual);
    let mut now = start;
    for _ in 0..2000 {
        if now <= 1e-14 * start || now == 0.0 {
            break;
        }
        let applied = apply(&direction);
        let along = now / dot(&direction, &applied);
        for i in 0..n {
            bands[i] += along * direction[i];
            residual[i] -= along * applied[i];
        }
        let next = dot(&residual, &residual);
        for (d, r) in direction.iter_mut().zip(&residual) {
            *d = r + next / now * *d;
        }
        now = next;
    }
    bands.into_iter().map(|b| b as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A scene of belts that wanders by `wander` px, on rows with bands of their own.
    fn frames(wander: f32) -> (Vec<Vec<f32>>, Vec<f32>, Vec<f32>) {
        let n = 200;
        let mut state = 1u32;
        let mut random = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32 - 0.5
        };
        let bands: Vec<f32> = (0..n).map(|_| 0.02 * random()).collect();
        let places: Vec<f32> = (0..40).map(|_| wander * 3.46 * random()).collect();
        let belt = |r: f32| 0.1 * (r / 4.0).sin() + 0.05 * (r / 1.7).cos();
        let excess =
            |p: &f32| {
                let v: Vec<f32> = (0..n).map(|r| bands[r] + belt(r as f32 - p)).collect();
                (0..n)
                    .map(|r| {
                        if r == 0 || r + 1 == n { 0.0 } else { v[r] - 0.5 * (v[r - 1] + v[r + 1]) }
                    })
                    .collect()
            };
        (places.iter().map(excess).collect(), places, bands)
    }

    #[test]
    fn bands_are_told_from_belts_that_wander() {
        let (frames, places, bands) = frames(3.0);
        let views: Vec<&[f32]> = frames.iter().map(Vec::as_slice).collect();
        let found = bands_of(&views, &places, 1);
        assert_eq!(found.len(), bands.len());
        let inner = 12..bands.len() - 12;
        let left: Vec<f32> = inner.clone().map(|r| bands[r] - found[r]).collect();
        let level = left.iter().sum::<f32>() / left.len() as f32;
        let left: Vec<f32> = left.iter().map(|v| v - level).collect();
        let (before, after) = (rms(&bands[inner]), rms(&left));
        assert!(after < 0.45 * before, "{before} -> {after}");
    }

    #[test]
    fn without_wander_nothing_is_taken_for_a_band() {
        let (frames, places, _) = frames(0.2);
        let views: Vec<&[f32]> = frames.iter().map(Vec::as_slice).collect();
        assert!(bands_of(&views, &places, 1).is_empty());
    }
}
