//! The finish invents nothing: no rim at strong edges, no structure in empty sky, the same
//! bytes whatever the threads, the same pixels in a preview, and an answer to every input.

#![allow(clippy::unwrap_used)]

mod finish_support;

use finish_support::{BLURS, Known, Random, cratered, disc, error, filtered, stack_of};
use stillwright_picture::{Cancelled, Picture, Plane, Progress, Silent, Stage};
use stillwright_stacking::finish::{
    Bend, DetailScale, DetailSettings, FinishSettings, NoiseModel, Optics, Point,
    RichardsonLucySettings, Sharpening, Tone, WienerSettings, finish, margin_px, measure, render,
    resolve, sharpen, transfer::annular_mtf,
};

const CUTOFF: f64 = 1.0 / 3.0;

fn optics() -> Optics {
    finish_support::optics(CUTOFF, 0.33, 600e-9)
}

fn newcomer() -> FinishSettings {
    FinishSettings { optics: Some(optics()), ..FinishSettings::default() }
}

/// The linear sharpened picture under the newcomer's settings.
fn sharpened(stack: &Known, settings: &FinishSettings) -> Plane {
    let measured = measure(stack, settings.optics.as_ref(), &Silent).unwrap();
    let (used, warnings) = resolve(stack, &measured, settings);
    // A picture left as it is would pass every test of honesty.
    assert!(matches!(used.sharpening, Sharpening::DetailScales(_)), "{warnings:?}");
    sharpen(&stack.picture, None, &used, &measured, &Silent).unwrap().plane(0).to_owned()
}

#[test]
fn a_disc_keeps_its_limb_and_its_empty_sky() {
    let (size, radius) = (320, 90.0);
    let truth = filtered(&disc(size, size, radius), |f| annular_mtf(f / CUTOFF, 0.33));
    let mut rims = Vec::new();
    for (name, blur) in BLURS {
        for sigma in [0.001, 0.004] {
            let stack = stack_of(&filtered(&truth, |f| blur(f / CUTOFF)), sigma, true, 5);
            let out = sharpened(&stack, &newcomer());
            // Overshoot just inside the limb and undershoot just outside, as a share of the edge
            // (limb to sky), after gain and offset that carry the two sides of the edge onto the
            // truth's; the edge itself (one period of the finest detail) tells softness, not rims.
            let limb = 0.6 * 0.55;
            let from_limb =
                |(y, x): (usize, usize)| (y as f64 - 160.0).hypot(x as f64 - 160.0) - radius;
            let mean = |plane: &Plane, zone: std::ops::Range<f64>| {
                let inside =
                    |(place, _): &((usize, usize), &f32)| zone.contains(&from_limb(*place));
                let (n, sum) = plane
                    .indexed_iter()
                    .filter(inside)
                    .fold((0.0, 0.0), |(n, sum), (_, v)| (n + 1.0, sum + f64::from(*v)));
                sum / n
            };
            let (bright, dark) = (-40.0..-14.0, 14.0..40.0);
            let sides = |p: &Plane| (mean(p, bright.clone()), mean(p, dark.clone()));
            let ((bright_out, dark_out), (bright_true, dark_true)) = (sides(&out), sides(&truth));
            let gain = (bright_true - dark_true) / (bright_out - dark_out);
            let (mut over, mut under, mut sky, mut sky_before) = (vec![], vec![], vec![], vec![]);
            for (place, v) in out.indexed_iter() {
                let matched = (f64::from(*v) - dark_out) * gain + dark_true;
                let more = (matched - f64::from(truth[place])) / limb;
                let r = from_limb(place);
                if (-14.0..-3.0).contains(&r) {
                    over.push(more);
                } else if (3.0..14.0).contains(&r) {
                    under.push(-more);
                } else if r > 30.0 {
                    sky.push(f64::from(*v));
                    sky_before.push(f64::from(stack.picture.plane(0)[place]));
                }
            }
            let percentile = |v: &mut Vec<f64>| {
                v.sort_by(f64::total_cmp);
                v[v.len() * 9 / 10]
            };
            let rms = |v: &[f64]| (v.iter().map(|v| v * v).sum::<f64>() / v.len() as f64).sqrt();
            let (over, under) = (percentile(&mut over), percentile(&mut under));
            println!(
                "blur {name} sigma {sigma}: over {over:.4} under {under:.4} of the edge, sky {:.6} \
                 (stack {:.6})",
                rms(&sky),
                rms(&sky_before)
            );
            rims.push(over.max(under));
            assert!(rms(&sky) <= rms(&sky_before), "blur {name} sigma {sigma}");
        }
    }
    // Only the halves' power tells the blur from the scene, to about 0.3 rad^2: a blur whose shape
    // strays from the common one ("poor") keeps a faint rim.
    rims.sort_by(f64::total_cmp);
    let (median, worst) = (rims[rims.len() / 2], rims[rims.len() - 1]);
    assert!(median <= 0.03 && worst <= 0.06, "median {median}, worst {worst}");
}

