//! A picture held against the truth, its smooth bends set aside and told by themselves.
//!
//! A smooth remaining distortion does little harm to the eye, and one capture knows the true geometry only as the
//! mean of what the air did; what frames lie apart by is blur. So the truth is laid onto the picture first.

use super::rings::{RingCorrelation, ring_correlation};
use super::straight::{Field, straighten};
use super::{JudgeError, JudgeSettings, Judged, straight_error};
use ndarray::ArrayView2;
use stillwright_picture::Plane;
use stillwright_seeing::interpolate::cubic;
use stillwright_seeing::raster::Raster;

/// One picture held against the truth.
pub struct Held {
    /// Ring by ring against the truth that is laid onto it.
    pub rings: RingCorrelation,
    /// The bend that was set aside, px rms.
    pub distortion_px: f64,
    /// That bend: where the truth's places lie in the picture, beyond its place.
    pub field: Field,
    /// The truth laid straight onto the picture.
    pub straight: Plane,
    /// Without straightening.
    pub judged: Judged,
}

/// Hold `test` against `truth`, which shows the same scene at the same scale with some margin (rows, columns; any unit of light).
///
/// # Errors
/// As for [`straight_error`].
pub fn held(
    truth: ArrayView2<'_, f32>,
    test: ArrayView2<'_, f32>,
    settings: &JudgeSettings,
) -> Result<Held, JudgeError> {
    let judged = straight_error(truth, test, settings)?;
    let source = Raster::of_plane(truth);
    let placed = Plane::from_shape_fn(test.dim(), |(v, u)| {
        cubic(&source, u as f64 + judged.x_px, v as f64 + judged.y_px)
    });
    let field = straighten(test, placed.view());
    let place = (judged.x_px as f32, judged.y_px as f32);
    let level = || Raster::zeros(test.ncols(), test.nrows());
    let straight = field.lay_straight(truth, place);
    let placed = Field { x: level(), y: level() }.lay_straight(truth, place);
    let rings = |truth: &Plane| {
        ring_correlation(truth.view(), test, settings.cutoff_cycles_per_px, settings.border_px)
            .ok_or(JudgeError::Empty)
    };
    // A picture that is straight already is not to suffer from what the field is not known to.
    let (laid, as_placed) = (rings(&straight)?, rings(&placed)?);
    let (rings, straight) =
        if laid.error <= as_placed.error { (laid, straight) } else { (as_placed, placed) };
    Ok(Held { rings, straight, distortion_px: field.rms_px(settings.border_px), field, judged })
}
