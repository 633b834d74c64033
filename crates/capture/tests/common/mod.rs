//! What the tests share: scenes, SER files in memory, the captures with known truth.
#![allow(dead_code)] // every test program uses its own part of this
#![allow(clippy::unwrap_used)]
#![allow(clippy::print_stdout)] // a skipped test says so

pub mod avi;

use std::io::Cursor;
use std::path::PathBuf;
use stillwright_capture::{
    Capture, CaptureError, Overrides, RemarkCode, SerOptions, SerWriter, Ticks, open,
};
use stillwright_picture::{FrameFormat, RawFrame, SampleType, Samples};

/// 2024-11-15 21:30.
pub const T0: u64 = 638_673_030_000_000_000;

/// A small generator of even noise (xorshift64).
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// 0 to `n` - 1.
    pub fn below(&mut self, n: u64) -> u64 {
        (self.next() >> 16) % n
    }
}

pub fn samples_of(options: &SerOptions, values: impl Iterator<Item = u16>) -> Samples {
    if options.bit_depth > 8 {
        Samples::U16(values.collect())
    } else {
        Samples::U8(values.map(|value| value as u8).collect())
    }
}

/// A frame with slopes, a terminator and noise of about 1/40 of full scale, `index` shifting
/// it. The sample values use all bits of the depth.
pub fn scene(options: &SerOptions, index: usize) -> Samples {
    let white = f64::from(u16::MAX >> (16 - u32::from(options.bit_depth)));
    let per_pixel = options.layout.samples_per_pixel();
    let mut noise = Noise(0x9e37_79b9 + index as u64);
    let (width, height) = (options.width, options.height);
    samples_of(
        options,
        (0..width * height * per_pixel).map(move |i| {
            let (x, y) = (i / per_pixel % width, i / per_pixel / width);
            let colour = if per_pixel == 3 { i % 3 } else { (x & 1) + (y & 1) };
            let light = 0.55 + 0.3 * ((x + index) as f64 * 0.11).sin() * (y as f64 * 0.07).cos()
                - 0.12 * colour as f64;
            let jitter = (noise.below(1000) as f64 / 1000.0 - 0.5) * 0.08;
            ((light + jitter).clamp(0.0, 1.0) * white).round() as u16
        }),
    )
}

pub fn times(frames: usize) -> Vec<Ticks> {
    (0..frames as u64).map(|i| Ticks(T0 + i * 250_000)).collect()
}

/// A SER file of these frames; `times` is empty or has one for each frame.
pub fn ser(options: &SerOptions, frames: &[Samples], times: &[Ticks]) -> Vec<u8> {
    let mut writer = SerWriter::create(Cursor::new(Vec::new()), options.clone()).unwrap();
    for (i, frame) in frames.iter().enumerate() {
        writer.write_frame(frame, times.get(i).copied()).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

pub fn open_bytes(bytes: Vec<u8>) -> Result<Box<dyn Capture>, CaptureError> {
    open(Box::new(bytes), &Overrides::default())
}

pub fn read(capture: &dyn Capture, index: usize) -> Samples {
    let mut frame = empty_frame();
    capture.read_frame(index, &mut frame).unwrap();
    assert_eq!(frame.format, capture.format());
    assert_eq!(frame.samples.len(), frame.format.sample_count());
    frame.samples
}

pub fn empty_frame() -> RawFrame {
    RawFrame::black(FrameFormat {
        width: 1,
        height: 1,
        layout: stillwright_picture::Layout::Mono,
        sample_type: SampleType::U8,
        white: 255.0,
    })
}

pub fn codes(capture: &dyn Capture) -> Vec<RemarkCode> {
    capture.facts().warnings.iter().map(|warning| warning.code).collect()
}

pub fn note_codes(capture: &dyn Capture) -> Vec<RemarkCode> {
    capture.facts().notes.iter().map(|note| note.code).collect()
}

/// A capture with known truth, beside the repository; `None` (and a word) where it is missing.
pub fn shared(name: &str) -> Option<PathBuf> {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/captures").join(name);
    if path.is_file() {
        return Some(path);
    }
    println!("skipped: {} is not here", path.display());
    None
}
