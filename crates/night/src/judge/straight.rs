//! The smooth field that carries one picture onto another: what is left of the air's ripple in a
//! stack, told apart from what the stack does not know.

use ndarray::ArrayView2;
use std::f32::consts::PI;
use stillwright_picture::Plane;
use stillwright_seeing::alike::{self, solved};
use stillwright_seeing::interpolate::cubic;
use stillwright_seeing::raster::{Kernel, Raster, mirror, smooth};

/// Band in which pictures are compared: standard deviations of Gaussians, px. Low waves hold most of the power
/// of a scene and tell least of its place; 14 for 6 px left 0.2 to 0.5 px of straight stacks of rough nights bent.
const FINE_PX: f32 = 0.8;
const COARSE_PX: f32 = 6.0;
/// Width of the window that one place is decided in (standard deviation), px. Wider, and ripples of
/// a few tens of px stay; narrower, and noise is taken for ripple.
const WINDOW_PX: f32 = 14.0;
/// Rounds of linearising; the field is below a few px and smooth, so it settles in these.
const ROUNDS: usize = 6;

/// Blurs of the moved picture (standard deviations of Gaussians, px) whose sum, weighed by least squares, is most like
/// the still one. A sharp picture held against a blurred one seems displaced wherever its edges are not
/// symmetrical: straight stacks came out 0.14 to 0.23 px bent, and with up to twice the error; matched
/// by one Gaussian, 0.06 (D/r0 2.5) to 0.35 px (8) of that were left, matched so 0.02 to 0.16.
const BLURS_PX: [f32; 7] = [0.5, 1.0, 1.5, 2.2, 3.2, 4.6, 6.5];
/// Left out along the edge where blurs are weighed, px.
const EDGE_PX: usize = 16;

/// Samples on each side of a place that the interpolation of [`Field::lay_straight`] takes.
const REACH: isize = 5;

/// Displacement at each pixel, px: `moved(x + field(x))` shows what `still(x)` shows.
#[derive(Clone, Debug)]
pub struct Field {
    /// To the right.
    pub x: Raster,
    /// Down.
    pub y: Raster,
}

impl Field {
    /// Rms of both components together about their means, `border` px left out, px.
    pub fn rms_px(&self, border: usize) -> f64 {
        let variance = |raster: &Raster| {
            let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
            for y in border..raster.height.saturating_sub(border) {
                for v in &raster.row(y)[border..raster.width.saturating_sub(border).max(border)] {
                    let v = f64::from(*v);
                    (n, sum, squares) = (n + 1.0, sum + v, squares + v * v);
                }
            }
            if n > 0.0 { (squares / n - (sum / n) * (sum / n)).max(0.0) } else { 0.0 }
        };
        (variance(&self.x) + variance(&self.y)).sqrt()
    }
}

impl Field {
    /// `moved` laid straight: `out(x) = moved(x + field(x) + place)`, by a windowed sinc (Lanczos) of ten taps: Keys'
    /// cubic takes more from fine detail between pixels than on them.
    pub fn lay_straight(&self, moved: ArrayView2<'_, f32>, place: (f32, f32)) -> Plane {
        let source = Raster::of_plane(moved);
        Plane::from_shape_fn((self.x.height, self.x.width), |(y, x)| {
            let (dx, dy) = (self.x.row(y)[x] + place.0, self.y.row(y)[x] + place.1);
            lanczos(&source, x as f32 + dx, y as f32 + dy)
        })
    }
}

/// Sample at (`x`, `y`) px by a Lanczos kernel of ten taps; edges are mirrored.
fn lanczos(source: &Raster, x: f32, y: f32) -> f32 {
    let taps = |t: f32| -> [f32; 2 * REACH as usize] {
        let sinc = |v: f32| if v.abs() < 1e-4 { 1.0 } else { (PI * v).sin() / (PI * v) };
        let tap = |k: usize| {
            let from = t - (k as f32 + 1.0 - REACH as f32);
            sinc(from) * sinc(from / REACH as f32)
        };
        let taps = std::array::from_fn(tap);
        let sum: f32 = taps.iter().sum();
        taps.map(|w| w / sum)
    };
    let (x0, y0) = (x.floor(), y.floor());
    let (tx, ty) = (taps(x - x0), taps(y - y0));
    let mut sum = 0.0;
    for (wy, j) in ty.iter().zip(1 - REACH..) {
        let row = source.row(mirror(y0 as isize + j, source.height));
        let across = tx.iter().zip(1 - REACH..);
        sum +=
            wy * across.map(|(w, i)| w * row[mirror(x0 as isize + i, source.width)]).sum::<f32>();
    }
    sum
}

