//! What is true of a simulated capture, and no frame tells.

use crate::settings::SampleSettings;
use serde::{Deserialize, Serialize};
use stillwright_picture::Shift;

/// Who is said to have watched this invented night.
pub const OBSERVER: &str = "Nobody (simulated)";
/// The invented camera.
pub const INSTRUMENT: &str = "Simulated camera";
/// The invented telescope.
pub const TELESCOPE: &str = "Simulated reflector";

/// The truth about one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueFrame {
    /// Number of the frame, from 0.
    pub index: usize,
    /// When it was taken: units of 100 ns since the year 1, UTC.
    pub ticks_utc: u64,
    /// Where the scene lies in this frame minus where it lies in the unshifted scene, px, x to
    /// the right, y down (`truth(x) = frame(x + shift)`): mean over the part of the frame that
    /// holds light, mount and air together.
    pub shift: Shift,
    /// Motion of single places about that mean, px rms (both axes together).
    pub ripple_rms_px: f32,
    /// Mean over the field of the phase variance over the aperture, tilt removed, rad² at the
    /// reference wavelength. Below 1 is what Fried (1978) calls a lucky picture.
    pub blur_rad2: f32,
    /// Mean over the lit field of the peak of the point-spread function over that of the perfect
    /// telescope (Strehl ratio), tilt removed, middle channel. 0 where all is black.
    pub mean_strehl: f32,
    /// Phase variance at each of the truth's [`places_px`](Truth::places_px), rad².
    pub place_blur_rad2: Vec<f32>,
    /// Strehl ratio at each of the truth's [`places_px`](Truth::places_px); 0 where it is black.
    pub place_strehl: Vec<f32>,
    /// Aperture over r0 at this moment, reference wavelength.
    pub d_over_r0: f32,
    /// Share of the light that arrived, 0 to 1: below 1 behind cloud, 0 in a blank frame.
    pub light: f32,
    /// Whether the frame holds no light at all.
    pub blank: bool,
}

/// The truth about a capture; the true picture stands beside it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// How it was made.
    pub settings: SampleSettings,
    /// Pixel (x, y) of the unshifted scene is pixel (x + margin, y + margin) of the true picture.
    pub margin_px: usize,
    /// In words, for whoever reads the file.
    pub shift_convention: String,
    /// Sky covered by one pixel.
    pub arcsec_per_px: f64,
    /// Wavelength of each channel, m.
    pub wavelengths_m: Vec<f64>,
    /// Optical cut-off D / lambda of each channel, cycles per px.
    pub cutoff_cycles_per_px: Vec<f64>,
    /// Dispersion: how far down each channel lies in the frames (not in the true picture).
    pub channel_shift_y_px: Vec<f32>,
    /// Who watched.
    pub observer: String,
    /// With what camera.
    pub instrument: String,
    /// Through what telescope.
    pub telescope: String,
    /// Places (x, y) in the picture for which each frame tells the blur.
    pub places_px: Vec<[f32; 2]>,
    /// Frame by frame.
    pub frames: Vec<TrueFrame>,
}

/// The convention in words.
pub(crate) const SHIFT_CONVENTION: &str = "a scene point at p in the unshifted scene is seen at p + shift in the frame; px, x right, y down";

/// How the scene lies in one frame, place by place: node (column i, row j) lies at pixel
/// (i, j) times `spacing_px`; between the nodes the motion is interpolated by Catmull-Rom.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueWarp {
    /// Nodes in a row.
    pub columns: usize,
    /// Nodes in a column.
    pub rows: usize,
    /// Distance of neighbouring nodes, px.
    pub spacing_px: usize,
    /// Motion at each node, px to the right and down, row by row: picture pixel x shows the
    /// scene's x - motion(x).
    pub motion_px: Vec<[f32; 2]>,
}

/// How one frame is blurred, place by place: nodes as in [`TrueWarp`]. At pixel x the displaced scene is
/// convolved with the nodes' point-spread functions, blended by raised cosines that reach one spacing to each side.
#[derive(Clone, Debug, PartialEq)]
pub struct TrueSpreads {
    /// Nodes in a row.
    pub columns: usize,
    /// Nodes in a column.
    pub rows: usize,
    /// Distance of neighbouring nodes, px.
    pub spacing_px: usize,
    /// Side of a point-spread function, px.
    pub side_px: usize,
    /// Point-spread functions, node by node, rows by columns in FFT order (no displacement first); the
    /// sum of each is 1.
    pub values: Vec<f32>,
}

/// Ticks (100 ns since 0001-01-01) of the first frame: 2027-03-14 20:15:00 UTC.
pub(crate) const FIRST_TICKS: u64 =
    (days_before(2027, 73) * 86_400 + 20 * 3600 + 15 * 60) * TICKS_S;
/// Ticks in a second.
pub(crate) const TICKS_S: u64 = 10_000_000;

/// Days from 0001-01-01 to day `day` (1 to 366) of a year, proleptic Gregorian calendar.
const fn days_before(year: u64, day: u64) -> u64 {
    let y = year - 1;
    y * 365 + y / 4 - y / 100 + y / 400 + day - 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_count_from_the_year_one() {
        // The Unix epoch is 621355968000000000 ticks of 100 ns after 0001-01-01.
        assert_eq!(days_before(1970, 1) * 86_400 * TICKS_S, 621_355_968_000_000_000);
        // 2027-03-14 is 31 + 28 + 14 = 73 days into the year; Unix time 1805055300.
        assert_eq!(FIRST_TICKS, 621_355_968_000_000_000 + 1_805_055_300 * TICKS_S);
    }
}
