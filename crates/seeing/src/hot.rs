//! Pixels that are stuck: found from what stays put while the scene wanders, and mended.

use crate::median::median;
use multiversion::multiversion;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillwright_picture::{FrameFormat, RawFrame, Samples};

/// Stuck pixels of a camera, in one list.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HotPixels {
    /// Index of each stuck sample in [`Samples`], ascending.
    pub samples: Vec<usize>,
}

/// Neighbours of the same colour, in columns and rows of the sensor.
fn neighbours(format: &FrameFormat, index: usize) -> ([usize; 8], usize) {
    let planes = format.layout.samples_per_pixel();
    let step = if format.layout.is_mosaic() { 2isize } else { 1 };
    let pixel = index / planes;
    let (x, y) = ((pixel % format.width) as isize, (pixel / format.width) as isize);
    let mut found = [0; 8];
    let mut n = 0;
    for (dx, dy) in [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)] {
        let (u, v) = (x + dx * step, y + dy * step);
        if u >= 0 && v >= 0 && u < format.width as isize && v < format.height as isize {
            found[n] = (v as usize * format.width + u as usize) * planes + index % planes;
            n += 1;
        }
    }
    (found, n)
}

impl HotPixels {
    /// Find stuck samples in `mean`, the mean of many raw frames of a wandering scene (same
    /// order as the samples, share of full scale).
    ///
    /// A sample counts as stuck when it differs from the median of its neighbours of the same
    /// colour by more than ten times the usual scatter of that difference and by more than half a
    /// per cent of full scale, and by three times what any of those neighbours does: the optics
    /// spread light over more than one pixel, so no real detail stands alone.
    pub fn find(mean: &[f32], format: &FrameFormat) -> HotPixels {
        if mean.len() != format.sample_count() || mean.len() < 25 {
            return HotPixels::default();
        }
        let excess = |index: usize| {
            let (around, n) = neighbours(format, index);
            let mut values = [0.0f32; 8];
            for (v, i) in values.iter_mut().zip(&around[..n]) {
                *v = mean[*i];
            }
            mean[index] - median(&mut values[..n])
        };
        // Scatter from every 7th sample: enough, and cheap.
        let mut sizes: Vec<f32> =
            (0..mean.len()).into_par_iter().step_by(7).map(|index| excess(index).abs()).collect();
        // 1.4826: median absolute deviation to standard deviation of a Gaussian
        // (Rousseeuw and Croux 1993).
        let limit = (10.0 * 1.4826 * median(&mut sizes)).max(0.005);
        let stuck = |index: &usize| {
            let own = excess(*index).abs();
            if own <= limit {
                return false;
            }
            let (around, n) = neighbours(format, *index);
            around[..n].iter().all(|i| own > 3.0 * excess(*i).abs())
        };
        let row_len = format.width * format.layout.samples_per_pixel();
        let samples = (0..format.height)
            .into_par_iter()
            .flat_map_iter(|y| {
                let candidates = candidates(mean, format, y, limit);
                (y * row_len..(y + 1) * row_len).filter(move |i| candidates[i - y * row_len])
            })
            .filter(stuck)
            .collect();
        HotPixels { samples }
    }

    /// Replace every stuck sample by the median of its neighbours of the same colour.
    pub fn mend(&self, frame: &mut RawFrame) {
        let format = frame.format;
        for index in &self.samples {
            let (around, n) = neighbours(&format, *index);
            match &mut frame.samples {
                Samples::U8(v) => replace(v, *index, &around[..n]),
                Samples::U16(v) => replace(v, *index, &around[..n]),
                Samples::F32(v) => {
                    let mut values = [0.0f32; 8];
                    for (t, i) in values.iter_mut().zip(&around[..n]) {
                        *t = v.get(*i).copied().unwrap_or(0.0);
                    }
                    let mended = median(&mut values[..n]);
                    if let Some(sample) = v.get_mut(*index) {
                        *sample = mended;
                    }
                }
            }
        }
    }
}