/// `source(x + field(x))`; sources are blurred, so that a cubic is enough.
fn laid(source: &Raster, field: &Field) -> Raster {
    let (width, height) = (source.width, source.height);
    let values = (0..width * height)
        .map(|i| {
            let (x, y) = ((i % width) as f32, (i / width) as f32);
            cubic(source, f64::from(x + field.x.values[i]), f64::from(y + field.y.values[i]))
        })
        .collect();
    Raster { width, height, values }
}

fn blurred(source: &Raster, sigma_px: f32) -> Raster {
    let mut out = Raster::zeros(source.width, source.height);
    smooth(source, &Kernel::gaussian(sigma_px), &mut Raster::default(), &mut out);
    out
}

/// Value by value of two rasters of one size.
fn each(a: &Raster, b: &Raster, f: impl Fn(f32, f32) -> f32) -> Raster {
    let values = a.values.iter().zip(&b.values).map(|(a, b)| f(*a, *b)).collect();
    Raster { width: a.width, height: a.height, values }
}

/// What is compared of a picture.
fn band(picture: &Raster) -> Raster {
    let fine = blurred(picture, FINE_PX);
    each(&fine, &blurred(&fine, COARSE_PX), |fine, coarse| fine - coarse)
}

/// The sum of `family` that, laid straight by `field`, is most like `wanted`.
fn most_alike(family: &[Raster; BLURS_PX.len()], field: &Field, wanted: &Raster) -> Raster {
    let here = family.each_ref().map(|member| band(&laid(member, field)));
    alike::mixed(family, alike::weights(&here, wanted, EDGE_PX))
}

