//! Where the whole scene lies in a frame: texture for close-ups, the disc's centre first for a
//! disc on black sky.

use crate::area::AreaSums;
use crate::band::BandPass;
use crate::disc::{Disc, find_disc};
use crate::raster::{Raster, reduce, reduce_piece, row_sum};
use crate::survey::SceneKind;
use crate::template::{Found, Template, TemplateShape, TemplateWork};
use stillwright_picture::Shift;

/// Frames are reduced by this factor before the whole-frame shift is looked for: enough px are
/// left (at least about 120 a side) for a shift good to a fraction of a frame pixel, which the
/// ripple of the air makes uncertain by more anyway.
pub fn reduction_factor(width: usize, height: usize) -> usize {
    (width.min(height) / 240).clamp(1, 4).max(if width.min(height) >= 160 { 2 } else { 1 })
}

/// The largest length up to `n` whose FFT takes no detour: 2, 3 and 5 are its only factors.
pub(crate) fn quick_length(n: usize) -> usize {
    let quick = |mut m: usize| {
        for factor in [2, 3, 5] {
            while m.is_multiple_of(factor) {
                m /= factor;
            }
        }
        m == 1
    };
    (1..=n).rev().find(|m| quick(*m)).unwrap_or(1)
}

/// Reduced px along the frame's edge that the least squares passes over: within one coarse sigma
/// the band-pass sees what it made up beyond the edge, and that stays with the frame.
const EDGE_PX: usize = 10;

/// Reductions of the band-passed light on which ground is looked for first, the larger the
/// better, as long as this many px are left on each side.
const FIRST_FACTORS: [usize; 2] = [4, 2];
const FIRST_PX: usize = 48;

/// How far from its best place the scene is put, reduced px: the ripple of the air moves the whole by more.
const PRECISE_PX: f32 = 0.02;

/// The band in which frames are compared, between two Gaussians, reduced px.
const BAND_PX: (f32, f32) = (1.5, 10.0);

/// Scenes are followed on half of the reduced size, where this many px of what is compared are left on each side: the band leaves nothing
/// that would need more of them. On fewer px the ripple of the air and the noise would no longer average out as well.
const HALVED_PX: usize = 100;

/// The least squares finds a disc by itself from its centroid as long as that is no further off, reduced px,
/// or where what it found matches as well as this.
const NEAR_PX: f32 = 1.5;
const ALIKE: f32 = 0.8;

/// So much around the template, reduced px, is band-passed where a disc is expected: the least squares moves by 4 px at most and looks
/// 3 px further. Pieces begin at multiples of the band-pass's blocks.
const AROUND_PX: usize = 8;
const GRID_PX: usize = 4;

/// Of this many rows one tells how much contrast a frame has: whether any is left is all that is asked.
const CONTRAST_STEP: usize = 4;

/// Matches below this correlation are looked for again without the first step's reduction.
const TRUSTED: f32 = 0.4;

/// Follows the scene from frame to frame on reduced light.
///
/// Ground is looked for on a quarter of the reduced size, which takes a fiftieth of the time,
/// and its place refined on the reduced light itself, or on half its size where enough is left. Where the match is poor, the
/// search is done at that size, too. Of a disc, only what surrounds it is compared, likewise on half the size where that leaves enough.
#[derive(Clone)]
pub struct SceneTracker {
    /// Px of the frame to one of what is compared.
    factor: usize,
    /// Whether the reduced light is halved before it is compared.
    halved: bool,
    shape: TemplateShape,
    template: Template,
    first: Option<First>,
    reference: Raster,
    /// What is compared with, the reference or half its size: its size, and its sums over any part.
    compared_px: (usize, usize),
    sums: AreaSums,
    disc: Option<Disc>,
}

/// The reference for the first step.
#[derive(Clone)]
struct First {
    factor: usize,
    shape: TemplateShape,
    template: Template,
}

/// Buffers of one worker.
#[derive(Clone, Debug)]
pub struct TrackerWork {
    band: BandPass,
    /// The same band where a px is two.
    band_halved: BandPass,
    halved: Raster,
    passed: Raster,
    small: Raster,
    template: TemplateWork,
}

impl Default for TrackerWork {
    fn default() -> Self {
        TrackerWork {
            band: BandPass::new(BAND_PX.0, BAND_PX.1),
            band_halved: BandPass::on_blocks(0.5 * BAND_PX.0, 0.5 * BAND_PX.1, 2),
            halved: Raster::default(),
            passed: Raster::default(),
            small: Raster::default(),
            template: TemplateWork::default(),
        }
    }
}

