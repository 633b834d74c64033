//! Richardson-Lucy deconvolution, stopped at the noise.
//!
//! Each step multiplies the estimate by the blurred ratio of the picture to the blurred
//! estimate (Richardson, JOSA 62, 55, 1972; Lucy, AJ 79, 745, 1974). Light is kept and stays
//! positive. Left to itself it ends up fitting noise, so it stops by the discrepancy: as soon
//! as the blurred estimate differs from the picture by no more than the known noise (mean of
//! `(picture - blurred)^2 / variance` at or below 1).

use super::fourier::{Edges, Filter, Real};
use super::noise::NoiseModel;
use super::transfer::ResidualBlur;
use super::wiener::MARGIN_PX;
use serde::{Deserialize, Serialize};
use stillwright_picture::{Cancelled, Progress};

/// Richardson-Lucy deconvolution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RichardsonLucySettings {
    /// The blur to undo; none given: the one estimated from the stack.
    pub blur: Option<ResidualBlur>,
    /// Most steps, 1 to 500.
    pub iterations: u32,
    /// Stop earlier, when what is left is the known noise.
    pub stop_at_noise: bool,
}

impl Default for RichardsonLucySettings {
    fn default() -> Self {
        RichardsonLucySettings { blur: None, iterations: 60, stop_at_noise: true }
    }
}

/// Most steps that may be asked for.
pub const MOST_ITERATIONS: u32 = 500;

/// Deconvolve one channel (row-major, height x width); also gives the steps that were made.
///
/// # Errors
/// [`Cancelled`], asked for several times a step.
pub(crate) fn deconvolve(
    plane: &[f32],
    size: (usize, usize),
    settings: &RichardsonLucySettings,
    blur: &ResidualBlur,
    noise: &NoiseModel,
    progress: &dyn Progress,
    step: (usize, usize),
) -> Result<(Vec<f32>, u32), Cancelled> {
    let mut filter = Filter::new(size, MARGIN_PX, Edges::Mirror, &|f| blur.transfer(f), progress)?;
    // Ratios need light: the sky is lifted above its noise for the while and lowered after.
    let lowest = plane.iter().copied().fold(f32::INFINITY, f32::min);
    let sigma = noise.variance(0.0).sqrt() as f32;
    let pedestal = (4.0 * sigma - lowest).max(1e-6);
    let lifted: Vec<f32> = plane.iter().map(|v| v + pedestal).collect();
    let stop = |picture: &[f32], blurred: &[f32]| {
        let sum: f64 = picture
            .iter()
            .zip(blurred)
            .map(|(p, b)| {
                let variance = noise.variance(f64::from(b - pedestal));
                f64::from(p - b).powi(2) / variance.max(1e-20)
            })
            .sum();
        settings.stop_at_noise && sum <= picture.len() as f64
    };
    let start = lifted.clone();
    let mut blurring = |from: &[f32], to: &mut [f32]| filter.apply(from, to, progress, step);
    let (mut estimate, steps) = iterate(&lifted, start, settings.iterations, &mut blurring, &stop)?;
    estimate.iter_mut().for_each(|v| *v -= pedestal);
    Ok((estimate, steps))
}

/// Blurs a plane into another of the same shape.
type Blurring<'a, T> = dyn FnMut(&[T], &mut [T]) -> Result<(), Cancelled> + 'a;

