//! Colours that the air has drawn apart, laid back on one another.
//!
//! The air refracts blue more than red: 0.9 arcsec between 450 and 650 nm at 45 degrees of
//! altitude (Filippenko, PASP 94, 715, 1982). The displacement is the same everywhere in a
//! capture's field, so two numbers a colour are enough; they are measured once, on the reference,
//! and undone when frames are resampled, not afterwards.

use stillwright_picture::Picture;
use stillwright_seeing::raster::{BandPass, Raster};
use stillwright_seeing::template::{Template, TemplateShape, TemplateWork};

/// Larger displacements, px, are taken for a failed match.
const LARGEST_PX: f32 = 20.0;
/// Colours of one scene agree better than this, or they are left where they are.
const LEAST_CORRELATION: f32 = 0.5;
/// Displacements up to this, px, are taken as they are found (a corrector before the camera can leave
/// red and blue on the same side of green); larger ones must be the air's: red and blue on opposite
/// sides, neither less than a tenth of the other (at an altitude of 45 degrees 0.554 arcsec lie between
/// 450 and 550 nm, 0.312 between 550 and 650 nm: refraction by ERFA's `refco`).
const ANY_WAY_PX: f32 = 3.0;
const LEAST_SHARE: f32 = 0.1;
/// Standard deviations of the Gaussians that tell what is finer and what is coarser than what is compared, px. Colours are shaded
/// unlike towards limb and terminator: up to 12 px a disc's red and blue came out 0.13 px off across, up to 6 px 0.1, up to 3 px
/// noise told.
const BAND_PX: (f32, f32) = (1.5, 6.0);
/// Edge that is passed over, px.
const EDGE_PX: usize = 12;

/// Where each channel's scene lies minus where green's lies, px; zeros for one channel, and for a
/// channel that does not match.
pub fn channel_offsets(picture: &Picture) -> [(f32, f32); 3] {
    let mut offsets = [(0.0, 0.0); 3];
    if picture.channels() != 3 || picture.width().min(picture.height()) < 4 * EDGE_PX {
        return offsets;
    }
    let mut band = BandPass::new(BAND_PX.0, BAND_PX.1);
    let mut work = TemplateWork::default();
    let mut passed = Raster::default();
    band.apply(&Raster::of_plane(picture.plane(1)), &mut passed);
    let shape = TemplateShape::new(picture.width(), picture.height()).away_from_edges(EDGE_PX);
    let green = Template::cut(&shape, &passed, 0, 0, &mut work);
    for channel in [0, 2] {
        band.apply(&Raster::of_plane(picture.plane(channel)), &mut passed);
        let start = green.search(&shape, &passed, (0.0, 0.0), 2, &mut work);
        let found = green.refine(&shape, &passed, start, 0.0, &mut work);
        let measured = found.information[0] > 0.0 && found.information[2] > 0.0;
        let near = found.x_px.hypot(found.y_px) <= LARGEST_PX;
        if measured && near && found.correlation >= LEAST_CORRELATION {
            offsets[channel] = (found.x_px, found.y_px);
        }
    }
    if plausible(offsets[0], offsets[2]) { offsets } else { [(0.0, 0.0); 3] }
}

/// Whether the air can have drawn red and blue apart like this.
fn plausible(red: (f32, f32), blue: (f32, f32)) -> bool {
    let (r, b) = (red.0.hypot(red.1), blue.0.hypot(blue.1));
    let opposite = red.0 * blue.0 + red.1 * blue.1 < 0.0;
    r.max(b) <= ANY_WAY_PX || (opposite && r.min(b) >= LEAST_SHARE * r.max(b))
}

/// `picture` with every channel moved back by its offset.
pub fn laid_together(picture: &Picture, offsets: &[(f32, f32); 3]) -> Picture {
    let mut out = picture.clone();
    for channel in (0..picture.channels()).filter(|_| picture.channels() == 3) {
        let (dx, dy) = offsets[channel];
        if (dx, dy) == (0.0, 0.0) {
            continue;
        }
        let source = Raster::of_plane(picture.plane(channel));
        for ((y, x), v) in out.plane_mut(channel).indexed_iter_mut() {
            *v = source.bilinear(x as f32 + dx, y as f32 + dy);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(x: f32, y: f32) -> f32 {
        let d = (x - 60.0).hypot(y - 55.0);
        let limb = 1.0 / (1.0 + ((d - 38.0) / 1.5).exp());
        limb * (0.6 + 0.1 * (y * 0.35).sin() + 0.05 * (x * 0.21).sin())
    }

    #[test]
    fn colours_drawn_apart_are_measured_to_a_tenth_of_a_pixel_and_laid_back() {
        let truth = [(0.3, 1.4), (0.0, 0.0), (-0.4, -1.7)];
        let gains = [0.8, 1.0, 0.5];
        let mut picture = Picture::black(3, 112, 120);
        for channel in 0..3 {
            let (dx, dy) = truth[channel];
            for ((y, x), v) in picture.plane_mut(channel).indexed_iter_mut() {
                *v = gains[channel] * scene(x as f32 - dx, y as f32 - dy);
            }
        }
        let found = channel_offsets(&picture);
        for (f, t) in found.iter().zip(truth) {
            assert!((f.0 - t.0).hypot(f.1 - t.1) < 0.1, "{found:?}");
        }
        let together = laid_together(&picture, &found);
        let (red, green) = (together.plane(0)[[30, 41]] / 0.8, together.plane(1)[[30, 41]]);
        assert!((red - green).abs() < 0.01);
    }

    #[test]
    fn only_what_the_air_can_do_is_believed() {
        for (red, blue, believed) in [
            ((0.5, 4.0), (-0.9, -7.5), true),
            ((0.0, 1.0), (0.2, 1.5), true),
            ((0.0, 5.0), (0.2, 6.0), false),
            ((16.3, 2.7), (0.0, 0.0), false),
        ] {
            assert_eq!(plausible(red, blue), believed, "{red:?} {blue:?}");
        }
        // A colour that is the others' negative matches nowhere.
        let mut picture = Picture::black(3, 112, 120);
        for channel in 0..3 {
            for ((y, x), v) in picture.plane_mut(channel).indexed_iter_mut() {
                let light = scene(x as f32, y as f32);
                *v = if channel == 2 { 0.8 - light } else { light };
            }
        }
        for (x, y) in channel_offsets(&picture) {
            assert!(x.hypot(y) < 0.1, "{x} {y}");
        }
    }

    #[test]
    fn channels_that_show_nothing_stay_where_they_are() {
        assert_eq!(channel_offsets(&Picture::black(3, 100, 100)), [(0.0, 0.0); 3]);
        assert_eq!(channel_offsets(&Picture::black(1, 100, 100)), [(0.0, 0.0); 3]);
    }
}
