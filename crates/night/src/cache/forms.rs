//! Surveys and stacks as bytes, every number as it is.

use super::bytes::{Reader, Writer};
use ndarray::Array3;
use stillwright_picture::{Grade, Picture, Shift};
use stillwright_seeing::hot::HotPixels;
use stillwright_seeing::noise::NoiseModel;
use stillwright_seeing::raster::Raster;
use stillwright_seeing::sharpness::CellGrid;
use stillwright_seeing::{FrameReport, Rejection, SceneKind, Survey};
use stillwright_stacking::halves::Region;
use stillwright_stacking::{KeepAdvice, Rung, Stack, Unrest};

const REJECTIONS: [Rejection; 5] = [
    Rejection::Blank,
    Rejection::Cloud,
    Rejection::Bumped,
    Rejection::Unreadable,
    Rejection::Excluded,
];

/// Bytes of the shortest frame report.
const REPORT_BYTES: usize = 8 + 7 * 4 + 2;

pub(crate) fn write_survey(survey: &Survey) -> Vec<u8> {
    let mut w = Writer::default();
    w.count(survey.reference_index);
    w.byte(u8::from(survey.scene == SceneKind::Disc));
    w.count(survey.frames.len());
    for frame in &survey.frames {
        w.count(frame.index);
        for value in [
            frame.grade.0,
            frame.shift.x_px,
            frame.shift.y_px,
            frame.shift.confidence,
            frame.brightness,
            frame.transparency,
            frame.clipped_share,
        ] {
            w.float(value);
        }
        let reason = REJECTIONS.iter().position(|r| Some(*r) == frame.rejected);
        w.byte(reason.map_or(0, |place| place as u8 + 1));
        w.byte(u8::from(frame.trouble.is_some()));
        if let Some(trouble) = &frame.trouble {
            w.text(trouble);
        }
    }
    w.float(survey.noise.read);
    w.float(survey.noise.gain);
    w.float(survey.median_brightness);
    w.counts(&survey.hot_pixels.samples);
    w.counts(&[survey.cells.cell_px, survey.cells.columns, survey.cells.rows]);
    w.floats(survey.cell_grades.iter());
    w.floats(survey.cell_structure.iter());
    w.counts(&[survey.geometry.width, survey.geometry.height, survey.geometry_factor]);
    w.floats(survey.geometry.values.iter());
    w.0
}

pub(crate) fn read_survey(bytes: &[u8]) -> Option<Survey> {
    let mut r = Reader(bytes);
    let reference_index = r.count()?;
    let scene = if r.byte()? == 1 { SceneKind::Disc } else { SceneKind::Ground };
    let count = r.count()?;
    if count.checked_mul(REPORT_BYTES)? > bytes.len() {
        return None;
    }
    let mut frames = Vec::with_capacity(count);
    for _ in 0..count {
        let index = r.count()?;
        let grade = Grade(r.float()?);
        let shift = Shift { x_px: r.float()?, y_px: r.float()?, confidence: r.float()? };
        let (brightness, transparency) = (r.float()?, r.float()?);
        let clipped_share = r.float()?;
        let rejected = match r.byte()? {
            0 => None,
            place => Some(*REJECTIONS.get(usize::from(place) - 1)?),
        };
        let trouble = if r.byte()? == 1 { Some(r.text()?) } else { None };
        frames.push(FrameReport {
            index,
            grade,
            shift,
            brightness,
            transparency,
            clipped_share,
            rejected,
            trouble,
        });
    }
    let noise = NoiseModel { read: r.float()?, gain: r.float()? };
    let median_brightness = r.float()?;
    let hot_pixels = HotPixels { samples: r.counts()? };
    let [cell_px, columns, rows] = r.counts()?.try_into().ok()?;
    let cells = CellGrid { cell_px, columns, rows };
    let (cell_grades, cell_structure) = (r.floats()?, r.floats()?);
    let [width, height, geometry_factor] = r.counts()?.try_into().ok()?;
    let geometry = Raster { width, height, values: r.floats()? };
    let fits = columns.checked_mul(rows)? == cell_structure.len()
        && cell_structure.len().checked_mul(count)? == cell_grades.len()
        && width.checked_mul(height)? == geometry.values.len()
        && reference_index < count
        && r.is_empty();
    fits.then_some(Survey {
        reference_index,
        scene,
        frames,
        noise,
        median_brightness,
        hot_pixels,
        cells,
        cell_grades,
        cell_structure,
        geometry,
        geometry_factor,
    })
}

