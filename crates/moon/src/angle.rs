//! Angles: units and ranges.

/// Seconds of arc in a radian.
pub const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

/// `deg` brought into 0 (included) to 360 (excluded).
pub fn to_360(deg: f64) -> f64 {
    let turned = deg.rem_euclid(360.0);
    // A tiny negative angle rounds to 360 itself.
    if turned >= 360.0 { 0.0 } else { turned }
}

/// `deg` brought into -180 (included) to 180 (excluded).
pub fn to_180(deg: f64) -> f64 {
    to_360(deg + 180.0) - 180.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_keep_to_their_range() {
        for (deg, full, half) in [
            (0.0, 0.0, 0.0),
            (360.0, 0.0, 0.0),
            (-90.0, 270.0, -90.0),
            (180.0, 180.0, -180.0),
            (-180.0, 180.0, -180.0),
            (725.0, 5.0, 5.0),
            (-1e-18, 0.0, 0.0),
        ] {
            assert_eq!(to_360(deg), full, "{deg}");
            assert!((to_180(deg) - half).abs() < 1e-15, "{deg}");
        }
    }
}
