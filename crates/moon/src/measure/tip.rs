//! The end of a shadow, found in the picture.

use super::limb::steepest;
use crate::error::MoonError;
use crate::fix::{Projection, Px, off_disc};
use crate::lunar::MOON_RADIUS_KM;
use crate::vector::{add, scale};
use stillwright_picture::Plane;

/// Direction in the picture towards the Sun along a ray of sunlight that ends at a position on the
/// ground: a unit vector, px to the right and down. Shadows point the other way.
///
/// # Errors
/// Off the disc, or where the sunlight runs along the line of sight.
pub fn towards_sun(projection: &Projection, px: Px) -> Result<[f64; 2], MoonError> {
    let place = projection.place_at(px).ok_or_else(off_disc)?;
    let ground = scale(place.direction(), MOON_RADIUS_KM);
    let ahead = add(ground, projection.view.sub_solar.direction());
    let ahead = projection.px_of_point(ahead);
    let (dx, dy) = (ahead.x - px.x, ahead.y - px.y);
    let pace = dx.hypot(dy);
    if pace > 0.0 && pace.is_finite() {
        Ok([dx / pace, dy / pace])
    } else {
        Err(MoonError::Geometry("sunlight runs along the line of sight there".into()))
    }
}

/// The tip of a shadow near where it was marked: on the line of sunlight through the summit's mark,
/// where the brightness rises fastest away from the Sun, at most `reach_px` from the mark. With a
/// blur and a penumbra that are alike on both sides that is the middle of the penumbra.
///
/// Where the ground beyond the tip is itself dark, or another shadow ends nearby, look at what was
/// found.
///
/// # Errors
/// A mark off the disc or outside the picture, a reach outside 4 to 1000 px, a summit right beside
/// the tip, or no rise along the line.
pub fn shadow_tip(
    projection: &Projection,
    plane: &Plane,
    summit: Px,
    near: Px,
    reach_px: f64,
) -> Result<Px, MoonError> {
    let reach = MoonError::check("reach of the search", "4 to 1000 px", reach_px, 4.0..=1e3)?;
    let [dx, dy] = towards_sun(projection, near)?;
    let away = (near.x - summit.x) * -dx + (near.y - summit.y) * -dy;
    if away.is_nan() || away <= 1.0 {
        return Err(MoonError::Marks(
            "the shadow's tip was marked on the Sun's side of the summit or right beside it; mark \
             the summit, then the end of its shadow"
                .into(),
        ));
    }
    // Seen from beyond the tip towards the Sun, the brightness falls into the shadow.
    let beyond = away + reach;
    let far = Px { x: summit.x - beyond * dx, y: summit.y - beyond * dy };
    let (r, _) = steepest(plane, far, [dx, dy], (0.0, (2.0 * reach).min(beyond)))
        .filter(|(_, fall)| *fall > 0.0)
        .ok_or_else(|| {
            MoonError::Marks(
                "no end of a shadow was found near the mark: expected dark ground towards the \
                 summit and lit ground beyond; set the mark closer to it"
                    .into(),
            )
        })?;
    Ok(Px { x: far.x + r * dx, y: far.y + r * dy })
}
