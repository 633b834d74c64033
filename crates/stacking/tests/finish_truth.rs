//! The finish against known truth: how near it comes to the best filter that can be chosen
//! with the truth in hand.

#![allow(clippy::unwrap_used)]

mod finish_support;

use finish_support::{BLURS, Known, cratered, error, filtered, optics, oracle, stack_of};
use stillwright_picture::{Plane, Silent};
use stillwright_stacking::finish::{
    FinishSettings, RichardsonLucySettings, Sharpening, WienerSettings, measure, resolve, sharpen,
    transfer::annular_mtf,
};

const CUTOFF: f64 = 1.0 / 3.0;
const OBSTRUCTION: f64 = 0.33;

fn telescope(f: f64) -> f64 {
    annular_mtf(f / CUTOFF, OBSTRUCTION)
}

fn sharpened(stack: &Known, sharpening: Sharpening, known: bool) -> Plane {
    let settings = FinishSettings {
        sharpening,
        optics: known.then(|| optics(CUTOFF, OBSTRUCTION, 600e-9)),
        ..FinishSettings::default()
    };
    let measured = measure(stack, settings.optics.as_ref(), &Silent).unwrap();
    let (used, _) = resolve(stack, &measured, &settings);
    let out = sharpen(&stack.picture, None, &used, &measured, &Silent).unwrap();
    out.plane(0).to_owned()
}

/// Where noise is low the best filter undoes all of the blur, which no one can without the truth:
/// a scene that falls more steeply looks like a blurred one. So what counts is the share of the
/// blur's error that is left, from 0 (as good as the best filter) to 1 (nothing undone).
#[test]
fn the_newcomers_finish_undoes_most_of_the_blur() {
    let size = 384;
    println!(
        "blur      noise scene | error of stack, best filter | share of the blur's error left:"
    );
    println!(
        "                      |                             | automatic, unknown telescope, Wiener, Richardson-Lucy"
    );
    for sigma in [0.003, 0.01] {
        let mut shares = Vec::new();
        for (name, blur) in BLURS {
            for seed in [3, 5] {
                let truth = filtered(&cratered(size, size, seed), telescope);
                let stack = stack_of(&filtered(&truth, |f| blur(f / CUTOFF)), sigma, true, 11);
                let picture = stack.picture.plane(0).to_owned();
                let best = error(&oracle(&picture, &truth), &truth, 24);
                let soft = error(&picture, &truth, 24);
                let share = |sharpening: Sharpening, known: bool| {
                    let left = error(&sharpened(&stack, sharpening, known), &truth, 24);
                    (left - best) / (soft - best)
                };
                let automatic = share(Sharpening::Automatic, true);
                let guessed = share(Sharpening::Automatic, false);
                let rl = RichardsonLucySettings { iterations: 30, ..Default::default() };
                println!(
                    "{name:9} {sigma:.3} {seed}     | {soft:.4} {best:.4}               | {automatic:.3} {guessed:.3} {:.3} {:.3}",
                    share(Sharpening::Wiener(WienerSettings::default()), true),
                    share(Sharpening::RichardsonLucy(rl), true),
                );
                for left in [automatic, guessed] {
                    assert!(left <= 0.6, "{name} {sigma} {seed}: {left}");
                }
                shares.push(automatic);
            }
        }
        shares.sort_by(f64::total_cmp);
        let (median, worst) = (shares[shares.len() / 2], shares[shares.len() - 1]);
        println!("noise {sigma}: median {median:.3}, worst {worst:.3}");
        assert!(median <= 0.2, "{median}");
    }
}