impl TrackerWork {
    /// Band-pass `light`, which is the reduced light or half its size.
    fn pass(&mut self, light: &Raster, halved: bool) {
        let band = if halved { &mut self.band_halved } else { &mut self.band };
        band.apply(light, &mut self.passed);
    }
}

/// Where the scene lies, how well it matches, and how bright it is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tracked {
    /// In px of the frame (not reduced).
    pub shift: Shift,
    /// Normalised correlation with the reference, -1 to 1.
    pub correlation: f32,
    /// Mean brightness relative to the reference, over what both show.
    pub brightness: f32,
    /// Standard deviation of the light that was compared, share of full scale.
    pub contrast: f32,
}

impl SceneTracker {
    /// Track what `reference` (light reduced by `factor`) shows. `None` when the reference is
    /// smaller than 16 px a side.
    pub fn new(
        kind: SceneKind,
        factor: usize,
        reference: &Raster,
        work: &mut TrackerWork,
    ) -> Option<SceneTracker> {
        if reference.width < 16 || reference.height < 16 {
            return None;
        }
        let find = |light: &Raster| if kind == SceneKind::Disc { find_disc(light) } else { None };
        // What is compared: the whole frame, or what surrounds a disc.
        let part = |disc: Option<Disc>, light: &Raster, edge_px: usize| match disc {
            Some(disc) => disc.surroundings(light, edge_px),
            None => ((0, 0), (light.width, light.height)),
        };
        let (_, (width, height)) = part(find(reference), reference, EDGE_PX);
        let halved = width.min(height) / 2 >= HALVED_PX;
        let mut compared = reference.clone();
        let times = if halved { 2 } else { 1 };
        if halved {
            reduce(reference, 2, &mut compared);
        }
        work.pass(&compared, halved);
        let disc = find(&compared);
        let (corner, size) = part(disc, &compared, EDGE_PX / times);
        // Every second row of what is compared: the band leaves nothing between rows that their neighbours do not show.
        let shape = TemplateShape::new(size.0, size.1)
            .away_from_edges(EDGE_PX / times)
            .no_finer_than(PRECISE_PX / times as f32, 2);
        let template = Template::cut(&shape, &work.passed, corner.0, corner.1, &mut work.template);
        let large = |factor: &usize| {
            reference.width.min(reference.height) / factor >= FIRST_PX && disc.is_none()
        };
        let first = FIRST_FACTORS.into_iter().find(large).map(|factor| factor / times);
        let first = first.filter(|factor| *factor > 1).map(|factor| {
            reduce(&work.passed, factor, &mut work.small);
            let small = &work.small;
            let (width, height) = (quick_length(small.width), quick_length(small.height));
            let shape = TemplateShape::new(width, height);
            let corner = ((small.width - width) / 2, (small.height - height) / 2);
            let template = Template::cut(&shape, small, corner.0, corner.1, &mut work.template);
            First { factor, shape, template }
        });
        let factor = factor * times;
        let reference = reference.clone();
        Some(SceneTracker {
            factor,
            halved,
            shape,
            template,
            first,
            reference,
            compared_px: (compared.width, compared.height),
            sums: AreaSums::of(&compared),
            disc,
        })
    }

    /// What the tracker compares with, reduced light.
    pub fn reference(&self) -> &Raster {
        &self.reference
    }

    /// Px of the frame to one of what is compared: the reduced light, or half its size.
    pub fn compared_factor(&self) -> usize {
        self.factor
    }

    /// Find the scene in reduced light.
    pub fn track(&self, reduced: &Raster, work: &mut TrackerWork) -> Tracked {
        if !self.halved {
            return self.track_compared(reduced, work);
        }
        let mut half = std::mem::take(&mut work.halved);
        reduce(reduced, 2, &mut half);
        let tracked = self.track_compared(&half, work);
        work.halved = half;
        tracked
    }

    /// Find the scene in light reduced by [`SceneTracker::compared_factor`].
    pub fn track_compared(&self, light: &Raster, work: &mut TrackerWork) -> Tracked {
        let seen = self.disc.and_then(|home| find_disc(light).map(|seen| (seen, home)));
        let guess =
            seen.map_or((0.0, 0.0), |(seen, home)| (seen.x_px - home.x_px, seen.y_px - home.y_px));
        let quick = match self.disc {
            Some(_) => self.find_nearby(light, guess, work),
            None => {
                work.pass(light, self.halved);
                self.find_quickly(guess, work)
            }
        };
        let found = quick.filter(|found| found.correlation >= TRUSTED).unwrap_or_else(|| {
            if self.disc.is_some() {
                work.pass(light, self.halved);
            }
            let (shape, template) = (&self.shape, &mut work.template);
            let start = self.template.search(shape, &work.passed, guess, 3, template);
            self.template.refine(shape, &work.passed, start, 0.0, template)
        });
        let brightness = self.brightness_at(light, (found.x_px, found.y_px));
        let scale = self.factor as f32;
        let shift = Shift {
            x_px: found.x_px * scale,
            y_px: found.y_px * scale,
            confidence: found.correlation.clamp(0.0, 1.0),
        };
        let contrast = light.deviation(CONTRAST_STEP);
        Tracked { shift, correlation: found.correlation, brightness, contrast }
    }

