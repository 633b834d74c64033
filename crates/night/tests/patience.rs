//! The patient way on a rough night, against the truth.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_night::judge::{JudgeSettings, straight_error};
use stillwright_night::picture::Silent;
use stillwright_night::sample::{SampleSettings, simulate};
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::stacking::{Keep, Pace, StackSettings, stack};

#[test]
fn frames_laid_once_more_come_nearer_to_the_truth() {
    let mut settings = SampleSettings::small(11);
    (settings.width, settings.height, settings.frames) = (224, 176, 120);
    settings.air.d_over_r0 = 8.0;
    let simulation = simulate(&settings, &Silent).unwrap();
    let survey = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
    let shift = simulation.truth.frames[survey.reference_index].shift;
    let margin = simulation.truth.margin_px as f64;
    let judge = JudgeSettings {
        border_px: 24,
        near: Some((margin - f64::from(shift.x_px), margin - f64::from(shift.y_px))),
        reach_px: 6.0,
        ..JudgeSettings::new(simulation.truth.cutoff_cycles_per_px[0])
    };
    let error = |pace| {
        let settings = StackSettings { keep: Keep::Percent(30.0), pace, ..Default::default() };
        let stack = stack(&simulation, &survey, &settings, &Silent).unwrap();
        let truth = simulation.picture.plane(0);
        straight_error(truth, stack.picture.plane(0), &judge).unwrap().error
    };
    let (quick, patient) = (error(Pace::Quick), error(Pace::Patient));
    println!("error of the stack: quick {quick:.4}, patient {patient:.4}");
    assert!(patient < 0.99 * quick, "quick {quick:.4}, patient {patient:.4}");
}
