//! The fix that agrees best with all that is known.

use super::least_squares::{Fitted, least_squares};
use super::mark::{Estimate, FixRequest};
use super::projection::{Camera, Projection, Px, SkyOffset, limb_arcsec};
use super::uncertainty::Measured;
use crate::angle::to_180;
use crate::error::MoonError;
use crate::lunar::{LunarPoint, LunarView, MOON_RADIUS_KM};
use crate::vector::scale;

/// Most marks or limb points that are taken: more tell no more.
const MOST_POINTS: usize = 10_000;

/// A picture's fix on the Moon, with what is left over and how sure it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Fix {
    /// The Moon and the camera.
    pub projection: Projection,
    /// Covariance of the camera's unknowns: place of the anchor (px, px), logarithm of the scale,
    /// turn (rad).
    pub(crate) covariance: [[f64; Camera::UNKNOWNS]; Camera::UNKNOWNS],
    /// From each mark to where the fix puts its place: px, to the right and down.
    pub mark_residuals_px: Vec<Px>,
    /// From the fitted limb outwards to each limb point, px.
    pub limb_residuals_px: Vec<f64>,
    /// Root mean square of all residuals over their stated standard deviations: about 1 where
    /// these are right and all marks are what they are said to be; 3 and more means a wrong mark, a
    /// wrong time or a wrong site.
    pub misfit: f64,
    /// Whether the picture was taken for unmirrored because nothing told.
    pub mirrored_unknown: bool,
}

impl Fix {
    /// Scale, arcsec per px.
    pub fn arcsec_per_px(&self) -> Measured {
        let scale = self.projection.camera.arcsec_per_px;
        Measured::of(scale, scale * scale * self.covariance[2][2])
    }

    /// Position angle of the picture's upward direction, degrees, -180 to 180.
    pub fn up_position_angle_deg(&self) -> Measured {
        let deg = to_180(self.projection.camera.up_position_angle_deg);
        Measured::of(deg, self.covariance[3][3] * 1_f64.to_degrees().powi(2))
    }

    /// The same fix for a cut-out of the picture, or one with a border: every position moves by
    /// `x`, `y` px.
    pub fn shifted(&self, x: f64, y: f64) -> Fix {
        let mut fix = self.clone();
        fix.projection.camera.anchor_px.x += x;
        fix.projection.camera.anchor_px.y += y;
        fix
    }

    /// How far the fix may be off at a position on the disc, km on the ground (half-width that
    /// covers 95 of 100 cases, the larger of the two directions in the picture, foreshortened
    /// ground included).
    ///
    /// # Errors
    /// Off the disc or within the uncertainty of the limb.
    pub fn place_uncertainty_km(&self, px: Px) -> Result<f64, MoonError> {
        let home = self.projection.place_at(px).ok_or_else(off_disc)?;
        let up = home.direction();
        let east = crate::vector::unit(crate::vector::cross([0.0, 0.0, 1.0], up));
        let mut worst = 0.0_f64;
        for axis in [east, crate::vector::cross(up, east)] {
            let along = |projection: &Projection, marks: &[Px]| {
                let place = projection.place_at(marks[0]).ok_or_else(off_disc)?;
                Ok(crate::vector::dot(place.direction(), axis) * MOON_RADIUS_KM)
            };
            let (value, variance) = self.value_and_variance(&[px], 0.0, along)?;
            worst = worst.max(Measured::of(value, variance).uncertainty);
        }
        Ok(worst)
    }
}

pub(crate) fn off_disc() -> MoonError {
    MoonError::Geometry(
        "the mark lies off the Moon's disc, or so near the limb that its place is not known; \
         expected it on the ground"
            .into(),
    )
}

/// Find the fix.
///
/// Four unknowns: where the Moon lies in the picture (two), scale, turn. Two marks suffice, or one
/// mark with scale and orientation, or the limb with orientation, or any of these together.
///
/// # Errors
/// Too little is known, contradictory values, or marks on ground that cannot be seen then.
pub fn fix(view: &LunarView, request: &FixRequest) -> Result<Fix, MoonError> {
    check(view, request)?;
    match request.mirrored {
        Some(mirrored) => solve(view, request, mirrored, false),
        None => {
            let plain = solve(view, request, false, true)?;
            let three = request.marks.len() >= 3;
            let known = request.marks.len() == 2 && request.up_position_angle_deg.is_some();
            if !(three || known) {
                return Ok(plain);
            }
            // A mirror image of three marks fits nowhere unless they stand in one line.
            match solve(view, request, true, true) {
                Ok(mirrored) if mirrored.misfit * 2.0 < plain.misfit => {
                    Ok(Fix { mirrored_unknown: false, ..mirrored })
                }
                Ok(mirrored) => {
                    Ok(Fix { mirrored_unknown: plain.misfit * 2.0 >= mirrored.misfit, ..plain })
                }
                Err(_) => Ok(plain),
            }
        }
    }
}