    /// Find a disc whose centroid is known. Only what the template can touch around it is band-passed.
    fn find_nearby(
        &self,
        light: &Raster,
        guess: (f32, f32),
        work: &mut TrackerWork,
    ) -> Option<Found> {
        let span = |first: usize, length: usize, moved: f32, n: usize| {
            let first = first as f32 + moved.round() - AROUND_PX as f32;
            let low = first.clamp(0.0, n as f32) as usize / GRID_PX * GRID_PX;
            low..(low + (length + 2 * AROUND_PX).next_multiple_of(GRID_PX)).min(n)
        };
        let (shape, template) = (&self.shape, &self.template);
        let across = span(template.x0, shape.width(), guess.0, light.width);
        let down = span(template.y0, shape.height(), guess.1, light.height);
        let corner = (across.start as f32, down.start as f32);
        let mut piece = std::mem::take(&mut work.small);
        reduce_piece(light, 1, (across, down), &mut piece);
        work.pass(&piece, self.halved);
        work.small = piece;
        let start = (guess.0 - corner.0, guess.1 - corner.1);
        let mut found = template.refine(shape, &work.passed, start, 0.0, &mut work.template);
        (found.x_px, found.y_px) = (found.x_px + corner.0, found.y_px + corner.1);
        let away = (found.x_px - guess.0).hypot(found.y_px - guess.1);
        (away <= NEAR_PX || found.correlation >= ALIKE).then_some(found)
    }

    /// Find the scene in the band-passed light in `work` by way of the first step.
    fn find_quickly(&self, guess: (f32, f32), work: &mut TrackerWork) -> Option<Found> {
        let first = self.first.as_ref()?;
        let scale = first.factor as f32;
        reduce(&work.passed, first.factor, &mut work.small);
        let guess = (guess.0 / scale, guess.1 / scale);
        let (x, y) = first.template.search(&first.shape, &work.small, guess, 3, &mut work.template);
        let start = (x * scale, y * scale);
        Some(self.template.refine(&self.shape, &work.passed, start, 0.0, &mut work.template))
    }

