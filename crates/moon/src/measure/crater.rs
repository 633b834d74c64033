//! The diameter of a crater, from marks along its rim.

use super::ellipse::nearest_ellipse;
use crate::error::MoonError;
use crate::fix::{Fix, Measured, Projection, Px, least_squares, off_disc};
use crate::lunar::{LunarPoint, MOON_RADIUS_KM};
use crate::vector::{Vector, cross, dot, unit};
use serde::Serialize;

/// Fewest marks: with three the circle passes through all and shows no residuals.
const FEWEST: usize = 3;
/// Fewest marks for the axes of an ellipse, whose five unknowns then have a residual left.
const FEWEST_FOR_ELLIPSE: usize = 6;
/// Most marks: more than anyone sets, few enough to compute at once.
const MOST: usize = 500;

/// A crater as its rim was marked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Crater {
    /// Its middle.
    pub centre: LunarPoint,
    /// Diameter of the circle on the sphere that fits best, km over the ground, foreshortening
    /// undone.
    pub diameter_km: Measured,
    /// Long and short diameter of the ellipse on the ground that fits best, km; none with fewer
    /// than six marks. A crater whose axes differ by more than the diameter's uncertainty is not
    /// round.
    pub axes_km: Option<(f64, f64)>,
    /// Root mean square of the marks' distances from the circle as it appears in the picture, px.
    pub residual_px: f64,
    /// Angle between the crater's zenith and the observer, degrees: its foreshortening is the
    /// cosine.
    pub emission_deg: f64,
}

/// Measure a crater from marks on its rim, each good to `sigma_px` in each direction.
///
/// Marks on part of the rim will do (the rest may be in shadow), with a larger uncertainty. The rim
/// counts as lying on the sphere of 1737.4 km.
///
/// # Errors
/// Fewer than three marks, or marks in a line, off the disc, or across the limb.
pub fn crater(fix: &Fix, rim: &[Px], sigma_px: f64) -> Result<Crater, MoonError> {
    let sigma_px =
        MoonError::check("uncertainty of a mark", "0.001 to 1000 px", sigma_px, 1e-3..=1e3)?;
    if rim.len() < FEWEST || rim.len() > MOST {
        return Err(MoonError::Marks(format!(
            "expected {FEWEST} to {MOST} marks along the rim, found {}; six or more, well spread, \
             give a good diameter",
            rim.len()
        )));
    }
    let circle = circle(&fix.projection, rim, sigma_px)?;
    let spare = rim.len() - FEWEST;
    let squares: f64 = circle.residuals.iter().map(|r| r * r).sum();
    let factor = if spare > 0 { (squares / spare as f64).max(1.0) } else { 1.0 };
    let diameter = |projection: &Projection, rim: &[Px]| {
        Ok(2.0 * self::circle(projection, rim, sigma_px)?.radius_km)
    };
    // What the marks contribute grows where they scatter more than stated; what the fix
    // contributes does not.
    let (value, all) = fix.value_and_variance(rim, sigma_px, diameter)?;
    let (_, of_fix) = fix.value_and_variance(rim, 0.0, diameter)?;
    let variance = of_fix + (all - of_fix) * factor;
    Ok(Crater {
        centre: circle.centre,
        diameter_km: Measured::of(value, variance),
        axes_km: (rim.len() >= FEWEST_FOR_ELLIPSE)
            .then(|| ellipse(&fix.projection, rim, &circle, sigma_px))
            .flatten(),
        residual_px: (squares / rim.len() as f64).sqrt() * sigma_px,
        emission_deg: fix.projection.view.lighting(circle.centre).emission_deg,
    })
}

struct Circle {
    centre: LunarPoint,
    radius_km: f64,
    /// Over `sigma_px`.
    residuals: Vec<f64>,
}

/// The ground under a position in the picture, km east and north of `home` over the sphere (the
/// azimuthal equidistant plane, which keeps distances from `home`).
fn on_plane(projection: &Projection, home: &[Vector; 3], px: Px) -> Option<[f64; 2]> {
    let direction = projection.place_at(px)?.direction();
    let (e, n, up) = (dot(direction, home[0]), dot(direction, home[1]), dot(direction, home[2]));
    let across = e.hypot(n);
    let stretch = if across > 0.0 { MOON_RADIUS_KM * across.atan2(up) / across } else { 0.0 };
    Some([e * stretch, n * stretch])
}

/// East, north and up at a place.
fn axes_at(place: LunarPoint) -> [Vector; 3] {
    let up = place.direction();
    let east = unit(cross([0.0, 0.0, 1.0], up));
    [east, cross(up, east), up]
}

