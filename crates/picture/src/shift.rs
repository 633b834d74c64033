//! Where the scene lies.

use serde::{Deserialize, Serialize};

/// Where the scene lies in a frame minus where it lies in the reference:
/// `reference(x) = frame(x + shift)`.
///
/// Pixels of the frame, `x` to the right and `y` down. `confidence` runs from 0 (worthless) to
/// 1 (as good as the light allows).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// To the right, px.
    pub x_px: f32,
    /// Down, px.
    pub y_px: f32,
    /// 0 to 1.
    pub confidence: f32,
}

impl Shift {
    /// A shift that is certain.
    pub fn new(x_px: f32, y_px: f32) -> Shift {
        Shift { x_px, y_px, confidence: 1.0 }
    }

    /// Length of the shift, px.
    pub fn length_px(&self) -> f32 {
        self.x_px.hypot(self.y_px)
    }
}