    /// Mean of the frame over that of the reference, where both show the scene.
    fn brightness_at(&self, reduced: &Raster, at: (f32, f32)) -> f32 {
        let (width, height) = self.compared_px;
        let overlap = |shift: f32, n: usize| {
            let shift = if shift.is_finite() { shift.round() as isize } else { 0 };
            let low = (-shift).clamp(0, n as isize);
            let high = (n as isize - shift).clamp(low, n as isize);
            (low as usize, high as usize, shift)
        };
        let (x_low, x_high, dx) = overlap(at.0, width.min(reduced.width));
        let (y_low, y_high, dy) = overlap(at.1, height.min(reduced.height));
        let mut seen = 0.0f64;
        for y in y_low..y_high {
            let here = reduced.row((y as isize + dy) as usize);
            let from = (x_low as isize + dx) as usize;
            let n = x_high - x_low;
            seen += row_sum(&here[from..from + n]);
        }
        let expected = self.sums.over(x_low..x_high, y_low..y_high);
        if expected > 0.0 { (seen / expected) as f32 } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disc::looks_like_a_disc;

    /// Hills of several sizes, moved by (dx, dy).
    fn ground(dx: f32, dy: f32) -> Raster {
        ground_of(160, 128, dx, dy)
    }

    fn ground_of(width: usize, height: usize, dx: f32, dy: f32) -> Raster {
        let mut r = Raster::zeros(width, height);
        for y in 0..height {
            for x in 0..width {
                let mut v = 0.4;
                for k in 0..60u32 {
                    // Scattered without a pattern that repeats (Knuth's multiplicative hash).
                    let place = k.wrapping_mul(2_654_435_761) >> 8;
                    let cx = (place % 221) as f32 - 30.0 + dx;
                    let cy = (place / 221 % 191) as f32 - 30.0 + dy;
                    let s = 3.0 + (k % 5) as f32;
                    let d2 = (x as f32 - cx).powi(2) + (y as f32 - cy).powi(2);
                    let sign = if k % 2 == 0 { 0.1 } else { -0.1 };
                    v += sign * (-0.5 * d2 / (s * s)).exp();
                }
                r.values[y * width + x] = v;
            }
        }
        r
    }

    #[test]
    fn ground_with_px_to_spare_is_followed_as_well_on_half_the_size() {
        let mut work = TrackerWork::default();
        let home = ground_of(240, 204, 0.0, 0.0);
        let tracker = SceneTracker::new(SceneKind::Ground, 4, &home, &mut work).unwrap();
        assert!(tracker.halved);
        assert_eq!(tracker.reference(), &home);
        for (dx, dy) in [(0.0, 0.0), (0.4, 0.5), (1.0, 1.0), (3.25, -7.6), (-22.4, 13.3)] {
            let mut moved = ground_of(240, 204, dx, dy);
            moved.values.iter_mut().for_each(|v| *v *= 0.8);
            let tracked = tracker.track(&moved, &mut work);
            let error = (tracked.shift.x_px - 4.0 * dx).hypot(tracked.shift.y_px - 4.0 * dy);
            assert!(error < 0.1, "({dx}, {dy}): {tracked:?}");
            assert!((tracked.brightness - 0.8).abs() < 0.01, "{tracked:?}");
        }
    }

    #[test]
    fn the_halved_band_has_no_pattern_that_stays_with_the_frame() {
        let mut work = TrackerWork::default();
        // Broad waves, moved by one px: the band must move with them.
        let passed = [0, 1].map(|moved| {
            let mut wave = Raster::zeros(160, 160);
            for (i, v) in wave.values.iter_mut().enumerate() {
                *v = (std::f32::consts::TAU * ((i / 160) as f32 - moved as f32) / 14.0).sin();
            }
            work.band_halved.apply(&wave, &mut work.passed);
            work.passed.clone()
        });
        let [home, moved] = &passed;
        let off = (40..120).map(|y| (moved.row(y + 1)[80] - home.row(y)[80]).abs());
        let worst = off.fold(0.0, f32::max);
        assert!(worst < 0.004, "{worst}");
    }

    #[test]
    fn texture_is_followed_to_a_tenth_of_a_pixel_and_brightness_with_it() {
        let mut work = TrackerWork::default();
        let home = ground(0.0, 0.0);
        let tracker = SceneTracker::new(SceneKind::Ground, 2, &home, &mut work).unwrap();
        for (dx, dy) in [(0.0, 0.0), (3.25, -7.6), (-22.4, 13.3), (31.0, 20.0)] {
            let mut moved = ground(dx, dy);
            moved.values.iter_mut().for_each(|v| *v *= 0.8);
            let tracked = tracker.track(&moved, &mut work);
            let error = (tracked.shift.x_px - 2.0 * dx).hypot(tracked.shift.y_px - 2.0 * dy);
            assert!(error < 0.1, "({dx}, {dy}): {tracked:?}");
            assert!((tracked.brightness - 0.8).abs() < 0.01, "{tracked:?}");
            assert!(tracked.correlation > 0.99);
        }
    }

    #[test]
    fn a_disc_is_followed_across_the_frame() {
        let disc = |cx: f32, cy: f32| {
            let mut r = Raster::zeros(200, 150);
            for y in 0..150 {
                for x in 0..200 {
                    let d = (x as f32 - cx).hypot(y as f32 - cy);
                    let limb = 1.0 / (1.0 + ((d - 18.0) / 1.2).exp());
                    let belts = 1.0 + 0.2 * ((y as f32 - cy) * 0.6).sin();
                    r.values[y * 200 + x] = 0.01 + 0.6 * limb * belts;
                }
            }
            r
        };
        let mut work = TrackerWork::default();
        let home = disc(100.0, 75.0);
        assert!(looks_like_a_disc(&home));
        assert!(!looks_like_a_disc(&ground(0.0, 0.0)));
        let tracker = SceneTracker::new(SceneKind::Disc, 1, &home, &mut work).unwrap();
        for (cx, cy) in [(100.0, 75.0), (30.3, 34.8), (170.5, 110.2)] {
            let tracked = tracker.track(&disc(cx, cy), &mut work);
            let error = (tracked.shift.x_px - cx + 100.0).hypot(tracked.shift.y_px - cy + 75.0);
            assert!(error < 0.05, "({cx}, {cy}): {tracked:?}");
        }
    }
}
