//! Pass 2: kept frames, aligned and added.

use crate::accumulate::{Accumulator, size_at};
use crate::advice::{KeepAdvice, advise};
use crate::align::{Bench, Lay};
use crate::cmy::{AsBayer, stack_to_rgb, to_rgb};
use crate::coverage::covered;
use crate::credible::enlarged;
use crate::drizzle::{Drop, LEAST_PIXFRAC, Resampling, usual_pixfrac};
use crate::fields::Laying;
use crate::groundwork::Groundwork;
use crate::halves::Region;
use crate::keep::{Worth, kept_frames};
use crate::noise_map::noise_map;
use crate::parts::{Asked, Division, add_up, parts_of};
use crate::patient::Again;
use crate::sampling::Sampling;
use crate::unrest::{Telling, Unrest};
use crate::watched::{Kept, Onward, Watched};
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, FrameSource, Layout, Picture, Progress, Shift, Stage};
use stillwright_seeing::Survey;
use stillwright_seeing::field::Field;

/// How large a share of the best moments is kept.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Keep {
    /// The share at which the stack holds the most information.
    Auto,
    /// Percent of the usable frames, above 0 and up to 100.
    Percent(f32),
}

/// How much time a frame is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pace {
    /// Every frame is laid on the reference, at half size.
    #[default]
    Quick,
    /// Once more, at full size, on the stack itself. Two to three times as long; straightened error 2 % (noisy, D/r0 5) to
    /// 4 % (mosaic) less, in calm air none.
    Patient,
}

/// What the stack is told. Every field has a default that suits a newcomer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StackSettings {
    /// How much is kept.
    pub keep: Keep,
    /// Frames are aligned where this keep (percent, above 0 and up to 100) asks for them, if it is larger than the one
    /// that is stacked: so a stack can follow another with less aligned anew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aligned_for: Option<f32>,
    /// Output pixels per capture pixel, 0.5 to 4.
    pub scale: f32,
    /// How samples come to lie between pixels.
    pub resampling: Resampling,
    /// How much time a frame is given.
    pub pace: Pace,
    /// Side of the tiles that are aligned by themselves, px of the capture; 0 decides from the
    /// picture.
    pub tile_px: usize,
    /// Leave out what one frame alone shows at a place: a satellite, a cosmic ray.
    pub reject_outliers: bool,
}

impl StackSettings {
    /// The keep that frames are aligned for where one of `percent` is stacked, percent.
    pub fn aligned_for(&self, percent: f32) -> f32 {
        self.aligned_for.map_or(percent, |aligned_for| aligned_for.max(percent))
    }
}

impl Default for StackSettings {
    fn default() -> Self {
        StackSettings {
            keep: Keep::Auto,
            aligned_for: None,
            scale: 1.0,
            resampling: Resampling::Auto,
            pace: Pace::Quick,
            tile_px: 0,
            reject_outliers: true,
        }
    }
}

/// The kept light, added up, on the reference frame's pixel grid (times scale).
#[derive(Clone, Debug)]
pub struct Stack {
    /// All kept frames; linear, share of the camera's full scale.
    pub picture: Picture,
    /// The part that nearly all kept frames show, px of the output: without the rims that drift bares.
    pub covered: Region,
    /// Two stacks of one half of the kept frames each: they share no frame.
    pub halves: [Picture; 2],
    /// Standard deviation of each sample, from what the halves differ by near it and what was added there; not a number
    /// where nothing was. Neighbours are alike ([`crate::noise_ratio`]).
    pub noise: Picture,
    /// The keep that was used, percent.
    pub keep_percent: f32,
    /// Why that keep, where it was left to the program.
    pub advice: Option<KeepAdvice>,
    /// Frames that gave light to some place.
    pub frames_used: usize,
    /// Frames that each place was given, on average (the keep times the usable frames).
    pub frames_per_place: usize,
    /// Tiles that were aligned by themselves.
    pub tiles: usize,
    /// Output pixels per capture pixel.
    pub scale: f32,
    /// Side of the drops, share of a capture pixel's, where the frames were drizzled.
    pub pixfrac: Option<f32>,
    /// Agreement of two halves of the kept frames, stacked at the capture's scale, just below half a cycle per px of the
    /// capture, -1 to 1; where it decided whether the frames were drizzled.
    pub agreement_at_nyquist: Option<f32>,
    /// How much the kept frames differ by the air, where that can be told: the finish knows from it how deep the blur is.
    pub unrest: Option<Unrest>,
    /// Displacement of red and blue against green that was undone, px (x, y each); zeros for
    /// one channel.
    pub channel_offsets_px: [(f32, f32); 3],
    /// Samples that one frame alone showed, left out.
    pub samples_refused: u64,
    /// Frames that could be graded but not be read again.
    pub frames_lost: Vec<usize>,
}

