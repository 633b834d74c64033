//! Reading FITS files: cubes at offsets, pictures one by one.

use super::header::Header;
use crate::bytes::{Bytes, no_such_frame, read_frame_part};
use crate::error::{CaptureError, Fault, check_size, grouped};
use crate::facts::{ByteOrder, Facts, Overrides, Remark, RemarkCode};
use crate::formats::{Capture, Opened};
use crate::levels::{Levels, look};
use crate::pictures::{Decoded, Shape};
use crate::samples::flip_rows;
use crate::time::Ticks;
use stillwright_picture::{FrameError, FrameFormat, FrameSource, RawFrame, SampleType, Samples};

/// Most units of a file that are looked at.
const MOST_UNITS: usize = 100_000;

/// How the stored numbers of one frame lie.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Raster {
    width: usize,
    height: usize,
    colour: Colour,
    bitpix: i64,
    zero: f64,
    scale: f64,
    /// Stored number that stands for none.
    blank: Option<f64>,
    bottom_up: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Colour {
    One,
    Planes,
    Pixels,
}

impl Raster {
    fn samples(&self) -> usize {
        self.width * self.height * if self.colour == Colour::One { 1 } else { 3 }
    }

    fn frame_bytes(&self) -> u64 {
        self.samples() as u64 * (self.bitpix.unsigned_abs() / 8)
    }

    fn kind(&self) -> SampleType {
        match (self.bitpix, self.scale, self.zero) {
            (8, 1.0, 0.0) => SampleType::U8,
            (16, 1.0, 0.0 | 32_768.0) => SampleType::U16,
            _ => SampleType::F32,
        }
    }

    fn shape(&self) -> Shape {
        Shape {
            width: self.width,
            height: self.height,
            colour: self.colour != Colour::One,
            kind: self.kind(),
        }
    }

    /// Read one frame at `offset`, its numbers as they are meant, not yet scaled to a white.
    fn read(
        &self,
        bytes: &dyn Bytes,
        index: usize,
        offset: u64,
        stored: &mut Vec<u8>,
        samples: &mut Samples,
    ) -> Result<(), FrameError> {
        stored.resize(self.frame_bytes() as usize, 0);
        read_frame_part(bytes, index, offset, stored)?;
        let row = stored.len() / self.rows();
        if self.bottom_up && self.colour != Colour::Planes {
            flip_rows(stored, row);
        } else if self.bottom_up {
            stored.chunks_exact_mut(row * self.height).for_each(|plane| flip_rows(plane, row));
        }
        let n = self.samples();
        match samples {
            Samples::U8(v) => self.place(stored.iter().copied(), n, v),
            Samples::U16(v) => {
                let unsigned = self.zero != 0.0;
                let pairs = stored.as_chunks::<2>().0.iter();
                let value = |pair: &[u8; 2]| {
                    let stored = i16::from_be_bytes(*pair);
                    if unsigned { stored as u16 ^ 0x8000 } else { stored.max(0) as u16 }
                };
                self.place(pairs.map(value), n, v);
            }
            Samples::F32(v) => match self.bitpix {
                8 => self.floats(stored.iter().map(|b| f64::from(*b)), v),
                16 => {
                    let all = stored.as_chunks::<2>().0.iter();
                    self.floats(all.map(|c| f64::from(i16::from_be_bytes(*c))), v);
                }
                32 => {
                    let all = stored.as_chunks::<4>().0.iter();
                    self.floats(all.map(|c| f64::from(i32::from_be_bytes(*c))), v);
                }
                64 => {
                    let all = stored.as_chunks::<8>().0.iter();
                    self.floats(all.map(|c| i64::from_be_bytes(*c) as f64), v);
                }
                -32 => {
                    let all = stored.as_chunks::<4>().0.iter();
                    self.floats(all.map(|c| f64::from(f32::from_be_bytes(*c))), v);
                }
                _ => {
                    let all = stored.as_chunks::<8>().0.iter();
                    self.floats(all.map(|c| f64::from_be_bytes(*c)), v);
                }
            },
        }
        Ok(())
    }

    fn rows(&self) -> usize {
        if self.colour == Colour::Planes { 3 * self.height } else { self.height }
    }

    fn floats(&self, stored: impl Iterator<Item = f64>, out: &mut Vec<f32>) {
        let blank = self.blank;
        let value = |stored: f64| {
            let value = (self.zero + self.scale * stored) as f32;
            if Some(stored) == blank || !value.is_finite() { 0.0 } else { value }
        };
        self.place(stored.map(value), self.samples(), out);
    }

