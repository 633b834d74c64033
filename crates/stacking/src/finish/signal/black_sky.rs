//! The blur of a disc's stack, told by the black sky around it.
//!
//! A disc's spectrum is that of its limb, and few patches of air lie on it: neither spectrum nor unrest tells its blur well. The sky does:
//! with the right blur undone it is black. It tells the depth, by a law of one shape.

use super::super::outside::Outside;
use super::{
    Expected, HalfCorrelation, Instrument, Law, SignalModel, Sky, Spectrum, pooled, solved,
};

/// How a disc's blur falls: exponent, reach of a blur of depth 1 as a share of the cut-off, and the power of the depth with which it goes. Error of the untouched
/// still over the best filter's, all channels of 11 discs (six mono, five mosaics, D/r0 2 to 6) at keeps of 20 % and as advised, mean: 1.065, green of mosaics 1.096. With an exponent of 1.5 and a power of -0.1, as while
/// frames told a disc's air less well, 1.081, 1.120; 1.55 and -0.1 1.069, 1.109; 1.6 and -0.1 1.079, 1.116; 1.65, reach of 0.21, -0.2 1.084, 1.120; 1.5 with a reach of 0.225 1.071, 1.102, 0.235 1.077; with a relief of 0.1 1.095.
const EXPONENT: f64 = 1.6;
const REACH: f64 = 0.215;
const REACH_GROWTH: f64 = -0.2;
/// Share of what the rings of sky say that is independent. With 0.3 and 0.08 the discs come out 0.01 nearer and farther on the average.
const INDEPENDENT: f64 = 0.15;
/// Depths that are tried: the first, how much larger each is than the one before, and how many.
const DEPTHS: (f64, f64, i32) = (0.08, 1.01, 480);

/// `model`, whose cut-off is kept, with the blur that best leaves the sky `outside` the disc black and agrees with spectrum and frames; `None` where they are
/// too few to tell.
pub(in crate::finish) fn with_black_sky(
    model: SignalModel,
    correlation: &HalfCorrelation,
    instrument: &Instrument<'_>,
    sky: Sky,
    outside: &Outside,
) -> Option<SignalModel> {
    let cutoff = model.cutoff_cycles_per_px;
    let usual = Expected::new(instrument, cutoff, Some(sky));
    let expected = Expected { exponent: EXPONENT, relief: 0.0, ..usual };
    let bins = pooled(correlation);
    let spectrum = Spectrum::new(&bins, cutoff, instrument)?;
    let Spectrum { whitened, ones, slopes, .. } = &spectrum;
    let with_depth = |depth: f64| {
        let reach = REACH * depth.powf(REACH_GROWTH);
        let fallen = spectrum.fallen(cutoff, &expected, reach);
        let left: Vec<f64> = whitened.iter().zip(&fallen[1]).map(|(v, b)| v - depth * b).collect();
        let found = solved(&[ones, slopes], &left, &[expected.slope()])?;
        let law = spectrum.law([found[0], found[1], depth], &fallen, &expected, reach);
        let misfit = law.misfit + INDEPENDENT * outside.misfit(&law.blur(cutoff));
        misfit.is_finite().then_some(Law { misfit, ..law })
    };
    let (first, ratio, count) = DEPTHS;
    let tried = (0..count).filter_map(|k| with_depth(first * ratio.powi(k)));
    let law = tried.min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    let Law { ln_power, slope, scatter, .. } = law;
    Some(SignalModel { ln_power, slope, scatter, blur: law.blur(cutoff), ..model })
}

#[cfg(test)]
mod tests {
    use super::Sky;
    use crate::finish::outside::tests::{disc, model};
    use crate::finish::transfer::Optics;
    use crate::finish::{Halved, measure};
    use ndarray::{Array2, Array3, Axis, s};
    use stillwright_picture::{Picture, Silent};

    /// A stack of `plane` and its halves, with a little noise.
    fn stacked(plane: &Array2<f32>) -> [Picture; 3] {
        let mut state = 7u32;
        let mut noise = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            0.004 * ((state >> 8) as f32 / 16_777_216.0 - 0.5)
        };
        let [a, b] = [(); 2].map(|()| plane.mapv(|v| v + noise()));
        let mean = 0.5 * (&a + &b);
        let whole = |plane: Array2<f32>| -> Array3<f32> { plane.insert_axis(Axis(0)) };
        [mean, a, b].map(|plane| Picture { planes: whole(plane) })
    }

    /// The blur that is told of `plane`: its depth, and its transfer over the true one of `depth` at a tenth of a cycle per px.
    fn told(plane: &Array2<f32>, depth: f64) -> (f64, f64) {
        let [picture, a, b] = &stacked(plane);
        let halves = [a, b];
        let halved = Halved { picture, halves, scale: 1.0, unrest: None, covered: None };
        // Of the cut-off that the disc was made with: 0.38 cycles per px.
        let optics = Optics {
            aperture_m: 0.2,
            obstruction: 0.3,
            focal_length_m: 0.2 / 550e-9 * 2.9e-6 / 0.38,
            pixel_um: 2.9,
            wavelength_m: 550e-9,
        };
        let measured = measure(halved, Some(&optics), &Silent).unwrap();
        let blur = measured.light.unwrap().signal.unwrap().blur;
        assert_eq!(measured.channels[0].as_ref().unwrap().signal.unwrap().blur, blur);
        (blur.depth(), blur.transfer(0.1) / model(depth).blur.transfer(0.1))
    }

    #[test]
    fn a_disc_that_all_but_fills_the_frame_is_one_in_rough_air() {
        let seen = disc(&model(2.2), 52.0);
        let around = |margin: isize| {
            let half = (52 + margin) as usize;
            let side = 110 - half..110 + half;
            Sky::around(seen.slice(s![side.clone(), side]))
        };
        assert!(around(4).is_some());
        // Where it touches the frame's edge, it is not black around it.
        assert_eq!(around(0), None);
    }

    #[test]
    fn a_bright_crater_on_a_smooth_plain_is_no_disc() {
        for brighter in [2.0, 3.0] {
            let plain = Array2::from_shape_fn((300, 400), |(y, x)| {
                let (x, y) = (x as f32, y as f32);
                let ground = 0.2 * (1.0 + 0.03 * (x / 9.0).sin() * (y / 7.0).cos());
                if (x - 200.0).hypot(y - 150.0) < 25.0 { brighter * ground } else { ground }
            });
            assert_eq!(Sky::around(plain.view()), None, "{brighter} times as bright");
        }
    }

    #[test]
    fn a_disc_without_any_word_of_its_frames_is_told_by_its_sky() {
        for depth in [0.5, 1.2, 2.2] {
            let picture = disc(&model(depth), 52.0);
            let (found, transfer) = told(&picture, depth);
            assert!((transfer - 1.0).abs() < 0.12, "{depth}: {found}, {transfer}");
            // Without sky around it, the same disc is told by what is usual.
            let close = picture.slice(s![68..152, 68..152]).to_owned();
            let (usual, transfer) = told(&close, depth);
            assert!((transfer - 1.0).abs() > 0.12, "{depth}: {usual}, {transfer}");
        }
    }
}
