//! Samples that are not worth calibrating: hot ones in a dark, dead ones in a flat.

use super::master::{Master, colour_of, level_of_colours};
use crate::median::median_of;
use rayon::prelude::*;

/// Hot samples of a dark: further above the median of their colour than ten times its usual scatter and
/// than one per cent of full scale. Their mean is taken off with the dark, but their noise would stay.
pub fn hot_in_dark(dark: &Master) -> Vec<usize> {
    let format = dark.format();
    let levels = level_of_colours(&dark.values, &format);
    let excess = |i: usize| dark.values[i] - levels[colour_of(&format, i)];
    let usual = 1.4826 * median_of((0..dark.values.len()).step_by(7).map(|i| excess(i).abs()));
    let limit = (10.0 * usual).max(0.01);
    (0..dark.values.len()).into_par_iter().filter(|i| excess(*i) > limit).collect()
}

/// Dead samples of a flat: with less than a third, or more than three times, the light of their colour's
/// median in the neighbourhood. Dust takes a few per cent, vignetting seldom more than half.
pub fn dead_in_flat(flat: &Master) -> Vec<usize> {
    let format = flat.format();
    let levels = level_of_colours(&flat.values, &format);
    let share = |i: usize| flat.values[i] / levels[colour_of(&format, i)].max(1e-6);
    let planes = format.layout.samples_per_pixel();
    let step = if format.layout.is_mosaic() { 2 * planes } else { planes };
    // Along the row: corners of a dim field are dim together.
    let around = |i: usize| {
        let row = format.width * planes;
        let (from, to) = (i / row * row, (i / row + 1) * row);
        let near =
            [i.checked_sub(2 * step), i.checked_sub(step), Some(i + step), Some(i + 2 * step)];
        median_of(near.into_iter().flatten().filter(|n| (from..to).contains(n)).map(share))
    };
    let dead = |i: &usize| {
        let (own, usual) = (share(*i), around(*i));
        !(own > usual / 3.0 && own < 3.0 * usual) || own < 0.05
    };
    (0..flat.values.len()).into_par_iter().filter(dead).collect()
}
