//! A reference picture made from the same simulated ground at another scale, turn and light: it is
//! matched by itself and by marks, and the verdict names the sharper one.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_night::picture::Plane;
use stillwright_night::picture::{Picture, Silent};
use stillwright_night::sample::{SampleCapture, SampleSettings, SunSettings};
use stillwright_night::seeing::beside::{
    Compared, Homography, Mapping, Sharper, compare, lay, match_pictures,
};
use stillwright_night::seeing::raster::{Kernel, Raster, smooth};
use stillwright_night::stacking::halves::{HalvesSettings, correlate_halves};

const SIZE: (usize, usize) = (384, 288);

/// Ground of a seed under a Sun, with a margin of `margin` px all around.
fn ground(seed: u64, altitude_deg: f64, azimuth_rad: f64, margin: usize) -> Raster {
    let mut settings = SampleSettings::demo(seed);
    (settings.width, settings.height, settings.frames) = (SIZE.0, SIZE.1, 1);
    settings.margin_px = margin;
    settings.sun = SunSettings { altitude_deg, azimuth_rad };
    let capture = SampleCapture::prepare(&settings).unwrap();
    let picture: &Picture = capture.picture();
    Raster::of_plane(picture.plane(0))
}

struct Random(u64);

impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }
}

fn blurred(source: &Raster, sigma: f32) -> Raster {
    let mut out = Raster::zeros(source.width, source.height);
    smooth(source, &Kernel::gaussian(sigma), &mut Raster::default(), &mut out);
    out
}

fn noisy(mut source: Raster, sigma: f64, random: &mut Random) -> Raster {
    for value in &mut source.values {
        let normal: f64 = (0..12).map(|_| random.next()).sum::<f64>() - 6.0;
        *value += (sigma * normal) as f32;
    }
    source
}

/// Without the margin.
fn inner(wide: &Raster) -> Raster {
    let mut out = Raster::zeros(SIZE.0, SIZE.1);
    for y in 0..SIZE.1 {
        out.row_mut(y).copy_from_slice(&wide.row(y + MARGIN)[MARGIN..MARGIN + SIZE.0]);
    }
    out
}

struct Trial {
    still: Raster,
    reference: Raster,
    truth: Homography,
}

const MARGIN: usize = 90;

/// The still is the frame's own field; the reference shows the ground turned, scaled, and from another
/// angle.
fn trial(seed: u64) -> Trial {
    let mut random = Random(seed * 7919 + 17);
    let scale = random.between(0.6, 1.6);
    let turn = random.between(-180.0, 180.0_f64).to_radians();
    let light = (random.between(12.0, 30.0), random.between(-0.35, 0.6));
    let wide = ground(seed, light.0, light.1, MARGIN);
    // The same simulated ground, whose size decides where everything lies.
    let plain = inner(&ground(seed, 21.0, 0.2, MARGIN));
    let still = noisy(blurred(&plain, 0.8), 0.01, &mut random);
    let (width, height) =
        ((scale * 1.15 * SIZE.0 as f64) as usize, (scale * 1.15 * SIZE.1 as f64) as usize);
    let middle = [0.5 * SIZE.0 as f64, 0.5 * SIZE.1 as f64];
    let off = [random.between(-25.0, 25.0), random.between(-20.0, 20.0)];
    let flat = Homography::similarity(
        scale,
        turn,
        [middle[0] + off[0], middle[1] + off[1]],
        [0.5 * width as f64, 0.5 * height as f64],
    );
    // Foreshortened by up to 12 % along one direction, and in perspective.
    let squeeze = random.between(0.88, 1.0);
    let tilt = Homography([
        [squeeze, 0.03, 0.0],
        [0.0, 1.0, 0.0],
        [random.between(-6e-5, 6e-5), random.between(-6e-5, 6e-5), 1.0],
    ]);
    let truth = flat.then(&tilt);
    // Drawn from the wide ground, whose first pixel lies MARGIN up and left of the still's.
    let m = MARGIN as f64;
    let wide_from_still = Homography::similarity(1.0, 0.0, [0.0, 0.0], [m, m]);
    let wide_from_reference = truth.inverse().unwrap().then(&wide_from_still);
    let laid = lay(&wide, &wide_from_reference, width, height);
    let reference = noisy(laid.raster, 0.008, &mut random);
    Trial { still, reference, truth }
}

/// Rms distance of where the found mapping puts the still's ground, px of the still.
fn rms_px(found: &Homography, truth: &Homography) -> f64 {
    let back = truth.inverse().unwrap();
    let (mut sum, mut n) = (0.0, 0.0);
    for y in (0..=SIZE.1).step_by(24) {
        for x in (0..=SIZE.0).step_by(24) {
            let p = [x as f64, y as f64];
            let there = back.apply(found.apply(p));
            sum += (there[0] - p[0]).powi(2) + (there[1] - p[1]).powi(2);
            n += 1.0;
        }
    }
    (sum / n).sqrt()
}

