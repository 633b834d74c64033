//! Scenes that show nothing but an edge: a smooth disc with a darkened limb, and ground that is empty beside craters.
//! What a still shows there beyond the truth is held against the noise that the same deconvolution, without any holding
//! back, makes of the stack's own (half the difference of its halves).

use stillwright_night::judge::{JudgeSettings, straight_error};
use stillwright_night::picture::{Picture, Plane, Silent};
use stillwright_night::sample::{SampleSettings, simulate_drawn};
use stillwright_night::seeing::interpolate::cubic;
use stillwright_night::seeing::raster::{Kernel, Raster, smooth};
use stillwright_night::seeing::{SurveySettings, survey};
use stillwright_night::stacking::finish::{
    DetailSettings, FinishSettings, Sharpening, finish, sharpen,
};
use stillwright_night::stacking::{Keep, StackSettings, stack};

const WIDTH: usize = 256;
const HEIGHT: usize = 224;
/// Radius of the disc, px.
const RADIUS_PX: f64 = 70.0;
/// Coarser than this (standard deviation of a Gaussian, px) is shading, which gain and offset of a part cannot tell.
const SHADING_PX: f32 = 8.0;
/// Lags at which what is left is held against itself, px.
const LAGS_PX: [usize; 5] = [2, 3, 4, 6, 8];

type Light = Box<dyn Fn(f64, f64) -> f32 + Sync>;

