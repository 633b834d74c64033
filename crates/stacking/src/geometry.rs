//! Where true positions lie, which no frame shows.
//!
//! Two things are straight because the ripple averages out over time. The mean of all frames: it is blurred, so that its
//! short bends are lost in its registration. And the mean of what the air did to each frame, as registered against
//! a sharp picture: but frames that cannot be followed well pull long bends with them. So long bends are taken from the one
//! and short ones from the other.

use crate::align::{AIR, Bench, corrected, ripple_settings};
use crate::reference::light_noise;
use crate::spline::taps;
use crate::stack::StackError;
use rayon::prelude::*;
use stillwright_picture::{Cancelled, Grade, Progress, Stage};
use stillwright_seeing::alike;
use stillwright_seeing::band::BandPass;
use stillwright_seeing::field::{Field, RowExpander, Smoothness};
use stillwright_seeing::luminance::LightRows;
use stillwright_seeing::raster::{Kernel, Raster, mirror, reduce, smooth};
use stillwright_seeing::ripple::{Aligner, RippleSettings, RippleWork};

/// Frames whose ripple is averaged, spread over the sharper two fifths of the capture, when the reference is built and once it is:
/// of more frames, more cannot be followed well. Of a capture of 240 frames a half was worth 0.105, 0.208, 0.368 px rms of distortion
/// (D/r0 2.5; Bayer 5; 8), two fifths 0.108, 0.202, 0.366, a third 0.203 and 0.359 (Bayer; 8), all 0.287 and half 0.241 (Bayer) before the
/// reference was laid on the mean first. Distortion over that of the mean of all frames, nine grounds of D/r0 3.5 to 8, of the kind built:
/// 48 and 96 of such a capture 1.037, 64 and 96 1.034, 96 and 96 1.035, none and 96 1.056, 96 and none 1.076. Of captures of 500 frames and more 200 are
/// aligned for it, as before; of 240 frames 160 instead of 96.
const BUILT_OF: usize = 64;
const STRAIGHTENED_BY: usize = 136;

/// Bends longer than this (standard deviation of a Gaussian, px) are taken from the mean of all frames, shorter ones from the
/// mean of the warp fields. Smaller: short bends that are lost in the mean's blur are not undone (with none from the
/// fields the stack of D/r0 2.5 has 3 to 9 % more error). Larger: long bends of frames that cannot be followed well stay. Distortion over that of
/// the mean of all frames, five grounds and eleven discs, at 8 px 1.044 (disc of D/r0 5 1.42), at 10 1.038 (1.25), at 12 1.048 (1.17), at 16 1.079.
const LONG_PX: f32 = 12.0;

/// Where true positions lie minus where `bent`, the reference of `aligner`, shows them:
/// `bent(x) = straight(x + e(x))`.
pub fn correction(
    bench: &Bench<'_>,
    aligner: &Aligner,
    bent: &Raster,
    say: (Stage, &dyn Progress),
) -> Result<Field, StackError> {
    told_by(BUILT_OF, bench, aligner, bent, say)
}

/// `bent`, the reference of `aligner`, with all its bends undone, as far as frames tell them.
pub fn straight(
    bent: &Raster,
    bench: &Bench<'_>,
    aligner: &Aligner,
    say: (Stage, &dyn Progress),
) -> Result<Raster, StackError> {
    let bends = told_by(STRAIGHTENED_BY, bench, aligner, bent, say)?;
    Ok(less(bent, &bends, say.1)?)
}

/// What [`correction`] says, short bends told by this many frames.
fn told_by(
    frames: usize,
    bench: &Bench<'_>,
    aligner: &Aligner,
    bent: &Raster,
    say: (Stage, &dyn Progress),
) -> Result<Field, StackError> {
    let mut out = mean_ripple(frames, bench, aligner, say)?;
    take_long_bends(&mut out, &Mean::of(bench).lies(bent, say.1)?);
    Ok(out)
}

