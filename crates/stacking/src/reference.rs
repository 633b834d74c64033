//! The reference that frames are aligned to: sharp like the best frames, true in its geometry.
//!
//! The sharpest frame is itself rippled. The best few per cent are aligned to it and averaged:
//! sharper and quieter than any frame, but bent like that one frame. What it is bent by is found in
//! two ways (`correction`), and it is built anew from the best frames with that undone.

use crate::accumulate::Accumulator;
use crate::align::{AIR, Bench, Chosen, Lay, ripple_settings};
use crate::credible::Expected;
use crate::stack::StackError;
use ndarray::Array2;
use stillwright_picture::{Cancelled, Grade, Picture, Progress, Stage};
use stillwright_seeing::field::{Field, Smoothness};
use stillwright_seeing::luminance::own_smoothing;
use stillwright_seeing::raster::{Kernel, Raster, reduce, smooth};
use stillwright_seeing::ripple::{Aligner, RippleSettings, RippleWork};

/// Share of the usable frames that the reference is made of, at least and at most this many.
const BEST_SHARE: f32 = 0.08;
const BEST_AT_LEAST: usize = 12;
const BEST_AT_MOST: usize = 48;

/// What comes of it.
pub struct Reference {
    /// Mean of the best frames in true geometry, all channels.
    pub picture: Picture,
    /// Its light.
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
        let lost = bench.add_all(&chosen[..], (&aligner).into(), None, &mut first, say)?;
        (first[0].whole(None), lost)
    };
    let bent_light = Raster::of_plane(bent.luminance().view());
    progress.check()?;
    let aligner = Aligner::new(&bent_light, settings, noise);
    let correction = correction(bench, &aligner, &bent_light, say)?;
    drop(bent_light);
    progress.check()?;
    let mean = geometry_full_size(bench);
    progress.check()?;
    let expected = Expected::from_mean(&mean, &bent, &survey.noise);
    drop(mean);
    let mut second = empty();
    let on = Lay { correction: Some(&correction), ..(&aligner).into() };
    lost.extend(bench.add_all(&chosen[..], on, Some(&expected), &mut second, say)?);
    drop((aligner, expected));
    let picture = second[0].whole(Some(&bent));
    drop(second);
    lost.sort_unstable();
    lost.dedup();
    Ok(Reference { light: Raster::of_plane(picture.luminance().view()), picture, lost })
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

/// Frames, spread over the sharper half of the capture, whose ripple is averaged.
const GEOMETRY_FRAMES: usize = 200;

/// Bends longer than this (standard deviation of a Gaussian, px) are taken from the mean of all
/// frames, shorter ones from the mean of the warp fields. Smaller: the blurred mean, whose rims lie further
/// in, makes round things small: craters of 62 px came out up to 2.0 % small at 24 px, 1.65 % at 32, 1.5 % at 40,
/// 0.95 % at 64, and 0.5 % by the fields alone (`night/tests/sample_ground.rs`). Larger: long bends of frames that cannot
/// be followed well stay: error of the 12-bit capture of the truth test with the bends left in 0.092 at 24 px, 0.096
/// at 40, 0.098 at 64. What is left when the bends are taken off does not change.
const LONG_PX: f32 = 32.0;

/// Where true positions lie minus where `bent`, the reference of `aligner`, shows them:
/// `bent(x) = straight(x + e(x))`.
///
/// Two things are straight because the ripple averages out over time. The mean of all frames: its
/// long bends are right, but it is blurred, and short ones are lost in its registration.
/// And the mean of what the air did to each frame, as registered against `bent`: sharp, but frames that
/// cannot be followed well pull long bends with them.
fn correction(
    bench: &Bench<'_>,
    aligner: &Aligner,
    bent: &Raster,
    say: (Stage, &dyn Progress),
) -> Result<Field, StackError> {
    let mut out = mean_ripple(bench, aligner, say)?;
    let of_mean = straighten(bent, bench, say.1)?;
    let (columns, rows) = (out.columns, out.rows);
    let centre = |k: usize| (k as f32 + 0.5) * out.cell_px as f32 - 0.5;
    let of_mean: Vec<(f32, f32)> = (0..columns * rows)
        .map(|cell| of_mean.at(centre(cell % columns), centre(cell / columns)))
        .collect();
    let kernel = Kernel::gaussian(LONG_PX / out.cell_px as f32);
    let (mut work, mut long) = (Raster::default(), Raster::default());
    let mut lengthen = |own: &mut [f32], of_mean: &dyn Fn(usize) -> f32| {
        let values = own.iter().enumerate().map(|(cell, own)| of_mean(cell) - own).collect();
        smooth(&Raster { width: columns, height: rows, values }, &kernel, &mut work, &mut long);
        own.iter_mut().zip(&long.values).for_each(|(own, long)| *own += long);
    };
    lengthen(&mut out.x_px, &|cell| of_mean[cell].0);
    lengthen(&mut out.y_px, &|cell| of_mean[cell].1);
    Ok(out)
}