pub(crate) fn write_stack(stack: &Stack) -> Vec<u8> {
    let mut w = Writer::default();
    for picture in [&stack.picture, &stack.halves[0], &stack.halves[1], &stack.noise] {
        w.counts(&[picture.channels(), picture.height(), picture.width()]);
        w.floats(picture.planes.iter());
    }
    let covered = stack.covered;
    w.counts(&[covered.left, covered.top, covered.width, covered.height]);
    w.float(stack.keep_percent);
    let ladder = stack.advice.as_ref().map_or(&[][..], |advice| &advice.ladder);
    w.byte(u8::from(stack.advice.is_some()));
    w.float(stack.advice.as_ref().map_or(0.0, |advice| advice.percent));
    w.count(ladder.len());
    for rung in ladder {
        w.float(rung.percent);
        w.double(rung.information_bits);
    }
    w.counts(&[stack.frames_used, stack.frames_per_place, stack.tiles]);
    w.float(stack.scale);
    for known in [stack.pixfrac, stack.agreement_at_nyquist] {
        w.float(known.unwrap_or(f32::NAN));
    }
    w.byte(u8::from(stack.unrest.is_some()));
    if let Some(unrest) = &stack.unrest {
        let Unrest { frequency, signal, air, scatter, noise, mosaic, frames_per_place } = unrest;
        w.byte(u8::from(*mosaic));
        w.count(*frames_per_place);
        w.count(frequency.len());
        for curve in [frequency, signal, air, scatter, noise] {
            curve.iter().for_each(|value| w.double(*value));
        }
    }
    for (x, y) in stack.channel_offsets_px {
        w.float(x);
        w.float(y);
    }
    w.count(stack.samples_refused as usize);
    w.counts(&stack.frames_lost);
    w.0
}

pub(crate) fn read_stack(bytes: &[u8]) -> Option<Stack> {
    let mut r = Reader(bytes);
    let mut picture = || {
        let [channels, height, width] = r.counts()?.try_into().ok()?;
        let planes = Array3::from_shape_vec((channels, height, width), r.floats()?).ok()?;
        Some(Picture { planes })
    };
    let (whole, halves, noise) = (picture()?, [picture()?, picture()?], picture()?);
    let [left, top, width, height] = r.counts()?.try_into().ok()?;
    let covered = Region { left, top, width, height };
    let keep_percent = r.float()?;
    let (advised, percent, rungs) = (r.byte()? == 1, r.float()?, r.count()?);
    if rungs.checked_mul(12)? > bytes.len() {
        return None;
    }
    let rung =
        |r: &mut Reader<'_>| Some(Rung { percent: r.float()?, information_bits: r.double()? });
    let ladder = (0..rungs).map(|_| rung(&mut r)).collect::<Option<Vec<Rung>>>()?;
    let advice = advised.then_some(KeepAdvice { percent, ladder });
    let [frames_used, frames_per_place, tiles] = r.counts()?.try_into().ok()?;
    let scale = r.float()?;
    let known = |value: f32| Some(value).filter(|value| value.is_finite());
    let (pixfrac, agreement_at_nyquist) = (known(r.float()?), known(r.float()?));
    let unrest = if r.byte()? == 1 { Some(read_unrest(&mut r)?) } else { None };
    let mut channel_offsets_px = [(0.0, 0.0); 3];
    for offset in &mut channel_offsets_px {
        *offset = (r.float()?, r.float()?);
    }
    let samples_refused = r.count()? as u64;
    let frames_lost = r.counts()?;
    let alike =
        halves.iter().chain([&noise]).all(|half| half.planes.raw_dim() == whole.planes.raw_dim());
    (alike && r.is_empty()).then_some(Stack {
        picture: whole,
        halves,
        noise,
        covered,
        keep_percent,
        advice,
        frames_used,
        frames_per_place,
        tiles,
        scale,
        pixfrac,
        agreement_at_nyquist,
        unrest,
        channel_offsets_px,
        samples_refused,
        frames_lost,
    })
}

fn read_unrest(r: &mut Reader<'_>) -> Option<Unrest> {
    let (mosaic, frames_per_place, rings) = (r.byte()? == 1, r.count()?, r.count()?);
    if rings.checked_mul(40)? > r.0.len() {
        return None;
    }
    let mut curve = || (0..rings).map(|_| r.double()).collect::<Option<Vec<f64>>>();
    let [frequency, signal, air, scatter, noise] =
        [curve()?, curve()?, curve()?, curve()?, curve()?];
    Some(Unrest { frequency, signal, air, scatter, noise, mosaic, frames_per_place })
}