/// Why no stack could be made.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A setting is out of its range.
    #[error("{0}")]
    Setting(String),
    /// Nothing to work with.
    #[error("{0}")]
    NoUsableFrames(String),
}

/// Align and add the kept frames of `source`. The result does not depend on the number of
/// threads.
///
/// # Errors
/// When cancelled, when a setting is out of range, or when no frame can be used.
pub fn stack(
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    progress: &dyn Progress,
) -> Result<Stack, StackError> {
    let ground = groundwork(source, survey, settings, progress)?;
    stack_on(&ground, source, survey, settings, progress, None)
}

/// Hears of a stack in the making: what has come together, from how many of how many frames (0:
/// the reference, before the first is added).
pub type Watcher<'a> = &'a (dyn Fn(Picture, usize, usize) + Sync);

/// The reference that [`stack_on`] needs, by itself: it serves every keep and every scale of the same survey
/// with the same [`StackSettings::tile_px`] and [`StackSettings::reject_outliers`].
///
/// # Errors
/// As for [`stack`].
pub fn groundwork(
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    progress: &dyn Progress,
) -> Result<Groundwork, StackError> {
    check(settings)?;
    let like_bayer = AsBayer::of(source);
    let primaries = like_bayer.is_none();
    let source = like_bayer.as_ref().map_or(source, |like| like as &dyn FrameSource);
    if survey.usable().is_empty() {
        return Err(no_frame_left());
    }
    let bench = Bench::of(source, survey);
    Groundwork::build(&bench, settings, primaries, progress)
}

fn no_frame_left() -> StackError {
    StackError::NoUsableFrames("no frame is left to stack".into())
}

/// [`stack`], on a reference that is there already and with somebody looking on. The result is the same,
/// bit for bit.
///
/// # Errors
/// As for [`stack`].
pub fn stack_on(
    ground: &Groundwork,
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    progress: &dyn Progress,
    watcher: Option<Watcher<'_>>,
) -> Result<Stack, StackError> {
    check(settings)?;
    let Some(source) = AsBayer::of(source) else {
        return stack_colours(ground, source, survey, settings, progress, watcher);
    };
    let in_rgb = |picture, done, total| {
        if let Some(look) = watcher {
            look(to_rgb(picture), done, total);
        }
    };
    let watcher: Option<Watcher<'_>> = watcher.map(|_| &in_rgb as Watcher<'_>);
    stack_colours(ground, &source, survey, settings, progress, watcher).map(stack_to_rgb)
}

