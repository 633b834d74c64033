//! Reading SER files.

use super::count::{Count, count};
use super::decide::{Storage, decide};
use super::evidence::{Raster, gather};
use super::header::{COLOUR_AT, COLOURS, DEPTH_AT, HEADER_BYTES, Header, WIDTH_AT, start};
use super::trailer::Trailer;
use crate::bytes::{Bytes, no_such_frame, read_frame_part, read_up_to};
use crate::error::{CaptureError, Fault, check_size, grouped};
use crate::facts::{ByteOrder, Facts, Justification, Overrides, Remark, RemarkCode};
use crate::formats::{Capture, Opened};
use crate::samples::{decode_u16, swap_red_and_blue};
use crate::time::Ticks;
use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Layout, RawFrame, SampleType, Samples,
};

/// Two-byte samples are read in pieces of this many bytes, which stay in the processor's cache
/// until they are decoded.
const PIECE: usize = 256 * 1024;

/// An open SER file.
struct SerCapture {
    bytes: Box<dyn Bytes>,
    format: FrameFormat,
    facts: Facts,
    frame_bytes: u64,
    trailer: Option<Trailer>,
    /// Byte order and right shift of two-byte samples.
    order: ByteOrder,
    shift: u32,
    white: u16,
}

/// Open a SER file.
pub(super) fn open(bytes: Box<dyn Bytes>, overrides: &Overrides) -> Opened {
    let len = bytes.len().map_err(|e| CaptureError::reading(0, e))?;
    let mut raw = [0; HEADER_BYTES];
    let n = read_up_to(&*bytes, 0, &mut raw).map_err(|e| CaptureError::reading(0, e))?;
    if n < HEADER_BYTES {
        return Err(CaptureError::Damaged(Fault::new(
            format!("a header of {HEADER_BYTES} bytes"),
            format!("the end of the file after {n} bytes"),
            n as u64,
            "nothing can be saved from this file; it was cut off before its first frame",
        )));
    }
    let header = Header::decode(&raw);
    let layout = layout(&header, overrides)?;
    let depth = depth(&header, overrides)?;
    let wide = depth > 8;
    let per_pixel = layout.samples_per_pixel();
    let (width, height) = (i64::from(header.width), i64::from(header.height));
    let samples = check_size(width, height, per_pixel, WIDTH_AT)?;
    let frame_bytes = samples << u32::from(wide);
    let Count { frames, trailer, mut warnings, mut notes } =
        count(&*bytes, &header, frame_bytes, len)?;

    let raster = Raster {
        offset: HEADER_BYTES as u64,
        frames,
        row_bytes: frame_bytes / height as u64,
        rows: height as u64,
        pixel_bytes: (per_pixel << u32::from(wide)) as u64,
        wide,
        // Captures from colour cameras are often labelled mono: compare every second sample.
        same_colour: if per_pixel == 3 { 3 } else { 2 },
    };
    let storage = storage(&*bytes, &raster, depth, header.flag, overrides);
    let shift = if wide { storage.shift() } else { 0 };
    let white = storage.white();
    warnings.extend(storage.warnings);
    notes.extend(storage.notes);

    let (trailer, span) = match trailer.map(|t| (t, t.check(&*bytes))) {
        None => (None, None),
        Some((trailer, Ok(span))) => (Some(trailer), Some(span)),
        Some((_, Err(why))) => {
            warnings.push(Remark::new(
                RemarkCode::Times,
                format!(
                    "the times of the frames make no sense ({why}) and are not used; the frames are"
                ),
            ));
            (None, None)
        }
    };
    let rate = span
        .filter(|_| frames > 1)
        .map(|span| (frames - 1) as f64 / span.last.seconds_since(span.first))
        .filter(|rate| rate.is_finite() && *rate > 0.0);

    let depth = storage.depth;
    let format = FrameFormat {
        width: width as usize,
        height: height as usize,
        layout: if layout == Layout::Bgr { Layout::Rgb } else { layout },
        sample_type: if wide { SampleType::U16 } else { SampleType::U8 },
        white: f32::from(white),
    };
    let facts = Facts {
        format: super::FORMAT.name,
        width: format.width,
        height: format.height,
        frames: frames as usize,
        declared_frames: Some(i64::from(header.frames)),
        bit_depth: depth,
        layout,
        byte_order: wide.then_some(storage.order),
        justification: wide.then_some(storage.justification),
        duration_s: rate.map(|rate| frames as f64 / rate),
        frame_rate_hz: rate,
        has_times: trailer.is_some(),
        start_utc: start(header.start_utc).or(span.map(|span| span.first)),
        start_local: start(header.start_local),
        observer: header.observer,
        instrument: header.instrument,
        telescope: header.telescope,
        exposure_s: None,
        gain: None,
        warnings,
        notes,
    };
    Ok(Box::new(SerCapture {
        bytes,
        format,
        facts,
        frame_bytes,
        trailer,
        order: storage.order,
        shift,
        white,
    }))
}

