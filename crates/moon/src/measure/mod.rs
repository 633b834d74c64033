//! Measuring on a picture with a fix: distances, craters, profiles, heights, discs.

mod crater;
mod disc;
mod distance;
mod ellipse;
mod limb;
mod overlay;
mod places;
mod profile;
mod shadow;
mod tip;

pub use crater::{Crater, complex_depth_km, crater, simple_depth_km};
pub use disc::{Disc, DiscComparison, disc};
pub use distance::{distance, distance_km};
pub use limb::{disc_limb, snap_to_limb};
pub use overlay::{
    GraticuleLine, GraticuleOf, Readout, ScaleBar, graticule, graticule_step_deg, readout,
    scale_bar,
};
pub use places::{NamedPlace, parse_places};
pub use profile::{ProfilePoint, profile};
pub use shadow::{
    SUN_RADIUS_DEG, ShadowHeight, flat_height_km, height_above_tip_km, height_from_ray_km, ray_km,
    shadow_height, shadow_of,
};
pub use tip::{shadow_tip, towards_sun};
