//! Writing SER files: for simulated nights, and for tests in every variant that camera
//! programs write.

use super::header::{COLOURS, DEPTH_AT, FlagConvention, HEADER_BYTES, Header, WIDTH_AT};
use crate::error::{CaptureError, Fault, check_size};
use crate::facts::{ByteOrder, Justification};
use crate::samples::swap_red_and_blue;
use crate::time::Ticks;
use std::io::{Seek, SeekFrom, Write};
use stillwright_picture::{Layout, Samples};

/// What a SER file is to look like.
#[derive(Clone, Debug, PartialEq)]
pub struct SerOptions {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Colour of the samples in the file. For [`Layout::Bgr`], frames are handed over in red,
    /// green, blue all the same and turned round on the way.
    pub layout: Layout,
    /// Bits of a sample, 1 to 16; above 8, samples take two bytes.
    pub bit_depth: u8,
    /// Byte order of two-byte samples.
    pub byte_order: ByteOrder,
    /// Where the bits stand in two-byte samples.
    pub justification: Justification,
    /// What the header's byte-order flag is to mean.
    pub flag: FlagConvention,
    /// Who observed; at most 40 bytes are kept, here and below.
    pub observer: String,
    /// The camera.
    pub instrument: String,
    /// The telescope.
    pub telescope: String,
    /// Start in the observer's local time.
    pub start_local: Option<Ticks>,
    /// Start in UTC.
    pub start_utc: Option<Ticks>,
}

impl SerOptions {
    /// Right-justified little-endian samples with the flag that most camera programs write, no
    /// texts and no times.
    pub fn new(width: usize, height: usize, layout: Layout, bit_depth: u8) -> SerOptions {
        SerOptions {
            width,
            height,
            layout,
            bit_depth,
            byte_order: ByteOrder::Little,
            justification: Justification::Right,
            flag: FlagConvention::Practice,
            observer: String::new(),
            instrument: String::new(),
            telescope: String::new(),
            start_local: None,
            start_utc: None,
        }
    }
}

/// Writes a SER file frame by frame. Until [`SerWriter::finish`] the header says 0 frames, so a
/// recording that is cut off shows as one.
#[derive(Debug)]
pub struct SerWriter<W: Write + Seek> {
    out: W,
    options: SerOptions,
    header: Header,
    samples: usize,
    times: Vec<u64>,
    bytes: Vec<u8>,
}

impl<W: Write + Seek> SerWriter<W> {
    /// Start a file at the beginning of `out`: writes the header.
    ///
    /// # Errors
    /// [`CaptureError::Parameter`], `Damaged` or `TooLarge` when the size or the depth cannot be
    /// written; `Io` when writing fails.
    pub fn create(out: W, options: SerOptions) -> Result<SerWriter<W>, CaptureError> {
        let side = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        let (width, height) = (side(options.width), side(options.height));
        let per_pixel = options.layout.samples_per_pixel();
        let samples = check_size(width, height, per_pixel, WIDTH_AT)? as usize;
        if !(1..=16).contains(&options.bit_depth) {
            return Err(CaptureError::Parameter(Fault::new(
                "a bit depth of 1 to 16",
                options.bit_depth.to_string(),
                DEPTH_AT,
                "choose a depth that the format can hold",
            )));
        }
        let colour = COLOURS.iter().find(|(_, layout)| *layout == options.layout);
        let ticks = |time: Option<Ticks>| time.map_or(0, |time| time.0);
        let header = Header {
            colour: colour.map_or(0, |(number, _)| *number),
            flag: if options.bit_depth > 8 { options.flag.flag(options.byte_order) } else { 0 },
            width: width as i32,
            height: height as i32,
            depth: i32::from(options.bit_depth),
            frames: 0,
            observer: options.observer.clone(),
            instrument: options.instrument.clone(),
            telescope: options.telescope.clone(),
            start_local: ticks(options.start_local),
            start_utc: ticks(options.start_utc),
        };
        let mut writer =
            SerWriter { out, options, header, samples, times: Vec::new(), bytes: Vec::new() };
        writer.write_header()?;
        Ok(writer)
    }

