//! The brightness along a line across the picture.

use crate::error::MoonError;
use crate::fix::{Projection, Px};
use crate::lunar::LunarPoint;
use serde::Serialize;
use stillwright_picture::Plane;

/// Most points of a profile.
const MOST: usize = 100_000;

/// One point of a profile.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ProfilePoint {
    /// Where, px.
    pub px: Px,
    /// The place; none off the disc.
    pub place: Option<LunarPoint>,
    /// Distance over the ground from the line's beginning, km; none off the disc, or where the line
    /// begins off it.
    pub distance_km: Option<f64>,
    /// Value of the plane, interpolated between four pixels.
    pub value: f32,
}

/// Values of `plane` along the straight line from one position to another, a point to the pixel.
///
/// # Errors
/// An end outside the picture, or a line of more than 100000 px.
pub fn profile(
    projection: &Projection,
    plane: &Plane,
    from: Px,
    to: Px,
) -> Result<Vec<ProfilePoint>, MoonError> {
    let (height, width) = plane.dim();
    let inside = |px: Px| {
        (0.0..=width as f64 - 1.0).contains(&px.x) && (0.0..=height as f64 - 1.0).contains(&px.y)
    };
    if !(inside(from) && inside(to)) {
        return Err(MoonError::Marks(format!(
            "expected both ends of the line within the picture of {width} x {height} px, found \
             {:.1}, {:.1} and {:.1}, {:.1}",
            from.x, from.y, to.x, to.y
        )));
    }
    let count = (to.x - from.x).hypot(to.y - from.y).ceil() as usize;
    if count > MOST {
        return Err(MoonError::Marks(format!("a profile has at most {MOST} points")));
    }
    let start = projection.place_at(from);
    let points = (0..=count).map(|i| {
        let share = i as f64 / count.max(1) as f64;
        let px = Px { x: from.x + share * (to.x - from.x), y: from.y + share * (to.y - from.y) };
        let place = projection.place_at(px);
        ProfilePoint {
            px,
            place,
            distance_km: start.zip(place).map(|(a, b)| super::distance_km(a, b)),
            value: between(plane, px),
        }
    });
    Ok(points.collect())
}

/// Bilinear interpolation; `px` lies within the plane.
pub(super) fn between(plane: &Plane, px: Px) -> f32 {
    let (height, width) = plane.dim();
    let (x, y) = (px.x.floor() as usize, px.y.floor() as usize);
    let (fx, fy) = ((px.x - px.x.floor()) as f32, (px.y - px.y.floor()) as f32);
    let at = |y: usize, x: usize| plane[[y.min(height - 1), x.min(width - 1)]];
    let row = |y: usize| at(y, x) * (1.0 - fx) + at(y, x + 1) * fx;
    row(y) * (1.0 - fy) + row(y + 1) * fy
}
