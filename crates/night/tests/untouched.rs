//! The still of a newcomer, who touches no setting, against the best filter that the truth can choose: grounds of unlike
//! slope, which one power spectrum cannot tell from blur.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_night::judge::{JudgeSettings, straight_error};
use stillwright_night::picture::{Picture, Silent};
use stillwright_night::sample::{SampleSettings, simulate_drawn};
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::stacking::finish::{FinishSettings, finish};
use stillwright_night::stacking::{Keep, StackSettings, stack};

/// Ground whose amplitude falls as `f^-slope`: waves of all directions, an eighth of an octave apart.
fn ground(slope: f64, seed: u64) -> impl Fn(f64, f64) -> f32 + Sync {
    let mut state = seed;
    let mut draw = move || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut waves = Vec::new();
    for step in 0..56 {
        let frequency = 0.004 * 2.0_f64.powf(f64::from(step) / 8.0);
        for _ in 0..6 {
            let (sin, cos) = (draw() * std::f64::consts::TAU).sin_cos();
            let phase = draw() * std::f64::consts::TAU;
            // Equal power an octave is a slope of 1.
            let strength = (frequency / 0.004).powf(1.0 - slope);
            waves.push((frequency * cos, frequency * sin, phase, strength));
        }
    }
    let total = waves.iter().map(|w| 0.5 * w.3 * w.3).sum::<f64>().sqrt();
    move |x: f64, y: f64| {
        let wave = |w: &(f64, f64, f64, f64)| {
            w.3 * (std::f64::consts::TAU * (w.0 * x + w.1 * y) + w.2).sin()
        };
        (0.5 + 0.16 * waves.iter().map(wave).sum::<f64>() / total).clamp(0.0, 1.0) as f32
    }
}

#[test]
fn the_untouched_still_is_near_the_best_filter_whatever_the_slope_of_the_ground() {
    // A steep ground shows little at fine frequencies, and the best filter, chosen with the truth, leaves next to nothing.
    for (slope, seed, d_over_r0, most) in [(0.9, 4, 4.0, 1.25), (1.35, 5, 3.0, 1.35)] {
        let mut night = SampleSettings::small(seed);
        (night.width, night.height, night.frames) = (256, 208, 160);
        night.air.d_over_r0 = d_over_r0;
        let simulation = simulate_drawn(&night, &ground(slope, seed), &Silent).unwrap();
        let graded = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
        let settings = StackSettings { keep: Keep::Percent(20.0), ..StackSettings::default() };
        let stacked = stack(&simulation, &graded, &settings, &Silent).unwrap();
        let done = finish(&stacked, &FinishSettings::default(), &Silent).unwrap();
        let judged = |picture: &Picture| {
            let shift = simulation.truth.frames[graded.reference_index].shift;
            let margin = simulation.truth.margin_px as f64;
            let near = (margin - f64::from(shift.x_px), margin - f64::from(shift.y_px));
            let cutoff = simulation.truth.cutoff_cycles_per_px[0];
            let settings = JudgeSettings {
                border_px: 24,
                near: Some(near),
                reach_px: 6.0,
                ..JudgeSettings::new(cutoff)
            };
            straight_error(simulation.picture.plane(0), picture.plane(0), &settings).unwrap()
        };
        let (best, still) = (judged(&stacked.picture).error, judged(&done.picture).error_as_it_is);
        println!("slope {slope}, D/r0 {d_over_r0}: still {still:.4}, best filter {best:.4}");
        assert!(still < most * best, "slope {slope}: {still} against {best}");
        let mut blind = stacked.clone();
        blind.unrest = None;
        let blind = finish(&blind, &FinishSettings::default(), &Silent).unwrap();
        let blind = judged(&blind.picture).error_as_it_is;
        println!("  by the spectrum alone {blind:.4}");
        assert!(still < 1.05 * blind, "slope {slope}: {still}, by the spectrum alone {blind}");
    }
}
