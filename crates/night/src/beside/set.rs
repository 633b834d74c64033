//! Still and reference picture on one grid, and what comes of comparing them.

use super::sphere::{self, After, Ends, ThroughGround};
use std::sync::Arc;
use stillwright_moon::fix::Px;
use stillwright_picture::{Cancelled, Picture, Plane, Progress};
use stillwright_seeing::beside::{
    Compared, Homography, Mapping, Match, MatchError, Point, Verdict, compare, lay, match_pictures,
    match_tones,
};
use stillwright_seeing::raster::Raster;
use stillwright_stacking::halves::HalfCorrelation;

/// By what the reference was matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MatchedBy {
    /// So many marked pairs, and the pictures near them.
    MarksAndPictures(usize),
    /// So many marked pairs alone: the pictures themselves agree too little.
    Marks(usize),
    /// The pictures themselves.
    Pictures,
}

/// What setting beside needs.
#[derive(Clone)]
pub struct Task {
    /// The still.
    pub still: Arc<Picture>,
    /// Pixels of the still per pixel of the capture.
    pub still_scale: f64,
    /// Columns and rows of the capture.
    pub size: (usize, usize),
    /// The reference picture.
    pub reference: Arc<Picture>,
    /// The same ground marked in capture and reference.
    pub pairs: Vec<[Px; 2]>,
    /// How well marks sit, px.
    pub sigma_px: f64,
    /// The still's fix and from where the reference was taken, where both are known: the reference
    /// is then laid through the sphere.
    pub ends: Option<Ends>,
    /// Signal and noise of the still, told from its half stacks (frequencies per px of the still).
    pub halves: Option<Arc<HalfCorrelation>>,
    /// What is known already.
    pub known: Known,
}

/// What is known of a match.
#[derive(Clone, Debug, Default)]
pub enum Known {
    /// Nothing.
    #[default]
    Nothing,
    /// The plane match.
    Flat(MatchedBy, Match),
    /// All of it.
    All(Matched),
}

/// How positions of the capture go into the reference.
#[derive(Clone, Debug, PartialEq)]
pub enum Mapped {
    /// As if the ground were flat.
    Flat(Homography),
    /// Through longitude and latitude.
    Sphere(Box<ThroughGround>),
}

impl Mapping for Mapped {
    fn apply(&self, at: Point) -> Point {
        match self {
            Mapped::Flat(flat) => flat.apply(at),
            Mapped::Sphere(through) => through.apply(at),
        }
    }
}

impl Mapped {
    /// Where a position of the reference lies in the capture; not a number where it does not.
    pub fn back(&self, at: Point) -> Point {
        match self {
            Mapped::Flat(flat) => flat.inverse().map_or([f64::NAN; 2], |inverse| inverse.apply(at)),
            Mapped::Sphere(through) => through.back(at),
        }
    }
}

/// Where the reference lies.
#[derive(Clone, Debug)]
pub struct Matched {
    /// By what it was matched.
    pub by: MatchedBy,
    /// Carries positions of the capture into the reference.
    pub map: Mapped,
    /// Rms distance of what agrees from where `map` puts it, px of the capture.
    pub rms_px: f64,
    /// The plane match, where there is one; carries positions of the capture into the reference.
    pub flat: Option<(MatchedBy, Match)>,
    /// Why the reference was not laid through the sphere although both ends are said to be known.
    pub note: Option<String>,
}

/// A reference picture upon the still's ground.
#[derive(Clone, Debug)]
pub struct SetBeside {
    /// Where it lies.
    pub matched: Matched,
    /// The reference as the still sees it.
    pub laid: Showing,
    /// Pixels of the reference per pixel of the capture.
    pub reference_px_per_px: f64,
    /// Which shows more; periods in px of the *capture*. `None` where too little ground is shared.
    pub verdict: Option<Verdict>,
    /// Whether the still's signal was told from its noise by its half stacks.
    pub by_halves: bool,
}

/// A picture on the still's ground, tones matched.
#[derive(Clone, Debug)]
pub struct Showing {
    /// The picture; it covers the ground of the capture.
    pub picture: Arc<Picture>,
    /// Its pixels per pixel of the capture.
    pub scale: f64,
    /// Share of the ground that the reference shows.
    pub share: f64,
}

/// The reference may be drawn with this many times the still's pixels, so that it can show its own
/// detail.
const MOST_FINER: f64 = 2.0;
/// Most pixels of what is shown.
const MOST_PX: f64 = 40e6;

fn raster(picture: &Picture) -> Raster {
    Raster::of_plane(picture.luminance().view())
}

