//! A reference picture laid through the ground: from the still's pixels to longitude and latitude, and
//! from there to where the reference shows that ground, perspective at both ends. Views agree then
//! although their angles differ, which no mapping of flat ground achieves over wide fields.
//!
//! Two fixes that rest on marks are good to about a pixel each. What is left between them is small and
//! smooth; the pictures themselves tell it, as a mapping of the still's pixels upon themselves.

use super::set::Task;
use stillwright_moon::LunarView;
use stillwright_moon::fix::{FixRequest, Mark, Projection, Px, fix};
use stillwright_picture::Cancelled;
use stillwright_picture::Progress;
use stillwright_seeing::beside::{Homography, Mapping, MatchError, Point, lay, match_pictures};
use stillwright_seeing::raster::Raster;

/// What laying through the ground needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ends {
    /// The still's fix; positions in px of the capture.
    pub still: Projection,
    /// The Moon as the reference shows it.
    pub reference: LunarView,
}

/// From positions of the capture through the ground into the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThroughGround {
    /// From the capture to the capture: what the two fixes are off by.
    correction: Homography,
    still: Projection,
    reference: Projection,
}

impl ThroughGround {
    /// Where a position of the reference lies in the capture; not a number where that shows no such
    /// ground.
    pub fn back(&self, [x, y]: Point) -> Point {
        let there = self.reference.onto(&self.still, Px { x, y });
        match (there, self.correction.inverse()) {
            (Some(px), Some(back)) => back.apply([px.x, px.y]),
            _ => [f64::NAN; 2],
        }
    }
}

impl Mapping for ThroughGround {
    fn apply(&self, at: Point) -> Point {
        let [x, y] = self.correction.apply(at);
        self.still.onto(&self.reference, Px { x, y }).map_or([f64::NAN; 2], |px| [px.x, px.y])
    }
}

/// A mapping after a plane one.
pub(super) struct After<'a, M> {
    pub first: Homography,
    pub then: &'a M,
}

impl<M: Mapping> Mapping for After<'_, M> {
    fn apply(&self, at: Point) -> Point {
        self.then.apply(self.first.apply(at))
    }
}

/// A way through the ground that was found.
pub(super) struct Found {
    pub through: ThroughGround,
    /// Whether the pictures themselves agree upon it, with the rms distance of places (px of the
    /// capture) and the share of them that agree.
    pub agreed: Option<(f64, f64)>,
    /// Rms distance of the marked pairs, px of the capture.
    pub marks_px: f64,
}

/// Places to a side by which the reference's camera follows from a plane match.
const GRID: usize = 9;
/// How well a plane match tells one of them, px: wide ground bulges.
const GRID_SIGMA_PX: f64 = 3.0;
/// Below this share of common ground nothing is compared.
const LEAST_SHARE: f64 = 0.02;

/// Find the way through the ground: the reference's camera by the marked pairs, or by `flat`, a
/// plane match from the capture; then by the pictures.
///
/// # Errors
/// In words, when the camera does not follow; or [`Cancelled`].
pub(super) fn find(
    task: &Task,
    ends: &Ends,
    (still, reference): (&Raster, &Raster),
    to_still: &Homography,
    flat: Option<&Homography>,
    progress: &dyn Progress,
) -> Result<Result<Found, String>, Cancelled> {
    let by_pairs = task.pairs.len() >= 2;
    let points: Vec<(Px, Px)> = if by_pairs {
        task.pairs.iter().map(|[here, there]| (*here, *there)).collect()
    } else {
        flat.map(|flat| grid(task, flat, reference)).unwrap_or_default()
    };
    let sigma_px = if by_pairs { task.sigma_px } else { GRID_SIGMA_PX };
    let mark = |(here, there): &(Px, Px)| {
        Some(Mark { px: *there, place: ends.still.place_at(*here)?, sigma_px })
    };
    let marks: Vec<Mark> = points.iter().filter_map(mark).collect();
    let request = FixRequest { marks, ..FixRequest::default() };
    let camera = match fix(&ends.reference, &request) {
        Ok(fix) => fix.projection,
        Err(error) => return Ok(Err(error.to_string())),
    };
    let plain =
        ThroughGround { correction: Homography::NONE, still: ends.still, reference: camera };
    let back = to_still.inverse().unwrap_or(Homography::NONE);
    let first = After { first: back, then: &plain };
    let laid = lay(reference, &first, still.width, still.height);
    if laid.share() < LEAST_SHARE {
        let words = "from there the reference would show none of the still’s ground";
        return Ok(Err(words.into()));
    }
    let corrected = match_pictures(still, &laid.filled(), Some(&Homography::NONE), progress);
    let (correction, agreed) = match corrected {
        Ok(found) => {
            let own = to_still.then(&found.reference_from_still).then(&back);
            let share = found.agree as f64 / found.tried.max(1) as f64;
            (own, Some((found.rms_px / task.still_scale, share)))
        }
        Err(MatchError::Cancelled(cancelled)) => return Err(cancelled),
        Err(MatchError::NotFound | MatchError::TooSmall) => (Homography::NONE, None),
    };
    let through = ThroughGround { correction, ..plain };
    let squares: Vec<f64> = task
        .pairs
        .iter()
        .map(|[here, there]| {
            let [x, y] = through.back([there.x, there.y]);
            (x - here.x).powi(2) + (y - here.y).powi(2)
        })
        .filter(|square| square.is_finite())
        .collect();
    let marks_px = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
    Ok(Ok(Found { through, agreed, marks_px }))
}

/// Positions spread over the capture, and where the plane match puts them in the reference.
fn grid(task: &Task, flat: &Homography, reference: &Raster) -> Vec<(Px, Px)> {
    let along = |i: usize, n: usize| (i as f64 + 0.5) / GRID as f64 * n as f64 - 0.5;
    let (width, height) = (reference.width as f64, reference.height as f64);
    (0..GRID * GRID)
        .filter_map(|k| {
            let here = Px { x: along(k % GRID, task.size.0), y: along(k / GRID, task.size.1) };
            let [x, y] = flat.apply([here.x, here.y]);
            let inside = (0.0..width).contains(&x) && (0.0..height).contains(&y);
            inside.then_some((here, Px { x, y }))
        })
        .collect()
}
