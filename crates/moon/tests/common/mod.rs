//! What the tests share: chance without a pattern, simulated views and fixes, pictures.
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

use stillwright_moon::fix::{Camera, Fix, FixRequest, Mark, Projection, Px, SkyOffset, fix};
use stillwright_moon::vector::{angle_between, scale};
use stillwright_moon::{LunarPoint, LunarView, MOON_RADIUS_KM, Moment, Site};
use stillwright_picture::Plane;

/// Scale of an 8-inch telescope at critical sampling.
pub const ARCSEC_PER_PX: f64 = 0.14;

/// Numbers without a pattern (splitmix64).
pub struct Chance(pub u64);

impl Chance {
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        let share = ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64;
        low + share * (high - low)
    }

    pub fn normal(&mut self, sigma: f64) -> f64 {
        let radius = (-2.0 * self.uniform(1e-300, 1.0).ln()).sqrt();
        sigma * radius * (std::f64::consts::TAU * self.uniform(0.0, 1.0)).cos()
    }

    pub fn jittered(&mut self, px: Px, sigma: f64) -> Px {
        Px { x: px.x + self.normal(sigma), y: px.y + self.normal(sigma) }
    }

    /// A moment between 2015 and 2035 with the Moon up at an invented site and neither new nor
    /// full.
    pub fn view(&mut self) -> LunarView {
        loop {
            let days = self.uniform(0.0, 7300.0);
            let time = Moment::parse("2015-01-01").unwrap().plus_seconds(days * 86_400.0).unwrap();
            let site = Site::new(self.uniform(-50.0, 55.0), self.uniform(-180.0, 180.0), 300.0);
            let view = LunarView::at(time, Some(site.unwrap()));
            if view.sky.unwrap().altitude_deg > 20.0
                && (25.0..130.0).contains(&view.phase_angle_deg)
            {
                return view;
            }
        }
    }

    /// A place at most `most_deg` from the middle of the disc that pleases.
    pub fn place(
        &mut self,
        view: &LunarView,
        most_deg: f64,
        pleases: impl Fn(LunarPoint) -> bool,
    ) -> Option<LunarPoint> {
        let middle = view.sub_observer.direction();
        (0..20_000).find_map(|_| {
            let lat = self.uniform(-1.0, 1.0).asin().to_degrees();
            let place = LunarPoint::new(self.uniform(-180.0, 180.0), lat);
            let near = angle_between(place.direction(), middle).to_degrees() < most_deg;
            (near && pleases(place)).then_some(place)
        })
    }

    /// A picture of 1280 x 960 px with `place` in the midst of it, turned and perhaps mirrored.
    pub fn camera(&mut self, view: &LunarView, place: LunarPoint) -> Projection {
        let camera = Camera {
            anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
            anchor_px: Px { x: 640.0, y: 480.0 },
            arcsec_per_px: ARCSEC_PER_PX * self.uniform(0.95, 1.05),
            up_position_angle_deg: self.uniform(-180.0, 180.0),
            mirrored: self.uniform(0.0, 1.0) < 0.5,
        };
        let plain = Projection { view: *view, camera };
        let anchor = plain.sky_of(scale(place.direction(), MOON_RADIUS_KM));
        Projection { camera: Camera { anchor, ..camera }, ..plain }
    }

    /// A fix from four known places in the picture, marked to `sigma` px; none near the limb.
    pub fn fix(&mut self, truth: &Projection, sigma: f64) -> Fix {
        let corners = [(100.0, 120.0), (1150.0, 150.0), (1100.0, 850.0), (160.0, 800.0)];
        let mut marks = Vec::new();
        for (x, y) in corners {
            let spot = Px { x: x + self.uniform(-90.0, 90.0), y: y + self.uniform(-90.0, 90.0) };
            let place = truth.place_at(spot).unwrap();
            marks.push(Mark { px: self.jittered(spot, sigma), place, sigma_px: sigma });
        }
        fix(&truth.view, &FixRequest { marks, ..FixRequest::default() }).unwrap()
    }
}

/// A picture of what `light` says, each pixel the mean of 5 x 5 points, blurred by a Gaussian of
/// `sigma` px, with noise.
pub fn picture(
    width: usize,
    height: usize,
    sigma: f64,
    noise: f64,
    light: impl Fn(f64, f64) -> f64,
) -> Plane {
    let sharp = Plane::from_shape_fn((height, width), |(y, x)| {
        let mut sum = 0.0;
        for i in 0..25 {
            let (dx, dy) = (f64::from(i % 5) / 5.0 - 0.4, f64::from(i / 5) / 5.0 - 0.4);
            sum += light(x as f64 + dx, y as f64 + dy);
        }
        (sum / 25.0) as f32
    });
    let reach = (4.0 * sigma).ceil() as isize;
    let kernel: Vec<f64> =
        (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let total: f64 = kernel.iter().sum();
    let blur = |plane: &Plane, horizontal: bool| {
        Plane::from_shape_fn((height, width), |(y, x)| {
            let at = |k: isize| {
                let (y, x) = if horizontal {
                    (y as isize, x as isize + k)
                } else {
                    (y as isize + k, x as isize)
                };
                let clamp = |v: isize, n: usize| v.clamp(0, n as isize - 1) as usize;
                f64::from(plane[[clamp(y, height), clamp(x, width)]])
            };
            let sum: f64 = kernel.iter().enumerate().map(|(i, w)| w * at(i as isize - reach)).sum();
            (sum / total) as f32
        })
    };
    let mut blurred = blur(&blur(&sharp, true), false);
    let mut chance = Chance(1);
    for value in blurred.iter_mut() {
        *value += chance.normal(noise) as f32;
    }
    blurred
}