/// Slopes of the plane's coordinates, km per px to the right and down, under a mark.
fn slopes(projection: &Projection, home: &[Vector; 3], px: Px) -> Option<[[f64; 2]; 2]> {
    const STEP: f64 = 0.25;
    let at = |dx: f64, dy: f64| on_plane(projection, home, Px { x: px.x + dx, y: px.y + dy });
    let (right, left) = (at(STEP, 0.0)?, at(-STEP, 0.0)?);
    let (below, above) = (at(0.0, STEP)?, at(0.0, -STEP)?);
    let slope =
        |a: [f64; 2], b: [f64; 2]| [(a[0] - b[0]) / (2.0 * STEP), (a[1] - b[1]) / (2.0 * STEP)];
    Some([slope(right, left), slope(below, above)])
}

/// A mark on the plane, with the plane's slopes under it.
type Flattened = ([f64; 2], [[f64; 2]; 2]);

/// The marks on the plane around their mean, with slopes: what both fits start from.
fn flattened(
    projection: &Projection,
    home: &[Vector; 3],
    rim: &[Px],
) -> Result<Vec<Flattened>, MoonError> {
    rim.iter()
        .map(|px| Some((on_plane(projection, home, *px)?, slopes(projection, home, *px)?)))
        .collect::<Option<_>>()
        .ok_or_else(off_disc)
}

/// Distance in the picture, px, of a mark from a curve on the ground that it misses by `miss` km
/// along the unit vector `outwards` (Sampson's first-order distance).
fn in_px(miss: f64, outwards: [f64; 2], slopes: &[[f64; 2]; 2]) -> f64 {
    let along = |s: [f64; 2]| s[0] * outwards[0] + s[1] * outwards[1];
    miss / along(slopes[0]).hypot(along(slopes[1])).max(1e-12)
}

fn circle(projection: &Projection, rim: &[Px], sigma_px: f64) -> Result<Circle, MoonError> {
    let places: Option<Vec<Vector>> =
        rim.iter().map(|px| projection.place_at(*px).map(LunarPoint::direction)).collect();
    let sum = places.ok_or_else(off_disc)?.into_iter().fold([0.0; 3], crate::vector::add);
    let home = axes_at(LunarPoint::of(sum));
    let marks = flattened(projection, &home, rim)?;
    let size = marks.iter().map(|(p, _)| p[0].hypot(p[1])).fold(0.0, f64::max);
    let as_px: Vec<Px> = marks.iter().map(|(p, _)| Px { x: p[0], y: p[1] }).collect();
    let in_line = || {
        MoonError::Marks(
            "the marks lie in a line, so they tell no circle; spread them along the rim".into(),
        )
    };
    let (middle, radius) = crate::fix::circle_through(&as_px).ok_or_else(in_line)?;
    let residuals = |unknowns: &[f64; 3]| {
        let [x, y, radius] = *unknowns;
        Some(
            marks
                .iter()
                .map(|(p, slopes)| {
                    let (dx, dy) = (p[0] - x, p[1] - y);
                    let away = dx.hypot(dy).max(1e-12);
                    in_px(away - radius, [dx / away, dy / away], slopes) / sigma_px
                })
                .collect(),
        )
    };
    let steps = [1e-4 * size; 3];
    let fitted =
        least_squares([middle.x, middle.y, radius], steps, residuals).ok_or_else(in_line)?;
    let [x, y, radius_km] = fitted.values;
    // Distances from the middle of the marks are kept by the plane, those from the crater's
    // middle to second order of the small distance between the two.
    let away = x.hypot(y);
    let (sin, cos) = (away / MOON_RADIUS_KM).sin_cos();
    let along = |i: usize| {
        let across = if away > 0.0 { (home[0][i] * x + home[1][i] * y) / away } else { 0.0 };
        home[2][i] * cos + across * sin
    };
    Ok(Circle {
        centre: LunarPoint::of([along(0), along(1), along(2)]),
        radius_km,
        residuals: fitted.residuals,
    })
}

/// Long and short diameter, km, of the ellipse on the ground.
fn ellipse(
    projection: &Projection,
    rim: &[Px],
    circle: &Circle,
    sigma_px: f64,
) -> Option<(f64, f64)> {
    let marks = flattened(projection, &axes_at(circle.centre), rim).ok()?;
    let points: Vec<[f64; 2]> = marks.iter().map(|(p, _)| *p).collect();
    let weigh = |i: usize, miss: f64, across: [f64; 2]| in_px(miss, across, &marks[i].1) / sigma_px;
    let fitted = nearest_ellipse(&points, (0.0, 0.0, circle.radius_km), weigh)?;
    let (long, short) = fitted.ellipse.half_axes();
    Some((2.0 * long, 2.0 * short))
}

/// Depth that a fresh simple crater of a diameter has, km (up to about 15 km): 0.196 D^1.010 (Pike,
/// in Impact and Explosion Cratering, 1977, p. 489).
pub fn simple_depth_km(diameter_km: f64) -> f64 {
    0.196 * diameter_km.powf(1.010)
}

/// Depth that a fresh complex crater of a diameter has, km (from about 10 km): 1.044 D^0.301 (Pike
/// 1977).
pub fn complex_depth_km(diameter_km: f64) -> f64 {
    1.044 * diameter_km.powf(0.301)
}
