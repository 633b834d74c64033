//! What is laid over a picture with a fix: readout, graticule, scale bar.

use crate::error::MoonError;
use crate::fix::{Fix, Projection, Px};
use crate::lunar::LunarPoint;
use serde::Serialize;

/// What a position in the picture shows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Readout {
    /// The place.
    pub place: LunarPoint,
    /// How far the place may be off, km (covers 95 of 100 cases); none right at the limb.
    pub uncertainty_km: Option<f64>,
    /// From the middle of the Moon's disc, arcsec, towards celestial east and north.
    pub east_arcsec: f64,
    /// The same towards north.
    pub north_arcsec: f64,
    /// Kilometres of ground to the pixel along the limb, where nothing is foreshortened.
    pub km_per_px: f64,
    /// The same across, foreshortened.
    pub km_per_px_foreshortened: f64,
    /// Altitude of the Sun there, degrees.
    pub sun_altitude_deg: f64,
    /// Angle between zenith and observer there, degrees.
    pub emission_deg: f64,
}

/// What a position in the picture shows; none off the disc.
pub fn readout(fix: &Fix, px: Px) -> Option<Readout> {
    let projection = &fix.projection;
    let place = projection.place_at(px)?;
    let sky = projection.camera.sky_of(px);
    let lighting = projection.view.lighting(place);
    let (km_per_px, km_per_px_foreshortened) = projection.km_per_px(place);
    Some(Readout {
        place,
        uncertainty_km: fix.place_uncertainty_km(px).ok(),
        east_arcsec: sky.east_arcsec,
        north_arcsec: sky.north_arcsec,
        km_per_px,
        km_per_px_foreshortened,
        sun_altitude_deg: lighting.sun_altitude_deg,
        emission_deg: lighting.emission_deg,
    })
}

/// Which line of the graticule.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum GraticuleOf {
    /// Of equal longitude, degrees.
    Meridian(f64),
    /// Of equal latitude, degrees.
    Parallel(f64),
}

/// A piece of a line of the graticule that is seen in one go.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GraticuleLine {
    /// Which.
    pub of: GraticuleOf,
    /// Its points in the picture, px.
    pub points: Vec<Px>,
}

/// Steps that a graticule may have, degrees.
const STEPS_DEG: [f64; 8] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0];

/// A step for a picture of a size, degrees, that puts about six lines across it.
pub fn graticule_step_deg(projection: &Projection, width: f64, height: f64) -> f64 {
    let px_per_degree =
        crate::MOON_RADIUS_KM.to_radians() / projection.km_per_px(projection.view.sub_observer).0;
    let wanted = width.max(height) / px_per_degree / 6.0;
    STEPS_DEG.into_iter().find(|step| *step >= wanted).unwrap_or(20.0)
}

/// Meridians and parallels every `step_deg` (0.1 to 45) as they lie in a picture of `width` by
/// `height` px, cut at the limb and a little outside the picture.
///
/// # Errors
/// A step or size out of range.
pub fn graticule(
    projection: &Projection,
    width: f64,
    height: f64,
    step_deg: f64,
) -> Result<Vec<GraticuleLine>, MoonError> {
    let step =
        MoonError::check("step of the graticule", "0.1 to 45 degrees", step_deg, 0.1..=45.0)?;
    MoonError::check("width of the picture", "1 to 1e6 px", width, 1.0..=1e6)?;
    MoonError::check("height of the picture", "1 to 1e6 px", height, 1.0..=1e6)?;
    let (margin_x, margin_y) = (0.05 * width, 0.05 * height);
    let inside = |px: &Px| {
        (-margin_x..=width + margin_x).contains(&px.x)
            && (-margin_y..=height + margin_y).contains(&px.y)
    };
    // Straight pieces a twentieth of a step long, and of a degree at most.
    let fine = (step / 20.0).min(1.0);
    let mut lines = Vec::new();
    let mut walk = |of: GraticuleOf, count: usize, at: &dyn Fn(usize) -> LunarPoint| {
        let mut points = Vec::new();
        for i in 0..=count {
            match projection.px_of(at(i)).filter(inside) {
                Some(px) => points.push(px),
                None => take(&mut lines, of, &mut points),
            }
        }
        take(&mut lines, of, &mut points);
    };
    let seen = seen_range(projection, &inside, width, height);
    let Some((lon, lat)) = seen else { return Ok(lines) };
    let from_to =
        |(low, high): (f64, f64)| ((low / step).ceil() as i64, (high / step).floor() as i64);
    let count = |(low, high): (f64, f64)| ((high - low) / fine).ceil() as usize;
    let (first, last) = from_to(lon);
    for k in first..=last {
        let at = k as f64 * step;
        let n = count(lat);
        let on =
            |i: usize| LunarPoint::new(at, lat.0 + (lat.1 - lat.0) * i as f64 / n.max(1) as f64);
        walk(GraticuleOf::Meridian(crate::angle::to_180(at)), n, &on);
    }
    let (first, last) = from_to(lat);
    for k in first..=last {
        let at = k as f64 * step;
        let n = count(lon);
        let on =
            |i: usize| LunarPoint::new(lon.0 + (lon.1 - lon.0) * i as f64 / n.max(1) as f64, at);
        walk(GraticuleOf::Parallel(at), n, &on);
    }
    Ok(lines)
}

