//! The finish of colour against known truth: what a channel shows beside the light.

#![allow(clippy::unwrap_used)]

mod finish_support;

use finish_support::{BLURS, Known, cratered, disc, error, filtered, optics, oracle, stack_of};
use stillwright_picture::{Picture, Plane, Silent};
use stillwright_stacking::finish::{
    FinishSettings, ResidualBlur, Sharpening, WienerSettings, measure, resolve, sharpen,
    transfer::annular_mtf,
};

const CUTOFF: f64 = 0.38;
const OBSTRUCTION: f64 = 0.33;
const SIZE: usize = 320;

/// Wavelengths of red, green and blue over that of green (600, 530, 460 nm): the phase that air adds goes as one over the wavelength, and
/// places that the aperture brings together at a frequency lie as far apart as the wavelength is long (Roddier 1981).
const WAVELENGTHS: [f64; 3] = [1.132, 1.0, 0.868];

fn colour_of(channels: &[Known; 3]) -> Known {
    let all = |pick: &dyn Fn(&Known) -> Plane| {
        let planes: Vec<Plane> = channels.iter().map(pick).collect();
        let views: Vec<_> = planes.iter().map(|p| p.view()).collect();
        Picture { planes: ndarray::stack(ndarray::Axis(0), &views).unwrap() }
    };
    Known {
        picture: all(&|k| k.picture.plane(0).to_owned()),
        halves: [0, 1].map(|half: usize| all(&|k| k.halves[half].plane(0).to_owned())),
    }
}

/// What the telescope shows in a channel: its cut-off goes as 1 / wavelength (Goodman, Introduction to Fourier Optics, 6.4).
fn through_telescope(scene: &Plane, channel: usize) -> Plane {
    filtered(scene, |f| annular_mtf(WAVELENGTHS[channel] * f / CUTOFF, OBSTRUCTION))
}

/// Stacks of three true pictures, blurred as a fair night does.
fn stacked(truths: &[Plane; 3], sigma: f64, seed: u64) -> Known {
    let (_, blur) = BLURS[1];
    let channels = [0, 1, 2].map(|c: usize| {
        let w = WAVELENGTHS[c];
        let blurred = filtered(&truths[c], |f| blur(w * f / CUTOFF).powf(1.0 / (w * w)));
        stack_of(&blurred, sigma, true, seed + c as u64)
    });
    colour_of(&channels)
}

/// The still with that blur of the light undone.
fn undone(stack: &Known, blur: ResidualBlur) -> Picture {
    let wiener = WienerSettings { blur: Some(blur), ..WienerSettings::default() };
    let settings = FinishSettings {
        optics: Some(optics(CUTOFF, OBSTRUCTION, 530e-9)),
        sharpening: Sharpening::Wiener(wiener),
        ..FinishSettings::default()
    };
    let measured = measure(stack, settings.optics.as_ref(), &Silent).unwrap();
    sharpen(&stack.picture, None, &settings, &measured, &Silent).unwrap()
}

/// The still; with `differences` left out, as if nothing were known of what channels show beside the light.
fn finished(stack: &Known, differences: bool) -> Picture {
    let settings = FinishSettings {
        optics: Some(optics(CUTOFF, OBSTRUCTION, 530e-9)),
        ..FinishSettings::default()
    };
    let mut measured = measure(stack, settings.optics.as_ref(), &Silent).unwrap();
    if !differences {
        measured.differences.fill(None);
    }
    let (used, _) = resolve(stack, &measured, &settings);
    sharpen(&stack.picture, None, &used, &measured, &Silent).unwrap()
}

/// Detail of `scene`, as strong as `contrasts` have it in each channel, through the telescope, on top of what is coarse.
fn truths(contrasts: [f32; 3], hues: [f32; 3]) -> [Plane; 3] {
    let ground = cratered(SIZE, SIZE, 9);
    [0, 1, 2].map(|c: usize| {
        let scene = through_telescope(&ground, c);
        let coarse = filtered(&scene, |f| (-(f / 0.02).powi(2)).exp());
        (&coarse + &((&scene - &coarse) * contrasts[c])) * hues[c]
    })
}