fn check(view: &LunarView, request: &FixRequest) -> Result<(), MoonError> {
    let sigma =
        |what, found| MoonError::check(what, "more than 0, at most 1e6 px", found, 1e-6..=1e6);
    for mark in &request.marks {
        sigma("uncertainty of a mark", mark.sigma_px)?;
        let up = mark.place.direction();
        let sight = crate::vector::subtract(view.observer_km(), scale(up, MOON_RADIUS_KM));
        let seen = crate::vector::dot(up, sight) > 0.0;
        if !(seen && finite(mark.px)) {
            return Err(MoonError::Marks(format!(
                "the place at longitude {:.3}, latitude {:.3} cannot be seen then: it is behind \
                 the limb; check the place, the time, and that longitudes run east",
                mark.place.lon_deg, mark.place.lat_deg
            )));
        }
    }
    if !request.limb.is_empty() {
        sigma("uncertainty of limb points", request.limb_sigma_px)?;
    }
    if !request.limb.iter().all(|px| finite(*px)) {
        return Err(MoonError::Marks("a limb point is no number".into()));
    }
    if request.marks.len() > MOST_POINTS || request.limb.len() > MOST_POINTS {
        return Err(MoonError::Marks(format!("more than {MOST_POINTS} points; fewer will do")));
    }
    if let Some(scale) = request.arcsec_per_px {
        MoonError::check("scale", "0.001 to 1000 arcsec per px", scale.value, 1e-3..=1e3)?;
        MoonError::check("uncertainty of the scale", "more than 0", scale.sigma, 1e-12..=1e3)?;
    }
    if let Some(up) = request.up_position_angle_deg {
        MoonError::check("position angle of up", "-360 to 360 degrees", up.value, -360.0..=360.0)?;
        MoonError::check("uncertainty of up", "more than 0 degrees", up.sigma, 1e-9..=360.0)?;
    }
    Ok(())
}

fn finite(px: Px) -> bool {
    px.x.abs() < 1e9 && px.y.abs() < 1e9
}

fn too_little() -> MoonError {
    MoonError::Marks(
        "too little is known for a fix: mark two known places well apart, or one with the scale \
         and the direction of north given, or three and more points of the limb with the \
         direction of north or one known place"
            .into(),
    )
}

fn solve(
    view: &LunarView,
    request: &FixRequest,
    mirrored: bool,
    mirrored_unknown: bool,
) -> Result<Fix, MoonError> {
    let start = start(view, request, mirrored).ok_or_else(too_little)?;
    let projection = Projection { view: *view, camera: start };
    let spots: Vec<SkyOffset> =
        request.marks.iter().map(|mark| projection.sky_of(ground(mark.place))).collect();
    let limb_arcsec = limb_arcsec(view);
    let residuals = |unknowns: &[f64; Camera::UNKNOWNS]| {
        let camera = start.varied(*unknowns);
        let mut all = Vec::with_capacity(2 * spots.len() + request.limb.len() + 2);
        for (mark, spot) in request.marks.iter().zip(&spots) {
            let px = camera.px_of(*spot);
            all.push((mark.px.x - px.x) / mark.sigma_px);
            all.push((mark.px.y - px.y) / mark.sigma_px);
        }
        let centre = camera.px_of(SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 });
        let radius = limb_arcsec / camera.arcsec_per_px;
        for px in &request.limb {
            let from_centre = (px.x - centre.x).hypot(px.y - centre.y);
            all.push((from_centre - radius) / request.limb_sigma_px);
        }
        if let Some(Estimate { value, sigma }) = request.arcsec_per_px {
            all.push((camera.arcsec_per_px - value) / sigma);
        }
        if let Some(Estimate { value, sigma }) = request.up_position_angle_deg {
            all.push(to_180(camera.up_position_angle_deg - value) / sigma);
        }
        Some(all)
    };
    let steps = [1e-2, 1e-2, 1e-5, 1e-5];
    let fitted = least_squares([0.0; Camera::UNKNOWNS], steps, residuals).ok_or_else(too_little)?;
    Ok(finished(projection, request, &fitted, mirrored_unknown))
}

