//! Still and reference picture on one grid, and what comes of comparing them.

use std::sync::Arc;
use stillwright_moon::fix::Px;
use stillwright_picture::{Cancelled, Picture, Plane, Progress};
use stillwright_seeing::beside::{
    Homography, Match, MatchError, Verdict, compare, lay, match_pictures, match_tones,
};
use stillwright_seeing::raster::Raster;

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
    /// The mapping, where it is known already.
    pub known: Option<(MatchedBy, Match)>,
}

/// A reference picture upon the still's ground.
#[derive(Clone, Debug)]
pub struct SetBeside {
    /// By what.
    pub by: MatchedBy,
    /// Carries positions of the *capture* into the reference; distances in px of the capture.
    pub found: Match,
    /// The reference as the still sees it.
    pub laid: Showing,
    /// Pixels of the reference per pixel of the capture.
    pub reference_px_per_px: f64,
    /// Which shows more; periods in px of the *capture*. `None` where too little ground is shared.
    pub verdict: Option<Verdict>,
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
    let (by, found) = match task.known {
        Some(known) => known,
        None => match matched(task, &still, &reference, &to_still, progress) {
            Ok(found) => found,
            Err(MatchError::Cancelled(cancelled)) => return Err(cancelled),
            Err(error) => return Ok(Err(error.to_string())),
        },
    };
    let middle = [0.5 * task.size.0 as f64, 0.5 * task.size.1 as f64];
    let finer = found.reference_from_still.scale_at(middle);
    let room = (MOST_PX / (task.size.0 * task.size.1).max(1) as f64).sqrt();
    let scale =
        finer.max(task.still_scale).min(MOST_FINER * task.still_scale.max(1.0)).min(room).max(0.25);
    let side = |n: usize| ((n as f64 * scale).round() as usize).max(1);
    let (width, height) = (side(task.size.0), side(task.size.1));
    let capture_from_grid = grid_from_capture(1.0 / scale);
    let own = lay(&still, &capture_from_grid.then(&to_still), width, height).raster;
    let laid = lay(&reference, &capture_from_grid.then(&found.reference_from_still), width, height);
    let verdict = laid.window().and_then(|window| {
        let finest = [2.0 * scale / task.still_scale, 2.0 * (scale / finer).max(1.0)];
        let verdict = compare(&cut(&own, window), &cut(&laid.raster, window), finest)?;
        Some(in_capture_px(verdict, scale))
    });
    let share = laid.share();
    let mut values = laid.raster.values;
    match_tones(&mut values, &laid.inside, &own.values);
    let plane =
        Plane::from_shape_vec((height, width), values).unwrap_or_else(|_| Plane::zeros((1, 1)));
    let picture = Arc::new(Picture::from_plane(plane));
    let laid = Showing { picture, scale, share };
    Ok(Ok(SetBeside { by, found, laid, reference_px_per_px: finer, verdict }))
}

fn matched(
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
