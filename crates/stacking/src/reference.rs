//! The reference that frames are aligned to: sharp like the best frames, true in its geometry.
//!
//! The sharpest frame is itself rippled. The best eighth, 48 at most, are aligned to it and averaged, each by how far it agrees:
//! sharper and quieter than any frame, but bent like that one frame. What it is bent by is found in
//! two ways (`geometry`), and it is built anew from the best frames with that undone. What bends are left in that are undone in its light alone, on which
//! frames are laid.

use crate::accumulate::Accumulator;
use crate::align::{Bench, Chosen, Lay};
use crate::credible::Expected;
use crate::geometry;
use crate::stack::StackError;
use ndarray::Array2;
use stillwright_picture::{Cancelled, Grade, Picture, Progress, Stage};
use stillwright_seeing::luminance::own_smoothing;
use stillwright_seeing::raster::Raster;
use stillwright_seeing::ripple::{Aligner, RippleSettings};

/// Share of the usable frames that the reference is made of, at least and at most this many. They weigh by how far they agree with what
/// they are laid on. Error of the stack at a keep of 50 % with 8, 12, 16 per cent of 240 frames: 0.0330, 0.0328, not measured (D/r0 4.5), 0.0902, 0.0899,
/// 0.0905 (8), disc 0.0104 all; with frames of one weight, 8 %: 0.0331, 0.0913, 0.0104.
const BEST_SHARE: f32 = 0.12;
const BEST_AT_LEAST: usize = 12;
const BEST_AT_MOST: usize = 48;

/// What comes of it.
pub struct Reference {
    /// Mean of the best frames in true geometry, all channels.
    pub picture: Picture,
    /// The same of one half of these frames each, where there are colours.
    pub halves: Option<[Picture; 2]>,
    /// Its light, with the bends that are left in the picture undone: frames are laid on it.
    pub light: Raster,
    /// Where the frames lie that could not be read.
    pub lost: Vec<usize>,
}

/// Build it. `offsets` as for [`Accumulator::new`].
///
/// # Errors
/// When cancelled, or when not even one of the best frames can be read.
pub fn build(
    bench: &Bench<'_>,
    settings: RippleSettings,
    progress: &dyn Progress,
) -> Result<Reference, StackError> {
    let survey = bench.survey;
    let format = bench.source.format();
    let size = (format.width, format.height);
    let best = best_frames(bench);
    let home = best
        .iter()
        .find_map(|index| bench.light_of(*index).map(|light| (*index, light)))
        .ok_or_else(|| StackError::NoUsableFrames("none of the best frames can be read".into()))?;
    let channels = format.layout.picture_channels();
    let chosen: Vec<Chosen> = best
        .iter()
        .enumerate()
        .map(|(i, index)| Chosen {
            index: *index,
            weights: vec![vec![1.0; bench.cells.len()]],
            half: i % 2,
        })
        .collect();
    let noise = light_noise(bench);
    let none = [(0.0, 0.0); 3];
    let empty = || [Accumulator::new(channels, size, 1.0, bench.cells, none)];
    let say = (Stage::Reference, progress);

    // Pictures of full size are let go of as soon as they have served: here, the most of them are there at once.
    let (bent, mut lost) = {
        // The sharpest frame, moved so that its scene lies where the reference's does.
        let shift = survey.frames[home.0].shift;
        let moved = moved(&home.1, shift.x_px, shift.y_px, progress)?;
        drop(home);
        let aligner = Aligner::new(&moved, settings, 2.0 * noise);
        drop(moved);
        progress.check()?;
        let mut first = empty();
        let on = Lay { by_agreement: true, ..(&aligner).into() };
        let lost = bench.add_all(&chosen[..], on, None, &mut first, say)?;
        (first[0].whole(None), lost)
    };
    // Frames are followed better where less is to be followed: first it is laid on the mean of all frames, as far as that goes.
    let light = Raster::of_plane(bent.luminance().view());
    progress.check()?;
    let light = geometry::nearly_straight(&light, bench, settings.cell_px, progress)?;
    progress.check()?;
    let aligner = Aligner::new(&light, settings, noise);
    let correction = geometry::correction(bench, &aligner, &light, say)?;
    drop(light);
    progress.check()?;
    let mean = geometry_full_size(bench);
    progress.check()?;
    let expected = Expected::from_mean(&mean, &bent, &survey.noise);
    drop(mean);
    let mut second = empty();
    let on = Lay { correction: Some(&correction), by_agreement: true, ..(&aligner).into() };
    lost.extend(bench.add_all(&chosen[..], on, Some(&expected), &mut second, say)?);
    drop((aligner, expected));
    let picture = second[0].whole(Some(&bent));
    let halves = (channels == 3).then(|| [0, 1].map(|half| second[0].half(half, Some(&picture))));
    drop(second);
    lost.sort_unstable();
    lost.dedup();
    // Once more: frames that cannot be followed well have pulled on what was built, too. A disc of another simulation was bent by
    // 0.41 px rms instead of 0.44, a ground by 0.27 instead of 0.29 (means of all frames: 0.38 and 0.25), and the stills lie 5 % closer.
    let light = Raster::of_plane(picture.luminance().view());
    let light = geometry::nearly_straight(&light, bench, settings.cell_px, progress)?;
    progress.check()?;
    // Laid on it, which is straighter, frames tell its short bends anew.
    let aligner = Aligner::new(&light, settings, noise);
    let light = geometry::straight(&light, bench, &aligner, say)?;
    Ok(Reference { light, picture, halves, lost })
}

/// Variance of a frame's light at the median brightness, after the smoothing that the light of a
/// mosaic goes through.
pub fn light_noise(bench: &Bench<'_>) -> f32 {
    let smoothing = own_smoothing(bench.source.format().layout);
    let share: f32 = smoothing.iter().map(|t| t * t).sum();
    bench.survey.noise.variance(bench.survey.median_brightness) * share * share
}

/// Indices of the sharpest usable frames, sharpest first.
fn best_frames(bench: &Bench<'_>) -> Vec<usize> {
    let mut usable = bench.survey.usable();
    let frames = &bench.survey.frames;
    usable.sort_by(|a, b| Grade::sharpest_first(frames[*a].grade, frames[*b].grade));
    let wanted = (usable.len() as f32 * BEST_SHARE).round() as usize;
    usable.truncate(wanted.clamp(BEST_AT_LEAST, BEST_AT_MOST));
    usable
}

/// The survey's mean of all usable frames, interpolated to full size.
fn geometry_full_size(bench: &Bench<'_>) -> Array2<f32> {
    let format = bench.source.format();
    let (mean, factor) = (&bench.survey.geometry, bench.survey.geometry_factor.max(1) as f32);
    let to_block = |i: usize| (i as f32 + 0.5) / factor - 0.5;
    Array2::from_shape_fn((format.height, format.width), |(y, x)| {
        mean.bilinear(to_block(x), to_block(y))
    })
}

/// `light(x + shift)`: the frame as the reference would see it.
fn moved(
    light: &Raster,
    x_px: f32,
    y_px: f32,
    progress: &dyn Progress,
) -> Result<Raster, Cancelled> {
    let mut out = Raster::zeros(light.width, light.height);
    for y in 0..light.height {
        progress.check()?;
        for x in 0..light.width {
            out.values[y * light.width + x] = light.bilinear(x as f32 + x_px, y as f32 + y_px);
        }
    }
    Ok(out)
}
