//! Where things lie in a stack: as straight as the capture itself knows, and its colours on each other.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "../../../tests/truth/baseline.rs"]
#[allow(dead_code)]
mod baseline;

use baseline::{Mean, raw_plane};
use stillwright_night::judge::{Held, JudgeSettings, held, straight_error};
use stillwright_night::picture::{Plane, Silent};
use stillwright_night::sample::{SampleSettings, Simulation, simulate};
use stillwright_night::seeing::{Survey, SurveySettings, survey};
use stillwright_night::stacking::{Keep, StackSettings, stack};

const BORDER_PX: usize = 24;

/// A simulated night and what the survey finds.
struct Night {
    simulation: Simulation,
    survey: Survey,
}

impl Night {
    fn of(settings: &SampleSettings) -> Night {
        let simulation = simulate(settings, &Silent).unwrap();
        let survey = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
        Night { simulation, survey }
    }

    fn planes(&self) -> Vec<Plane> {
        let settings = StackSettings { keep: Keep::Percent(20.0), ..StackSettings::default() };
        let stacked = stack(&self.simulation, &self.survey, &settings, &Silent).unwrap();
        (0..stacked.picture.channels()).map(|c| stacked.picture.plane(c).to_owned()).collect()
    }

    /// Settings of the judge for a channel, which is to be looked for `near` there, px.
    fn judge(&self, channel: usize, near: (f64, f64), reach_px: f64) -> JudgeSettings {
        JudgeSettings {
            border_px: BORDER_PX,
            near: Some(near),
            reach_px,
            ..JudgeSettings::new(self.simulation.truth.cutoff_cycles_per_px[channel])
        }
    }

    /// `seen`, on the grid of the reference frame, held against the truth of its channel.
    fn held(&self, seen: &Plane, channel: usize) -> Held {
        let shift = self.simulation.truth.frames[self.survey.reference_index].shift;
        let margin = self.simulation.truth.margin_px as f64;
        let near = (margin - f64::from(shift.x_px), margin - f64::from(shift.y_px));
        let truth = self.simulation.picture.plane(channel);
        held(truth, seen.view(), &self.judge(channel, near, 6.0)).unwrap()
    }
}

#[test]
fn a_calm_nights_stack_is_nearly_as_straight_as_the_mean_of_all_frames() {
    for seed in [11, 21] {
        let mut settings = SampleSettings::demo(seed);
        settings.air.d_over_r0 = 2.5;
        let night = Night::of(&settings);
        let planes = night.planes();
        let bent = night.held(&planes[0], 0).distortion_px;
        let mut mean = Mean::new(planes[0].nrows(), planes[0].ncols());
        for frame in night.survey.frames.iter().filter(|frame| frame.rejected.is_none()) {
            let light = raw_plane(&night.simulation.frames[frame.index]);
            mean.add(&light, night.simulation.format.layout, 0, frame.shift);
        }
        let mean = mean.finish(BORDER_PX);
        let least = night.held(&mean, 0).distortion_px;
        println!("{seed}: stack {bent:.3} px rms, mean of all frames {least:.3}");
        assert!(bent < 1.2 * least, "{seed}: {bent} px rms, the mean of all frames {least}");
    }
}

#[test]
fn red_and_blue_of_a_planet_lie_on_green() {
    for (seed, d_over_r0) in [(16, 4.5), (86, 5.0)] {
        let mut settings = SampleSettings::disc(seed);
        settings.air.d_over_r0 = d_over_r0;
        let night = Night::of(&settings);
        let planes = night.planes();
        // All are held against a truth that is bent like green: a bend that colours share is no offset.
        let Held { field, judged, .. } = night.held(&planes[1], 1);
        let place = (judged.x_px as f32, judged.y_px as f32);
        let places: Vec<(f64, f64)> = (0..3)
            .map(|channel| {
                let truth = field.lay_straight(night.simulation.picture.plane(channel), place);
                let settings = night.judge(channel, (0.0, 0.0), 2.0);
                let plane = planes[channel].view();
                let judged = straight_error(truth.view(), plane, &settings).unwrap();
                (judged.x_px, judged.y_px)
            })
            .collect();
        for channel in [0, 2] {
            let (x, y) = (places[channel].0 - places[1].0, places[channel].1 - places[1].1);
            println!("{seed}: channel {channel} {x:+.3}, {y:+.3} px off green");
            assert!(x.hypot(y) < 0.1, "{seed}: channel {channel} {x}, {y} px off green");
        }
    }
}