/// Which samples of row `y` may differ from the median of their neighbours by more than `limit`:
/// where all neighbours are there, at least four must lie that far away on one side.
fn candidates(mean: &[f32], format: &FrameFormat, y: usize, limit: f32) -> Vec<bool> {
    let planes = format.layout.samples_per_pixel();
    let step = if format.layout.is_mosaic() { 2 } else { 1 };
    let row_len = format.width * planes;
    let mut may = vec![true; row_len];
    if y < step || y + step >= format.height || format.width < 2 * step + 1 {
        return may;
    }
    let side = step * planes;
    let n = row_len - 2 * side;
    let at = |row: usize, column: usize| &mean[row * row_len + column..row * row_len + column + n];
    let around = [
        at(y - step, 0),
        at(y - step, side),
        at(y - step, 2 * side),
        at(y, 0),
        at(y, 2 * side),
        at(y + step, 0),
        at(y + step, side),
        at(y + step, 2 * side),
    ];
    count_far(&mut may[side..side + n], at(y, side), around, limit);
    may
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn count_far(may: &mut [bool], own: &[f32], around: [&[f32]; 8], limit: f32) {
    let n = may.len();
    let (own, around) = (&own[..n], around.map(|row| &row[..n]));
    for i in 0..n {
        let (mut above, mut below) = (0u32, 0u32);
        for row in &around {
            above += u32::from(own[i] - row[i] > limit);
            below += u32::from(row[i] - own[i] > limit);
        }
        may[i] = above >= 4 || below >= 4;
    }
}

fn replace<T: Copy + Ord + Default>(samples: &mut [T], index: usize, around: &[usize]) {
    let mut values = [T::default(); 8];
    for (t, i) in values.iter_mut().zip(around) {
        *t = samples.get(*i).copied().unwrap_or_default();
    }
    let values = &mut values[..around.len()];
    if values.is_empty() {
        return;
    }
    values.sort_unstable();
    let mended = values[values.len() / 2];
    if let Some(sample) = samples.get_mut(index) {
        *sample = mended;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{BayerOrder, Layout, SampleType};

    fn format(layout: Layout) -> FrameFormat {
        FrameFormat { width: 40, height: 30, layout, sample_type: SampleType::U8, white: 255.0 }
    }

    #[test]
    fn stuck_samples_are_found_and_soft_structure_is_not() {
        for layout in [Layout::Mono, Layout::Bayer(BayerOrder::Rggb), Layout::Rgb] {
            let format = format(layout);
            let planes = layout.samples_per_pixel();
            let mut mean: Vec<f32> = (0..format.sample_count())
                .map(|i| {
                    let (x, y) = ((i / planes) % 40, (i / planes) / 40);
                    // A soft hill, the blur that seeing and wander leave, and a trace of noise.
                    let hill =
                        (-((x as f32 - 20.0).powi(2) + (y as f32 - 15.0).powi(2)) / 32.0).exp();
                    0.2 + 0.5 * hill + 0.002 * ((i * 7919 % 13) as f32 / 13.0)
                })
                .collect();
            let clean = HotPixels::find(&mean, &format);
            assert!(clean.samples.is_empty(), "{layout:?}: {:?}", clean.samples);
            let stuck = [(5 * 40 + 7) * planes, (29 * 40 + 39) * planes, (12 * 40) * planes];
            for i in stuck {
                mean[i] += 0.3;
            }
            let mut found = HotPixels::find(&mean, &format).samples;
            found.sort_unstable();
            let mut expected = stuck.to_vec();
            expected.sort_unstable();
            assert_eq!(found, expected, "{layout:?}");
        }
    }

    #[test]
    fn mending_takes_the_neighbours_of_the_same_colour() {
        let order = BayerOrder::Bggr;
        let format = format(Layout::Bayer(order));
        let mut frame = RawFrame::black(format);
        let index = 11 * 40 + 8;
        if let Samples::U8(v) = &mut frame.samples {
            for (i, s) in v.iter_mut().enumerate() {
                *s = [10, 60, 200][order.channel_at(i % 40, i / 40)];
            }
            v[index] = 255;
        }
        HotPixels { samples: vec![index] }.mend(&mut frame);
        let Samples::U8(v) = &frame.samples else { panic!() };
        assert_eq!(v[index], [10, 60, 200][order.channel_at(8, 11)]);
    }
}