/// Stack light, or each colour from its own samples.
fn stack_colours(
    ground: &Groundwork,
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    progress: &dyn Progress,
    watcher: Option<Watcher<'_>>,
) -> Result<Stack, StackError> {
    let format = source.format();
    let worth = Worth::of(survey);
    if worth.frames.is_empty() {
        return Err(no_frame_left());
    }
    let bench = Bench::of(source, survey);
    progress.check()?;
    let channels = format.layout.picture_channels();
    let (aligner, offsets) = (&ground.aligner, ground.offsets);
    let (percent, advice) = match settings.keep {
        Keep::Percent(percent) => (percent, None),
        Keep::Auto => {
            let advice = advised(ground, &bench, &worth, progress)?;
            (advice.percent, Some(advice))
        }
    };
    let kept = |percent: f32| kept_frames(worth.frames.len(), percent);
    let (per_place, aligned_for) = (kept(percent), kept(settings.aligned_for(percent)));
    let size = (format.width, format.height);
    let empty = |scale: f32| Accumulator::new(channels, size, scale, worth.cells, offsets);
    let parts = match settings.pace {
        Pace::Quick => {
            let (width, height) = size_at(size, settings.scale);
            parts_of(channels * width * height)
        }
        Pace::Patient => 1,
    };
    // In percent, so that half a keep is half of it however many frames there are.
    let share = |part: usize| settings.aligned_for(percent) * part as f32 / parts as f32;
    let edges: Vec<usize> = (1..=parts).map(|part| kept(share(part))).collect();
    let division = Division::new(per_place, &edges);
    let ranks = worth.ranks(&division.ends, progress)?.keeping(division.kept);
    let laying = Laying::new(&ground.fields, &ranks, aligned_for);
    let on = Lay { laying: Some(&laying), by_agreement: true, ..aligner.into() };
    let sampled = match settings.resampling {
        Resampling::Auto if settings.scale > 1.0 => {
            let on = (aligner, ground.expected.as_ref());
            Sampling::of(&bench, (&worth, &ranks), on, offsets, progress)?
        }
        _ => None,
    };
    let pixfrac = match settings.resampling {
        Resampling::Drizzle(pixfrac) => Some(pixfrac),
        Resampling::Auto if sampled.as_ref().is_some_and(Sampling::is_coarse) => {
            let share = if matches!(format.layout, Layout::Bayer(_)) { 0.25 } else { 1.0 };
            Some(usual_pixfrac(settings.scale, share, per_place))
        }
        _ => None,
    };
    let of_place = (&ranks, per_place);
    let mut telling = Telling::of(&bench, &worth, of_place, ground.expected.as_ref(), offsets);
    let mut unrest = None;
    if let Some(mut telling) = telling.take_if(|_| settings.pace == Pace::Quick) {
        telling.lay(on, |_| true, (Stage::Advising, progress))?;
        unrest = telling.told(progress)?;
    }
    let drops = pixfrac.map(|pixfrac| Drop::new(pixfrac, settings.scale));
    let empty_scaled = || empty(settings.scale).of_drops(drops);
    let output = size_at(size, settings.scale);
    // What is credible was worked out px by px: other scales take it from the nearest px.
    let scaled = match &ground.expected {
        Some(expected) if settings.scale != 1.0 => Some(expected.at_scale(settings.scale, output)),
        _ => None,
    };
    let credible = scaled.as_ref().or(ground.expected.as_ref());
    let fallback = enlarged(&ground.picture, settings.scale, output);
    progress.check()?;
    let mut lost = ground.lost.clone();
    let shifts: Vec<Shift> = ranks.used().map(|index| survey.frames[index].shift).collect();
    let frames = shifts.len();
    if let Some(look) = watcher {
        look(fallback.clone(), 0, frames);
    }
    let watched = Watched {
        bench: &bench,
        on,
        expected: credible,
        fallback: &fallback,
        progress,
        watcher,
        frames,
        total: frames,
    };
    let sums = if settings.pace == Pace::Patient {
        let mut first = [empty(1.0)];
        let twice = 2 * frames + telling.as_ref().map_or(0, Telling::count);
        let (expected, fallback) = (ground.expected.as_ref(), &ground.picture);
        let watched = Watched { expected, fallback, total: twice, ..watched };
        // In order, dealt to the halves in turn.
        let kept: Vec<(usize, usize)> = ranks.used().zip([0, 1].into_iter().cycle()).collect();
        let all = 0..division.kept;
        let chosen = Kept { ranks: &ranks, parts: std::slice::from_ref(&all), frames: &kept };
        lost.extend(watched.add(chosen, 0, &mut first, 1)?);
        let [first] = first;
        let again =
            Again { first: &first, fallback, tile_px: settings.tile_px, expected: credible };
        let say = Onward { progress, done: frames, total: twice };
        let mut sums = [empty_scaled()];
        lost.extend(again.lay(&bench, chosen, &mut sums, telling.as_mut(), &say)?);
        unrest = telling.map(|telling| telling.told(progress)).transpose()?.flatten();
        let [mut sums] = sums;
        if settings.scale == 1.0 && drops.is_none() {
            sums.absorb_another_laying(&first);
        }
        sums
    } else {
        let asked = Asked { edges, scale: settings.scale, drop: drops };
        let dealt = division.dealt(&ranks);
        let remembered = (&ground.parts, asked);
        let added = add_up(&division, (&ranks, &dealt), &empty_scaled, remembered, watched)?;
        lost.extend(added.lost);
        added.sums
    };
    lost.sort_unstable();
    lost.dedup();
    let picture = sums.whole(Some(&fallback));
    drop(fallback);
    progress.check()?;
    let halves = [sums.half(0, Some(&picture)), sums.half(1, Some(&picture))];
    progress.check()?;
    let (size, samples_refused) = (sums.size(), sums.refused());
    let noise = noise_map(sums, &picture, &survey.noise, settings.scale);
    Ok(Stack {
        covered: covered(&shifts, size, settings.scale),
        picture,
        halves,
        noise,
        keep_percent: percent,
        advice,
        frames_used: frames,
        frames_per_place: per_place,
        tiles: aligner.tiles(),
        scale: settings.scale,
        pixfrac,
        agreement_at_nyquist: sampled.map(|sampled| sampled.agreement as f32),
        unrest,
        channel_offsets_px: offsets,
        samples_refused,
        frames_lost: lost,
    })
}