#[test]
fn every_channel_comes_near_its_own_best_filter() {
    for (name, contrasts) in [("alike", [1.0, 1.0, 1.0]), ("unlike", [0.6, 1.0, 1.5])] {
        for sigma in [0.003, 0.01] {
            let truths = truths(contrasts, [1.1, 1.0, 0.8]);
            let stack = stacked(&truths, sigma, 21);
            let (still, without) = (finished(&stack, true), finished(&stack, false));
            let mut sums = [0.0; 2];
            for (c, truth) in truths.iter().enumerate() {
                let before = stack.picture.plane(c).to_owned();
                let soft = error(&before, truth, 24);
                let best = error(&oracle(&before, truth), truth, 24);
                let found = error(&still.plane(c).to_owned(), truth, 24);
                let without = error(&without.plane(c).to_owned(), truth, 24);
                println!(
                    "{name} {sigma} channel {c}: stack {soft:.4}, best filter {best:.4}, still \
                     {found:.4}, without the differences {without:.4}"
                );
                assert!((found - best) / (soft - best) < 0.15, "{name} {sigma} {c}: {found}");
                sums[0] += found * found;
                sums[1] += without * without;
            }
            assert!(sums[0] < 0.8 * sums[1], "{name} {sigma}: {sums:?}");
        }
    }
}

/// Belts of 28 px, which no smooth hue follows as sharp as they are, strong in blue and weak in red, on a limb.
#[test]
fn belts_of_a_colour_of_their_own_are_as_sharp_as_the_rest() {
    let shape = disc(SIZE, SIZE, 110.0);
    let ground = cratered(SIZE, SIZE, 9);
    let colours: [(f32, f32); 3] = [(0.03, 1.1), (0.1, 1.0), (0.22, 0.8)];
    let truths = [0, 1, 2].map(|c: usize| {
        let (belts, hue) = colours[c];
        let scene = Plane::from_shape_fn((SIZE, SIZE), |(y, x)| {
            let belt = belts * (0.224 * y as f32 + 0.5 * (0.02 * x as f32).sin()).sin();
            hue * shape[[y, x]] * (0.9 + 0.25 * ground[[y, x]] + belt)
        });
        through_telescope(&scene, c)
    });
    let stack = stacked(&truths, 0.004, 21);
    // The blur of `BLURS[1]`: what counts here is what colours make of it.
    let still = undone(&stack, ResidualBlur::with_depth(1.29, 0.244 * CUTOFF, 1.99));
    for (c, truth) in truths.iter().enumerate() {
        let before = stack.picture.plane(c).to_owned();
        let best = error(&oracle(&before, truth), truth, 24);
        let found = error(&still.plane(c).to_owned(), truth, 24);
        println!("channel {c}: still {found:.4}, best filter {best:.4}: {:.3} times", found / best);
        assert!(found < 1.1 * best, "channel {c}: {found}, best filter {best}");
    }
}

/// On grey ground channels differ by noise alone (but for what the telescope shows of each, which is in all stacks alike), and that must not stay.
#[test]
fn noise_of_colour_goes_where_there_is_none() {
    let truths = truths([1.0; 3], [1.0; 3]);
    let stacks = [21, 51].map(|seed| stacked(&truths, 0.02, seed));
    let spread = |pictures: [&Picture; 2]| {
        let [a, b] = pictures.map(|picture| &picture.planes - &picture.luminance());
        ((&a - &b).mapv(|v| v * v).mean().unwrap() / 2.0).sqrt()
    };
    let before = spread(stacks.each_ref().map(|stack| &stack.picture));
    let stills = stacks.each_ref().map(|stack| finished(stack, true));
    let after = spread(stills.each_ref());
    println!("colour noise: stack {before:.5}, still {after:.5}");
    assert!(after < 0.3 * before);
}