/// Where `soft`, a stack of frames of this noise variance, shows what `sharp` shows, less where the latter does, told as
/// [`Mean::lies`] tells it.
pub(crate) fn lies_on(
    soft: &Raster,
    sharp: &Raster,
    frame_noise: f32,
    progress: &dyn Progress,
) -> Result<Field, Cancelled> {
    const FACTOR: usize = 2;
    let mut light = Raster::default();
    reduce(soft, FACTOR, &mut light);
    Mean::new(&light, FACTOR, frame_noise).lies(sharp, progress)
}

/// `bent` with its long bends undone, as far as the mean of all frames tells them; `cell_px` is the side of a
/// cell of the field that they are told on.
pub fn nearly_straight(
    bent: &Raster,
    bench: &Bench<'_>,
    cell_px: usize,
    progress: &dyn Progress,
) -> Result<Raster, Cancelled> {
    Mean::of(bench).straightened(bent, cell_px, progress)
}

/// `bent` with `bends` undone, told as [`correction`] tells them.
fn less(bent: &Raster, bends: &Field, progress: &dyn Progress) -> Result<Raster, Cancelled> {
    let still = Field::constant(bent.width, bent.height, bends.cell_px, 0.0, 0.0);
    // A picture that lies where `bent` does is told from true positions like any frame.
    laid(bent, &corrected(&still, bends), progress)
}

/// `out(x) = source(x + field(x))`, as sharp as the source; edges are mirrored.
pub(crate) fn laid(
    source: &Raster,
    field: &Field,
    progress: &dyn Progress,
) -> Result<Raster, Cancelled> {
    let (width, height) = (source.width, source.height);
    let mut out = Raster::zeros(width, height);
    let rows = out.values.par_chunks_exact_mut(width.max(1)).enumerate();
    rows.try_for_each_init(
        || (RowExpander::default(), vec![0.0; width], vec![0.0; width]),
        |(expander, dx, dy), (y, row)| {
            progress.check()?;
            expander.expand_both(field, 1.0, (y, 0), [dx, dy]);
            for (x, value) in row.iter_mut().enumerate() {
                *value = between(source, x as f32 + dx[x], y as f32 + dy[x]);
            }
            Ok(())
        },
    )?;
    Ok(out)
}

/// Sample at (`x`, `y`) px as frames are sampled.
fn between(source: &Raster, x: f32, y: f32) -> f32 {
    let (left, top) = (x.floor(), y.floor());
    let (across, down) = (taps(x - left), taps(y - top));
    let (left, top) = ((left as isize).saturating_sub(3), (top as isize).saturating_sub(3));
    let inside = |first: isize, n: usize| usize::try_from(first).ok().filter(|u| u + 8 <= n);
    if let (Some(u), Some(v)) = (inside(left, source.width), inside(top, source.height)) {
        let mut sums = [0.0f32; 8];
        for (k, tap) in down.iter().enumerate() {
            let row = &source.row(v + k)[u..u + 8];
            sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += tap * value);
        }
        return sums.iter().zip(across).map(|(sum, tap)| sum * tap).sum();
    }
    let from = |first: isize, n: usize| {
        std::array::from_fn::<usize, 8, _>(|k| mirror(first.saturating_add_unsigned(k), n))
    };
    let (columns, rows) = (from(left, source.width), from(top, source.height));
    let along = |row: &[f32]| columns.iter().zip(across).map(|(u, tap)| tap * row[*u]).sum::<f32>();
    rows.iter().zip(down).map(|(v, tap)| tap * along(source.row(*v))).sum()
}

/// Put the long bends of `of_mean` in the place of those of `own`.
fn take_long_bends(own: &mut Field, of_mean: &Field) {
    let (columns, rows) = (own.columns, own.rows);
    let centre = |k: usize| (k as f32 + 0.5) * own.cell_px as f32 - 0.5;
    let of_mean: Vec<(f32, f32)> = (0..columns * rows)
        .map(|cell| of_mean.at(centre(cell % columns), centre(cell / columns)))
        .collect();
    let kernel = Kernel::gaussian(LONG_PX / own.cell_px as f32);
    let (mut work, mut long) = (Raster::default(), Raster::default());
    let mut lengthen = |own: &mut [f32], of_mean: &dyn Fn(usize) -> f32| {
        let values = own.iter().enumerate().map(|(cell, own)| of_mean(cell) - own).collect();
        smooth(&Raster { width: columns, height: rows, values }, &kernel, &mut work, &mut long);
        own.iter_mut().zip(&long.values).for_each(|(own, long)| *own += long);
    };
    lengthen(&mut own.x_px, &|cell| of_mean[cell].0);
    lengthen(&mut own.y_px, &|cell| of_mean[cell].1);
}