#[test]
fn references_are_matched_by_themselves_and_by_marks() {
    let (mut good, mut by_marks) = (0, 0);
    for seed in 1..=10 {
        let Trial { still, reference, truth } = trial(seed);
        let begun = std::time::Instant::now();
        let found = match_pictures(&still, &reference, None, &Silent);
        let off = found.as_ref().map(|f| rms_px(&f.reference_from_still, &truth));
        println!("{seed}: {off:?} {:.1} s {found:?}", begun.elapsed().as_secs_f64());
        good += usize::from(off.is_ok_and(|off| off <= 1.0));

        // Four marks, each off by a px or two in the reference.
        let mut random = Random(seed);
        let pairs: Vec<[[f64; 2]; 2]> =
            [[60.0, 50.0], [330.0, 60.0], [310.0, 240.0], [70.0, 230.0]]
                .map(|p| {
                    let q = truth.apply(p);
                    [p, [q[0] + random.between(-1.5, 1.5), q[1] + random.between(-1.5, 1.5)]]
                })
                .to_vec();
        let guess = Homography::of_pairs(&pairs).unwrap();
        let found = match_pictures(&still, &reference, Some(&guess), &Silent).unwrap();
        let off = rms_px(&found.reference_from_still, &truth);
        println!("   marks alone {:.2}, with the pictures {off:.2}", rms_px(&guess, &truth));
        by_marks += usize::from(off <= 1.0);
    }
    println!("by themselves {good} of 10, with four marks {by_marks} of 10");
    assert!(good >= 8, "{good} of 10 within 1 px rms");
    assert_eq!(by_marks, 10);
}

#[test]
fn other_ground_is_not_taken_for_the_same() {
    let Trial { still, .. } = trial(31);
    let Trial { reference, .. } = trial(131);
    let found = match_pictures(&still, &reference, None, &Silent);
    assert!(found.is_err(), "{found:?}");
}

#[test]
fn the_verdict_names_the_sharper_one() {
    let mut right = 0;
    let mut told = Vec::new();
    for seed in 1..=8 {
        let mut random = Random(seed + 500);
        let sharp = ground(seed, 21.0, 0.2, 0);
        let other = ground(seed, random.between(14.0, 28.0), random.between(-0.2, 0.5), 0);
        let soft = random.between(1.2, 2.2) as f32;
        let noise = random.between(0.002, 0.012);
        let a = noisy(blurred(&sharp, 0.4), noise, &mut random);
        let b = noisy(blurred(&other, soft), noise, &mut random);
        for (first, second, expected) in [(&a, &b, Sharper::First), (&b, &a, Sharper::Second)] {
            let verdict =
                compare(&Compared::alone(first, 2.0), &Compared::alone(second, 2.0)).unwrap();
            right += usize::from(verdict.sharper == expected);
            told.push(format!(
                "{seed} soft {soft:.1} noise {noise:.3}: {:?} shared {:.1} first {:.1} second {:.1} contrast {:.2} coarse {:.2}",
                verdict.sharper, verdict.shared_px, verdict.first_px, verdict.second_px,
                verdict.fine_contrast, verdict.coarse_correlation
            ));
        }
        let again = noisy(blurred(&sharp, 0.4), noise, &mut random);
        let same = compare(&Compared::alone(&a, 2.0), &Compared::alone(&again, 2.0)).unwrap();
        assert_eq!(same.sharper, Sharper::Alike, "{same:?}");
    }
    println!("{}", told.join("\n"));
    assert_eq!(right, 16, "{}", told.join("\n"));
}

#[test]
fn half_stacks_are_not_taken_in_by_sharpening() {
    // The still: soft and noisy, sharpened until its noise looks like detail, then smoothed at the very
    // finest, where a picture by itself would show its noise. The reference is truly sharper.
    let mut told = Vec::new();
    let (mut right, mut fooled) = (0, 0);
    for seed in 1..=8 {
        let mut random = Random(seed + 900);
        let sharp = ground(seed, 21.0, 0.2, 0);
        let soft = blurred(&sharp, random.between(1.9, 2.4) as f32);
        let halves = [(); 2].map(|()| noisy(soft.clone(), 0.02, &mut random));
        let mean = |k: usize| 0.5 * (halves[0].values[k] + halves[1].values[k]);
        let stack = Raster { values: (0..soft.values.len()).map(mean).collect(), ..soft.clone() };
        let veil = blurred(&stack, 1.6);
        let mut still = stack.clone();
        still.values.iter_mut().zip(&veil.values).for_each(|(v, low)| *v += 6.0 * (*v - low));
        let still = blurred(&still, 0.75);
        let reference = noisy(blurred(&sharp, 1.3), 0.004, &mut random);

        let as_plane =
            |r: &Raster| Plane::from_shape_vec((r.height, r.width), r.values.clone()).unwrap();
        let (a, b) = (as_plane(&halves[0]), as_plane(&halves[1]));
        let measured = correlate_halves(a.view(), b.view(), &HalvesSettings::default()).unwrap();
        let share = |f: f64| {
            let k = measured.frequency.partition_point(|ring| *ring < f);
            let ssnr = measured.ssnr[k.min(measured.ssnr.len() - 1)];
            ssnr / (1.0 + ssnr)
        };
        let alone = Compared::alone(&still, 2.0);
        let knowing = Compared { signal_share: Some(&share), ..alone };
        let other = Compared::alone(&reference, 2.0);
        let (by_itself, with_halves) =
            (compare(&alone, &other).unwrap(), compare(&knowing, &other).unwrap());
        right += usize::from(with_halves.sharper == Sharper::Second);
        fooled += usize::from(by_itself.sharper != Sharper::Second);
        told.push(format!(
            "{seed}: by itself {:?} ({:.1}, {:.1} px), by its halves {:?} ({:.1}, {:.1} px)",
            by_itself.sharper,
            by_itself.first_px,
            by_itself.second_px,
            with_halves.sharper,
            with_halves.first_px,
            with_halves.second_px
        ));
    }
    println!("{}", told.join("\n"));
    assert_eq!(right, 8, "{}", told.join("\n"));
    assert!(fooled >= 4, "the trial is too easy to tell anything: {}", told.join("\n"));
}
