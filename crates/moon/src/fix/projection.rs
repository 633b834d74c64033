//! From the Moon's ground to the sky to the picture's pixels, and back.
//!
//! Perspective throughout: the near side of the Moon is closer than its limb. Dropping that
//! (orthographic projection) errs by up to 0.47 % in scale between middle and limb.

use crate::angle::ARCSEC_PER_RADIAN;
use crate::lunar::{LunarPoint, LunarView, MOON_RADIUS_KM};
use crate::vector::{Vector, add, cross, dot, length, scale, subtract, unit};
use serde::{Deserialize, Serialize};

/// A position in a picture, px: `x` to the right, `y` down, the middle of the first pixel at 0, 0.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Px {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
}

/// A direction in the sky, from that of the Moon's centre: arcsec on the plane that touches the sky
/// there (tangents, not arcs).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SkyOffset {
    /// Towards celestial east.
    pub east_arcsec: f64,
    /// Towards celestial north.
    pub north_arcsec: f64,
}

/// How the picture's pixels lie in the sky.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Camera {
    /// A direction in the sky, in the midst of what the camera was fitted to.
    pub anchor: SkyOffset,
    /// Where that direction lies in the picture.
    pub anchor_px: Px,
    /// Scale.
    pub arcsec_per_px: f64,
    /// Position angle of the picture's upward direction, degrees from celestial north through
    /// east.
    pub up_position_angle_deg: f64,
    /// Whether the picture is a mirror image (an odd number of mirrors): east then lies to the
    /// right where north is up.
    pub mirrored: bool,
}

impl Camera {
    /// Number of unknowns of [`Camera::varied`].
    pub(crate) const UNKNOWNS: usize = 4;

    /// Unit vectors of the picture's right and up: towards celestial east and north.
    fn axes(&self) -> ([f64; 2], [f64; 2]) {
        let (sin, cos) = self.up_position_angle_deg.to_radians().sin_cos();
        let side = if self.mirrored { -1.0 } else { 1.0 };
        ([-cos * side, sin * side], [sin, cos])
    }

    /// Where a direction of the sky lies in the picture.
    pub fn px_of(&self, sky: SkyOffset) -> Px {
        let (right, up) = self.axes();
        let e = (sky.east_arcsec - self.anchor.east_arcsec) / self.arcsec_per_px;
        let n = (sky.north_arcsec - self.anchor.north_arcsec) / self.arcsec_per_px;
        Px {
            x: self.anchor_px.x + right[0] * e + right[1] * n,
            y: self.anchor_px.y - (up[0] * e + up[1] * n),
        }
    }

    /// The direction in the sky of a position in the picture.
    pub fn sky_of(&self, px: Px) -> SkyOffset {
        let (right, up) = self.axes();
        let x = (px.x - self.anchor_px.x) * self.arcsec_per_px;
        let y = -(px.y - self.anchor_px.y) * self.arcsec_per_px;
        SkyOffset {
            east_arcsec: self.anchor.east_arcsec + right[0] * x + up[0] * y,
            north_arcsec: self.anchor.north_arcsec + right[1] * x + up[1] * y,
        }
    }

    /// The camera with its unknowns changed: place of the anchor in px, to the right and down,
    /// logarithm of the scale, turn in rad.
    pub(crate) fn varied(&self, by: [f64; Self::UNKNOWNS]) -> Camera {
        Camera {
            anchor_px: Px { x: self.anchor_px.x + by[0], y: self.anchor_px.y + by[1] },
            arcsec_per_px: self.arcsec_per_px * by[2].exp(),
            up_position_angle_deg: self.up_position_angle_deg + by[3].to_degrees(),
            ..*self
        }
    }
}

/// The Moon as it was seen, and the camera that saw it: every pixel on the disc has a place on
/// the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Projection {
    /// The Moon then and there.
    pub view: LunarView,
    /// The camera.
    pub camera: Camera,
}

impl Projection {
    /// Unit vectors across the line of sight, along the Moon's axes: selenographic east, north,
    /// and towards the observer.
    fn frame(&self) -> [Vector; 3] {
        let towards = self.view.sub_observer.direction();
        let east = unit(cross([0.0, 0.0, 1.0], towards));
        [east, cross(towards, east), towards]
    }

