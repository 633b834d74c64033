//! Ringing of the untouched still at strong edges: crater shadows of simulated ground, the limb of a disc. On ground, noise and
//! uneven blur pass for ringing as well, so the bar is held by the still's even part there; a disc, of which the rings
//! of its limb are most of the spectrum, has no such part to tell, and holds it as it is.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_night::judge::{
    JudgeSettings, Ringing, even_part, ringing, straight_error, straighten,
};
use stillwright_night::picture::{Layout, Picture, Plane, Silent};
use stillwright_night::sample::{SampleSettings, simulate};
use stillwright_night::seeing::interpolate::cubic;
use stillwright_night::seeing::raster::Raster;
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::stacking::finish::{
    DetailSettings, FinishSettings, Sharpening, finish, sharpen,
};
use stillwright_night::stacking::{Keep, StackSettings, stack};

const BORDER_PX: usize = 24;
/// A share of an edge's step.
const BAR: f64 = 0.03;

#[test]
fn the_untouched_still_rings_little_and_an_overdone_one_is_found_out() {
    let ground = |d_over_r0| {
        let mut night = SampleSettings::small(91);
        (night.width, night.height, night.frames) = (256, 208, 160);
        night.air.d_over_r0 = d_over_r0;
        night
    };
    let mut disc = SampleSettings::disc(51);
    disc.camera.layout = Layout::Mono;
    disc.air.d_over_r0 = 3.0;
    for (name, night, is_ground) in [("ground", ground(3.0), true), ("disc", disc, false)] {
        let simulation = simulate(&night, &Silent).unwrap();
        let graded = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
        let settings = StackSettings { keep: Keep::Percent(20.0), ..StackSettings::default() };
        let stacked = stack(&simulation, &graded, &settings, &Silent).unwrap();
        let done = finish(&stacked, &FinishSettings::default(), &Silent).unwrap();

        let cutoff = simulation.truth.cutoff_cycles_per_px[0];
        let shift = simulation.truth.frames[graded.reference_index].shift;
        let margin = simulation.truth.margin_px as f64;
        let judge = JudgeSettings {
            border_px: BORDER_PX,
            near: Some((margin - f64::from(shift.x_px), margin - f64::from(shift.y_px))),
            reach_px: 6.0,
            ..JudgeSettings::new(cutoff)
        };
        let light = stacked.picture.plane(0);
        let judged = straight_error(simulation.picture.plane(0), light, &judge).unwrap();
        let source = Raster::of_plane(simulation.picture.plane(0));
        let placed = Plane::from_shape_fn(light.dim(), |(y, x)| {
            cubic(&source, x as f64 + judged.x_px, y as f64 + judged.y_px)
        });
        let field = straighten(light, placed.view());
        let place = (judged.x_px as f32, judged.y_px as f32);
        let truth = field.lay_straight(simulation.picture.plane(0), place);

        let of = |picture: &Picture| -> [Ringing; 2] {
            let plane = picture.plane(0);
            let even = even_part(truth.view(), plane, cutoff, BORDER_PX).unwrap();
            let as_it_is = ringing(truth.view(), plane);
            let held =
                if is_ground { ringing(truth.view(), even.view()) } else { as_it_is.clone() };
            [as_it_is, held]
        };
        let [still, held] = of(&done.picture);
        let (still_90, held_90) = (still.percentile(0.9), held.percentile(0.9));
        println!("{name}: {} edges, {still_90:.4}, of that held {held_90:.4}", still.edges.len());
        assert!(still.edges.len() >= 30, "{name}: {} edges", still.edges.len());
        assert!(held_90 < BAR && still.common < BAR, "{name}: {held_90}, {}", still.common);
        assert!(still_90 < 2.0 * BAR, "{name}: {still_90}");

        // Deeper a blur than there is, undone: a halo.
        let mut overdone = done.used.clone();
        let Sharpening::DetailScales(DetailSettings { undo: Some(undo), .. }) =
            &mut overdone.sharpening
        else {
            panic!("{name}: not sharpened")
        };
        let blur = undo.blur.as_mut().unwrap();
        blur.scale_cycles_per_px *= 0.5;
        let overdone = sharpen(&stacked.picture, None, &overdone, &done.measured, &Silent).unwrap();
        let [_, overdone] = of(&overdone);
        let overdone_90 = overdone.percentile(0.9);
        println!("  overdone: {overdone_90:.4}");
        assert!(overdone_90 > BAR, "{name}: {overdone_90} passes for sound");
    }
}
