//! The resolution told plainly: what the telescope passes, what the air and the pixels leave of it,
//! and what the still reaches.

use super::air::seeing;
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
    /// Half-width of what covers the truth 95 times in 100, where it is an estimate.
    pub uncertainty_arcsec: Option<f64>,
    /// On the ground across the line of sight, where the distance is known.
    pub km: Option<f64>,
    /// What it means.
    pub tip: &'static str,
    /// Whether it was measured on this capture rather than computed from the optics.
    pub measured: bool,
}

/// All limits that can be told.
pub(super) fn limits(
    optics: Option<&Optics>,
    (survey, frames_per_s, ripple_px2): (Option<&Survey>, Option<f64>, Option<f64>),
    pixel_arcsec: Option<f64>,
    detail_px: Option<f64>,
    km_per_arcsec: Option<f64>,
) -> Vec<Limit> {
    let mut all = Vec::new();
    let mut say = |name, arcsec: f64, tip, measured| {
        if arcsec.is_finite() && arcsec > 0.0 {
            let km = km_per_arcsec.map(|km| km * arcsec);
            all.push(Limit { name, arcsec, uncertainty_arcsec: None, km, tip, measured });
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
        if let Some(detail) = detail_px {
            say(
                REACHES,
                detail * pixel,
                "The finest detail in which two halves of the stack, which share no frame, still agree.",
                true,
            );
        }
    }
    if let (Some(optics), Some(survey), Some(pixel)) = (optics, survey, pixel_arcsec)
        && let Some(air) = {
            let optics = (optics.aperture_m, optics.wavelength_m);
            seeing(survey, frames_per_s, ripple_px2, optics, pixel)
        }
    {
        let (name, tip) = match air.uncertainty_arcsec {
            Some(_) => ("Seeing", OF_PLACES),
            None => ("Seeing, at least", OF_FRAMES),
        };
        let at = all.iter().position(|limit| limit.name == REACHES).unwrap_or(all.len());
        let km = km_per_arcsec.map(|km| km * air.arcsec);
        let uncertainty_arcsec = air.uncertainty_arcsec;
        let arcsec = air.arcsec;
        all.insert(at, Limit { name, arcsec, uncertainty_arcsec, km, tip, measured: true });
    }
    all
}

const REACHES: &str = "The still reaches";
const OF_PLACES: &str = "Width of a point in a long exposure, from how far the places of the scene moved while you captured: \
     the mean of all frames against the stack, and the quick motion of the whole frame. Held against simulated \
     air it is good to the share told. Slow motion of the whole frame counts as the mount's, so with a small \
     field the air may have been worse.";
const OF_FRAMES: &str = "Width of a point in a long exposure, from how far the scene jumped from frame to frame. What the air \
     did slowly counts as the mount's, so the air was rather worse.";

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