fn finished(
    start: Projection,
    request: &FixRequest,
    fitted: &Fitted<{ Camera::UNKNOWNS }>,
    mirrored_unknown: bool,
) -> Fix {
    let camera = start.camera.varied(fitted.values);
    let (of_marks, rest) = fitted.residuals.split_at(2 * request.marks.len());
    let squares: f64 = fitted.residuals.iter().map(|r| r * r).sum();
    let spare = fitted.residuals.len().saturating_sub(Camera::UNKNOWNS);
    // Stated uncertainties are believed until the residuals speak against them.
    let factor = if spare > 0 { (squares / spare as f64).max(1.0) } else { 1.0 };
    Fix {
        projection: Projection { camera, ..start },
        covariance: fitted.covariance.map(|row| row.map(|c| c * factor)),
        mark_residuals_px: of_marks
            .chunks(2)
            .zip(&request.marks)
            .map(|(r, mark)| Px { x: -r[0] * mark.sigma_px, y: -r[1] * mark.sigma_px })
            .collect(),
        limb_residuals_px: rest
            .iter()
            .take(request.limb.len())
            .map(|r| r * request.limb_sigma_px)
            .collect(),
        misfit: if spare > 0 { (squares / spare as f64).sqrt() } else { 0.0 },
        mirrored_unknown,
    }
}

fn ground(place: LunarPoint) -> crate::vector::Vector {
    scale(place.direction(), MOON_RADIUS_KM)
}

/// A camera to start from; none where too little is known.
fn start(view: &LunarView, request: &FixRequest, mirrored: bool) -> Option<Camera> {
    let middle = SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 };
    let plain = Camera {
        anchor: middle,
        anchor_px: Px { x: 0.0, y: 0.0 },
        arcsec_per_px: 1.0,
        up_position_angle_deg: 0.0,
        mirrored,
    };
    let projection = Projection { view: *view, camera: plain };
    let mut pairs: Vec<(SkyOffset, Px)> =
        request.marks.iter().map(|mark| (projection.sky_of(ground(mark.place)), mark.px)).collect();
    let circle = circle_through(&request.limb);
    if let Some((centre, _)) = circle {
        pairs.push((middle, centre));
    }
    let n = pairs.len() as f64;
    let mean = |of: fn(&(SkyOffset, Px)) -> f64| pairs.iter().map(of).sum::<f64>() / n;
    let anchor = SkyOffset {
        east_arcsec: mean(|(sky, _)| sky.east_arcsec),
        north_arcsec: mean(|(sky, _)| sky.north_arcsec),
    };
    let anchor_px = Px { x: mean(|(_, px)| px.x), y: mean(|(_, px)| px.y) };
    // Turn and scale that carry the sky (as it lies unturned at 1 arcsec per px) onto the marks.
    let (mut with, mut across, mut spread) = (0.0, 0.0, 0.0);
    for (sky, px) in &pairs {
        let flat = Camera { anchor, ..plain }.px_of(*sky);
        let (dx, dy) = (px.x - anchor_px.x, px.y - anchor_px.y);
        with += flat.x * dx + flat.y * dy;
        across += flat.x * dy - flat.y * dx;
        spread += flat.x * flat.x + flat.y * flat.y;
    }
    let size = with.hypot(across);
    let turned = (size > 0.0).then(|| {
        // A turn of the picture's content clockwise on the screen (y runs down) by `turn`.
        let turn = across.atan2(with).to_degrees();
        if mirrored { -turn } else { turn }
    });
    let from_limb = circle.map(|(_, radius_px)| limb_arcsec(view) / radius_px);
    let arcsec_per_px = request
        .arcsec_per_px
        .map(|scale| scale.value)
        .or(from_limb)
        .or((size > 0.0 && pairs.len() >= 2).then(|| spread / size))?;
    let up_position_angle_deg =
        request.up_position_angle_deg.map(|up| up.value).or(turned.filter(|_| pairs.len() >= 2))?;
    (n > 0.0).then_some(Camera {
        anchor,
        anchor_px,
        arcsec_per_px,
        up_position_angle_deg,
        mirrored,
    })
}

/// Centre and radius of the circle nearest to the points (Kasa's linear form); none for fewer
/// than three or for points in a line.
pub(crate) fn circle_through(points: &[Px]) -> Option<(Px, f64)> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return None;
    }
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.x / n, y + p.y / n));
    let mut sums = [0.0; 7];
    for p in points {
        let (x, y) = (p.x - mx, p.y - my);
        let square = x * x + y * y;
        for (sum, term) in
            sums.iter_mut().zip([x * x, x * y, y * y, x * square, y * square, square, 1.0])
        {
            *sum += term;
        }
    }
    let [xx, xy, yy, xs, ys, square, _] = sums;
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 * (xx + yy).powi(2) {
        return None;
    }
    let a = 0.5 * (xs * yy - ys * xy) / determinant;
    let b = 0.5 * (ys * xx - xs * xy) / determinant;
    let radius = (a * a + b * b + square / n).sqrt();
    Some((Px { x: mx + a, y: my + b }, radius))
}