/// What `frames_wanted` frames spread over the sharper part of the capture show displaced, each without its own
/// shift: cell by cell the mean of the middle half of them, so that what was misled does not count.
fn mean_ripple(
    frames_wanted: usize,
    bench: &Bench<'_>,
    aligner: &Aligner,
    (stage, progress): (Stage, &dyn Progress),
) -> Result<Field, StackError> {
    let frames = &bench.survey.frames;
    let mut usable = bench.survey.usable();
    usable.sort_by(|a, b| Grade::sharpest_first(frames[*a].grade, frames[*b].grade));
    usable.truncate((2 * usable.len()).div_ceil(5));
    usable.sort_unstable();
    let wanted = usable.len().min(frames_wanted);
    let indices: Vec<usize> = (0..wanted).map(|k| usable[k * usable.len() / wanted]).collect();
    let mut fields = Vec::with_capacity(wanted);
    for (chunk, some) in indices.chunks(32).enumerate() {
        progress.advance(stage, 32 * chunk, wanted)?;
        for (index, field) in some.iter().zip(bench.fields(some, aligner, progress)?) {
            fields.extend(field.map(|field| (frames[*index].shift, field)));
        }
    }
    progress.advance(stage, wanted, wanted)?;
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

/// Band in which the mean of all frames, which is blurred and reduced, is compared, px of its raster. Low waves hold the most power
/// and tell least of the place, and blur changes what is fine. Distortion, px rms (D/r0 2.5; Bayer 5; 8), by band: 1.2 to 8 px
/// 0.112, 0.234, not measured; 1.2 to 5 0.110, 0.227; 0.8 to 6.5 0.109, 0.221, 0.384; 0.8 to 5 0.108, 0.219, 0.367; 0.6 to 5 0.109, 0.217, 0.366;
/// 0.8 to 3 0.117, 0.264. Since blurs are matched three times over, and over five grounds and eleven discs, distortion over that of the mean of
/// all frames: 0.6 to 3.5 1.048, 0.6 to 5 2 % more.
const MEAN_BAND_PX: (f32, f32) = (0.6, 3.5);

/// How often the blur is matched, each time with the mean laid where it was found last: distortion of discs over that of their
/// means, once 1.088, three times 1.02.
const MATCHES: usize = 3;

/// Blurs (standard deviations of Gaussians, px of the mean's raster) whose mixture the mean of all frames is blurred by.
const BLURS_PX: [f32; 7] = [0.25, 0.5, 0.75, 1.1, 1.6, 2.3, 3.2];
/// Left out along the edge where they are weighed, px of that raster.
const EDGE_PX: usize = 8;

/// The mean of all frames, reduced.
struct Mean<'a> {
    light: &'a Raster,
    /// Blocks of this many px of a frame make one px of it.
    factor: usize,
    /// Variance of the noise of one sample of it.
    noise: f32,
}

