//! The finish of a region, ahead of the whole picture: the same functions on a crop with a margin. A
//! region too large for that is worked out in blocks while nothing else is to be done ([`Reduced`]);
//! from these it follows a slider as a whole.
//!
//! Only what the whole picture decides is taken from the last whole still: automatic black and
//! white points. Everything else is exact for detail scales, and nearly so for deconvolution (see
//! [`margin_px`]).

use super::entry::{CaptureId, Entry, Stacked};
use super::figures::Measures;
use super::key::{FinishKey, StackKey};
use super::lanes::Output;
use super::shown::{RegionPreview, Shown};
use crate::jobs::Job;
use std::sync::Arc;
use std::time::{Duration, Instant};
use stillwright_picture::{Cancelled, Picture};
use stillwright_stacking::finish::{
    Balance, FinishError, FinishSettings, Optics, Point, Reduced, Sharpening, Tone, Undone,
    WienerSettings, margin_px, render_from, resolve, undone,
};
use stillwright_stacking::halves::Region;

/// Most pixels that are finished ahead, margin included. More, and a preview takes longer than the 50 ms
/// that a slider feels immediate in; less, and little of the window follows the slider.
///
/// Measured on one core, for 1050 x 950 px: 40 ms for four detail scales with hold-back, 80 ms for the
/// blur undone before, which is done once for a region and not at every move.
const MOST_PIXELS: usize = 1_400_000;

/// The same where the blur is still to be undone: a slider that moves before the region was prepared. 1.4
/// million took 70 ms on two cores.
const MOST_UNPREPARED: usize = 800_000;

/// Time in which the view may move on before its region is prepared.
const PAN_RESTS: Duration = Duration::from_millis(100);

/// What a preview needs.
pub(super) struct Previewing {
    pub id: CaptureId,
    pub region: Region,
    pub key: FinishKey,
    pub stacked: Arc<Stacked>,
    pub measures: Arc<Measures>,
    /// The tone that the last whole still came to.
    pub tone: Option<Tone>,
    /// What was worked out for the last region.
    pub ahead: Option<Arc<Ahead>>,
}

/// What the last region starts from.
#[derive(Debug)]
pub(crate) struct Ahead {
    stack: StackKey,
    optics: Option<Optics>,
    kind: Kind,
}

#[derive(Debug)]
enum Kind {
    /// A crop with the blur undone: what its detail scales start from.
    Crop {
        undo: Option<WienerSettings>,
        /// Left, top, right, bottom.
        crop: [usize; 4],
        picture: Picture,
        light: Option<Box<Undone>>,
    },
    /// A region too large to be finished px by px.
    Reduced { region: Region, reduced: Box<Reduced> },
}

/// Work out what the region starts from, before any slider moves.
pub(super) fn prepare(job: &Job<'_, Output>, task: &Previewing) -> Result<Output, Cancelled> {
    job.pause(PAN_RESTS)?;
    let settings = known(&task.key.finish, &task.measures);
    let (used, _) = resolve(&*task.stacked.stack, &task.measures.measured, &settings);
    let ahead = match reduced_ahead(job, task, &used) {
        Ok(Some(ahead)) => Ok(ahead),
        Ok(None) => ahead(job, task, &used, places(task, margin_px(&used), MOST_PIXELS).1),
        Err(error) => Err(error),
    };
    Ok(match ahead {
        Ok(ahead) => Output::Prepared { id: task.id, ahead },
        Err(FinishError::Cancelled(cancelled)) => return Err(cancelled),
        Err(error) => Output::Failed { id: task.id, words: error.to_string() },
    })
}