/// Grid of the still to pixels of the capture, and so on for any scale.
fn grid_from_capture(scale: f64) -> Homography {
    let off = 0.5 * scale - 0.5;
    Homography([[scale, 0.0, off], [0.0, scale, off], [0.0, 0.0, 1.0]])
}

/// The light of the still on the capture's own grid.
pub fn light_at_capture_scale(
    still: &Picture,
    scale: f64,
    (width, height): (usize, usize),
) -> Plane {
    let light = raster(still);
    let laid = lay(&light, &grid_from_capture(scale), width, height).raster;
    Plane::from_shape_vec((height, width), laid.values).unwrap_or_else(|_| Plane::zeros((1, 1)))
}

/// Match (where that is not known), lay, compare.
///
/// # Errors
/// In words, when the pictures do not match; or [`Cancelled`].
pub fn set_beside(
    task: &Task,
    progress: &dyn Progress,
) -> Result<Result<SetBeside, String>, Cancelled> {
    let still = raster(&task.still);
    let reference = raster(&task.reference);
    let to_still = grid_from_capture(task.still_scale);
    let matched = match &task.known {
        Known::All(matched) => matched.clone(),
        known => match matched(task, known, (&still, &reference), &to_still, progress) {
            Ok(matched) => matched,
            Err(MatchError::Cancelled(cancelled)) => return Err(cancelled),
            Err(error) => return Ok(Err(error.to_string())),
        },
    };
    let middle = [0.5 * task.size.0 as f64, 0.5 * task.size.1 as f64];
    let finer = matched.map.scale_at(middle);
    let finer = if finer.is_finite() && finer > 0.0 { finer } else { 1.0 };
    let room = (MOST_PX / (task.size.0 * task.size.1).max(1) as f64).sqrt();
    let scale =
        finer.max(task.still_scale).min(MOST_FINER * task.still_scale.max(1.0)).min(room).max(0.25);
    let side = |n: usize| ((n as f64 * scale).round() as usize).max(1);
    let (width, height) = (side(task.size.0), side(task.size.1));
    let capture_from_grid = grid_from_capture(1.0 / scale);
    let own = lay(&still, &capture_from_grid.then(&to_still), width, height).raster;
    let into = After { first: capture_from_grid, then: &matched.map };
    let laid = lay(&reference, &into, width, height);
    // Filters of the finish pass signal and noise alike.
    let share = task.halves.as_deref().map(|halves| {
        move |cycles_per_px: f64| signal_share(halves, cycles_per_px * scale / task.still_scale)
    });
    let verdict = laid.window().and_then(|window| {
        let (own, other) = (cut(&own, window), cut(&laid.raster, window));
        let first = Compared {
            light: &own,
            finest_px: 2.0 * scale / task.still_scale,
            signal_share: share.as_ref().map(|share| share as &(dyn Fn(f64) -> f64 + Sync)),
        };
        let second = Compared::alone(&other, 2.0 * (scale / finer).max(1.0));
        Some(in_capture_px(compare(&first, &second)?, scale))
    });
    let share = laid.share();
    let mut values = laid.raster.values;
    match_tones(&mut values, &laid.inside, &own.values);
    let plane =
        Plane::from_shape_vec((height, width), values).unwrap_or_else(|_| Plane::zeros((1, 1)));
    let picture = Arc::new(Picture::from_plane(plane));
    let laid = Showing { picture, scale, share };
    let by_halves = task.halves.is_some();
    Ok(Ok(SetBeside { matched, laid, reference_px_per_px: finer, verdict, by_halves }))
}

/// Share of a still's power that is signal, by its half stacks: `SSNR / (1 + SSNR)`.
fn signal_share(halves: &HalfCorrelation, cycles_per_px: f64) -> f64 {
    let after = halves.frequency.partition_point(|f| *f < cycles_per_px);
    let share = |k: usize| halves.ssnr.get(k).map_or(0.0, |ssnr| (ssnr / (1.0 + ssnr)).min(1.0));
    let (Some(high), Some(low)) =
        (halves.frequency.get(after), after.checked_sub(1).and_then(|k| halves.frequency.get(k)))
    else {
        return share(after.min(halves.frequency.len().saturating_sub(1)));
    };
    let t = (cycles_per_px - low) / (high - low).max(1e-12);
    share(after - 1) * (1.0 - t) + share(after) * t
}