fn take(lines: &mut Vec<GraticuleLine>, of: GraticuleOf, points: &mut Vec<Px>) {
    if points.len() > 1 {
        lines.push(GraticuleLine { of, points: std::mem::take(points) });
    } else {
        points.clear();
    }
}

type Range = (f64, f64);

/// Longitudes and latitudes that the picture shows, with some margin; all that is turned to the
/// observer where a pole or the limb is in it. None where no ground is.
fn seen_range(
    projection: &Projection,
    inside: &dyn Fn(&Px) -> bool,
    width: f64,
    height: f64,
) -> Option<(Range, Range)> {
    const GRID: usize = 24;
    let middle = projection.view.sub_observer.lon_deg;
    let (mut lon, mut lat) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
    let mut off = false;
    for i in 0..=GRID {
        for j in 0..=GRID {
            let share = |k: usize| -0.06 + 1.12 * k as f64 / GRID as f64;
            let px = Px { x: share(i) * width, y: share(j) * height };
            match projection.place_at(px) {
                Some(place) => {
                    let from_middle = crate::angle::to_180(place.lon_deg - middle);
                    lon = (lon.0.min(from_middle), lon.1.max(from_middle));
                    lat = (lat.0.min(place.lat_deg), lat.1.max(place.lat_deg));
                }
                None => off = true,
            }
        }
    }
    let disc = projection.centre_px();
    let pole = [90.0, -90.0]
        .into_iter()
        .any(|lat| projection.px_of(LunarPoint::new(0.0, lat)).is_some_and(|px| inside(&px)));
    if lon.0 > lon.1 && !inside(&disc) {
        return None;
    }
    let (lon, lat) =
        if off || pole { ((-180.0, 179.9), (-90.0, 90.0)) } else { (widened(lon), widened(lat)) };
    Some(((lon.0 + middle, lon.1 + middle), (lat.0.max(-89.9), lat.1.min(89.9))))
}

fn widened((low, high): Range) -> Range {
    let margin = 0.1 * (high - low) + 0.05;
    (low - margin, high + margin)
}

/// A bar of a round length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ScaleBar {
    /// Length on unforeshortened ground, km: 1, 2 or 5 times a power of ten.
    pub km: f64,
    /// Length in the picture, px.
    pub px: f64,
    /// Length in the sky, arcsec.
    pub arcsec: f64,
}

/// The longest bar of a round length that is at most `longest_px` long, at the distance of `place`.
///
/// # Errors
/// A length outside 1 to 1e6 px.
pub fn scale_bar(
    projection: &Projection,
    place: LunarPoint,
    longest_px: f64,
) -> Result<ScaleBar, MoonError> {
    MoonError::check("length of the bar", "1 to 1e6 px", longest_px, 1.0..=1e6)?;
    let (km_per_px, _) = projection.km_per_px(place);
    let longest = longest_px * km_per_px;
    let ten = 10_f64.powf(longest.log10().floor());
    let km = [5.0, 2.0, 1.0].into_iter().map(|n| n * ten).find(|km| *km <= longest).unwrap_or(ten);
    let px = km / km_per_px;
    Ok(ScaleBar { km, px, arcsec: px * projection.camera.arcsec_per_px })
}