#[test]
fn empty_ground_stays_empty() {
    // Craters on the left, nothing on the right: what is done to the left must not put
    // structure into the right.
    let mut scene = cratered(256, 384, 9);
    scene.slice_mut(ndarray::s![.., 192..]).fill(0.3);
    let truth = filtered(&scene, |f| annular_mtf(f / CUTOFF, 0.33));
    let stack = stack_of(&filtered(&truth, |f| (-(f / 0.07).powf(1.4)).exp()), 0.004, true, 2);
    let out = sharpened(&stack, &newcomer());
    let ground = ndarray::s![40..216, 240..340];
    let rms = |p: &Plane| {
        let part = p.slice(ground);
        let mean = part.mean().unwrap();
        part.mapv(|v| (v - mean).powi(2)).mean().unwrap().sqrt()
    };
    let (before, after) = (rms(&stack.picture.plane(0).to_owned()), rms(&out));
    println!("noise of empty ground: stack {before:.6}, finished {after:.6}");
    assert!(after <= before);
}

#[test]
fn a_preview_is_the_whole_and_threads_do_not_matter() {
    let scene = cratered(480, 700, 1);
    let stack = stack_of(&filtered(&scene, |f| (-(f / 0.1).powf(1.4)).exp()), 0.003, true, 3);
    let scales = [(3.0, 1.0), (2.0, 1.5), (1.5, 0.5), (1.2, 0.0)];
    let scales = scales.map(|(gain, hold_back)| DetailScale { gain, hold_back }).to_vec();
    let detail = DetailSettings { scales, smooth_px: 0.7, undo: None };
    let exact = FinishSettings { sharpening: Sharpening::DetailScales(detail), ..newcomer() };
    for (settings, tolerance) in [(exact, 0.0), (newcomer(), 2e-3)] {
        let whole = finish(&stack, &settings, &Silent).unwrap();
        for threads in [1, 2, 3] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let again = pool.install(|| finish(&stack, &settings, &Silent).unwrap());
            assert_eq!(again.picture, whole.picture, "{threads} threads");
            assert_eq!(again.used, whole.used);
        }
        let margin = margin_px(&whole.used);
        assert!(margin > 0);
        let (top, left, h, w) = (190, 260, 100, 120);
        let rows = top - margin..top + h + margin;
        let columns = left - margin..left + w + margin;
        let crop = Picture {
            planes: stack.picture.planes.slice(ndarray::s![.., rows, columns]).to_owned(),
        };
        let preview = render(&crop, &whole.used, &whole.measured, &Silent).unwrap();
        let middle = ndarray::s![0, margin..margin + h, margin..margin + w];
        let same = whole.picture.planes.slice(ndarray::s![0, top..top + h, left..left + w]);
        let worst = (&preview.planes.slice(middle) - &same).mapv(f32::abs);
        let worst = worst.iter().copied().fold(0.0, f32::max);
        println!("margin {margin} px, largest difference {worst}");
        assert!(worst <= tolerance, "{worst}");
    }
}