/// The plane match, and through the sphere where both ends are known and the pictures agree to it.
fn matched(
    task: &Task,
    known: &Known,
    rasters: (&Raster, &Raster),
    to_still: &Homography,
    progress: &dyn Progress,
) -> Result<Matched, MatchError> {
    let flat = match known {
        Known::Flat(by, found) => Ok((*by, *found)),
        _ => matched_flat(task, rasters.0, rasters.1, to_still, progress),
    };
    if let Err(MatchError::Cancelled(_)) = flat {
        return Err(flat.err().unwrap_or(MatchError::NotFound));
    }
    let as_flat = |note: Option<String>| {
        let (by, found) = flat?;
        let map = Mapped::Flat(found.reference_from_still);
        Ok(Matched { by, map, rms_px: found.rms_px, flat: Some((by, found)), note })
    };
    let Some(ends) = &task.ends else { return as_flat(None) };
    let plane = flat.as_ref().ok().map(|(_, found)| &found.reference_from_still);
    let found = match sphere::find(task, ends, rasters, to_still, plane, progress)? {
        Ok(found) => found,
        Err(words) => return as_flat(Some(words)),
    };
    let count = task.pairs.len();
    let (by, rms_px) = match (found.agreed, count) {
        (Some((rms_px, _)), 0 | 1) => (MatchedBy::Pictures, rms_px),
        (Some((rms_px, _)), _) => (MatchedBy::MarksAndPictures(count), rms_px),
        (None, 2..) => (MatchedBy::Marks(count), found.marks_px),
        (None, _) => return as_flat(Some(DISAGREES.into())),
    };
    // Seen from where it is said to be seen from, places agree at least as well as on flat ground.
    let worse = match (&flat, found.agreed) {
        (Ok((MatchedBy::Marks(_), _)), _) => false,
        (Ok((_, flat)), Some((rms_px, share))) => {
            let flat_share = flat.agree as f64 / flat.tried.max(1) as f64;
            share < 0.8 * flat_share || rms_px > flat.rms_px + 0.2
        }
        (Ok(_), None) => true,
        (Err(_), _) => false,
    };
    if worse {
        return as_flat(Some(DISAGREES.into()));
    }
    let map = Mapped::Sphere(Box::new(found.through));
    Ok(Matched { by, map, rms_px, flat: flat.ok(), note: None })
}

const DISAGREES: &str = "the pictures agree better as flat ground than through the sphere: check from where the reference \
     was taken, and the still’s fix";

fn matched_flat(
    task: &Task,
    still: &Raster,
    reference: &Raster,
    to_still: &Homography,
    progress: &dyn Progress,
) -> Result<(MatchedBy, Match), MatchError> {
    let pairs: Vec<[[f64; 2]; 2]> =
        task.pairs.iter().map(|[a, b]| [[a.x, a.y], [b.x, b.y]]).collect();
    let back = to_still.inverse().unwrap_or(Homography::NONE);
    let on_capture = |found: Match| Match {
        reference_from_still: to_still.then(&found.reference_from_still),
        rms_px: found.rms_px / task.still_scale,
        ..found
    };
    if pairs.len() < 2 {
        let found = match_pictures(still, reference, None, progress)?;
        return Ok((MatchedBy::Pictures, on_capture(found)));
    }
    let count = pairs.len();
    let by_marks = Homography::of_pairs(&pairs).ok_or(MatchError::NotFound)?;
    match match_pictures(still, reference, Some(&back.then(&by_marks)), progress) {
        Ok(found) => {
            let found = on_capture(found);
            // What the pictures say must not contradict what the person marked.
            let finer = by_marks.scale_at(pairs[0][0]).max(1.0);
            let off = |map: &Homography| {
                (pairs.iter().map(|pair| map.miss(pair).powi(2)).sum::<f64>() / count as f64).sqrt()
            };
            if off(&found.reference_from_still) <= 4.0 * (task.sigma_px + 1.0) * finer {
                return Ok((MatchedBy::MarksAndPictures(count), found));
            }
        }
        Err(MatchError::Cancelled(cancelled)) => return Err(cancelled.into()),
        Err(_) => {}
    }
    if count < 4 {
        return Err(MatchError::NotFound);
    }
    let squares: f64 = pairs.iter().map(|pair| by_marks.miss(pair).powi(2)).sum();
    let finer = by_marks.scale_at(pairs[0][0]).max(1e-9);
    let found = Match {
        reference_from_still: by_marks,
        rms_px: (squares / count as f64).sqrt() / finer,
        agree: count,
        tried: count,
        correlation: 0.0,
    };
    Ok((MatchedBy::Marks(count), found))
}

fn cut(source: &Raster, (left, top, width, height): (usize, usize, usize, usize)) -> Raster {
    let mut out = Raster::zeros(width, height);
    for y in 0..height {
        out.row_mut(y).copy_from_slice(&source.row(top + y)[left..left + width]);
    }
    out
}

fn in_capture_px(mut verdict: Verdict, scale: f64) -> Verdict {
    verdict.frequency.iter_mut().for_each(|f| *f *= scale);
    verdict.shared_px /= scale;
    verdict.first_px /= scale;
    verdict.second_px /= scale;
    verdict
}