/// For a region too large for its pixels: it in blocks, and how large they are. Blocks lie on the grid of
/// the whole picture, so that they are those of its levels on the screen.
fn in_blocks(task: &Previewing, used: &FinishSettings) -> Option<(Region, usize)> {
    let whole = &task.stacked.stack.picture;
    let (width, height) = (whole.width(), whole.height());
    let (region, _) = places(task, margin_px(used), MOST_PIXELS);
    let wished = clipped(task.region, (width, height));
    if region == wished {
        return None;
    }
    let mut factor = 2;
    while (wished.width / factor) * (wished.height / factor) > MOST_PIXELS {
        factor *= 2;
    }
    let span = |first: usize, len: usize, all: usize| {
        let from = first / factor * factor;
        (from, ((first + len).next_multiple_of(factor).min(all) - from) / factor * factor)
    };
    let (left, width) = span(wished.left, wished.width, width);
    let (top, height) = span(wished.top, wished.height, height);
    (width > 0 && height > 0).then_some((Region { left, top, width, height }, factor))
}

/// The blocks of a large region: at hand, or worked out; `None` for a region that is quick px by px, and
/// where sharpening is not by detail scales.
fn reduced_ahead(
    job: &Job<'_, Output>,
    task: &Previewing,
    used: &FinishSettings,
) -> Result<Option<Arc<Ahead>>, FinishError> {
    if let Some((at_hand, _, reduced)) = blocks_at_hand(task, used)
        && reduced.serves_exactly(used)
    {
        return Ok(Some(at_hand));
    }
    let Some((region, factor)) = in_blocks(task, used) else { return Ok(None) };
    let Some(margin) = Reduced::margin_px(used) else { return Ok(None) };
    let whole = &task.stacked.stack.picture;
    let [left, top, right, bottom] = around(region, margin, whole);
    let crop = Picture {
        planes: whole.planes.slice(ndarray::s![.., top..bottom, left..right]).to_owned(),
    };
    let inner = Region { left: region.left - left, top: region.top - top, ..region };
    let made = Reduced::new(&crop, inner, factor, used, &task.measures.measured, job)?;
    Ok(made.map(|reduced| {
        let kind = Kind::Reduced { region, reduced: Box::new(reduced) };
        Arc::new(Ahead { stack: task.stacked.key.clone(), optics: task.measures.told, kind })
    }))
}

/// The blocks of the last region, where they serve.
fn blocks_at_hand<'a>(
    task: &'a Previewing,
    used: &FinishSettings,
) -> Option<(Arc<Ahead>, Region, &'a Reduced)> {
    let ahead = task.ahead.as_ref().filter(|ahead| ahead.is_of(task))?;
    let Kind::Reduced { region, reduced } = &ahead.kind else { return None };
    let same = in_blocks(task, used) == Some((*region, reduced.factor()));
    (same && reduced.serves(used)).then(|| (Arc::clone(ahead), *region, &**reduced))
}

impl Ahead {
    /// Whether it is of the stack and the optics that `task` has.
    fn is_of(&self, task: &Previewing) -> bool {
        self.optics == task.measures.told && self.stack == task.stacked.key
    }
}

/// `region` with a margin, within `whole`: left, top, right, bottom.
fn around(region: Region, margin: usize, whole: &Picture) -> [usize; 4] {
    let (left, top) = (region.left.saturating_sub(margin), region.top.saturating_sub(margin));
    let right = (region.left + region.width + margin).min(whole.width());
    let bottom = (region.top + region.height + margin).min(whole.height());
    [left, top, right, bottom]
}

/// The region of at most `most` px, and its crop with the margin.
fn places(task: &Previewing, margin: usize, most: usize) -> (Region, [usize; 4]) {
    let whole = &task.stacked.stack.picture;
    let region = quick(task.region, (whole.width(), whole.height()), margin, most);
    (region, around(region, margin, whole))
}

/// The blur that is undone before the detail scales.
pub(super) fn undo_of(used: &FinishSettings) -> Option<WienerSettings> {
    match &used.sharpening {
        Sharpening::DetailScales(detail) => detail.undo,
        _ => None,
    }
}