    /// Sine and cosine of the position angle of the Moon's axis.
    fn axis(&self) -> (f64, f64) {
        self.view.axis_position_angle_deg.to_radians().sin_cos()
    }

    /// Direction in the sky of a point near the Moon (km from its centre, along its axes).
    pub fn sky_of(&self, point_km: Vector) -> SkyOffset {
        let [east, north, towards] = self.frame();
        let depth = self.view.distance_km - dot(point_km, towards);
        let xi = dot(point_km, east) / depth * ARCSEC_PER_RADIAN;
        let eta = dot(point_km, north) / depth * ARCSEC_PER_RADIAN;
        let (sin, cos) = self.axis();
        // Selenographic east is celestial west.
        SkyOffset { east_arcsec: eta * sin - xi * cos, north_arcsec: eta * cos + xi * sin }
    }

    /// Unit vector along the line of sight through a position in the picture, from the observer
    /// on, along the Moon's axes.
    pub(crate) fn ray(&self, px: Px) -> Vector {
        let sky = self.camera.sky_of(px);
        let (sin, cos) = self.axis();
        let xi = (sky.north_arcsec * sin - sky.east_arcsec * cos) / ARCSEC_PER_RADIAN;
        let eta = (sky.north_arcsec * cos + sky.east_arcsec * sin) / ARCSEC_PER_RADIAN;
        let [east, north, towards] = self.frame();
        unit(subtract(add(scale(east, xi), scale(north, eta)), towards))
    }

    /// Where a point near the Moon (km from its centre, along its axes) lies in the picture.
    pub fn px_of_point(&self, point_km: Vector) -> Px {
        self.camera.px_of(self.sky_of(point_km))
    }

    /// Where a place on the Moon lies in the picture; none where it is behind the limb. It may
    /// well lie outside the picture.
    pub fn px_of(&self, place: LunarPoint) -> Option<Px> {
        let up = place.direction();
        let point = scale(up, MOON_RADIUS_KM);
        let seen = dot(up, subtract(self.view.observer_km(), point)) > 0.0;
        seen.then(|| self.px_of_point(point))
    }

    /// The place on the Moon's sphere that a position in the picture shows; none off the disc.
    pub fn place_at(&self, px: Px) -> Option<LunarPoint> {
        let (observer, ray) = (self.view.observer_km(), self.ray(px));
        let along = -dot(observer, ray);
        let passes = length(add(observer, scale(ray, along)));
        let half_chord = (MOON_RADIUS_KM * MOON_RADIUS_KM - passes * passes).sqrt();
        let hit = add(observer, scale(ray, along - half_chord));
        half_chord.is_finite().then(|| LunarPoint::of(hit))
    }

    /// Where the ground that a position of this picture shows lies in another one, taken from
    /// wherever: perspective at both ends. None off the disc, and where the other picture sees that
    /// ground behind its limb. It may well lie outside the other picture.
    pub fn onto(&self, other: &Projection, px: Px) -> Option<Px> {
        other.px_of(self.place_at(px)?)
    }

    /// Radius of the Moon's limb on the plane that touches the sky, arcsec.
    pub fn limb_arcsec(&self) -> f64 {
        limb_arcsec(&self.view)
    }

    /// Where the Moon's centre lies in the picture.
    pub fn centre_px(&self) -> Px {
        self.camera.px_of(SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 })
    }

    /// Lengths on the ground that one pixel covers at a place, km: along the limb nearest to it,
    /// where nothing is foreshortened, and across it.
    pub fn km_per_px(&self, place: LunarPoint) -> (f64, f64) {
        let lighting = self.view.lighting(place);
        let km = lighting.distance_km * self.camera.arcsec_per_px / ARCSEC_PER_RADIAN;
        (km, km / lighting.emission_deg.to_radians().cos().max(1e-6))
    }
}

/// Radius of the limb on the plane that touches the sky at the Moon's centre, arcsec.
pub(crate) fn limb_arcsec(view: &LunarView) -> f64 {
    (MOON_RADIUS_KM / view.distance_km).asin().tan() * ARCSEC_PER_RADIAN
}