impl Mean<'_> {
    fn of<'a>(bench: &Bench<'a>) -> Mean<'a> {
        let survey = bench.survey;
        Mean::new(&survey.geometry, survey.geometry_factor.max(1), light_noise(bench))
    }

    /// A mean of frames of this noise variance, reduced by `factor`.
    fn new(light: &Raster, factor: usize, frame_noise: f32) -> Mean<'_> {
        // That of some thirty frames: a mean of more is known no better, for it is blurred unevenly.
        let noise = frame_noise / (factor * factor * 30) as f32;
        Mean { light, factor, noise }
    }

    /// Where true positions lie minus where `bent` shows them: `bent(x) = mean(x + e(x))`.
    ///
    /// The mean is blurred, and a sharp picture seems displaced against a blurred one at every edge that is not symmetrical.
    /// So `bent` is blurred to be most like it, once it is known nearly where the mean lies.
    fn lies(&self, bent: &Raster, progress: &dyn Progress) -> Result<Field, Cancelled> {
        let mut reduced = Raster::default();
        reduce(bent, self.factor, &mut reduced);
        let settings = self.settings(&reduced);
        let mut work = RippleWork::default();
        let mut align = |alike: &Raster| {
            let aligner = Aligner::new(alike, settings, self.noise);
            aligner.align(&LightRows::Light(self.light), (0.0, 0.0), None, &mut work, progress)
        };
        let blurred = |sigma_px: f32| {
            let mut out = Raster::default();
            smooth(&reduced, &Kernel::gaussian(sigma_px), &mut Raster::default(), &mut out);
            out
        };
        // To begin with, the ripple itself blurs the mean by some 4 px.
        let mut field = align(&blurred((4.0 / self.factor as f32).max(0.7)))?;
        let mut band = BandPass::new(MEAN_BAND_PX.0, MEAN_BAND_PX.1);
        let mut passed = |raster: &Raster| {
            let mut out = Raster::default();
            band.apply(raster, &mut out);
            out
        };
        let family = BLURS_PX.map(blurred);
        let seen = family.each_ref().map(&mut passed);
        for _ in 0..MATCHES {
            let lies = passed(&laid(self.light, &field, progress)?);
            field = align(&alike::mixed(&family, alike::weights(&seen, &lies, EDGE_PX)))?;
        }
        let scale = self.factor as f32;
        field.cell_px *= self.factor;
        field.x_px.iter_mut().chain(field.y_px.iter_mut()).for_each(|d| *d *= scale);
        Ok(field)
    }

    /// `bent` with its long bends undone.
    fn straightened(
        &self,
        bent: &Raster,
        cell_px: usize,
        progress: &dyn Progress,
    ) -> Result<Raster, Cancelled> {
        let mut bends = Field::constant(bent.width, bent.height, cell_px, 0.0, 0.0);
        take_long_bends(&mut bends, &self.lies(bent, progress)?);
        less(bent, &bends, progress)
    }

    fn settings(&self, reduced: &Raster) -> RippleSettings {
        let factor = self.factor;
        let base = ripple_settings(reduced.width * factor, reduced.height * factor, 0);
        RippleSettings {
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
            ..base
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Silent;

    /// Stripes of unequal width and spots: edges that are not symmetrical.
    fn scene(x: f32, y: f32) -> f32 {
        let wave = ((x + 0.3 * y) / 9.0).sin() + 0.6 * (x / 5.3).cos() + 0.5 * (y / 6.1).sin();
        let spots = (x / 7.3).sin() * (y / 8.9).cos() + (x / 31.0 + y / 17.0).sin();
        10.0 + spots + if wave > 0.5 { 4.0 } else { 0.0 }
    }

    fn bend(x: f32, y: f32) -> (f32, f32) {
        (0.8 * (x / 40.0).sin(), -0.7 * (y / 34.0 + x / 60.0).cos())
    }

    const SIZE: (usize, usize) = (256, 224);

    /// A sharp picture that is bent `times` as much as [`bend`] says, and its straight self as a mean of frames shows it.
    fn sharp_and_mean(times: f32) -> (Raster, Raster) {
        let (width, height) = SIZE;
        let drawn = |times: f32| {
            // Four samples a px along each axis.
            let value = |x: usize, y: usize| {
                let part = |k: usize| (k as f32 - 1.5) / 4.0;
                let samples = (0..16).map(|k| {
                    let (u, v) = (x as f32 + part(k % 4), y as f32 + part(k / 4));
                    let (dx, dy) = bend(u, v);
                    scene(u + times * dx, v + times * dy) / 16.0
                });
                samples.sum::<f32>()
            };
            let values = (0..width * height).map(|i| value(i % width, i / width)).collect();
            Raster { width, height, values }
        };
        let blurred = |source: &Raster, sigma_px: f32| {
            let mut out = Raster::default();
            smooth(source, &Kernel::gaussian(sigma_px), &mut Raster::default(), &mut out);
            out
        };
        let (bent, straight) = (blurred(&drawn(times), 0.7), drawn(0.0));
        // A core in a halo.
        let (core, halo) = (blurred(&straight, 1.2), blurred(&straight, 4.5));
        let values = core.values.iter().zip(&halo.values).map(|(c, h)| 0.6 * c + 0.4 * h).collect();
        let mut mean = Raster::default();
        reduce(&Raster { width, height, values }, 2, &mut mean);
        (bent, mean)
    }

    /// How far `field` is from `times` the bend, px rms, away from the edges.
    fn off(field: &Field, times: f32) -> f32 {
        let (mut sum, mut n) = (0.0, 0.0);
        for y in (30..SIZE.1 - 30).step_by(3) {
            for x in (30..SIZE.0 - 30).step_by(3) {
                let ((fx, fy), (bx, by)) = (field.at(x as f32, y as f32), bend(x as f32, y as f32));
                sum += (fx - times * bx).powi(2) + (fy - times * by).powi(2);
                n += 1.0;
            }
        }
        (sum / n).sqrt()
    }

    #[test]
    fn the_blur_of_the_mean_is_not_taken_for_a_bend() {
        for times in [0.0, 1.0] {
            let (bent, mean) = sharp_and_mean(times);
            let mean = Mean { light: &mean, factor: 2, noise: 1e-6 };
            let matched = off(&mean.lies(&bent, &Silent).expect("nobody stops"), times);
            // Blurred by 4 px, whatever the mean is blurred by.
            let (mut reduced, mut soft) = (Raster::default(), Raster::default());
            reduce(&bent, 2, &mut reduced);
            smooth(&reduced, &Kernel::gaussian(2.0), &mut Raster::default(), &mut soft);
            let aligner = Aligner::new(&soft, mean.settings(&reduced), mean.noise);
            let mut work = RippleWork::default();
            let field =
                aligner.align(&LightRows::Light(mean.light), (0.0, 0.0), None, &mut work, &Silent);
            let mut field = field.expect("nobody stops");
            field.cell_px *= 2;
            field.x_px.iter_mut().chain(field.y_px.iter_mut()).for_each(|d| *d *= 2.0);
            let unmatched = off(&field, times);
            // Measured where it is bent: 0.10 of 0.17 px rms.
            assert!(matched < 0.75 * unmatched, "{times} times bent: {matched}, else {unmatched}");
        }
    }

    #[test]
    fn samples_in_the_middle_and_at_the_edge_are_taken_alike() {
        // What is even and what rises evenly is sampled as it is; a mirror behind the edge is left out of this by the second half.
        let (width, height) = (24, 20);
        let values = (0..width * height).map(|i| (i % width) as f32 + 3.0 * (i / width) as f32);
        let ramp = Raster { width, height, values: values.collect() };
        for (x, y) in [(8.0f32, 9.0f32), (8.25, 9.5), (11.9, 3.1), (4.0, 14.75)] {
            assert!((between(&ramp, x, y) - (x + 3.0 * y)).abs() < 1e-3, "{x} {y}");
        }
        let even = Raster { width, height, values: vec![0.7; width * height] };
        for (x, y) in [(-9.0, 2.0), (0.4, 0.4), (23.9, 19.9), (60.0, -40.0), (12.0, 1.5)] {
            assert!((between(&even, x, y) - 0.7).abs() < 1e-6, "{x} {y}");
        }
    }

    #[test]
    fn a_picture_laid_straight_is_bent_no_longer() {
        let (bent, mean) = sharp_and_mean(1.0);
        let mean = Mean { light: &mean, factor: 2, noise: 1e-6 };
        let straight = mean.straightened(&bent, 16, &Silent).expect("nobody stops");
        let (before, after) = (off(&Field::constant(256, 224, 16, 0.0, 0.0), 1.0), {
            let left = mean.lies(&straight, &Silent).expect("nobody stops");
            off(&left, 0.0)
        });
        assert!(after < 0.2 * before, "{after} of {before}");
    }
}