    /// Append a frame: samples right-justified, rows from the top down, red before blue; 8-bit
    /// samples for depths up to 8, 16-bit ones above. Bits above the depth are dropped. Give a
    /// time with every frame or with none.
    ///
    /// # Errors
    /// [`CaptureError::Parameter`] when type or number of the samples do not fit, or times come
    /// with some frames only; `Io` when writing fails.
    pub fn write_frame(
        &mut self,
        samples: &Samples,
        time_utc: Option<Ticks>,
    ) -> Result<(), CaptureError> {
        let wide = self.options.bit_depth > 8;
        let sort = if wide { "16-bit" } else { "8-bit" };
        let fits = match samples {
            Samples::U8(_) => !wide,
            Samples::U16(_) => wide,
            Samples::F32(_) => false,
        };
        if !fits || samples.len() != self.samples {
            return Err(CaptureError::Parameter(Fault::new(
                format!("{} {sort} samples", self.samples),
                format!("{} others", samples.len()),
                None,
                "hand over frames of the size and depth that the file was begun with",
            )));
        }
        let (frames, timed) = (self.header.frames, self.times.len() as i64);
        let half_timed = frames > 0 && time_utc.is_some() != (timed == i64::from(frames));
        if half_timed || frames == i32::MAX {
            return Err(CaptureError::Parameter(Fault::new(
                "a time with every frame or with none, and at most 2^31 - 1 frames",
                format!("{frames} frames with {timed} times, and a further frame"),
                None,
                "end this file and begin another",
            )));
        }
        let depth = u32::from(self.options.bit_depth);
        self.bytes.clear();
        match samples {
            Samples::U8(samples) => {
                let mask = u8::MAX >> (8 - depth.min(8));
                self.bytes.extend(samples.iter().map(|sample| sample & mask));
                if self.options.layout == Layout::Bgr {
                    swap_red_and_blue(&mut self.bytes);
                }
            }
            Samples::U16(samples) => self.encode_wide(samples, depth),
            Samples::F32(_) => {}
        }
        self.out.write_all(&self.bytes).map_err(CaptureError::writing)?;
        self.header.frames += 1;
        self.times.extend(time_utc.map(|time| time.0));
        Ok(())
    }

    fn encode_wide(&mut self, samples: &[u16], depth: u32) {
        let mask = u16::MAX >> (16 - depth);
        let shift = match self.options.justification {
            Justification::Right => 0,
            Justification::Left => 16 - depth,
        };
        self.bytes.resize(2 * samples.len(), 0);
        let pairs = self.bytes.chunks_exact_mut(2).zip(samples);
        match self.options.byte_order {
            ByteOrder::Little => pairs.for_each(|(pair, sample)| {
                pair.copy_from_slice(&((sample & mask) << shift).to_le_bytes());
            }),
            ByteOrder::Big => pairs.for_each(|(pair, sample)| {
                pair.copy_from_slice(&((sample & mask) << shift).to_be_bytes());
            }),
        }
        if self.options.layout == Layout::Bgr {
            for pixel in self.bytes.chunks_exact_mut(6) {
                let (red, others) = pixel.split_at_mut(4);
                red[..2].swap_with_slice(others);
            }
        }
    }

    /// Append the times, where there are any, and put the number of frames into the header.
    ///
    /// # Errors
    /// `Io` when writing fails.
    pub fn finish(mut self) -> Result<W, CaptureError> {
        self.bytes.clear();
        self.bytes.extend(self.times.iter().flat_map(|time| time.to_le_bytes()));
        self.out.write_all(&self.bytes).map_err(CaptureError::writing)?;
        self.out.seek(SeekFrom::Start(0)).map_err(CaptureError::writing)?;
        self.write_header()?;
        self.out.seek(SeekFrom::End(0)).map_err(CaptureError::writing)?;
        self.out.flush().map_err(CaptureError::writing)?;
        Ok(self.out)
    }

    fn write_header(&mut self) -> Result<(), CaptureError> {
        let header: [u8; HEADER_BYTES] = self.header.encode();
        self.out.write_all(&header).map_err(CaptureError::writing)
    }
}