/// A part of a scene: its name, and whether a place lies in it.
type Part = (&'static str, fn(f64, f64) -> bool);

/// A scene with its night, and the parts of it that show nothing.
pub struct Empty {
    /// What it is called.
    pub name: &'static str,
    settings: SampleSettings,
    light: Light,
    parts: Vec<Part>,
}

fn from_middle(x: f64, y: f64) -> f64 {
    (x - WIDTH as f64 / 2.0).hypot(y - HEIGHT as f64 / 2.0)
}

fn disc_light(x: f64, y: f64) -> f32 {
    let r = from_middle(x, y) / RADIUS_PX;
    // Half a linear law of darkening towards the limb.
    if r < 1.0 { (0.7 * (0.5 + 0.5 * (1.0 - r * r).sqrt())) as f32 } else { 0.0 }
}

/// Bowls on the left, lit from the left; nothing on the right.
fn ground_light(x: f64, y: f64) -> f32 {
    let bowls = [(50.0, 60.0, 22.0), (85.0, 120.0, 30.0), (40.0, 165.0, 25.0), (105.0, 50.0, 14.0)];
    let mut light = 0.45;
    for (cx, cy, radius) in bowls {
        let (dx, dy) = ((x - cx) / radius, (y - cy) / radius);
        let r = dx.hypot(dy);
        if r < 1.0 {
            light = if dx < -0.35 { 0.04 } else { 0.45 + 0.35 * dx };
        } else if r < 1.25 {
            light += 0.3 * (1.25 - r) * -dx.signum();
        }
    }
    light as f32
}

/// The scenes, each under calm and under restless air.
pub fn scenes() -> Vec<Empty> {
    let night = |seed: u64, d_over_r0: f64| {
        let mut night = SampleSettings::small(seed);
        (night.width, night.height, night.frames) = (WIDTH, HEIGHT, 200);
        night.air.d_over_r0 = d_over_r0;
        night
    };
    let of = |name, seed, d_over_r0, ground: bool| {
        let settings = night(seed, d_over_r0);
        if ground {
            let light: Light = Box::new(ground_light);
            let parts: Vec<Part> = vec![("empty ground", |x, _| (160.0..220.0).contains(&x))];
            Empty { name, settings, light, parts }
        } else {
            let light: Light = Box::new(disc_light);
            let parts: Vec<Part> = vec![
                ("inside the disc", |x, y| from_middle(x, y) < RADIUS_PX - 14.0),
                ("sky", |x, y| (RADIUS_PX + 10.0..RADIUS_PX + 30.0).contains(&from_middle(x, y))),
            ];
            Empty { name, settings, light, parts }
        }
    };
    vec![
        of("empty-disc-calm", 81, 2.5, false),
        of("empty-disc-fair", 82, 4.5, false),
        of("empty-disc-rough", 83, 7.0, false),
        of("empty-ground-calm", 84, 2.5, true),
        of("empty-ground-fair", 85, 4.5, true),
        of("empty-ground-rough", 86, 7.0, true),
    ]
}

/// What the still of a scene shows in its empty parts.
pub fn structure(scene: &Empty) -> String {
    let simulation = simulate_drawn(&scene.settings, &*scene.light, &Silent).unwrap();
    let graded = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
    let settings = StackSettings { keep: Keep::Percent(20.0), ..StackSettings::default() };
    let stacked = stack(&simulation, &graded, &settings, &Silent).unwrap();
    let done = finish(&stacked, &FinishSettings::default(), &Silent).unwrap();
    let Sharpening::DetailScales(DetailSettings { undo: Some(undo), .. }) = done.used.sharpening
    else {
        return "not sharpened".into();
    };
    // Before the tone, which clips: in units of the stack.
    let still = sharpen(&stacked.picture, None, &done.used, &done.measured, &Silent).unwrap();
    let linear =
        FinishSettings { sharpening: Sharpening::Wiener(undo), ..FinishSettings::default() };
    let noise: Vec<Picture> = stacked
        .halves
        .iter()
        .map(|half| sharpen(half, None, &linear, &done.measured, &Silent).unwrap())
        .collect();
    let noise = Picture { planes: 0.5 * (&noise[0].planes - &noise[1].planes) };
    let noise = noise.plane(0).to_owned();

    let shift = simulation.truth.frames[graded.reference_index].shift;
    let margin = simulation.truth.margin_px as f64;
    let near = (margin - f64::from(shift.x_px), margin - f64::from(shift.y_px));
    let judge = JudgeSettings {
        border_px: 24,
        near: Some(near),
        reach_px: 6.0,
        ..JudgeSettings::new(simulation.truth.cutoff_cycles_per_px[0])
    };
    let light = still.plane(0);
    let judged = straight_error(simulation.picture.plane(0), light, &judge).unwrap();
    let source = Raster::of_plane(simulation.picture.plane(0));
    let truth = Plane::from_shape_fn(light.dim(), |(y, x)| {
        cubic(&source, x as f64 + judged.x_px, y as f64 + judged.y_px)
    });
    let place = (judged.x_px - margin, judged.y_px - margin);
    let gain = same_light(&light.to_owned(), &truth);
    let more = &light - &(gain * &truth);
    let tell = |(part, inside): &Part| {
        let inside = |y: usize, x: usize| inside(x as f64 + place.0, y as f64 + place.1);
        let of_part = |plane: &Plane| without_shading(plane, &inside);
        let (more, noise) = (of_part(&more), of_part(&noise));
        let (left, usual) = (deviation(&more, &inside), deviation(&noise, &inside));
        let lags: Vec<String> = LAGS_PX
            .iter()
            .map(|lag| {
                let of = |plane| alike(plane, &inside, *lag);
                format!("{:+.2} ({:+.2})", of(&more), of(&noise))
            })
            .collect();
        format!(
            "{part}: {:.3} % of white, {:.2} times the noise of the deconvolution alone; alike at {LAGS_PX:?} px {}",
            100.0 * left / f64::from(gain),
            left / usual,
            lags.join(", ")
        )
    };
    scene.parts.iter().map(tell).collect::<Vec<_>>().join("; ")
}

/// The gain that carries the truth onto the picture: the slope of one over the other.
fn same_light(picture: &Plane, truth: &Plane) -> f32 {
    let (p, t) = (picture.mean().unwrap(), truth.mean().unwrap());
    let cross = picture.iter().zip(truth).map(|(a, b)| (a - p) * (b - t)).sum::<f32>();
    cross / truth.iter().map(|b| (b - t) * (b - t)).sum::<f32>()
}

/// The part without what is coarse in it; places outside of it have no say, or the limb's softness would reach in.
fn without_shading(plane: &Plane, inside: &dyn Fn(usize, usize) -> bool) -> Plane {
    let kernel = Kernel::gaussian(SHADING_PX);
    let smoothed = |plane: &Plane| {
        let mut coarse = Raster::default();
        smooth(&Raster::of_plane(plane.view()), &kernel, &mut Raster::default(), &mut coarse);
        Plane::from_shape_vec(plane.dim(), coarse.values).unwrap()
    };
    let part = Plane::from_shape_fn(plane.dim(), |(y, x)| f32::from(u8::from(inside(y, x))));
    let coarse = smoothed(&(plane * &part)) / smoothed(&part).mapv(|v| v.max(1e-6));
    (plane - &coarse) * part
}

/// Values of the part, away from the border.
fn values<'a>(
    plane: &'a Plane,
    inside: &'a dyn Fn(usize, usize) -> bool,
) -> impl Iterator<Item = ((usize, usize), f64)> + 'a {
    let (height, width) = plane.dim();
    let counts = move |y: usize, x: usize| {
        (24..height - 24).contains(&y) && (24..width - 24).contains(&x) && inside(y, x)
    };
    plane
        .indexed_iter()
        .filter(move |((y, x), _)| counts(*y, *x))
        .map(|(at, v)| (at, f64::from(*v)))
}

fn deviation(plane: &Plane, inside: &dyn Fn(usize, usize) -> bool) -> f64 {
    let n = values(plane, inside).count() as f64;
    let mean = values(plane, inside).map(|(_, v)| v).sum::<f64>() / n;
    (values(plane, inside).map(|(_, v)| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Correlation of the part with itself `lag` px across and down: ripples come back, noise does not.
fn alike(plane: &Plane, inside: &dyn Fn(usize, usize) -> bool, lag: usize) -> f64 {
    let (mut sum, mut power) = (0.0, 0.0);
    for ((y, x), v) in values(plane, inside) {
        for (v_at, u_at) in [(y, x + lag), (y + lag, x)] {
            if inside(v_at, u_at) {
                let other = f64::from(plane[(v_at, u_at)]);
                sum += v * other;
                power += 0.5 * (v * v + other * other);
            }
        }
    }
    sum / power.max(f64::MIN_POSITIVE)
}
