//! Frames for the screen: decoded, and small ones for the shelf.

use super::entry::CaptureId;
use super::shown::{PictureId, Shown, ShownFrame, Thumbnail};
use crate::pyramid::Stretch;
use std::sync::Arc;
use stillwright_capture::Capture;
use stillwright_picture::{BayerOrder, Layout, Picture, RawFrame, Samples};
use stillwright_seeing::Survey;
use stillwright_seeing::luminance::Luminance;
use stillwright_seeing::raster::{Raster, reduce};
use stillwright_stacking::finish::{Balance, Finished, Point, Tone};

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
    let stretch = Stretch::linear(black, white);
    Shown { id: PictureId::next(), picture: Arc::new(picture), stretch }
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
    let shown = shown(picture_of(&raw));
    Ok(ShownFrame {
        capture,
        index,
        own: shown.stretch,
        in_tone_of_still: false,
        transparency: report.map_or(1.0, |r| r.transparency).max(1e-3),
        shown,
        shift: report.map(|r| r.shift).unwrap_or_default(),
        grade: report.map(|r| r.grade.0),
        rejected: report.and_then(|r| r.rejected),
        time_utc: source.time_utc(index).map(crate::clock::to_millisecond),
    })
}

/// The frame in the tone of the still, with its own light; in its own levels where there is none.
pub(super) fn in_tone(frame: &ShownFrame, still: Option<&Finished>) -> ShownFrame {
    let (black, white, used) = match still.map(|still| (still.used.tone, &still.used)) {
        Some((Tone { black: Point::Level(black), white: Point::Level(white), .. }, used)) => {
            (black, white, used)
        }
        _ => {
            let shown = Shown { id: PictureId::next(), stretch: frame.own, ..frame.shown.clone() };
            return ShownFrame { shown, in_tone_of_still: false, ..frame.clone() };
        }
    };
    let gains = match used.colour.balance {
        Balance::Gains(gains) => gains,
        _ => [1.0; 3],
    };
    // The stack divides its frames by what came through; here the levels are multiplied.
    let (black, white) = (black * frame.transparency, white * frame.transparency);
    let stretch = Stretch { black, white, bend: used.tone.bend, gains };
    if stretch == frame.shown.stretch {
        return ShownFrame { in_tone_of_still: true, ..frame.clone() };
    }
    let shown = Shown { id: PictureId::next(), stretch, ..frame.shown.clone() };
    ShownFrame { shown, in_tone_of_still: true, ..frame.clone() }
}

/// Colours as three channels, everything else as light.
pub(crate) fn picture_of(raw: &RawFrame) -> Picture {
    let format = raw.format;
    if let Layout::Bayer(order) = format.layout {
        return filled_in(raw, order);
    }
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

/// A mosaic in colour: each pixel the mean of the samples of each colour next to it, its own first. Good
/// enough to look at; stacks are made of the samples alone.
fn filled_in(raw: &RawFrame, order: BayerOrder) -> Picture {
    let (width, height) = (raw.format.width, raw.format.height);
    let mut picture = Picture::black(3, height, width);
    let scale = 1.0 / raw.format.white;
    let sample = |at: usize| match &raw.samples {
        Samples::U8(v) => v.get(at).map_or(0.0, |s| scale * f32::from(*s)),
        Samples::U16(v) => v.get(at).map_or(0.0, |s| scale * f32::from(*s)),
        Samples::F32(v) => v.get(at).map_or(0.0, |s| scale * *s),
    };
    for y in 0..height {
        for x in 0..width {
            let (mut sums, mut counts) = ([0.0f32; 3], [0.0f32; 3]);
            for v in y.saturating_sub(1)..(y + 2).min(height) {
                for u in x.saturating_sub(1)..(x + 2).min(width) {
                    let channel = order.channel_at(u, v);
                    sums[channel] += sample(v * width + u);
                    counts[channel] += 1.0;
                }
            }
            let own = order.channel_at(x, y);
            (sums[own], counts[own]) = (sample(y * width + x), 1.0);
            for channel in 0..3 {
                picture.planes[[channel, y, x]] = sums[channel] / counts[channel].max(1.0);
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

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::{FrameFormat, SampleType};

    #[test]
    fn a_mosaic_of_even_colour_is_shown_in_that_colour() {
        for order in [BayerOrder::Rggb, BayerOrder::Grbg, BayerOrder::Gbrg, BayerOrder::Bggr] {
            let format = FrameFormat {
                width: 7,
                height: 5,
                layout: Layout::Bayer(order),
                sample_type: SampleType::U8,
                white: 200.0,
            };
            let mut raw = RawFrame::black(format);
            let Samples::U8(samples) = &mut raw.samples else { panic!() };
            for (i, sample) in samples.iter_mut().enumerate() {
                *sample = [100, 50, 20][order.channel_at(i % 7, i / 7)];
            }
            let picture = picture_of(&raw);
            for (channel, value) in [0.5, 0.25, 0.1].into_iter().enumerate() {
                assert!(picture.plane(channel).iter().all(|v| (v - value).abs() < 1e-6));
            }
        }
    }
}