/// The crop of the last region, where it serves.
fn crop_at_hand(task: &Previewing, used: &FinishSettings, crop: [usize; 4]) -> Option<Arc<Ahead>> {
    let undo = undo_of(used);
    let fits = |a: &&Arc<Ahead>| {
        let same =
            matches!(&a.kind, Kind::Crop { undo: u, crop: c, .. } if *u == undo && *c == crop);
        same && a.is_of(task)
    };
    task.ahead.as_ref().filter(fits).map(Arc::clone)
}

/// What the crop starts from: at hand, or worked out.
fn ahead(
    job: &Job<'_, Output>,
    task: &Previewing,
    used: &FinishSettings,
    crop: [usize; 4],
) -> Result<Arc<Ahead>, FinishError> {
    if let Some(at_hand) = crop_at_hand(task, used, crop) {
        return Ok(at_hand);
    }
    let undo = undo_of(used);
    let [left, top, right, bottom] = crop;
    let whole = &task.stacked.stack.picture.planes;
    let picture =
        Picture { planes: whole.slice(ndarray::s![.., top..bottom, left..right]).to_owned() };
    let light = undone(&picture, used, &task.measures.measured, job)?.map(Box::new);
    let kind = Kind::Crop { undo, crop, picture, light };
    Ok(Arc::new(Ahead { stack: task.stacked.key.clone(), optics: task.measures.told, kind }))
}

/// Finish the region.
pub(super) fn preview(job: &Job<'_, Output>, task: &Previewing) -> Result<Output, Cancelled> {
    let begun = Instant::now();
    let stack = &task.stacked.stack;
    let settings = known(&task.key.finish, &task.measures);
    let (mut used, _) = resolve(&**stack, &task.measures.measured, &settings);
    if let Some(tone) = task.tone {
        let kept = |point, last| if point == Point::Auto { last } else { point };
        used.tone.black = kept(used.tone.black, tone.black);
        used.tone.white = kept(used.tone.white, tone.white);
    }
    if used.tone.check().is_err() {
        // An automatic point of the last still beyond a new one of the person's.
        used.tone = task.key.finish.tone;
    }
    let (region, picture, ahead) = match rendered(job, task, &used) {
        Ok(rendered) => rendered,
        Err(FinishError::Cancelled(cancelled)) => return Err(cancelled),
        Err(error) => return Ok(Output::Failed { id: task.id, words: error.to_string() }),
    };
    Ok(Output::Previewed(Arc::new(RegionPreview {
        capture: task.id,
        region,
        shown: Shown::finished(Arc::new(picture)),
        milliseconds: begun.elapsed().as_secs_f64() * 1e3,
        of_still: task.key.clone(),
        ahead,
    })))
}

/// The region from its blocks where they are at hand, else as much of it px by px as is quick.
fn rendered(
    job: &Job<'_, Output>,
    task: &Previewing,
    used: &FinishSettings,
) -> Result<(Region, Picture, Arc<Ahead>), FinishError> {
    if let Some((ahead, region, reduced)) = blocks_at_hand(task, used) {
        return Ok((region, reduced.render(used, job)?, ahead));
    }
    let margin = margin_px(used);
    let (mut region, mut crop) = places(task, margin, MOST_PIXELS);
    if undo_of(used).is_some() && crop_at_hand(task, used, crop).is_none() {
        (region, crop) = places(task, margin, MOST_UNPREPARED);
    }
    let ahead = ahead(job, task, used, crop)?;
    let Kind::Crop { picture, light, .. } = &ahead.kind else {
        return Err(FinishError::Setting("the region was not prepared".into()));
    };
    let whole = render_from(picture, light.as_deref(), used, &task.measures.measured, job)?;
    let (x, y) = (region.left - crop[0], region.top - crop[1]);
    let part = whole.planes.slice(ndarray::s![.., y..y + region.height, x..x + region.width]);
    let picture = Picture { planes: part.to_owned() };
    Ok((region, picture, ahead))
}

