//! How to set the camera for a capture.

use crate::angle::ARCSEC_PER_RADIAN;
use crate::error::MoonError;
use crate::planets::PlanetView;
use crate::telescope::{Telescope, arcsec_per_px, pixel_transfer};
use serde::Serialize;

/// Longest exposure that still catches single moments of the air, s: Strehl ratios of the best
/// frames rose four- to sixfold at 10 ms and less (Smith et al. 2009, arXiv:0906.3041).
const LONGEST_MOMENT_S: f64 = 0.010;

/// Wind that carries the air's ripples, m/s, where nothing better is known: common practice, no
/// source. Twice as fast halves the coherence time.
const WIND_M_PER_S: f64 = 10.0;

/// Path over which a turning planet or a drifting picture may smear while light is added, in periods
/// of the finest pattern that the telescope passes. Half a period leaves that pattern 64 % of its
/// contrast (the transfer of a straight smear is that of a pixel as long) and coarser ones more;
/// longer smears show, shorter ones waste light.
const SMEAR_PERIODS: f64 = 0.5;

/// Frames that make a sharp still: common practice, no source. Fewer, and what is kept of them is
/// noisy; more are welcome where the target allows.
const FRAMES_WANTED: f64 = 2000.0;

/// Telescope, camera, air and disk at hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Equipment {
    /// The telescope and the light.
    pub telescope: Telescope,
    /// Focal length with everything in the light path, mm.
    pub focal_length_mm: f64,
    /// Pitch of the camera's pixels, micrometres.
    pub pixel_um: f64,
    /// Frame, px.
    pub width_px: u32,
    /// Frame, px.
    pub height_px: u32,
    /// Bytes of a pixel in the capture: 1 for 8 bit, 2 for more, 3 for 8-bit colour.
    pub bytes_per_px: u32,
    /// Frames a second that camera and disk manage.
    pub frames_per_s: f64,
    /// Width of a star's image in a long exposure, arcsec.
    pub seeing_arcsec: f64,
    /// How fast the picture drifts over the camera, arcsec per s: 15 without tracking, 0 to 0.1 with.
    pub drift_arcsec_per_s: f64,
}

/// How fast a planet's turning smears, and how long a capture may be.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Rotation {
    /// Speed of the middle of the disc: equatorial radius (arcsec) x rate (rad/s) x cosine of the
    /// tilt.
    pub arcsec_per_s: f64,
    /// Smear that is let pass, arcsec: half the period of the finest pattern.
    pub smear_arcsec: f64,
    /// Longest capture, s: smear over speed.
    pub longest_s: f64,
}

/// Advice for a capture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// Scale, arcsec per px.
    pub arcsec_per_px: f64,
    /// Scale at which nothing is lost, arcsec per px.
    pub critical_arcsec_per_px: f64,
    /// Pixels to the finest cycle that the telescope passes: 2 is critical, less loses detail, more
    /// than about 3 spreads the light thin.
    pub px_per_finest_cycle: f64,
    /// By which the focal length would have to be multiplied for critical sampling.
    pub focal_length_factor: f64,
    /// What one pixel leaves of the finest detail it can hold (two pixels to the cycle, or the
    /// cut-off where that is coarser), 0 to 1.
    pub pixel_transfer: f64,
    /// Fried's parameter, m.
    pub r0_m: f64,
    /// Aperture over r0: 3 is a good night, 8 a poor one.
    pub d_over_r0: f64,
    /// Time in which the air changes, ms; exposures this short freeze it wholly.
    pub coherence_time_ms: f64,
    /// Longest exposure that pays, ms: 10 ms for the air, or less where the picture drifts.
    pub longest_exposure_ms: f64,
    /// Time of one frame, ms: an exposure longer than this lowers the rate.
    pub frame_time_ms: f64,
    /// The planet's turning; none for the Moon.
    pub rotation: Option<Rotation>,
    /// Length of the capture, s.
    pub capture_s: f64,
    /// Frames in it.
    pub frames: u64,
    /// Disk space for it, bytes.
    pub bytes: u64,
}

