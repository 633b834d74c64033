//! Frames for the screen: decoded, and small ones for the shelf.

use super::entry::CaptureId;
use super::shown::{PictureId, Shown, ShownFrame, Thumbnail};
use std::sync::Arc;
use stillwright_capture::Capture;
use stillwright_picture::{Layout, Picture, RawFrame, Samples};
use stillwright_seeing::Survey;
use stillwright_seeing::luminance::Luminance;
use stillwright_seeing::raster::{Raster, reduce};

/// Values that are looked at to find black and white: the levels are known to a few thousandths.
const LOOKED_AT: usize = 200_000;

/// Levels to draw black and white: one value in a thousand lies below the one, one in five
/// thousand above the other (a stuck pixel must not darken the picture).
pub(super) fn levels<'a>(values: impl Iterator<Item = &'a f32>, count: usize) -> (f32, f32) {
    let step = (count / LOOKED_AT).max(1);
    let mut looked: Vec<f32> = values.step_by(step).copied().filter(|v| v.is_finite()).collect();
    if looked.is_empty() {
        return (0.0, 1.0);
    }
    let last = looked.len() - 1;
    let mut at = |share: f64| {
        let rank = ((last as f64 * share).round() as usize).min(last);
        *looked.select_nth_unstable_by(rank, f32::total_cmp).1
    };
    let (black, white) = (at(0.001), at(0.9998));
    if white > black { (black, white) } else { (black, black + 1.0) }
}

/// A linear picture for the screen.
pub(super) fn shown(picture: Picture) -> Shown {
    let (black, white) = levels(picture.planes.iter(), picture.planes.len());
    Shown { id: PictureId::next(), picture: Arc::new(picture), black, white }
}

/// Frame `index`, decoded.
///
/// # Errors
/// Why it could not be read, in words.
pub(super) fn frame(
    source: &dyn Capture,
    (capture, index): (CaptureId, usize),
    survey: Option<&Survey>,
) -> Result<ShownFrame, String> {
    let mut raw = RawFrame::black(source.format());
    source.read_frame(index, &mut raw).map_err(|error| error.to_string())?;
    let report = survey.and_then(|survey| survey.frames.get(index));
    Ok(ShownFrame {
        capture,
        index,
        shown: shown(picture_of(&raw)),
        shift: report.map(|r| r.shift).unwrap_or_default(),
        grade: report.map(|r| r.grade.0),
        rejected: report.and_then(|r| r.rejected),
        time_utc: source.time_utc(index).map(crate::clock::to_millisecond),
    })
}

/// Colour in the open as three channels, everything else as light.
fn picture_of(raw: &RawFrame) -> Picture {
    let format = raw.format;
    if !matches!(format.layout, Layout::Rgb | Layout::Bgr) {
        let mut light = Raster::default();
        Luminance::default().of(raw, &mut light);
        let shape = (1, light.height, light.width);
        return ndarray::Array3::from_shape_vec(shape, light.values)
            .map_or_else(|_| Picture::black(1, 1, 1), |planes| Picture { planes });
    }
    let mut picture = Picture::black(3, format.height, format.width);
    let scale = 1.0 / format.white;
    for channel in 0..3 {
        let mut plane = picture.plane_mut(channel);
        let out = plane.iter_mut();
        match &raw.samples {
            Samples::U8(v) => {
                out.zip(v[channel..].iter().step_by(3))
                    .for_each(|(o, s)| *o = scale * f32::from(*s));
            }
            Samples::U16(v) => {
                out.zip(v[channel..].iter().step_by(3))
                    .for_each(|(o, s)| *o = scale * f32::from(*s));
            }
            Samples::F32(v) => {
                out.zip(v[channel..].iter().step_by(3)).for_each(|(o, s)| *o = scale * *s);
            }
        }
    }
    picture
}

/// The frame `index`, small; `None` when it cannot be read.
pub(super) fn thumbnail(source: &dyn Capture, index: usize) -> Option<Thumbnail> {
    small(source, index).map(|(small, _)| small)
}

/// The liveliest of some frames spread over the capture, small: what is shown before grades are
/// known.
pub(super) fn first_thumbnail(source: &dyn Capture) -> Option<Thumbnail> {
    const FRAMES: usize = 5;
    let count = source.frame_count();
    let looked = count.min(FRAMES);
    let all = (0..looked).filter_map(|i| small(source, (2 * i + 1) * count / (2 * looked)));
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(small, _)| small)
}

/// A frame, small, and how lively it is: mean squared difference of neighbours over squared mean.
fn small(source: &dyn Capture, index: usize) -> Option<(Thumbnail, f64)> {
    let mut raw = RawFrame::black(source.format());
    source.read_frame(index, &mut raw).ok()?;
    let (mut light, mut reduced) = (Raster::default(), Raster::default());
    Luminance::default().of(&raw, &mut light);
    let factor = light.width.max(light.height).div_ceil(Thumbnail::SIDE).max(1);
    reduce(&light, factor.min(light.width.min(light.height)).max(1), &mut reduced);
    let (width, height) = (reduced.width, reduced.height);
    if width == 0 || height == 0 {
        return None;
    }
    let square = |a: &[f32]| a.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum::<f64>();
    let edges: f64 = (0..height).map(|y| square(reduced.row(y))).sum();
    let mean = f64::from(reduced.mean()).max(1e-6);
    let (black, white) = levels(reduced.values.iter(), reduced.values.len());
    let grey = |v: &f32| ((v - black) / (white - black) * 255.0).round().clamp(0.0, 255.0) as u8;
    let grey = reduced.values.iter().map(grey).collect();
    let small = Thumbnail { id: PictureId::next(), width, height, grey, frame: index };
    Some((small, edges / (mean * mean)))
}