#[test]
fn colour_previews_are_the_whole_and_every_channel_gets_sharper() {
    let scene = cratered(440, 480, 7);
    let truths = [1.4f32, 1.0, 0.6].map(|hue| hue * &scene);
    let known: Vec<Known> = (0..3)
        .map(|c| {
            stack_of(&filtered(&truths[c], |f| (-(f / 0.1).powf(1.4)).exp()), 0.004, true, c as u64)
        })
        .collect();
    let colour = |pick: &dyn Fn(&Known) -> &Picture| {
        let planes: Vec<_> = known.iter().map(|k| pick(k).plane(0)).collect();
        Picture { planes: ndarray::stack(ndarray::Axis(0), &planes).unwrap() }
    };
    let stack = Known {
        picture: colour(&|k| &k.picture),
        halves: [colour(&|k| &k.halves[0]), colour(&|k| &k.halves[1])],
    };
    let measured = measure(&stack, None, &Silent).unwrap();
    let (mut used, _) = resolve(&stack, &measured, &FinishSettings::default());
    let out = sharpen(&stack.picture, None, &used, &measured, &Silent).unwrap();
    for (c, truth) in truths.iter().enumerate() {
        let before = error(&stack.picture.plane(c).to_owned(), truth, 24);
        let after = error(&out.plane(c).to_owned(), truth, 24);
        println!("channel {c}: error {before:.4}, sharpened {after:.4}");
        assert!(after < 0.8 * before);
    }
    // The middle by a preview, and in the whole.
    let middles = |used: &FinishSettings| {
        let whole = sharpen(&stack.picture, None, used, &measured, &Silent).unwrap();
        let margin = margin_px(used);
        let crop = ndarray::s![.., 180 - margin..260 + margin, 190 - margin..290 + margin];
        let crop = Picture { planes: stack.picture.planes.slice(crop).to_owned() };
        let preview = sharpen(&crop, None, used, &measured, &Silent).unwrap();
        let middle = ndarray::s![.., margin..margin + 80, margin..margin + 100];
        let same = ndarray::s![.., 180..260, 190..290];
        (preview.planes.slice(middle).to_owned(), whole.planes.slice(same).to_owned())
    };
    let (preview, whole) = middles(&used);
    assert!(preview.iter().zip(&whole).all(|(a, b)| (a - b).abs() <= 2e-3));
    let Sharpening::DetailScales(detail) = &mut used.sharpening else { panic!("not sharpened") };
    detail.undo = None;
    detail.scales[0].gain = 3.0;
    let (preview, whole) = middles(&used);
    assert_eq!(preview, whole);
}