/// The bare iteration from a given start. `blur` is the (symmetric) blurring of a plane into
/// another; `stop` sees the picture and the blurred estimate before each step.
fn iterate<T: Real>(
    picture: &[T],
    mut estimate: Vec<T>,
    iterations: u32,
    blur: &mut Blurring<'_, T>,
    stop: &dyn Fn(&[T], &[T]) -> bool,
) -> Result<(Vec<T>, u32), Cancelled> {
    let tiny = T::from_f64(1e-12).unwrap_or_else(T::zero);
    let mut blurred = vec![T::zero(); picture.len()];
    let mut ratio = vec![T::zero(); picture.len()];
    for step in 0..iterations {
        blur(&estimate, &mut blurred)?;
        if stop(picture, &blurred) {
            return Ok((estimate, step));
        }
        for (r, (p, b)) in ratio.iter_mut().zip(picture.iter().zip(&blurred)) {
            *r = if *b > tiny { *p / *b } else { T::zero() };
        }
        blur(&ratio, &mut blurred)?;
        for (e, b) in estimate.iter_mut().zip(&blurred) {
            *e = *e * b.max(T::zero());
        }
    }
    Ok((estimate, iterations))
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Silent;

    /// A point blurred by outer([1 2 1] / 4) on 9 x 9 pixels, zeros outside.
    fn toy(iterations: u32) -> Vec<f64> {
        // The kernel's transfer is a product over the axes, not a curve over rings, so it is
        // applied directly here.
        let mut blur = |from: &[f64], to: &mut [f64]| {
            let at = |y: isize, x: isize| {
                let inside = (0..9).contains(&y) && (0..9).contains(&x);
                if inside { from[(y * 9 + x) as usize] } else { 0.0 }
            };
            for y in 0..9 {
                for x in 0..9 {
                    let mut sum = 0.0;
                    for (dy, wy) in [(-1, 0.25), (0, 0.5), (1, 0.25)] {
                        for (dx, wx) in [(-1, 0.25), (0, 0.5), (1, 0.25)] {
                            sum += wy * wx * at(y + dy, x + dx);
                        }
                    }
                    to[(y * 9 + x) as usize] = sum;
                }
            }
            Ok(())
        };
        let mut point = vec![0.0; 81];
        point[40] = 1.0;
        let mut picture = vec![0.0; 81];
        blur(&point, &mut picture).unwrap();
        iterate(&picture, vec![0.5; 81], iterations, &mut blur, &|_, _| false).unwrap().0
    }

    #[test]
    fn the_toy_has_its_published_values() {
        // Recomputed with skimage.restoration.richardson_lucy and an own loop, which agree to
        // 1e-11.
        let ten = toy(10);
        assert!((ten[40] - 0.861_970_74).abs() < 1e-7, "{}", ten[40]);
        assert!((ten[41] - 0.033_226_29).abs() < 1e-7, "{}", ten[41]);
        assert!((ten.iter().sum::<f64>() - 1.0).abs() < 1e-7);
        let text = include_str!("../../tests/fixtures/finish_reference.txt");
        for steps in [1, 10, 50] {
            let name = format!("richardson_lucy_{steps} ");
            let row = text.lines().find_map(|l| l.strip_prefix(&name)).unwrap();
            for (found, expected) in toy(steps).iter().zip(row.split(' ')) {
                assert!((found - expected.parse::<f64>().unwrap()).abs() < 1e-7, "{steps} steps");
            }
        }
        assert!((toy(50)[40] - 0.999_998_49).abs() < 1e-7);
        assert!((toy(1)[40] - 0.140_625).abs() < 1e-9);
    }

    #[test]
    fn it_stops_where_only_noise_is_left() {
        let (h, w) = (48, 48);
        let blur =
            ResidualBlur { scale_cycles_per_px: 0.15, exponent: 2.0, plateau: 0.0, relief_px: 0.0 };
        let mut scene = vec![0.1f32; h * w];
        for (i, v) in scene.iter_mut().enumerate() {
            *v += if (i / w / 8 + i % w / 8) % 2 == 0 { 0.5 } else { 0.0 };
        }
        let mut blurred = vec![0.0; h * w];
        let mut filter =
            Filter::new((h, w), 32, Edges::Mirror, &|f| blur.transfer(f), &Silent).unwrap();
        filter.apply(&scene, &mut blurred, &Silent, (0, 1)).unwrap();
        let mut state = 9u32;
        for v in &mut blurred {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *v += 0.02 * ((state >> 8) as f32 / 8_388_608.0 - 1.0);
        }
        let settings = RichardsonLucySettings { blur: None, iterations: 400, stop_at_noise: true };
        let noise = NoiseModel::white(0.02 / 3f64.sqrt());
        let run = |settings: &RichardsonLucySettings| {
            deconvolve(&blurred, (h, w), settings, &blur, &noise, &Silent, (0, 1)).unwrap()
        };
        let (stopped, steps) = run(&settings);
        let (ran_on, _) = run(&RichardsonLucySettings { stop_at_noise: false, ..settings });
        let error =
            |p: &[f32]| p.iter().zip(&scene).map(|(a, b)| f64::from(a - b).powi(2)).sum::<f64>();
        assert!(steps > 0 && steps < 400, "{steps} steps");
        let errors = [&stopped, &ran_on, &blurred].map(|p| error(p));
        assert!(errors[0] < 0.7 * errors[2] && errors[0] < errors[1], "{errors:?}");
    }
}
