//! The finish of a region, ahead of the whole picture: the same functions on a crop with a margin.
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
    Balance, FinishError, FinishSettings, Optics, Point, Sharpening, Tone, WienerSettings,
    margin_px, render_from, resolve, undone,
};
use stillwright_stacking::halves::Region;

/// Most pixels that are finished ahead, margin included. More, and a preview takes longer than the 50 ms
/// that a slider feels immediate in; less, and little of the window follows the slider.
///
/// Measured on one core, for 1050 x 950 px: 40 ms for four detail scales with hold-back, 80 ms for the
/// blur undone before, which is done once for a region and not at every move.
const MOST_PIXELS: usize = 1_400_000;

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

/// A region with the blur undone: what its detail scales start from.
#[derive(Debug)]
pub(crate) struct Ahead {
    stack: StackKey,
    optics: Option<Optics>,
    undo: Option<WienerSettings>,
    /// Left, top, right, bottom.
    crop: [usize; 4],
    picture: Picture,
    light: Option<Vec<f32>>,
}

/// Work out what the region starts from, before any slider moves.
pub(super) fn prepare(job: &Job<'_, Output>, task: &Previewing) -> Result<Output, Cancelled> {
    job.pause(PAN_RESTS)?;
    let settings = known(&task.key.finish, &task.measures);
    let (used, _) = resolve(&*task.stacked.stack, &task.measures.measured, &settings);
    let (_, crop) = places(task, margin_px(&used));
    Ok(match ahead(job, task, &used, crop) {
        Ok(ahead) => Output::Prepared { id: task.id, ahead },
        Err(FinishError::Cancelled(cancelled)) => return Err(cancelled),
        Err(error) => Output::Failed { id: task.id, words: error.to_string() },
    })
}

/// The region that is quick, and its crop with the margin.
fn places(task: &Previewing, margin: usize) -> (Region, [usize; 4]) {
    let whole = &task.stacked.stack.picture;
    let region = quick(task.region, (whole.width(), whole.height()), margin);
    let (left, top) = (region.left.saturating_sub(margin), region.top.saturating_sub(margin));
    let right = (region.left + region.width + margin).min(whole.width());
    let bottom = (region.top + region.height + margin).min(whole.height());
    (region, [left, top, right, bottom])
}

/// What the crop starts from: at hand, or worked out.
fn ahead(
    job: &Job<'_, Output>,
    task: &Previewing,
    used: &FinishSettings,
    crop: [usize; 4],
) -> Result<Arc<Ahead>, FinishError> {
    let undo = match &used.sharpening {
        Sharpening::DetailScales(detail) => detail.undo,
        _ => None,
    };
    let optics = task.measures.told;
    let fits = |a: &&Arc<Ahead>| {
        a.crop == crop && a.undo == undo && a.optics == optics && a.stack == task.stacked.key
    };
    if let Some(at_hand) = task.ahead.as_ref().filter(fits) {
        return Ok(Arc::clone(at_hand));
    }
    let [left, top, right, bottom] = crop;
    let whole = &task.stacked.stack.picture.planes;
    let picture =
        Picture { planes: whole.slice(ndarray::s![.., top..bottom, left..right]).to_owned() };
    let light = undone(&picture, used, &task.measures.measured, job)?;
    Ok(Arc::new(Ahead { stack: task.stacked.key.clone(), optics, undo, crop, picture, light }))
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
    let (region, crop) = places(task, margin_px(&used));
    let rendered = ahead(job, task, &used, crop).and_then(|ahead| {
        let light = ahead.light.as_deref();
        render_from(&ahead.picture, light, &used, &task.measures.measured, job).map(|p| (p, ahead))
    });
    let (rendered, ahead) = match rendered {
        Ok(rendered) => rendered,
        Err(FinishError::Cancelled(cancelled)) => return Err(cancelled),
        Err(error) => return Ok(Output::Failed { id: task.id, words: error.to_string() }),
    };
    let (x, y) = (region.left - crop[0], region.top - crop[1]);
    let part = rendered.planes.slice(ndarray::s![.., y..y + region.height, x..x + region.width]);
    let picture = Arc::new(Picture { planes: part.to_owned() });
    Ok(Output::Previewed(Arc::new(RegionPreview {
        capture: task.id,
        region,
        shown: Shown::finished(picture),
        milliseconds: begun.elapsed().as_secs_f64() * 1e3,
        of_still: task.key.clone(),
        ahead,
    })))
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

/// The part of `region` around its middle that is quick to finish with `margin`, within a picture
/// of `size` (columns, rows); at least one px.
fn quick(region: Region, size: (usize, usize), margin: usize) -> Region {
    let left = region.left.min(size.0.saturating_sub(1));
    let top = region.top.min(size.1.saturating_sub(1));
    let mut width = region.width.clamp(1, size.0 - left);
    let mut height = region.height.clamp(1, size.1 - top);
    let (middle_x, middle_y) = (left + width / 2, top + height / 2);
    let cost = |w: usize, h: usize| (w + 2 * margin) * (h + 2 * margin);
    if cost(width, height) > MOST_PIXELS {
        // The largest square that is quick; a narrow region keeps its short side.
        let side = (MOST_PIXELS as f64).sqrt() as usize;
        let side = side.saturating_sub(2 * margin).max(64);
        if height <= side {
            width =
                width.min((MOST_PIXELS / (height + 2 * margin)).saturating_sub(2 * margin).max(64));
        } else if width <= side {
            height =
                height.min((MOST_PIXELS / (width + 2 * margin)).saturating_sub(2 * margin).max(64));
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
            let part = quick(region, size, margin);
            assert!(part.width > 0 && part.height > 0, "{region:?}");
            assert!(part.left + part.width <= size.0 && part.top + part.height <= size.1);
            let cost = (part.width + 2 * margin) * (part.height + 2 * margin);
            let least = (64 + 2 * margin) * (64 + 2 * margin);
            assert!(cost <= MOST_PIXELS.max(least), "{region:?} {part:?}");
            assert!(part.width <= region.width.max(1) && part.height <= region.height.max(1));
        }
        let small = Region { left: 100, top: 50, width: 400, height: 300 };
        assert_eq!(quick(small, size, 100), small);
    }
}
