//! The resolution told plainly: what the telescope passes, what the air and the pixels leave of it,
//! and what the still reaches.

use stillwright_moon::fix::Fix;
use stillwright_moon::telescope::Telescope;
use stillwright_seeing::Survey;
use stillwright_stacking::finish::Optics;

/// A size that matters, in the sky and on the ground then and there.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// What it is.
    pub name: &'static str,
    /// In the sky.
    pub arcsec: f64,
    /// On the ground across the line of sight, where the distance is known.
    pub km: Option<f64>,
    /// What it means.
    pub tip: &'static str,
    /// Whether it was measured on this capture rather than computed from the optics.
    pub measured: bool,
}

/// Seeing (width of a long exposure at half its height, arcsec, at `wavelength_m`) from how far the
/// scene jumps from frame to frame; `None` where too few frames follow one another.
///
/// One-axis variance of the motion of a telescope's image: 0.170 (lambda/D)^2 (D/r0)^(5/3) rad^2
/// (centroid tilt; Tyler, J. Opt. Soc. Am. A 11, 358, 1994); seeing 0.976 lambda / r0 (Dierickx
/// 1992). Differences of neighbours, halved, leave out the slow drift of the mount and the slow part of
/// the air's motion; a field of ground moves as the mean of its places. Both make this a least
/// value: the air was at best this steady.
pub fn seeing_from_wander(
    survey: &Survey,
    aperture_m: f64,
    wavelength_m: f64,
    arcsec_per_px: f64,
) -> Option<f64> {
    const FEWEST: usize = 16;
    let pairs = survey.frames.windows(2).filter(|pair| {
        pair.iter().all(|frame| frame.rejected.is_none()) && pair[1].index == pair[0].index + 1
    });
    let mut squares: Vec<f64> = pairs
        .map(|pair| {
            let (a, b) = (pair[0].shift, pair[1].shift);
            0.25 * (f64::from(b.x_px - a.x_px).powi(2) + f64::from(b.y_px - a.y_px).powi(2))
        })
        .filter(|square| square.is_finite())
        .collect();
    if squares.len() < FEWEST {
        return None;
    }
    // Bumps of the mount are no seeing: the middle of the distribution tells. For two equal axes the
    // median of the sum of squares is ln 2 times its mean.
    let middle = squares.len() / 2;
    let (_, median, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
    let variance_px2 = *median / std::f64::consts::LN_2;
    let arcsec = variance_px2.sqrt() * arcsec_per_px;
    let radians = arcsec / stillwright_moon::angle::ARCSEC_PER_RADIAN;
    let unit = wavelength_m / aperture_m;
    let d_over_r0 = (radians * radians / (0.169_80 * unit * unit)).powf(0.6);
    let seeing = 0.975_863 * unit * d_over_r0 * stillwright_moon::angle::ARCSEC_PER_RADIAN;
    (seeing.is_finite() && seeing > 0.0).then_some(seeing)
}

/// All limits that can be told.
pub(super) fn limits(
    optics: Option<&Optics>,
    survey: Option<&Survey>,
    pixel_arcsec: Option<f64>,
    detail_px: Option<f64>,
    km_per_arcsec: Option<f64>,
) -> Vec<Limit> {
    let mut all = Vec::new();
    let mut say = |name, arcsec: f64, tip, measured| {
        if arcsec.is_finite() && arcsec > 0.0 {
            let km = km_per_arcsec.map(|km| km * arcsec);
            all.push(Limit { name, arcsec, km, tip, measured });
        }
    };
    let telescope = optics
        .and_then(|o| Telescope::new(1e3 * o.aperture_m, o.obstruction, 1e9 * o.wavelength_m).ok());
    if let Some(telescope) = telescope {
        let of = telescope.limits(1.0);
        say(
            "Rayleigh",
            of.rayleigh.arcsec,
            "Two points this far apart stand clearly apart (1.22 λ/D).",
            false,
        );
        say(
            "Dawes",
            of.dawes.arcsec,
            "Two equal stars this far apart can just be told from one.",
            false,
        );
        say(
            "Cut-off",
            of.finest_period.arcsec,
            "The finest pattern of lines that leaves any trace, from line to line (λ/D).",
            false,
        );
    }
    if let Some(pixel) = pixel_arcsec {
        say(
            "Pixel",
            pixel,
            "Side of one pixel of the capture. Two or more must fit into λ/D.",
            false,
        );
        if let (Some(optics), Some(survey)) = (optics, survey)
            && let Some(seeing) =
                seeing_from_wander(survey, optics.aperture_m, optics.wavelength_m, pixel)
        {
            say(
                "Seeing, at least",
                seeing,
                "Width of a long exposure, from how far the scene jumped from frame to frame. Over a wide field much of the motion averages out, so the air was rather worse.",
                true,
            );
        }
        if let Some(detail) = detail_px {
            say(
                "The still reaches",
                detail * pixel,
                "The finest detail in which two halves of the stack, which share no frame, still agree.",
                true,
            );
        }
    }
    all
}

/// Kilometres to the arcsecond across the line of sight, at the middle of the picture.
pub(super) fn km_per_arcsec(fix: Option<&Fix>, size: (usize, usize)) -> Option<f64> {
    let fix = fix?;
    let middle = stillwright_moon::fix::Px {
        x: 0.5 * (size.0 as f64 - 1.0),
        y: 0.5 * (size.1 as f64 - 1.0),
    };
    let place = fix.projection.place_at(middle)?;
    let (km, _) = fix.projection.km_per_px(place);
    Some(km / fix.projection.camera.arcsec_per_px)
}