#[test]
fn every_input_gets_an_answer() {
    let mut random = Random::new(4);
    let mut noise = |h: usize, w: usize| Plane::from_shape_fn((h, w), |_| random.normal() as f32);
    let (a, b) = (noise(64, 48), noise(64, 48));
    let sets: Vec<(&str, Plane, Plane)> = vec![
        ("black", Plane::zeros((80, 70)), Plane::zeros((80, 70))),
        ("even", Plane::from_elem((80, 70), 0.4), Plane::from_elem((80, 70), 0.4)),
        ("tiny", Plane::from_elem((1, 1), 0.4), Plane::from_elem((1, 1), 0.3)),
        ("empty", Plane::zeros((0, 0)), Plane::zeros((0, 0))),
        ("narrow", Plane::from_elem((3, 400), 0.4), Plane::from_elem((3, 400), 0.3)),
        ("noise only", a.clone(), b),
        ("halves alike", a.clone(), a.clone()),
        ("opposed halves", a.clone(), -&a),
        ("not a number", Plane::from_elem((40, 40), f32::NAN), Plane::zeros((40, 40))),
        ("endless", Plane::from_elem((40, 40), f32::INFINITY), Plane::zeros((40, 40))),
        ("huge", Plane::from_elem((40, 40), 1e30), Plane::from_elem((40, 40), -1e30)),
    ];
    let methods = [
        Sharpening::Automatic,
        Sharpening::Wiener(WienerSettings::default()),
        Sharpening::RichardsonLucy(RichardsonLucySettings { iterations: 5, ..Default::default() }),
        Sharpening::DetailScales(DetailSettings {
            scales: vec![DetailScale { gain: 20.0, hold_back: 2.0 }; 8],
            smooth_px: 4.0,
            undo: Some(WienerSettings::default()),
        }),
        Sharpening::None,
    ];
    for (name, a, b) in sets {
        for channels in [1, 3] {
            let many = |plane: &Plane| {
                let planes = vec![plane.view(); channels];
                Picture { planes: ndarray::stack(ndarray::Axis(0), &planes).unwrap() }
            };
            let mean = 0.5 * (&a + &b);
            let stack = Known { picture: many(&mean), halves: [many(&a), many(&b)] };
            for sharpening in &methods {
                for optics in [None, Some(optics())] {
                    let settings = FinishSettings {
                        sharpening: sharpening.clone(),
                        optics,
                        tone: Tone { bend: Bend::Gamma(1.5), ..Tone::default() },
                        ..FinishSettings::default()
                    };
                    let done = finish(&stack, &settings, &Silent).unwrap();
                    assert_eq!(done.picture.planes.dim(), stack.picture.planes.dim());
                    let sane = done.picture.planes.iter().all(|v| (0.0..=1.0).contains(v));
                    assert!(sane, "{name} {sharpening:?}");
                    done.used.check().unwrap();
                }
            }
        }
    }
}

#[test]
fn wrong_settings_and_shapes_are_refused_and_cancelling_stops() {
    let good = stack_of(&cratered(64, 64, 1), 0.01, false, 1);
    let mut settings = newcomer();
    settings.tone = Tone { white: Point::Level(f32::NAN), ..Tone::default() };
    assert!(finish(&good, &settings, &Silent).unwrap_err().to_string().contains("white"));
    let mut settings = newcomer();
    settings.optics = Some(Optics { aperture_m: -1.0, ..optics() });
    assert!(finish(&good, &settings, &Silent).unwrap_err().to_string().contains("aperture_m"));
    let mut bad = stack_of(&cratered(64, 64, 1), 0.01, false, 1);
    bad.halves[1] = Picture::black(1, 64, 63);
    assert!(finish(&bad, &newcomer(), &Silent).unwrap_err().to_string().contains("half stack"));

    struct Stop;
    impl Progress for Stop {
        fn advance(&self, _: Stage, _: usize, _: usize) -> Result<(), Cancelled> {
            Err(Cancelled)
        }
    }
    assert!(finish(&good, &newcomer(), &Stop).is_err());
}

#[test]
fn noise_of_each_scale_is_that_of_the_decomposed_half_difference() {
    // The spectrum of the half difference and its wavelet decomposition tell the same.
    let stack = stack_of(&Plane::from_elem((512, 512), 0.5), 0.01, true, 8);
    let measured = measure(&stack, None, &Silent).unwrap();
    let noise: &NoiseModel = &measured.channels[0].as_ref().unwrap().noise;
    let half_difference =
        0.5 * (&stack.halves[0].plane(0).to_owned() - &stack.halves[1].plane(0).to_owned());
    let (details, _) = stillwright_stacking::finish::atrous::decompose(&half_difference, 4);
    for (j, share) in noise.scale_shares(4, 0.0).iter().enumerate() {
        let found = details[j].mapv(|v| v * v).mean().unwrap().sqrt();
        let told = (share * noise.variance(0.5)).sqrt();
        // Coarse scales have few independent samples.
        let tolerance = [0.02, 0.02, 0.04, 0.08][j];
        assert!((f64::from(found) / told - 1.0).abs() < tolerance, "scale {j}: {found} {told}");
    }
}
