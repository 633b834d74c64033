//! Scenes with known truth for the tests of the finish: made here, blurred by a known transfer,
//! with known noise in two halves.

#![allow(dead_code)]

use rustfft::{FftPlanner, num_complex::Complex};
use stillwright_picture::{Picture, Plane};
use stillwright_stacking::finish::{Halved, Optics};

/// A transfer over the share of the cut-off.
pub type Blur = (&'static str, fn(f64) -> f64);

/// What the air leaves in stacks of aligned short exposures: it falls and stays on a plateau. The
/// first five have depth, reach and exponent measured on five captures with known truth (grounds of
/// D/r0 3, 5, 5.5, 6.5, a planet of 4.5; `exp(-depth (1 - exp(-(nu / reach)^exponent)))`); the last is Fried's short
/// exposure (J. Opt. Soc. Am. 56, 1372, 1966, with 0.95 of the tilt removed, as fitted on the stacks) of D/r0 2.6.
pub const BLURS: [Blur; 6] = [
    ("calm", |nu| plateau(nu, 0.52, 0.237, 2.03)),
    ("fair", |nu| plateau(nu, 1.29, 0.244, 1.99)),
    ("poor", |nu| plateau(nu, 1.99, 0.336, 1.76)),
    ("rough", |nu| plateau(nu, 2.10, 0.283, 1.68)),
    ("planet", |nu| plateau(nu, 2.50, 0.337, 1.52)),
    ("tilt-free", |nu| {
        let (x, tilt) = (nu.min(1.0), 1.0 - 0.95 * nu.min(1.0).cbrt());
        (-3.44 * (2.6 * x).powf(5.0 / 3.0) * tilt).exp()
    }),
];

fn plateau(nu: f64, depth: f64, reach: f64, exponent: f64) -> f64 {
    (-depth * (1.0 - (-(nu / reach).powf(exponent)).exp())).exp()
}

/// A telescope of 0.2 m with that cut-off, cycles per px, in light of that wavelength.
pub fn optics(cutoff: f64, obstruction: f64, wavelength_m: f64) -> Optics {
    let (aperture_m, focal_length_m) = (0.2, 4.0);
    let pixel_um = cutoff * focal_length_m * wavelength_m / aperture_m * 1e6;
    Optics { aperture_m, obstruction, focal_length_m, pixel_um, wavelength_m }
}

/// Numbers with a fixed seed (Marsaglia's xorshift).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub fn unit(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normal, by Box and Muller.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// Cratered ground under a low Sun from the left, brightness 0 to about 0.9. Craters wrap
/// around the edges, so that filtering by Fourier transform has none.
pub fn cratered(height: usize, width: usize, seed: u64) -> Plane {
    let mut random = Random::new(seed);
    let mut relief = Plane::zeros((height, width));
    for _ in 0..height * width / 14 {
        // Cumulative size-frequency slope of -2, radii 0.6 to 100 px, so that there is
        // detail down to the pixel.
        let radius = (0.6 / random.unit().sqrt()).min(100.0);
        let (cy, cx) = (random.unit() * height as f64, random.unit() * width as f64);
        let reach = (1.6 * radius).ceil() as isize;
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let y = (cy.floor() as isize + dy).rem_euclid(height as isize) as usize;
                let x = (cx.floor() as isize + dx).rem_euclid(width as isize) as usize;
                let (py, px) = (cy.floor() + dy as f64 - cy, cx.floor() + dx as f64 - cx);
                let r = py.hypot(px) / radius;
                let bowl = if r < 1.0 { r * r - 1.0 } else { 0.0 };
                let rim = 0.35 * (-((r - 1.0) / 0.22).powi(2)).exp();
                relief[[y, x]] += (0.2 * radius * (bowl + rim)) as f32;
            }
        }
    }
    // Ground of different brightness, in large patches and small ones (amplitude as f^-1.5).
    let white = relief.mapv(|_| random.normal() as f32);
    let mut albedo = filtered(&white, |f| if f > 0.0 { f.powf(-1.5) } else { 0.0 });
    let scatter = (albedo.iter().map(|v| v * v).sum::<f32>() / albedo.len() as f32).sqrt();
    albedo.mapv_inplace(|v| (1.0 + 0.2 * v / scatter).clamp(0.4, 1.8));
    Plane::from_shape_fn((height, width), |(y, x)| {
        let slope = relief[[y, (x + 1) % width]] - relief[[y, (x + width - 1) % width]];
        (albedo[[y, x]] * (0.35 + 0.35 * slope)).clamp(0.0, 0.9)
    })
}

/// An evenly lit disc with darkened limb on black sky, its edge sharp to a pixel.
pub fn disc(height: usize, width: usize, radius: f64) -> Plane {
    let (cy, cx) = (height as f64 / 2.0, width as f64 / 2.0);
    Plane::from_shape_fn((height, width), |(y, x)| {
        let r = (y as f64 - cy).hypot(x as f64 - cx);
        let edge = (radius - r + 0.5).clamp(0.0, 1.0);
        let mu = (1.0 - (r / radius).powi(2)).max(0.0).sqrt();
        (0.6 * edge * (0.55 + 0.45 * mu)) as f32
    })
}

/// Frequency of coefficient `k` of `n`, cycles per px.
pub fn frequency(k: usize, n: usize) -> f64 {
    if 2 * k > n { (k as f64 - n as f64) / n as f64 } else { k as f64 / n as f64 }
}