/// Fried's parameter, m, from the width of a star in a long exposure, at the same wavelength:
/// 0.975863 wavelength / width (Dierickx 1992, Roddier 1981; recomputed).
pub fn r0_m(seeing_arcsec: f64, wavelength_nm: f64) -> f64 {
    0.975_863 * wavelength_nm * 1e-9 / (seeing_arcsec / ARCSEC_PER_RADIAN)
}

/// Time in which the air changes, s: 0.314 r0 / wind (Roddier 1981).
pub fn coherence_time_s(r0_m: f64, wind_m_per_s: f64) -> f64 {
    0.314 * r0_m / wind_m_per_s
}

/// Advice for a planet, or for the Moon where none is given, with the equipment at hand.
///
/// The Moon does not turn fast enough to matter.
///
/// # Errors
/// A value out of its range.
pub fn advise(equipment: &Equipment, planet: Option<&PlanetView>) -> Result<Advice, MoonError> {
    let Equipment { telescope, .. } = equipment;
    let check = MoonError::check;
    let scale = arcsec_per_px(equipment.pixel_um, equipment.focal_length_mm)?;
    let rate = check("frames a second", "0.01 to 10000", equipment.frames_per_s, 0.01..=1e4)?;
    let seeing = check("seeing", "0.1 to 30 arcsec", equipment.seeing_arcsec, 0.1..=30.0)?;
    let drift = check("drift", "0 to 100 arcsec per s", equipment.drift_arcsec_per_s, 0.0..=100.0)?;
    let size = |what, n: u32| check(what, "1 to 100000 px", f64::from(n), 1.0..=1e5);
    let pixels = size("width", equipment.width_px)? * size("height", equipment.height_px)?;
    let depth =
        check("bytes of a pixel", "1 to 16", f64::from(equipment.bytes_per_px), 1.0..=16.0)?;

    let finest = telescope.unit_arcsec();
    let smear_arcsec = SMEAR_PERIODS * finest;
    let rotation = planet.map(|view| rotation(view, smear_arcsec));
    let r0 = r0_m(seeing, telescope.wavelength_nm);
    // A drift smears within a frame only: frames are aligned.
    let drifts = if drift > 0.0 { smear_arcsec / drift } else { f64::INFINITY };
    let wanted = FRAMES_WANTED / rate;
    let capture_s = match rotation {
        // All the time that the turning allows is light.
        Some(rotation) => rotation.longest_s,
        None => wanted,
    };
    let frames = (capture_s * rate).floor().max(1.0);
    Ok(Advice {
        arcsec_per_px: scale,
        critical_arcsec_per_px: telescope.critical_arcsec_per_px(),
        px_per_finest_cycle: finest / scale,
        focal_length_factor: scale / telescope.critical_arcsec_per_px(),
        pixel_transfer: pixel_transfer((scale / finest).min(0.5)),
        r0_m: r0,
        d_over_r0: telescope.aperture_mm * 1e-3 / r0,
        coherence_time_ms: 1e3 * coherence_time_s(r0, WIND_M_PER_S),
        longest_exposure_ms: 1e3 * drifts.min(LONGEST_MOMENT_S),
        frame_time_ms: 1e3 / rate,
        rotation,
        capture_s,
        frames: frames as u64,
        bytes: (frames * pixels * depth) as u64,
    })
}