/// Where each place of the stack lies in each of the frames `indices`, as [`stack`] finds it at
/// scale 1; `None` for frames that cannot be read. For judging how well frames are laid on each other.
///
/// # Errors
/// As for [`stack`].
pub fn warp_fields(
    source: &dyn FrameSource,
    survey: &Survey,
    settings: &StackSettings,
    indices: &[usize],
    progress: &dyn Progress,
) -> Result<Vec<Option<Field>>, StackError> {
    let ground = groundwork(source, survey, settings, progress)?;
    let like_bayer = AsBayer::of(source);
    let source = like_bayer.as_ref().map_or(source, |like| like as &dyn FrameSource);
    let bench = Bench::of(source, survey);
    Ok(bench.fields(indices, &ground.aligner, progress)?)
}

/// Whether a keep that frames are aligned for is above 0 and at most 100 percent.
///
/// # Errors
/// A sentence with the value found and the range expected.
pub fn check_aligned_for(percent: f32) -> Result<(), String> {
    if percent > 0.0 && percent <= 100.0 {
        return Ok(());
    }
    Err(format!("aligned_for is {percent} percent, expected more than 0 and at most 100"))
}

/// Whether a resampling goes with a scale.
///
/// # Errors
/// A sentence with the value found, what was expected and what to do.
pub fn check_resampling(resampling: Resampling, scale: f32) -> Result<(), String> {
    let Resampling::Drizzle(pixfrac) = resampling else { return Ok(()) };
    if !(LEAST_PIXFRAC..=1.0).contains(&pixfrac) {
        return Err(format!("pixfrac is {pixfrac}, expected {LEAST_PIXFRAC} to 1, auto or off"));
    }
    if scale < 1.0 {
        return Err(format!(
            "pixfrac is {pixfrac} and scale is {scale}: drops need an output as fine as the capture; \
             expected a scale of at least 1, or a pixfrac of auto or off"
        ));
    }
    Ok(())
}

fn check(settings: &StackSettings) -> Result<(), StackError> {
    if let Keep::Percent(p) = settings.keep
        && !(p > 0.0 && p <= 100.0)
    {
        return Err(StackError::Setting(format!(
            "keep is {p} per cent; it must be above 0 and at most 100"
        )));
    }
    if let Some(percent) = settings.aligned_for {
        check_aligned_for(percent).map_err(StackError::Setting)?;
    }
    if !(0.5..=4.0).contains(&settings.scale) {
        return Err(StackError::Setting(format!(
            "scale is {}; it must lie between 0.5 and 4",
            settings.scale
        )));
    }
    check_resampling(settings.resampling, settings.scale).map_err(StackError::Setting)
}

/// The advice, which is the same for every stack on a reference.
fn advised(
    ground: &Groundwork,
    bench: &Bench<'_>,
    worth: &Worth<'_>,
    progress: &dyn Progress,
) -> Result<KeepAdvice, StackError> {
    if let Some(advice) = ground.advice.get() {
        return Ok(advice.clone());
    }
    let (aligner, expected) = (&ground.aligner, ground.expected.as_ref());
    let (advice, whole) = advise(bench, worth, aligner, expected, ground.offsets, progress)?;
    // Frames that cannot be read now may be read another time.
    if whole {
        let _ = ground.advice.set(advice.clone());
    }
    Ok(advice)
}