/// Two-dimensional transform, row-major, unnormalised forward, `1 / pixels` backward.
pub fn fft(data: &mut [Complex<f64>], height: usize, width: usize, back: bool) {
    let mut planner = FftPlanner::new();
    let plan = |planner: &mut FftPlanner<f64>, n| {
        if back { planner.plan_fft_inverse(n) } else { planner.plan_fft_forward(n) }
    };
    let rows = plan(&mut planner, width);
    data.chunks_mut(width).for_each(|row| rows.process(row));
    let columns = plan(&mut planner, height);
    let mut column = vec![Complex::new(0.0, 0.0); height];
    for x in 0..width {
        (0..height).for_each(|y| column[y] = data[y * width + x]);
        columns.process(&mut column);
        (0..height).for_each(|y| data[y * width + x] = column[y]);
    }
    if back {
        let scale = 1.0 / (height * width) as f64;
        data.iter_mut().for_each(|v| *v *= scale);
    }
}

pub fn spectrum(plane: &Plane) -> Vec<Complex<f64>> {
    let (height, width) = plane.dim();
    let mut data: Vec<_> = plane.iter().map(|v| Complex::new(f64::from(*v), 0.0)).collect();
    fft(&mut data, height, width, false);
    data
}

/// Filter a periodic plane by a curve over frequency.
pub fn filtered(plane: &Plane, curve: impl Fn(f64) -> f64) -> Plane {
    let (height, width) = plane.dim();
    let mut data = spectrum(plane);
    for y in 0..height {
        for x in 0..width {
            data[y * width + x] *= curve(frequency(y, height).hypot(frequency(x, width)));
        }
    }
    fft(&mut data, height, width, true);
    Plane::from_shape_vec((height, width), data.iter().map(|v| v.re as f32).collect()).unwrap()
}

/// A picture and its halves.
pub struct Known {
    pub picture: Picture,
    pub halves: [Picture; 2],
}

impl<'a> From<&'a Known> for Halved<'a> {
    fn from(known: &'a Known) -> Halved<'a> {
        let [a, b] = &known.halves;
        Halved { picture: &known.picture, halves: [a, b], scale: 1.0, unrest: None, covered: None }
    }
}

/// A stack of two halves of `blurred`, each with its own noise. `sigma` is the noise of the
/// stack at full brightness (variance grows from a fifth of that at black); `soft` smooths
/// the noise as resampling does.
pub fn stack_of(blurred: &Plane, sigma: f64, soft: bool, seed: u64) -> Known {
    let mut random = Random::new(seed);
    let mut half = || {
        let mut noise = blurred.mapv(|_| random.normal() as f32);
        if soft {
            // Bilinear resampling by half a pixel in both directions, on the whole.
            noise = filtered(&noise, |f| (std::f64::consts::PI * f).cos().max(0.0));
        }
        let mut out = blurred.clone();
        out.zip_mut_with(&noise, |v, n| {
            let variance = 2.0 * sigma * sigma * (0.2 + 0.8 * f64::from(*v).clamp(0.0, 1.0));
            *v += variance.sqrt() as f32 * n;
        });
        out
    };
    let (a, b) = (half(), half());
    let mean = 0.5 * (&a + &b);
    let picture = Picture::from_plane(mean);
    Known { picture, halves: [Picture::from_plane(a), Picture::from_plane(b)] }
}

/// Relative error of `found` against `truth` after the best gain and offset, `border` px left
/// out on every side: rms difference over the rms contrast of the truth.
pub fn error(found: &Plane, truth: &Plane, border: usize) -> f64 {
    let (height, width) = truth.dim();
    let inner = ndarray::s![border..height - border, border..width - border];
    let (f, t) = (found.slice(inner), truth.slice(inner));
    let n = f.len() as f64;
    let mean = |p: &ndarray::ArrayView2<'_, f32>| p.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let (mf, mt) = (mean(&f), mean(&t));
    let (mut ff, mut ft, mut tt) = (0.0, 0.0, 0.0);
    for (a, b) in f.iter().zip(&t) {
        let (a, b) = (f64::from(*a) - mf, f64::from(*b) - mt);
        ff += a * a;
        ft += a * b;
        tt += b * b;
    }
    ((tt - ft * ft / ff).max(0.0) / tt).sqrt()
}

/// The best isotropic filter chosen with the truth in hand, per ring of a pixel's width.
pub fn oracle(stack: &Plane, truth: &Plane) -> Plane {
    let (height, width) = truth.dim();
    let (mut x, y) = (spectrum(stack), spectrum(truth));
    let ring = |i: usize| {
        let f = frequency(i / width, height).hypot(frequency(i % width, width));
        (f * height.min(width) as f64).round() as usize
    };
    let mut cross = vec![0.0; height + width];
    let mut power = vec![0.0; height + width];
    for (i, (a, b)) in x.iter().zip(&y).enumerate() {
        cross[ring(i)] += a.re * b.re + a.im * b.im;
        power[ring(i)] += a.norm_sqr();
    }
    for (i, v) in x.iter_mut().enumerate() {
        *v *= cross[ring(i)] / power[ring(i)].max(1e-30);
    }
    fft(&mut x, height, width, true);
    Plane::from_shape_vec((height, width), x.iter().map(|v| v.re as f32).collect()).unwrap()
}