fn rotation(view: &PlanetView, smear_arcsec: f64) -> Rotation {
    let rate = view.planet.rotation_deg_per_day().to_radians() / 86_400.0;
    let tilt = view.tilt_deg.to_radians().cos();
    let arcsec_per_s = 0.5 * view.equatorial_diameter_arcsec * rate * tilt;
    Rotation { arcsec_per_s, smear_arcsec, longest_s: smear_arcsec / arcsec_per_s }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;
    use crate::planets::Planet;

    fn equipment() -> Equipment {
        Equipment {
            telescope: Telescope::new(200.0, 0.33, 550.0).unwrap(),
            focal_length_mm: 4000.0,
            pixel_um: 2.9,
            width_px: 640,
            height_px: 480,
            bytes_per_px: 1,
            frames_per_s: 150.0,
            seeing_arcsec: 1.5,
            drift_arcsec_per_s: 0.0,
        }
    }

    #[test]
    fn the_air_is_as_published() {
        // 1.00 arcsec at 500 nm is r0 = 0.10065 m; 10 cm and 10 m/s make 3.14 ms (Roddier 1981).
        assert!((r0_m(1.0, 500.0) - 0.100_65).abs() < 1e-5);
        assert!((coherence_time_s(0.1, 10.0) - 3.14e-3).abs() < 1e-6);
    }

    #[test]
    fn the_advice_follows_from_its_formulae() {
        let advice = advise(&equipment(), None).unwrap();
        assert!((advice.arcsec_per_px - 0.149_542).abs() < 1e-6);
        // 550 nm / 200 mm = 0.5672 arcsec; half of it is critical; F/10.55 x 200 mm = 2109 mm.
        assert!((advice.critical_arcsec_per_px - 0.283_6).abs() < 1e-4);
        assert!((4000.0 * advice.focal_length_factor - 2109.1).abs() < 0.5);
        assert!((advice.px_per_finest_cycle - 3.793).abs() < 0.001);
        assert!(advice.rotation.is_none() && advice.frames == 2000);
        assert_eq!(advice.bytes, 2000 * 640 * 480);
        assert_eq!(advice.longest_exposure_ms, 10.0);
        // Without tracking 15 arcsec a second: half of 0.5672 arcsec passes in 18.9 ms; at 60, 4.7.
        let drift = |d| Equipment { drift_arcsec_per_s: d, ..equipment() };
        let untracked = advise(&drift(15.0), None).unwrap();
        assert_eq!(untracked.longest_exposure_ms, 10.0);
        let wild = advise(&drift(60.0), None).unwrap();
        assert!((wild.longest_exposure_ms - 4.727).abs() < 0.01);
    }

    #[test]
    fn planets_turn_away_in_their_time() {
        let time = Moment::parse("2024-11-15T21:30:00Z").unwrap();
        let longest = |planet| {
            let found = advise(&equipment(), Some(&PlanetView::at(planet, time, None))).unwrap();
            let rotation = found.rotation.unwrap();
            assert!((found.capture_s - rotation.longest_s).abs() < 1e-9);
            assert_eq!(found.frames, (found.capture_s * 150.0) as u64);
            rotation.longest_s
        };
        // Jupiter: 23.73 arcsec of radius, 877.9 deg a day, 2.885 deg of tilt: 0.0042025 arcsec/s.
        let jupiter = 0.283_606 / (23.7265 * 877.9_f64.to_radians() / 86_400.0 * 0.998_733);
        assert!((longest(Planet::Jupiter) / jupiter - 1.0).abs() < 1e-3);
        // Mars: 5.1445 arcsec, 350.892 deg a day, 15.09 deg of tilt.
        let mars = 0.283_606 / (5.1445 * 350.892_f64.to_radians() / 86_400.0 * 0.965_52);
        assert!((longest(Planet::Mars) / mars - 1.0).abs() < 1e-3);
        assert!(longest(Planet::Saturn) > longest(Planet::Jupiter));
    }

    #[test]
    fn values_out_of_range_are_refused() {
        let base = equipment();
        for wrong in [
            Equipment { frames_per_s: 0.0, ..base },
            Equipment { seeing_arcsec: f64::NAN, ..base },
            Equipment { drift_arcsec_per_s: -1.0, ..base },
            Equipment { width_px: 0, ..base },
            Equipment { bytes_per_px: 0, ..base },
            Equipment { pixel_um: 0.0, ..base },
            Equipment { focal_length_mm: f64::INFINITY, ..base },
        ] {
            assert!(advise(&wrong, None).is_err(), "{wrong:?}");
        }
    }
}
