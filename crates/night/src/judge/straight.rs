//! The smooth field that carries one picture onto another: what is left of the air's ripple in a
//! stack, told apart from what the stack does not know.

use ndarray::ArrayView2;
use stillwright_picture::Plane;
use stillwright_seeing::interpolate::cubic_taps;
use stillwright_seeing::raster::{Kernel, Raster, mirror, smooth};

/// Blur before pictures are compared, px: the field is found from what both surely show.
const SOFT_PX: f32 = 1.5;
/// Width of the window that one place is decided in (standard deviation), px. Wider, and ripples of
/// a few tens of px stay; narrower, and noise is taken for ripple.
const WINDOW_PX: f32 = 14.0;
/// Rounds of linearising; the field is below a few px and smooth, so it settles in these.
const ROUNDS: usize = 6;

/// Blurs of the moved picture that are tried, px (standard deviation of a Gaussian). A sharp picture held against
/// a blurred one seems displaced wherever its edges are not symmetrical: straight stacks came out 0.14 to
/// 0.23 px bent, and with up to twice the error.
const ALIKE_PX: [f32; 10] = [0.0, 0.4, 0.7, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0];

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
    /// `moved` laid straight: `out(x) = moved(x + field(x))`, by cubic convolution.
    pub fn lay_straight(&self, moved: ArrayView2<'_, f32>) -> Plane {
        let source = Raster::of_plane(moved);
        Plane::from_shape_fn((self.x.height, self.x.width), |(y, x)| {
            cubic(&source, x as f32 + self.x.row(y)[x], y as f32 + self.y.row(y)[x])
        })
    }
}

/// Sample at (`x`, `y`) px by cubic convolution (Keys 1981); edges are mirrored.
pub fn cubic(source: &Raster, x: f32, y: f32) -> f32 {
    let (x0, y0) = (x.floor(), y.floor());
    let (tx, ty) = (cubic_taps(x - x0), cubic_taps(y - y0));
    let mut sum = 0.0;
    for (j, wy) in ty.iter().enumerate() {
        let row = source.row(mirror(y0 as isize + j as isize - 1, source.height));
        for (i, wx) in tx.iter().enumerate() {
            sum += wy * wx * row[mirror(x0 as isize + i as isize - 1, source.width)];
        }
    }
    sum
}

/// `source(x + field(x))`.
fn laid(source: &Raster, field: &Field) -> Raster {
    let (width, height) = (source.width, source.height);
    let values = (0..width * height)
        .map(|i| {
            let (x, y) = ((i % width) as f32, (i / width) as f32);
            cubic(source, x + field.x.values[i], y + field.y.values[i])
        })
        .collect();
    Raster { width, height, values }
}

/// Correlation of two rasters without means; 0 where either is empty.
fn correlation(a: &Raster, b: &Raster) -> f64 {
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in a.values.iter().zip(&b.values) {
        let (a, b) = (f64::from(*a), f64::from(*b));
        (ab, aa, bb) = (ab + a * b, aa + a * a, bb + b * b);
    }
    let power = (aa * bb).sqrt();
    if power > 0.0 { ab / power } else { 0.0 }
}

/// Find the field between two pictures of the same size and scene, by least squares on local
/// windows (Lucas & Kanade 1981), gain and offset matched in each, coarse shading taken off. `moved` may be
/// sharper than `still`, which is then matched by a Gaussian, but not softer.
pub fn straighten(still: ArrayView2<'_, f32>, moved: ArrayView2<'_, f32>) -> Field {
    let (height, width) = still.dim();
    let soft = Kernel::gaussian(SOFT_PX);
    let window = Kernel::gaussian(WINDOW_PX);
    let mut work = Raster::default();
    let mut blur = |source: &Raster, kernel: &Kernel| {
        let mut out = Raster::zeros(width, height);
        smooth(source, kernel, &mut work, &mut out);
        out
    };
    let each = |f: &dyn Fn(usize) -> f32| {
        let mut out = Raster::zeros(width, height);
        out.values.iter_mut().enumerate().for_each(|(i, v)| *v = f(i));
        out
    };
    let wanted = blur(&Raster::of_plane(still), &soft);
    let shading = blur(&wanted, &window);
    let wanted = each(&|i| wanted.values[i] - shading.values[i]);
    let sharp = Raster::of_plane(moved);
    let mut source = Raster::default();
    let mut field = Field { x: Raster::zeros(width, height), y: Raster::zeros(width, height) };
    for round in 0..ROUNDS {
        if round % (ROUNDS / 2) == 0 {
            // Laid straight by what is known of the field, `moved` is blurred until it is most alike.
            let mut best = f64::NEG_INFINITY;
            for extra_px in ALIKE_PX {
                let soft = Kernel::gaussian(SOFT_PX.hypot(extra_px));
                let tried = blur(&sharp, &soft);
                let here = laid(&tried, &field);
                let shading = blur(&here, &window);
                let alike = correlation(&each(&|i| here.values[i] - shading.values[i]), &wanted);
                if alike > best {
                    (best, source) = (alike, tried);
                }
            }
        }
        let here = laid(&source, &field);
        let shading = blur(&here, &window);
        let here = each(&|i| here.values[i] - shading.values[i]);
        let both = blur(&each(&|i| here.values[i] * wanted.values[i]), &window);
        let own = blur(&each(&|i| here.values[i] * here.values[i]), &window);
        let floor = 1e-3 * own.mean().max(f32::MIN_POSITIVE);
        let gain = each(&|i| both.values[i] / (own.values[i] + floor));
        let slope = |dx: usize, dy: usize| {
            each(&|i| {
                let (x, y) = (i % width, i / width);
                let at =
                    |x: usize, y: usize| here.values[y.min(height - 1) * width + x.min(width - 1)];
                0.5 * gain.values[i]
                    * (at(x + dx, y + dy) - at(x.saturating_sub(dx), y.saturating_sub(dy)))
            })
        };
        let (gx, gy) = (slope(1, 0), slope(0, 1));
        let rest = each(&|i| wanted.values[i] - gain.values[i] * here.values[i]);
        let xx = blur(&each(&|i| gx.values[i] * gx.values[i]), &window);
        let xy = blur(&each(&|i| gx.values[i] * gy.values[i]), &window);
        let yy = blur(&each(&|i| gy.values[i] * gy.values[i]), &window);
        let xr = blur(&each(&|i| gx.values[i] * rest.values[i]), &window);
        let yr = blur(&each(&|i| gy.values[i] * rest.values[i]), &window);
        let ridge = 1e-3 * (xx.mean() + yy.mean()).max(f32::MIN_POSITIVE);
        for i in 0..width * height {
            let (a, b, d) = (xx.values[i] + ridge, xy.values[i], yy.values[i] + ridge);
            let scale = 1.0 / (a * d - b * b);
            field.x.values[i] += (scale * (d * xr.values[i] - b * yr.values[i])).clamp(-2.0, 2.0);
            field.y.values[i] += (scale * (a * yr.values[i] - b * xr.values[i])).clamp(-2.0, 2.0);
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
        assert!(bent < 0.03, "{bent}");
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
        assert!(off < 0.15, "{off}");
        assert!((field.rms_px(20) - 0.7).abs() < 0.15, "{}", field.rms_px(20));
    }
}
