//! The finish against known truth: how near it comes to the best filter that can be chosen
//! with the truth in hand.

#![allow(clippy::unwrap_used)]

mod finish_support;

use finish_support::{Known, cratered, error, filtered, oracle, stack_of};
use stillwright_picture::{Plane, Silent};
use stillwright_stacking::finish::{
    FinishSettings, Optics, RichardsonLucySettings, Sharpening, WienerSettings, measure, resolve,
    sharpen, transfer::annular_mtf,
};

const CUTOFF: f64 = 1.0 / 3.0;
const OBSTRUCTION: f64 = 0.33;

fn optics() -> Optics {
    Optics {
        aperture_m: 0.2,
        obstruction: OBSTRUCTION,
        focal_length_m: 4.0,
        pixel_um: CUTOFF * 4.0 * 600e-9 / 0.2 * 1e6,
        wavelength_m: 600e-9,
    }
}

fn telescope(f: f64) -> f64 {
    annular_mtf(f / CUTOFF, OBSTRUCTION)
}

fn sharpened(stack: &Known, sharpening: Sharpening, known: bool) -> Plane {
    let settings =
        FinishSettings { sharpening, optics: known.then(optics), ..FinishSettings::default() };
    let measured = measure(stack, settings.optics.as_ref(), &Silent).unwrap();
    let (used, _) = resolve(stack, &measured, &settings);
    let out = sharpen(&stack.picture, &used, &measured, &Silent).unwrap();
    out.plane(0).to_owned()
}

type Blur = (&'static str, fn(f64) -> f64);

/// What is left of the air: two of the law that aligned stacks follow, a long exposure, and short
/// exposures with their tilt removed (Fried 1966, far field, D/r0 5).
const BLURS: [Blur; 4] = [
    ("stack", |f| (-(f / 0.06).powf(1.25)).exp()),
    ("mild", |f| (-(f / 0.15).powf(1.25)).exp()),
    ("long", |f| (-(f / 0.09).powf(5.0 / 3.0)).exp()),
    ("tilt-free", |f| {
        let x = f.min(CUTOFF) / CUTOFF;
        let tilt = 1.0 - 0.5 * x.powf(1.0 / 3.0);
        (-3.44 * 5f64.powf(5.0 / 3.0) * x.powf(5.0 / 3.0) * tilt).exp()
    }),
];

#[test]
fn the_newcomers_finish_comes_near_the_best_filter() {
    let size = 384;
    println!(
        "blur      noise scene | error of stack, best filter | in units of the best filter's:"
    );
    println!(
        "                      |                             | automatic, unknown telescope, Wiener, Richardson-Lucy"
    );
    for (sigma, most) in [(0.003, 1.35), (0.01, 1.15)] {
        let mut ratios = Vec::new();
        for (name, blur) in BLURS {
            for seed in [3, 5] {
                let truth = filtered(&cratered(size, size, seed), telescope);
                let stack = stack_of(&filtered(&truth, blur), sigma, true, 11);
                let picture = stack.picture.plane(0).to_owned();
                let best = error(&oracle(&picture, &truth), &truth, 24);
                let soft = error(&picture, &truth, 24);
                let ratio = |sharpening: Sharpening, known: bool| {
                    error(&sharpened(&stack, sharpening, known), &truth, 24) / best
                };
                let automatic = ratio(Sharpening::Automatic, true);
                let rl = RichardsonLucySettings { iterations: 30, ..Default::default() };
                println!(
                    "{name:9} {sigma:.3} {seed}     | {soft:.4} {best:.4}               | {automatic:.3} {:.3} {:.3} {:.3}",
                    ratio(Sharpening::Automatic, false),
                    ratio(Sharpening::Wiener(WienerSettings::default()), true),
                    ratio(Sharpening::RichardsonLucy(rl), true),
                );
                assert!(automatic <= most, "{name} {sigma} {seed}: {automatic}");
                assert!(automatic * best < 0.75 * soft, "{name} {sigma} {seed}");
                ratios.push(automatic);
            }
        }
        ratios.sort_by(f64::total_cmp);
        let median = 0.5 * (ratios[3] + ratios[4]);
        println!("noise {sigma}: median {median:.3}, worst {:.3}", ratios[7]);
        assert!(median <= 1.15, "{median}");
    }
}