/// What frames spread over the sharper half of the capture show displaced, each without its own
/// shift: cell by cell the mean of the middle half of them, so that what was misled does not count.
fn mean_ripple(
    bench: &Bench<'_>,
    aligner: &Aligner,
    (stage, progress): (Stage, &dyn Progress),
) -> Result<Field, StackError> {
    let frames = &bench.survey.frames;
    let mut usable = bench.survey.usable();
    usable.sort_by(|a, b| Grade::sharpest_first(frames[*a].grade, frames[*b].grade));
    usable.truncate(usable.len().div_ceil(2));
    usable.sort_unstable();
    let wanted = usable.len().min(GEOMETRY_FRAMES);
    let indices: Vec<usize> = (0..wanted).map(|k| usable[k * usable.len() / wanted]).collect();
    let mut fields = Vec::with_capacity(wanted);
    for some in indices.chunks(32) {
        progress.advance(stage, fields.len(), wanted)?;
        for (index, field) in some.iter().zip(bench.fields(some, aligner, progress)?) {
            fields.extend(field.map(|field| (frames[*index].shift, field)));
        }
    }
    let (columns, rows, cell_px) = aligner.cells();
    let n = columns * rows;
    let mut mean = Field { cell_px, columns, rows, x_px: vec![0.0; n], y_px: vec![0.0; n] };
    let mut seen = Vec::with_capacity(fields.len());
    for cell in 0..n {
        seen.clear();
        seen.extend(fields.iter().map(|(home, field)| field.x_px[cell] - home.x_px));
        mean.x_px[cell] = middle_mean(&mut seen);
        seen.clear();
        seen.extend(fields.iter().map(|(home, field)| field.y_px[cell] - home.y_px));
        mean.y_px[cell] = middle_mean(&mut seen);
    }
    Ok(mean)
}

/// Mean of the middle half of `values`; 0 of none.
fn middle_mean(values: &mut [f32]) -> f32 {
    values.sort_unstable_by(f32::total_cmp);
    let quarter = values.len() / 4;
    let middle = &values[quarter..values.len() - quarter];
    if middle.is_empty() { 0.0 } else { middle.iter().sum::<f32>() / middle.len() as f32 }
}

/// Band in which the mean of all frames, which is blurred and reduced, is compared, px of its raster.
const MEAN_BAND_PX: (f32, f32) = (1.2, 8.0);

/// Where true positions lie minus where `bent` shows them: `bent(x) = straight(x + e(x))`.
fn straighten(
    bent: &Raster,
    bench: &Bench<'_>,
    progress: &dyn Progress,
) -> Result<Field, Cancelled> {
    let survey = bench.survey;
    let factor = survey.geometry_factor.max(1);
    let mut reduced = Raster::default();
    reduce(bent, factor, &mut reduced);
    // The mean is blurred by the ripple itself, some 4 px: blur alike before comparing.
    let blur = (4.0 / factor as f32).max(0.7);
    let mut alike = Raster::default();
    smooth(&reduced, &Kernel::gaussian(blur), &mut Raster::default(), &mut alike);
    let base = ripple_settings(reduced.width * factor, reduced.height * factor, 0);
    let settings = RippleSettings {
        tile_px: (base.tile_px / factor * 2).min(reduced.width.min(reduced.height)).max(16),
        spacing_px: (base.spacing_px / factor).max(8),
        cell_px: (base.cell_px / factor).max(4),
        factor: 1,
        band_px: MEAN_BAND_PX,
        rounds: 4,
        fine_rounds: 0,
        keen_rounds: 0,
        smoothness: Smoothness {
            slope: AIR.slope,
            curvature: AIR.curvature * factor as f32,
            spread_px: AIR.spread_px / factor as f32,
        },
    };
    let aligner =
        Aligner::new(&alike, settings, light_noise(bench) / (factor * factor * 30) as f32);
    let mut work = RippleWork::default();
    let mut field = aligner.align(&survey.geometry, (0.0, 0.0), None, &mut work, progress)?;
    field.cell_px *= factor;
    let scale = factor as f32;
    field.x_px.iter_mut().chain(field.y_px.iter_mut()).for_each(|d| *d *= scale);
    Ok(field)
}
