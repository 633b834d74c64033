//! The seeing told from simulated captures, against the air that they were simulated with.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_night::picture::Silent;
use stillwright_night::sample::{SampleSettings, Scene, simulate};
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::sheet::{ripple_px2, seeing};
use stillwright_night::stacking::{Keep, StackSettings, stack};

const ARCSEC: f64 = 206_264.806;

#[test]
fn the_seeing_is_told_within_its_uncertainty() {
    let mut covered = 0;
    // D/r0, keep, size, frames, frames a second.
    let cases = [
        (2.0, 15.0, (320, 240), 120, 30.0),
        (2.8, 40.0, (320, 240), 120, 30.0),
        (4.5, 25.0, (320, 240), 120, 60.0),
        (7.0, 40.0, (320, 240), 120, 30.0),
        (4.0, 30.0, (320, 240), 120, 120.0),
        (5.0, 30.0, (480, 360), 60, 30.0),
    ];
    for (seed, (d_over_r0, keep, size, count, rate)) in cases.into_iter().enumerate() {
        let mut settings = SampleSettings::small(80 + seed as u64);
        (settings.width, settings.height) = size;
        (settings.frames, settings.fps) = (count, rate);
        settings.air.d_over_r0 = d_over_r0;
        let capture = simulate(&settings, &Silent).unwrap();
        let surveyed = survey(&capture, &SurveySettings::default(), &Silent).unwrap();
        let told = StackSettings { keep: Keep::Percent(keep), ..StackSettings::default() };
        let stacked = stack(&capture, &surveyed, &told, &Silent).unwrap();
        let telescope = &settings.telescope;
        let unit = telescope.wavelength_m / telescope.aperture_m;
        // Long exposures add up what the air did: r0 to the power -5/3 is averaged. Width 0.976
        // lambda / r0 (Dierickx 1992).
        let frames = &capture.truth.frames;
        let powers = frames.iter().map(|frame| f64::from(frame.d_over_r0).powf(5.0 / 3.0));
        let mean_power = powers.sum::<f64>() / frames.len() as f64;
        let truth = 0.975_863 * unit * mean_power.powf(0.6) * ARCSEC;
        let scale = telescope.arcsec_per_px;
        let ripple = ripple_px2(&stacked, &surveyed);
        let optics = (telescope.aperture_m, telescope.wavelength_m);
        let with = |ripple| seeing(&surveyed, Some(rate), ripple, optics, scale).unwrap();
        let (found, least) = (with(ripple), with(None));
        println!(
            "D/r0 {d_over_r0}, keep {keep}, {rate} Hz, {size:?} px: {:.2} +- {:.2} arcsec, true {truth:.2} ({:+.0} %); from whole frames alone at least {:.2}",
            found.arcsec,
            found.uncertainty_arcsec.unwrap(),
            100.0 * (found.arcsec / truth - 1.0),
            least.arcsec
        );
        covered += usize::from((found.arcsec - truth).abs() <= found.uncertainty_arcsec.unwrap());
        assert!(least.uncertainty_arcsec.is_none() && least.arcsec < 1.15 * truth);
    }
    assert_eq!(covered, cases.len());
}

#[test]
fn a_disc_tells_a_least_value_at_most_as_bad_as_the_air() {
    let mut settings = SampleSettings::small(9);
    settings.scene = Scene::Disc;
    settings.frames = 80;
    settings.air.d_over_r0 = 4.0;
    let capture = simulate(&settings, &Silent).unwrap();
    let surveyed = survey(&capture, &SurveySettings::default(), &Silent).unwrap();
    let telescope = &settings.telescope;
    let unit = telescope.wavelength_m / telescope.aperture_m;
    let optics = (telescope.aperture_m, telescope.wavelength_m);
    let found = seeing(&surveyed, Some(30.0), None, optics, telescope.arcsec_per_px).unwrap();
    let truth = 0.975_863 * unit * settings.air.d_over_r0 * ARCSEC;
    println!("disc: at least {:.2} arcsec, true about {truth:.2}", found.arcsec);
    assert!(found.uncertainty_arcsec.is_none());
    assert!((0.1..1.3).contains(&(found.arcsec / truth)), "{} {truth}", found.arcsec);
}
