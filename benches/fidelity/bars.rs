//! What a still must keep to, each beside its bound: ringing at strong edges, structure that the truth lacks, the
//! resolution that is told, the keep that is advised, colours on each other, distortion.

use super::{BORDER_PX, Night};
use crate::empty;
use rayon::prelude::*;
use stillwright_night::judge::{Held, JudgeSettings, Ringing, even_part, ringing, straight_error};
use stillwright_night::picture::{Layout, Plane, Silent};
use stillwright_night::seeing::FrameReport;
use stillwright_night::stacking::finish::{FinishSettings, Finished, finish};
use stillwright_night::stacking::{Keep, Stack, StackSettings, groundwork, stack_on};

/// Keeps among which the best one is looked for, per cent.
const LADDER: [f32; 9] = [4.0, 7.0, 10.0, 15.0, 20.0, 33.0, 50.0, 70.0, 100.0];

impl Night {
    /// A line for each bar that this night says something of.
    pub fn tell_bars(&self, name: &str) {
        let reference = self.survey.reference_index;
        let base = StackSettings::default();
        let ground = groundwork(&self.simulation, &self.survey, &base, &Silent).unwrap();
        let stacked = |keep: Keep| {
            let settings = StackSettings { keep, ..base.clone() };
            stack_on(&ground, &self.simulation, &self.survey, &settings, &Silent, None).unwrap()
        };
        let plane = |stack: &Stack| stack.picture.plane(self.channel).to_owned();
        let ladder: Vec<(f32, Held)> = LADDER
            .iter()
            .map(|percent| {
                let stack = stacked(Keep::Percent(*percent));
                (*percent, self.held(&plane(&stack), reference))
            })
            .collect();
        let usable: Vec<&FrameReport> =
            self.survey.frames.iter().filter(|f| f.rejected.is_none()).collect();
        let all = self.held(&self.mean(&usable), reference);
        let filtered =
            |picture: &Plane| self.ringing_filtered(picture, &self.held(picture, reference));
        println!(
            "{name:<13} ringing, %, after the best isotropic filter chosen with the truth in hand, of frames laid by their true warp: oracle {}; bound {}",
            filtered(&self.oracle()),
            filtered(&self.bound()),
        );
        for keep in [Keep::Percent(20.0), Keep::Auto] {
            let stack = stacked(keep);
            let held = self.held(&plane(&stack), reference);
            let done = finish(&stack, &FinishSettings::default(), &Silent).unwrap();
            let said = if keep == Keep::Auto { "advised" } else { "keep" };
            let name = format!("{name:<13} {said} {:.0} %:", stack.keep_percent);
            self.tell_ringing(&name, &held, &stack, &done);
            self.tell_resolution(&name, &held, &done);
            println!(
                "{name} distortion {:.2} px rms, {:.2} times the {:.2} of the mean of all good frames (bar 1.2)",
                held.distortion_px,
                held.distortion_px / all.distortion_px,
                all.distortion_px
            );
            if self.layout != Layout::Mono {
                self.tell_colours(&name, &stack);
            }
            if keep == Keep::Auto {
                let best = ladder
                    .iter()
                    .min_by(|a, b| a.1.rings.error.total_cmp(&b.1.rings.error))
                    .unwrap();
                println!(
                    "{name} error {:.4}, {:.3} times that of the best keep of {} ({:.0} %, {:.4}; bar 1.03)",
                    held.rings.error,
                    held.rings.error / best.1.rings.error,
                    LADDER.len(),
                    best.0,
                    best.1.rings.error
                );
            }
        }
    }

    fn tell_ringing(&self, name: &str, held: &Held, stack: &Stack, done: &Finished) {
        let truth = &held.straight;
        let still = done.picture.plane(self.channel);
        let stack = stack.picture.plane(self.channel);
        let even = even_part(truth.view(), still, self.cutoff, BORDER_PX).unwrap();
        let own = ringing(truth.view(), still);
        println!(
            "{name} ringing at {} edges, % of the step (median, 90th percentile, common to all; bar 3): still {}; \
             its even part {}; the stack, which cannot ring, {}; after the best isotropic filter chosen with the truth in hand {}",
            own.edges.len(),
            per_cent(&own),
            per_cent(&ringing(truth.view(), even.view())),
            per_cent(&ringing(truth.view(), stack)),
            self.ringing_filtered(&stack.to_owned(), held)
        );
    }

    /// Ringing of `picture` after the best isotropic filter chosen with the truth in hand, laid straight as it was `held`.
    fn ringing_filtered(&self, picture: &Plane, held: &Held) -> String {
        let truth = held.straight.view();
        let filtered = even_part(picture.view(), truth, self.cutoff, BORDER_PX).unwrap();
        per_cent(&ringing(truth, filtered.view()))
    }

    /// Correlation of two halves of 1/7 is one of 1/2 with the truth.
    fn tell_resolution(&self, name: &str, held: &Held, done: &Finished) {
        let light = done.measured.light.as_ref();
        let told = light.and_then(|m| m.correlation.at_one_seventh).map(|r| r.detail_px);
        let cutoff_px = 1.0 / self.cutoff;
        let true_px = held.rings.falls_below(0.5).map_or(cutoff_px, |f| 1.0 / f);
        match told {
            Some(told) => println!(
                "{name} resolution told {told:.2} px, true {true_px:.2} px: {:.3} times (bar 0.9 to 1.1)",
                told / true_px
            ),
            None => println!("{name} no resolution told, true {true_px:.2} px"),
        }
    }

    /// Where red and blue lie against green, beside where they lie in the truth. All are held against a truth laid straight by the field
    /// of green: colours show different places, and a bend that they share would pass for an offset between them.
    fn tell_colours(&self, name: &str, stack: &Stack) {
        let index = self.survey.reference_index;
        let plane = |channel: usize| -> Plane { stack.picture.plane(channel).to_owned() };
        let Held { judged, field, .. } = self.held(&plane(1), index);
        let places: Vec<(f64, f64)> = (0..stack.picture.channels())
            .into_par_iter()
            .map(|channel| {
                let truth = self.simulation.picture.plane(channel);
                let straight = field.lay_straight(truth, (judged.x_px as f32, judged.y_px as f32));
                let settings = JudgeSettings {
                    border_px: BORDER_PX,
                    near: Some((0.0, 0.0)),
                    reach_px: 2.0,
                    ..JudgeSettings::new(self.simulation.truth.cutoff_cycles_per_px[channel])
                };
                let plane = plane(channel);
                let judged = straight_error(straight.view(), plane.view(), &settings).unwrap();
                (judged.x_px, judged.y_px)
            })
            .collect();
        let off = |channel: usize| {
            let (x, y) = (places[channel].0 - places[1].0, places[channel].1 - places[1].1);
            format!("{x:+.3}, {y:+.3}")
        };
        println!(
            "{name} colours on each other: red {} px, blue {} px off green (bar 0.1)",
            off(0),
            off(2)
        );
    }
}

/// Median, 90th percentile and what is common to all edges, per cent of the step.
fn per_cent(found: &Ringing) -> String {
    let at = |share| 100.0 * found.percentile(share);
    format!("{:.1}, {:.1}, {:.1}", at(0.5), at(0.9), 100.0 * found.common)
}

/// The rows of scenes that show nothing.
pub fn tell_empty(wanted: impl Fn(&str) -> bool) {
    for scene in empty::scenes().into_iter().filter(|scene| wanted(scene.name)) {
        println!("{:<13} {}", scene.name, empty::structure(&scene));
    }
}
