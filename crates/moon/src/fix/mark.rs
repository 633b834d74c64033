//! What a picture's fix is made from.

use super::projection::Px;
use crate::lunar::LunarPoint;
use serde::{Deserialize, Serialize};

/// A value that is known to about `sigma`, one standard deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Its standard deviation, in the same unit.
    pub sigma: f64,
}

/// A known place on the Moon, marked in the picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Where it is marked.
    pub px: Px,
    /// Which place it is.
    pub place: LunarPoint,
    /// How well the mark sits, px, one standard deviation in each direction. A careful mark on a
    /// small crater: 1; where the telescope was roughly pointed: hundreds.
    pub sigma_px: f64,
}

/// Everything that is known of how the picture lies on the Moon.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FixRequest {
    /// Known places.
    pub marks: Vec<Mark>,
    /// Points on the bright limb.
    pub limb: Vec<Px>,
    /// How well limb points sit, px, one standard deviation; the hills of the limb, about 1 km
    /// rms, are part of it.
    pub limb_sigma_px: f64,
    /// Scale in arcsec per px, from the optics ([`crate::telescope::arcsec_per_px`]).
    pub arcsec_per_px: Option<Estimate>,
    /// Position angle of the picture's upward direction, degrees, from the mount or a drift.
    pub up_position_angle_deg: Option<Estimate>,
    /// Whether the picture is a mirror image, if known. Otherwise it is told from the marks, where
    /// three or more do, or taken for unmirrored.
    pub mirrored: Option<bool>,
}