fn layout(header: &Header, overrides: &Overrides) -> Result<Layout, CaptureError> {
    overrides.layout.or_else(|| header.layout()).ok_or_else(|| {
        let known: Vec<String> = COLOURS.iter().map(|(number, _)| number.to_string()).collect();
        CaptureError::Unsupported(Fault::new(
            format!("a colour number of {}", known.join(", ")),
            header.colour.to_string(),
            COLOUR_AT,
            "say how the colours are laid out (mono, rggb, rgb, ...) to read it all the same",
        ))
    })
}

fn depth(header: &Header, overrides: &Overrides) -> Result<u8, CaptureError> {
    let declared = u8::try_from(header.depth).ok().filter(|depth| (1..=16).contains(depth));
    overrides.bit_depth.or(declared).ok_or_else(|| {
        CaptureError::Damaged(Fault::new(
            "samples of 1 to 16 bits",
            format!("{} bits", header.depth),
            DEPTH_AT,
            "say how many bits a sample has to read it all the same",
        ))
    })
}

/// How the samples are stored; looks at the pixels where that is open.
fn storage(
    bytes: &dyn Bytes,
    raster: &Raster,
    depth: u8,
    flag: i32,
    overrides: &Overrides,
) -> Storage {
    if raster.wide {
        return decide(&gather(bytes, raster), depth, flag, overrides);
    }
    let mut storage = Storage {
        order: ByteOrder::Little,
        justification: Justification::Right,
        depth,
        warnings: Vec::new(),
        notes: Vec::new(),
    };
    if depth < 8 && overrides.bit_depth.is_none() && gather(bytes, raster).bits >> depth != 0 {
        storage.depth = 8;
        storage.warnings.push(Remark::new(
            RemarkCode::BitDepthExceeded,
            format!("the header says {depth} bits, but samples use more; 8 bits were taken"),
        ));
    }
    storage
}

impl FrameSource for SerCapture {
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
        let offset = HEADER_BYTES as u64 + index as u64 * self.frame_bytes;
        match &mut frame.samples {
            Samples::U8(samples) => {
                read_frame_part(&*self.bytes, index, offset, samples)?;
                if self.facts.bit_depth < 8 {
                    let white = self.white as u8;
                    samples.iter_mut().for_each(|sample| *sample = (*sample).min(white));
                }
            }
            Samples::U16(samples) => {
                frame.bytes.resize(PIECE.min(self.frame_bytes as usize), 0);
                for (i, part) in samples.chunks_mut(PIECE / 2).enumerate() {
                    let bytes = &mut frame.bytes[..2 * part.len()];
                    read_frame_part(&*self.bytes, index, offset + (i * PIECE) as u64, bytes)?;
                    decode_u16(bytes, self.order, self.shift, self.white, part);
                }
            }
            Samples::F32(_) => {}
        }
        if self.facts.layout == Layout::Bgr {
            match &mut frame.samples {
                Samples::U8(samples) => swap_red_and_blue(samples),
                Samples::U16(samples) => swap_red_and_blue(samples),
                Samples::F32(_) => {}
            }
        }
        Ok(())
    }
}

impl Capture for SerCapture {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, index: usize) -> Option<Ticks> {
        self.trailer.as_ref()?.time(&*self.bytes, index as u64)
    }
}

impl std::fmt::Debug for SerCapture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let bytes = grouped(self.frame_bytes);
        write!(f, "SER capture, {} frames of {bytes} bytes", self.facts.frames)
    }
}