    /// Put samples where they belong: colours side by side.
    fn place<T: Copy + Default>(
        &self,
        samples: impl Iterator<Item = T>,
        count: usize,
        out: &mut Vec<T>,
    ) {
        out.resize(count, T::default());
        if self.colour == Colour::Planes {
            let pixels = count / 3;
            for (i, sample) in samples.enumerate().take(count) {
                out[i % pixels * 3 + i / pixels] = sample;
            }
        } else {
            out.iter_mut().zip(samples).for_each(|(out, sample)| *out = sample);
        }
    }
}

/// A unit that holds frames: how they lie, and how many its header promises.
struct Unit {
    header: Header,
    raster: Raster,
    promised: u64,
}

/// The first unit that holds pictures. `frames_of_three` says that three planes are three frames.
fn first_unit(bytes: &dyn Bytes, frames_of_three: bool) -> Result<Unit, CaptureError> {
    let mut at = 0;
    let mut packed = false;
    for _ in 0..64 {
        let Some(header) = Header::read(bytes, at)? else { break };
        packed |= header.is_packed();
        if is_image(&header) && header.axes()?.iter().filter(|n| **n > 0).count() >= 2 {
            return unit(header, frames_of_three);
        }
        let Some(data) = header.data_bytes() else { break };
        let Some(next) = header.data.checked_add(data) else { break };
        at = next;
    }
    if packed {
        return Err(CaptureError::Unsupported(Fault::new(
            "pictures stored as they are",
            "pictures compressed into a table",
            None,
            "unpack the file first; tools for FITS do it without loss",
        )));
    }
    Err(CaptureError::Damaged(Fault::new(
        "a picture with at least two axes",
        "none",
        None,
        "there is no picture in this file",
    )))
}

fn is_image(header: &Header) -> bool {
    header.extension().is_none_or(|kind| kind == "IMAGE") && !header.is_packed()
}

fn unit(header: Header, frames_of_three: bool) -> Result<Unit, CaptureError> {
    let axes = header.axes()?;
    let (colour, width, height, rest) = match axes[..] {
        [3, width, height, ref rest @ ..] if width > 3 => (Colour::Pixels, width, height, rest),
        [width, height, 3, ref rest @ ..] if !frames_of_three => {
            (Colour::Planes, width, height, rest)
        }
        [width, height, ref rest @ ..] => (Colour::One, width, height, rest),
        _ => (Colour::One, 0, 0, &[][..]),
    };
    let signed = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    let planes = if colour == Colour::One { 1 } else { 3 };
    check_size(signed(width), signed(height), planes, header.offset)?;
    let raster = Raster {
        width: width as usize,
        height: height as usize,
        colour,
        bitpix: header.bitpix()?,
        zero: header.number("BZERO").unwrap_or(0.0),
        scale: header.number("BSCALE").filter(|scale| *scale != 0.0).unwrap_or(1.0),
        blank: header.number("BLANK"),
        bottom_up: header.bottom_up(),
    };
    let promised = rest.iter().try_fold(1_u64, |product, n| product.checked_mul(*n));
    Ok(Unit { header, raster, promised: promised.unwrap_or(u64::MAX) })
}

/// An open FITS file.
struct FitsCapture {
    bytes: Box<dyn Bytes>,
    format: FrameFormat,
    facts: Facts,
    raster: Raster,
    levels: Levels,
    /// First frame and offset of each unit that holds frames.
    spans: Vec<(usize, u64)>,
}

