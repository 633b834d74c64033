//! What changes from frame to frame apart from the air's shape: time, r0, mount, cloud.

use crate::random::{Purpose, Random};
use crate::settings::SampleSettings;
use std::f64::consts::TAU;

/// The circumstances of one frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    /// Since the first frame, s.
    pub time_s: f64,
    /// Where the mount has carried the scene, px to the right and down.
    pub mount_px: [f64; 2],
    /// Aperture over r0 at the reference wavelength.
    pub d_over_r0: f64,
    /// Share of the scene's light that arrives, 0 to 1; 0 is a blank frame.
    pub light: f64,
}

/// A smooth random function of time with mean 0 and variance 1: six waves whose periods spread
/// over a decade round `period_s`.
struct Swing {
    waves: Vec<(f64, f64)>,
}

impl Swing {
    fn new(random: &mut Random, period_s: f64) -> Swing {
        let mut wave = |i: usize| {
            let octave = (i as f64 + random.uniform() - 3.0) * 0.5;
            (TAU / period_s * octave.exp2(), random.between(0.0, TAU))
        };
        Swing { waves: (0..6).map(&mut wave).collect() }
    }

    fn at(&self, time_s: f64) -> f64 {
        let sum: f64 = self.waves.iter().map(|(w, phase)| (w * time_s + phase).cos()).sum();
        sum * (2.0 / self.waves.len() as f64).sqrt()
    }
}

/// The circumstances of every frame.
pub(crate) fn track(settings: &SampleSettings) -> Vec<Moment> {
    let mut random = Random::stream(settings.seed, Purpose::Weather, 0);
    let (mount, air, camera) = (&settings.mount, &settings.air, &settings.camera);
    let strength = Swing::new(&mut random, air.r0_swing_s);
    let wander = [(); 2].map(|()| Swing::new(&mut random, mount.wander_s));
    let cloud = Swing::new(&mut random, 5.0);
    let duration = settings.frames as f64 / settings.fps;
    let bumps: Vec<[f64; 3]> = (0..mount.bumps)
        .map(|_| [random.between(0.1, 0.95) * duration, random.between(0.0, TAU), random.normal()])
        .collect();
    let mut blank = vec![false; settings.frames];
    let mut random = Random::stream(settings.seed, Purpose::Camera, 0);
    let mut missing = camera.blank_frames;
    while missing > 0 {
        let at = random.below(settings.frames);
        if !blank[at] {
            blank[at] = true;
            missing -= 1;
        }
    }
    let moment = |(index, blank): (usize, &bool)| {
        let time_s = index as f64 / settings.fps;
        let drift = [mount.drift_x_px_s, mount.drift_y_px_s];
        let mut mount_px: [f64; 2] = std::array::from_fn(|axis| {
            drift[axis] * time_s + mount.wander_px * wander[axis].at(time_s)
        });
        for [start, direction, nuance] in &bumps {
            let since = time_s - start;
            if since > 0.0 {
                // A knock that rings out: 3 to 4 Hz, gone after a second.
                let ring = (-since / 0.28).exp() * (TAU * (3.5 + 0.3 * nuance) * since).cos();
                mount_px[0] += mount.bump_px * ring * direction.cos();
                mount_px[1] += mount.bump_px * ring * direction.sin();
            }
        }
        let covered = ((cloud.at(time_s) - 0.2) / 0.9).clamp(0.0, 1.0);
        let light = if *blank { 0.0 } else { 1.0 - camera.cloud * covered };
        let d_over_r0 = air.d_over_r0 * (-air.r0_swing * strength.at(time_s)).exp();
        Moment { time_s, mount_px, d_over_r0, light }
    };
    blank.iter().enumerate().map(moment).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn r0_swings_as_much_as_was_asked() {
        let mut night = SampleSettings::small(5);
        (night.frames, night.fps, night.air.r0_swing) = (100_000, 20.0, 0.25);
        let logs: Vec<f64> = track(&night).iter().map(|m| m.d_over_r0.ln()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        let rms = (logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / logs.len() as f64).sqrt();
        assert!((mean - night.air.d_over_r0.ln()).abs() < 0.01, "{mean}");
        assert!((rms - 0.25).abs() < 0.01, "{rms}");
    }

    #[test]
    fn blank_frames_drift_and_bumps_are_there() {
        let mut night = SampleSettings::small(6);
        night.camera.blank_frames = 5;
        night.mount.wander_px = 0.0;
        let frames = track(&night);
        assert_eq!(frames.iter().filter(|m| m.light == 0.0).count(), 5);
        let last = frames[frames.len() - 1];
        assert!((last.mount_px[0] - night.mount.drift_x_px_s * last.time_s).abs() < 1e-9);
        night.mount.bumps = 1;
        night.frames = 200;
        let still = SampleSettings {
            mount: crate::Mount { bumps: 0, ..night.mount.clone() },
            ..night.clone()
        };
        let (bumped, still) = (track(&night), track(&still));
        let off = bumped
            .iter()
            .zip(&still)
            .map(|(a, b)| (a.mount_px[0] - b.mount_px[0]).hypot(a.mount_px[1] - b.mount_px[1]));
        let most = off.fold(0.0, f64::max);
        assert!(most > 0.4 * night.mount.bump_px && most <= night.mount.bump_px, "{most}");
    }
}