/// Find the field between two pictures of the same size and scene, by least squares on local
/// windows (Lucas & Kanade 1981), the gain matched in each, coarse shading taken off. `moved` may be
/// sharper than `still`, which is then matched by a mixture of blurs, but not softer.
pub fn straighten(still: ArrayView2<'_, f32>, moved: ArrayView2<'_, f32>) -> Field {
    let (height, width) = still.dim();
    let wanted = band(&Raster::of_plane(still));
    let sharp = Raster::of_plane(moved);
    let family = BLURS_PX.map(|sigma_px| blurred(&sharp, sigma_px));
    let mut source = Raster::default();
    let mut field = Field { x: Raster::zeros(width, height), y: Raster::zeros(width, height) };
    let window = |a: &Raster, b: &Raster| blurred(&each(a, b, |a, b| a * b), WINDOW_PX);
    for round in 0..ROUNDS {
        if round % 2 == 0 {
            source = most_alike(&family, &field, &wanted);
        }
        let here = band(&laid(&source, &field));
        let slope = |dx: isize, dy: isize| {
            let at = |x: isize, y: isize| here.values[mirror(y, height) * width + mirror(x, width)];
            let mut out = Raster::zeros(width, height);
            for (i, v) in out.values.iter_mut().enumerate() {
                let (x, y) = ((i % width) as isize, (i / width) as isize);
                *v = 0.5 * (at(x + dx, y + dy) - at(x - dx, y - dy));
            }
            out
        };
        let rest = each(&wanted, &here, |wanted, here| wanted - here);
        let parts = [slope(1, 0), slope(0, 1), here];
        let normal: [[Raster; 3]; 3] =
            std::array::from_fn(|p| std::array::from_fn(|q| window(&parts[p], &parts[q])));
        let right: [Raster; 3] = std::array::from_fn(|p| window(&parts[p], &rest));
        let mean = |p: usize| f64::from(normal[p][p].mean());
        // Where there is nothing to see, nothing is moved, and no gain matched.
        let slopes = 1e-3 * (mean(0) + mean(1)) + f64::from(f32::MIN_POSITIVE);
        let ridge = [slopes, slopes, 0.1 * mean(2) + f64::from(f32::MIN_POSITIVE)];
        for i in 0..width * height {
            let mut here = [[0.0; 3]; 3];
            for (p, row) in here.iter_mut().enumerate() {
                row.iter_mut().zip(&normal[p]).for_each(|(a, sum)| *a = f64::from(sum.values[i]));
                row[p] += ridge[p];
            }
            let [dx, dy, _] = solved(here, std::array::from_fn(|p| f64::from(right[p].values[i])));
            field.x.values[i] += (dx as f32).clamp(-1.0, 1.0);
            field.y.values[i] += (dy as f32).clamp(-1.0, 1.0);
        }
    }
    field
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(x: f64, y: f64) -> f64 {
        (1..60u32)
            .map(|i| {
                let spread = |step: f64| (f64::from(i) * step).fract();
                let f = 0.02 + 0.15 * spread(0.618_033_988_749_895);
                let (s, c) = (std::f64::consts::TAU * spread(0.754_877_666_246_693)).sin_cos();
                let phase = f * (c * x + s * y) + spread(0.569_840_290_998_053);
                (std::f64::consts::TAU * phase).cos()
            })
            .sum()
    }

    #[test]
    fn blur_is_not_taken_for_a_ripple() {
        // Stripes of unequal width: their edges are not symmetrical.
        let sharp = Plane::from_shape_fn((160, 180), |(y, x)| {
            let wave = ((x as f32 + 0.3 * y as f32) / 9.0).sin() + 0.6 * (x as f32 / 5.3).cos();
            scene(x as f64, y as f64) as f32 * 0.2 + if wave > 0.5 { 8.0 } else { 0.0 }
        });
        let mut blurred = Raster::default();
        let kernel = Kernel::gaussian(2.0);
        smooth(&Raster::of_plane(sharp.view()), &kernel, &mut Raster::default(), &mut blurred);
        let still = Plane::from_shape_vec((160, 180), blurred.values).expect("same size");
        let bent = straighten(still.view(), sharp.view()).rms_px(24);
        assert!(bent < 0.02, "{bent}");
    }

    #[test]
    fn a_core_in_a_halo_is_not_taken_for_a_ripple() {
        // A short exposure is no Gaussian: most of its light lies in a core, the rest far round it.
        let sharp = Plane::from_shape_fn((160, 180), |(y, x)| {
            let wave = ((x as f32 + 0.3 * y as f32) / 9.0).sin() + 0.6 * (x as f32 / 5.3).cos();
            scene(x as f64, y as f64) as f32 * 0.2 + if wave > 0.5 { 8.0 } else { 0.0 }
        });
        let source = Raster::of_plane(sharp.view());
        let (core, halo) = (blurred(&source, 1.3), blurred(&source, 5.0));
        let seen = each(&core, &halo, |core, halo| 0.45 * core + 0.55 * halo);
        let still = Plane::from_shape_vec((160, 180), seen.values).expect("same size");
        let bent = straighten(still.view(), sharp.view()).rms_px(24);
        assert!(bent < 0.01, "{bent}");
    }

    #[test]
    fn a_bent_still_is_judged_like_a_straight_one() {
        use crate::judge::ring_correlation;
        let (height, width) = (224, 256);
        let truth =
            Plane::from_shape_fn((height, width), |(y, x)| scene(x as f64, y as f64) as f32);
        let soft = blurred(&Raster::of_plane(truth.view()), 1.2);
        let seen = |bend: f32| {
            Plane::from_shape_fn((height, width), |(y, x)| {
                let (u, v) = (x as f32, y as f32);
                let (dx, dy) = (bend * (u / 13.0).sin(), bend * (v / 11.0 + u / 40.0).cos());
                // Noise that no field explains: what is left of the error when the bend is off.
                let grain = ((x * 7919 + y * 104_729) % 1009) as f32 / 1009.0 - 0.5;
                lanczos(&soft, u + dx, v + dy) + 1.5 * grain
            })
        };
        let error = |still: &Plane| {
            let field = straighten(still.view(), truth.view());
            let straight = field.lay_straight(truth.view(), (0.0, 0.0));
            ring_correlation(straight.view(), still.view(), 0.3, 24).expect("large enough").error
        };
        let (straight, bent) = (error(&seen(0.0)), error(&seen(0.35)));
        // A bend of a hundredth of a px that stays is worth about 0.006 here.
        let left = (bent * bent - straight * straight).max(0.0).sqrt();
        assert!(left < 0.02, "{bent} bent, {straight} straight: {left}");
    }

    #[test]
    fn a_smooth_ripple_is_found() {
        let ripple = |x: f64, y: f64| (0.8 * (x / 40.0).sin(), -0.6 * (y / 50.0).cos());
        let still = Plane::from_shape_fn((160, 180), |(y, x)| scene(x as f64, y as f64) as f32);
        let moved = Plane::from_shape_fn((160, 180), |(y, x)| {
            let (x, y) = (x as f64, y as f64);
            let (dx, dy) = ripple(x, y);
            (0.7 * scene(x - dx, y - dy) + 0.1) as f32
        });
        let field = straighten(still.view(), moved.view());
        let (mut n, mut squares) = (0.0, 0.0);
        for y in 30..130 {
            for x in 30..150 {
                let (dx, dy) = ripple(x as f64, y as f64);
                let found = (field.x.row(y)[x], field.y.row(y)[x]);
                squares += (f64::from(found.0) - dx).powi(2) + (f64::from(found.1) - dy).powi(2);
                n += 1.0;
            }
        }
        let off = (squares / n).sqrt();
        assert!(off < 0.08, "{off}");
        assert!((field.rms_px(20) - 0.7).abs() < 0.15, "{}", field.rms_px(20));
    }
}