/// Open a FITS file.
pub(super) fn open(bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    let Unit { header, raster, mut promised } =
        first_unit(&*bytes, overrides.layout.is_some_and(|l| l.samples_per_pixel() == 1))?;
    let frame_bytes = raster.frame_bytes();
    let whole =
        |unit: &Header, promised: u64| (len.saturating_sub(unit.data) / frame_bytes).min(promised);
    let mut frames = whole(&header, promised);
    let mut spans = vec![(0, header.data)];
    let mut last = header.clone();
    while frames == promised && spans.len() < MOST_UNITS {
        // Further units of the same shape hold further frames.
        let next = last.data_bytes().and_then(|n| last.data.checked_add(n));
        let Some(Ok(Some(next))) = next.filter(|n| *n < len).map(|n| Header::read(&*bytes, n))
        else {
            break;
        };
        last = next.clone();
        if !is_image(&next) {
            continue;
        }
        let Ok(more) = unit(next, raster.colour == Colour::One) else { continue };
        if more.raster != raster {
            continue;
        }
        spans.push((frames as usize, more.header.data));
        frames += whole(&more.header, more.promised);
        promised = promised.saturating_add(more.promised);
    }
    if frames == 0 {
        return Err(CaptureError::Damaged(Fault::new(
            format!("at least one frame of {} bytes", grouped(frame_bytes)),
            format!("{} bytes", grouped(len.saturating_sub(header.data))),
            header.data,
            "nothing can be saved from this file; it was probably cut off at its first frame",
        )));
    }
    let offset = |index: usize| offset_of(&spans, index, frame_bytes);
    let mut stored = Vec::new();
    let seen = look(frames as usize, |i| {
        let mut samples = empty(raster.kind());
        raster.read(&*bytes, i, offset(i), &mut stored, &mut samples).ok()?;
        Some(samples)
    });
    let depth = if raster.kind() == SampleType::U8 { 8 } else { 16 };
    let mut levels = Levels::decide(raster.kind(), depth, seen, overrides)?;
    if let Some(depth) = header.bit_depth().filter(|_| raster.kind() == SampleType::F32) {
        levels.bit_depth = depth;
    }
    let layout = raster.shape().layout(header.bayer(), overrides)?;
    let mut warnings = std::mem::take(&mut levels.warnings);
    if frames < promised {
        warnings.push(Remark::new(
            RemarkCode::Truncated,
            format!(
                "the capture ends inside frame {frames} of {promised} (frames of {} bytes, {} bytes \
                 in the file); {frames} whole frames can be used; the file was probably cut off",
                grouped(frame_bytes),
                grouped(len)
            ),
        ));
    }
    let format = FrameFormat {
        width: raster.width,
        height: raster.height,
        layout,
        sample_type: raster.kind(),
        white: levels.white,
    };
    let facts = Facts {
        format: super::FORMAT.name,
        width: format.width,
        height: format.height,
        frames: frames as usize,
        declared_frames: i64::try_from(promised).ok(),
        bit_depth: levels.bit_depth,
        layout,
        byte_order: (format.sample_type == SampleType::U16).then_some(ByteOrder::Big),
        justification: levels.justification,
        duration_s: None,
        frame_rate_hz: None,
        has_times: false,
        start_utc: header.begun(),
        start_local: None,
        observer: header.text("OBSERVER"),
        instrument: header.text("INSTRUME"),
        telescope: header.text("TELESCOP"),
        exposure_s: header.exposure_s(),
        gain: header.gain(),
        warnings,
        notes: std::mem::take(&mut levels.notes),
    };
    Ok(Box::new(FitsCapture { bytes, format, facts, raster, levels, spans }))
}

fn offset_of(spans: &[(usize, u64)], index: usize, frame_bytes: u64) -> u64 {
    let span = spans.partition_point(|(first, _)| *first <= index).saturating_sub(1);
    let (first, offset) = spans[span];
    offset + (index - first) as u64 * frame_bytes
}

fn empty(kind: SampleType) -> Samples {
    match kind {
        SampleType::U8 => Samples::U8(Vec::new()),
        SampleType::U16 => Samples::U16(Vec::new()),
        SampleType::F32 => Samples::F32(Vec::new()),
    }
}

/// The first picture of a FITS file, for sequences of them.
pub(crate) fn picture(bytes: &dyn Bytes, expected: Option<Shape>) -> Result<Decoded, CaptureError> {
    let Unit { header, raster, .. } = first_unit(bytes, false)?;
    let shape = raster.shape();
    shape.check(expected)?;
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    if len.saturating_sub(header.data) < raster.frame_bytes() {
        return Err(CaptureError::Damaged(Fault::new(
            format!("a picture of {} bytes", grouped(raster.frame_bytes())),
            format!("{} bytes", grouped(len.saturating_sub(header.data))),
            header.data,
            "leave this frame out; its file was probably cut off",
        )));
    }
    let mut samples = empty(shape.kind);
    raster
        .read(bytes, 0, header.data, &mut Vec::new(), &mut samples)
        .map_err(|e| CaptureError::reading(header.data, std::io::Error::other(e.reason)))?;
    let depth = if shape.kind == SampleType::U8 { 8 } else { 16 };
    let words = ["OBSERVER", "INSTRUME", "TELESCOP"].map(|keyword| header.text(keyword));
    Ok(Decoded {
        shape,
        samples,
        depth,
        mosaic: header.bayer(),
        begun: header.begun(),
        words,
        exposure: (header.exposure_s(), header.gain()),
    })
}

/// When the picture of a FITS file was begun.
pub(crate) fn begun(bytes: &dyn Bytes) -> Option<Ticks> {
    first_unit(bytes, false).ok()?.header.begun()
}

impl FrameSource for FitsCapture {
    fn format(&self) -> FrameFormat {
        self.format
    }

    fn frame_count(&self) -> usize {
        self.facts.frames
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        if index >= self.facts.frames {
            return Err(no_such_frame(index, self.facts.frames));
        }
        frame.reshape(self.format);
        let offset = offset_of(&self.spans, index, self.raster.frame_bytes());
        let RawFrame { samples, bytes: stored, .. } = frame;
        self.raster.read(&*self.bytes, index, offset, stored, samples)?;
        self.levels.apply(samples);
        Ok(())
    }
}

impl Capture for FitsCapture {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, _index: usize) -> Option<Ticks> {
        None
    }
}