/// The settings with everything that was found before put in, so that resolving them costs
/// nothing.
fn known(finish: &FinishSettings, measures: &Measures) -> FinishSettings {
    let mut settings = finish.clone();
    if settings.sharpening == Sharpening::Automatic {
        settings.sharpening =
            measures.rest.clone().map_or(Sharpening::None, Sharpening::DetailScales);
    }
    if settings.colour.balance == Balance::Neutral {
        settings.colour.balance = measures.neutral.balance;
    }
    settings
}

/// `region` cut to a picture of `size` (columns, rows); at least one px.
fn clipped(region: Region, size: (usize, usize)) -> Region {
    let left = region.left.min(size.0.saturating_sub(1));
    let top = region.top.min(size.1.saturating_sub(1));
    let width = region.width.clamp(1, size.0 - left);
    let height = region.height.clamp(1, size.1 - top);
    Region { left, top, width, height }
}

/// The part of `region` around its middle that has at most `most` px with `margin`, within a picture of
/// `size` (columns, rows); at least one px.
fn quick(region: Region, size: (usize, usize), margin: usize, most: usize) -> Region {
    let Region { left, top, mut width, mut height } = clipped(region, size);
    let (middle_x, middle_y) = (left + width / 2, top + height / 2);
    let cost = |w: usize, h: usize| (w + 2 * margin) * (h + 2 * margin);
    if cost(width, height) > most {
        // The largest square that is quick; a narrow region keeps its short side.
        let side = (most as f64).sqrt() as usize;
        let side = side.saturating_sub(2 * margin).max(64);
        if height <= side {
            width = width.min((most / (height + 2 * margin)).saturating_sub(2 * margin).max(64));
        } else if width <= side {
            height = height.min((most / (width + 2 * margin)).saturating_sub(2 * margin).max(64));
        } else {
            (width, height) = (side, side);
        }
    }
    let place = |middle: usize, n: usize, first: usize, all: usize| {
        middle.saturating_sub(n / 2).max(first).min(all - n)
    };
    Region {
        left: place(middle_x, width, left, size.0),
        top: place(middle_y, height, top, size.1),
        width,
        height,
    }
}

impl RegionPreview {
    /// Whether it shows the present recipe of its capture, and the stack that is there.
    pub fn is_current(&self, entry: &Entry) -> bool {
        self.of_still.finish == entry.recipe.finish
            && entry.stacked.as_ref().is_some_and(|s| s.key == self.of_still.stack)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_finished_ahead_is_bounded_and_lies_within_what_is_seen() {
        let size = (4144, 2822);
        for (region, margin) in [
            (Region { left: 0, top: 0, width: 4144, height: 2822 }, 140),
            (Region { left: 100, top: 50, width: 400, height: 300 }, 140),
            (Region { left: 4000, top: 2800, width: 500, height: 500 }, 64),
            (Region { left: 0, top: 10, width: 4144, height: 20 }, 100),
            (Region { left: 9999, top: 9999, width: 0, height: 0 }, 0),
            (Region { left: 7, top: 0, width: 20, height: 2822 }, 300),
        ] {
            let part = quick(region, size, margin, MOST_PIXELS);
            assert!(part.width > 0 && part.height > 0, "{region:?}");
            assert!(part.left + part.width <= size.0 && part.top + part.height <= size.1);
            let cost = (part.width + 2 * margin) * (part.height + 2 * margin);
            let least = (64 + 2 * margin) * (64 + 2 * margin);
            assert!(cost <= MOST_PIXELS.max(least), "{region:?} {part:?}");
            assert!(part.width <= region.width.max(1) && part.height <= region.height.max(1));
        }
        let small = Region { left: 100, top: 50, width: 400, height: 300 };
        assert_eq!(quick(small, size, 100, MOST_PIXELS), small);
    }
}
