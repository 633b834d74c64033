//! The limb, found in the picture.
//!
//! Along a line that leaves the disc, the limb is where the brightness falls fastest. A blur that is
//! alike on both sides leaves that place where it is; limb darkening and a blur together move it
//! inwards by a fraction of the blur.

use super::profile::between;
use crate::error::MoonError;
use crate::fix::{Px, circle_through};
use stillwright_picture::Plane;

/// Distance between samples along a line, px.
const STEP_PX: f64 = 0.5;
/// Width over which a slope is taken, px (standard deviation of the Gaussian). Smaller, and noise
/// makes slopes; larger, and the bend of a small disc's limb does.
const SLOPE_PX: f64 = 1.5;
/// Least fall at the limb, as a share of the median over all lines: lines that fall less meet the
/// terminator, the picture's edge, or a crater's shadow.
const LEAST_FALL: f64 = 0.35;
/// Most lines.
const MOST: usize = 10_000;

/// Points on the limb of a bright disc that lies whole in a dark picture, found along `count` lines
/// from its middle. Where the phase hides part of the limb, the terminator's points are left out as far
/// as they are fainter; for what remains, see [`super::DiscComparison::phase_defect_arcsec`].
///
/// # Errors
/// A count outside 8 to 10000, or no disc that stands out against dark sky all around.
pub fn disc_limb(plane: &Plane, count: usize) -> Result<Vec<Px>, MoonError> {
    check_count(count)?;
    let (height, width) = plane.dim();
    let no_disc = || {
        MoonError::Geometry(
            "no bright disc stands out against dark sky all around it: expected a whole planet in \
             the picture"
                .into(),
        )
    };
    if height < 8 || width < 8 {
        return Err(no_disc());
    }
    let at = |y: usize, x: usize| f64::from(plane[[y, x]]);
    let mut border: Vec<f64> = (0..width)
        .flat_map(|x| [at(0, x), at(height - 1, x)])
        .chain((0..height).flat_map(|y| [at(y, 0), at(y, width - 1)]))
        .collect();
    let sky = median(&mut border);
    let mut all: Vec<f64> = plane.iter().map(|v| f64::from(*v)).filter(|v| v.is_finite()).collect();
    all.sort_by(f64::total_cmp);
    // The brightest thousandth is left out: stars, moons, stuck pixels.
    let bright = all.get((all.len() * 999 / 1000).min(all.len().saturating_sub(1)));
    let level = sky + 0.5 * (bright.copied().unwrap_or(sky) - sky);
    let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for ((y, x), value) in plane.indexed_iter() {
        if f64::from(*value) > level {
            (sum, sx, sy) = (sum + 1.0, sx + x as f64, sy + y as f64);
        }
    }
    if sum < 12.0 {
        return Err(no_disc());
    }
    let middle = Px { x: sx / sum, y: sy / sum };
    // A disc of that area, and room for one that is half as wide again.
    let radius = (sum / std::f64::consts::PI).sqrt();
    let angles = (0..count).map(|i| std::f64::consts::TAU * i as f64 / count as f64);
    let found = strong(&along_lines(plane, middle, angles, (0.3 * radius, 1.6 * radius + 4.0)));
    if found.len() < count / 3 { Err(no_disc()) } else { Ok(found) }
}

/// Points on the limb near where it was marked: along `count` lines across the arc from mark to
/// mark, each searched `reach_px` to both sides. Marks run along the limb; the disc is the brighter
/// side.
///
/// # Errors
/// Fewer than three marks or marks in a line, a count outside 8 to 10000, a reach outside 2 to 1000
/// px, or no limb near the marks.
pub fn snap_to_limb(
    plane: &Plane,
    marks: &[Px],
    reach_px: f64,
    count: usize,
) -> Result<Vec<Px>, MoonError> {
    check_count(count)?;
    let reach = MoonError::check("reach of the search", "2 to 1000 px", reach_px, 2.0..=1e3)?;
    let sound = marks.iter().all(|px| px.x.abs() < 1e9 && px.y.abs() < 1e9);
    let (centre, radius) =
        Some(marks).filter(|_| sound).and_then(circle_through).ok_or_else(|| {
            MoonError::Marks(
                "expected three or more marks along the limb that do not lie in a line".into(),
            )
        })?;
    // Careless marks on a short arc may bend the wrong way: the side with the steeper limb is right.
    let n = marks.len() as f64;
    let (mx, my) = marks.iter().fold((0.0, 0.0), |(x, y), p| (x + p.x / n, y + p.y / n));
    let across = Px { x: 2.0 * mx - centre.x, y: 2.0 * my - centre.y };
    let fall = |edges: &[(Px, f64)]| {
        let mut falls: Vec<f64> = edges.iter().map(|(_, fall)| *fall).collect();
        if falls.len() < count / 4 { f64::NEG_INFINITY } else { median(&mut falls) }
    };
    let sides = [(centre, radius), (across, radius)];
    let mut edges = sides
        .map(|circle| across_arc(plane, circle, marks, reach, count))
        .into_iter()
        .max_by(|a, b| fall(a).total_cmp(&fall(b)))
        .unwrap_or_default();
    // Twice more along lines across the limb that was found, searched less far.
    for share in [0.5, 0.25] {
        let found = strong(&edges);
        if let Some(circle) = circle_through(&found) {
            edges = across_arc(plane, circle, &found, (share * reach).max(6.0), count);
        }
    }
    let found = strong(&edges);
    if found.len() < 3 {
        return Err(MoonError::Marks(
            "no limb was found near the marks: expected bright ground inside them and dark sky \
             outside; set them closer, or give a longer reach"
                .into(),
        ));
    }
    Ok(found)
}

/// The limb along lines from a circle's centre across the arc that `marks` span, searched `reach` px
/// to both sides of the circle.
fn across_arc(
    plane: &Plane,
    (centre, radius): (Px, f64),
    marks: &[Px],
    reach: f64,
    count: usize,
) -> Vec<(Px, f64)> {
    // Angles of the marks as seen from the centre, counted from the first so that none wraps.
    let angle = |px: &Px| (px.y - centre.y).atan2(px.x - centre.x);
    let Some(first) = marks.first().map(angle) else { return Vec::new() };
    let turns = marks.iter().map(|px| {
        let turn = angle(px) - first;
        turn - std::f64::consts::TAU * (turn / std::f64::consts::TAU).round()
    });
    let (low, high) = turns.fold((0.0_f64, 0.0_f64), |(l, h), t| (l.min(t), h.max(t)));
    let last = (count - 1) as f64;
    let angles = (0..count).map(|i| first + low + (high - low) * i as f64 / last);
    along_lines(plane, centre, angles, ((radius - reach).max(0.0), radius + reach))
}

fn check_count(count: usize) -> Result<(), MoonError> {
    MoonError::check("number of limb points", "8 to 10000", count as f64, 8.0..=MOST as f64)?;
    Ok(())
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// The limb along lines from `centre` at `angles` (rad, from x towards y), each from one distance to
/// another, and how fast the brightness falls there.
fn along_lines(
    plane: &Plane,
    centre: Px,
    angles: impl Iterator<Item = f64>,
    within: (f64, f64),
) -> Vec<(Px, f64)> {
    angles
        .filter_map(|angle| {
            let (sin, cos) = angle.sin_cos();
            let (r, fall) = steepest(plane, centre, [cos, sin], within)?;
            Some((Px { x: centre.x + r * cos, y: centre.y + r * sin }, fall))
        })
        .collect()
}

/// Those that fall steeply enough to be the limb.
fn strong(edges: &[(Px, f64)]) -> Vec<Px> {
    let mut falls: Vec<f64> = edges.iter().map(|(_, fall)| *fall).collect();
    let least = LEAST_FALL * median(&mut falls);
    edges.iter().filter(|(_, fall)| *fall > 0.0 && *fall >= least).map(|(px, _)| *px).collect()
}

/// Where the brightness falls fastest along a line (px from `centre`), and how fast, per px. None where the line leaves
/// the picture before, or where the fastest fall is at its end.
pub(super) fn steepest(
    plane: &Plane,
    centre: Px,
    direction: [f64; 2],
    (from, to): (f64, f64),
) -> Option<(f64, f64)> {
    let (height, width) = plane.dim();
    let count = ((to - from) / STEP_PX).ceil() as usize + 1;
    let at = |i: usize| {
        let r = from + i as f64 * STEP_PX;
        Px { x: centre.x + r * direction[0], y: centre.y + r * direction[1] }
    };
    let inside = |px: &Px| {
        (0.0..=width as f64 - 1.0).contains(&px.x) && (0.0..=height as f64 - 1.0).contains(&px.y)
    };
    let values: Vec<f64> = (0..count.min(1_000_000))
        .map(at)
        .skip_while(|px| !inside(px))
        .take_while(inside)
        .map(|px| f64::from(between(plane, px)))
        .collect();
    let skipped = (0..count).take_while(|i| !inside(&at(*i))).count();
    // Slopes by the derivative of a Gaussian.
    let reach = (3.0 * SLOPE_PX / STEP_PX).ceil() as usize;
    let weights: Vec<f64> = (1..=reach)
        .map(|k| {
            let x = k as f64 * STEP_PX / SLOPE_PX;
            x * (-0.5 * x * x).exp()
        })
        .collect();
    let norm: f64 =
        weights.iter().enumerate().map(|(k, w)| 2.0 * w * (k + 1) as f64 * STEP_PX).sum();
    let fall = |i: usize| {
        let terms =
            weights.iter().enumerate().map(|(k, w)| w * (values[i - k - 1] - values[i + k + 1]));
        terms.sum::<f64>() / norm
    };
    let last = values.len().checked_sub(reach + 1)?;
    let falls: Vec<f64> = (reach..=last).map(fall).collect();
    let best = (0..falls.len()).max_by(|a, b| falls[*a].total_cmp(&falls[*b]))?;
    if best == 0 || best + 1 >= falls.len() {
        return None;
    }
    let (a, b, c) = (falls[best - 1], falls[best], falls[best + 1]);
    let bend = a - 2.0 * b + c;
    let shift = if bend < 0.0 { 0.5 * (a - c) / bend } else { 0.0 };
    let r = from + (skipped + reach + best) as f64 * STEP_PX + shift.clamp(-1.0, 1.0) * STEP_PX;
    b.is_finite().then_some((r, b))
}
