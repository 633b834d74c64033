// What is fed to each reader: plain functions, so that cargo-fuzz (fuzz_targets) and the driver of tests/fuzz.rs,
// which needs no nightly compiler, run the very same.

use std::io;
use std::sync::Arc;
use stillwright_night::Recipe;
use stillwright_night::capture::{
    Bytes, Capture, CaptureError, FrameFiles, Overrides, numbered, open, open_sequence,
};
use stillwright_night::from_strangers::{
    is_answer_of_probe, is_list_of_frames, is_master, is_preferences, night_comes_back,
    stack_comes_back, survey_comes_back,
};
use stillwright_night::moon::measure::parse_places;
use stillwright_night::picture::{Layout, RawFrame, Silent};
use stillwright_night::seeing::calibration::bands::find_bands;
use stillwright_night::seeing::calibration::{Calibration, Master, MasterKind};

/// What a reader may ask for whatever the file: buffers, tables, words.
pub const IN_ANY_CASE: usize = 4 << 20;

/// A target: its name, what it does with any bytes, and how many bytes one byte of its input may ask for at most.
pub struct Target {
    pub name: &'static str,
    pub run: fn(&[u8]),
    pub bytes_a_byte: usize,
}

/// All targets. Uncompressed frames take four bytes a sample at most, some copies of them; a byte of JPEG can stand
/// for 1024 samples, one of deflate for 1032 bytes of eight pixels (the limits of the readers).
pub const TARGETS: [Target; 14] = [
    Target { name: "ser", run: ser, bytes_a_byte: 64 },
    Target { name: "avi", run: avi, bytes_a_byte: 32 << 10 },
    Target { name: "fits", run: fits, bytes_a_byte: 128 },
    Target { name: "png", run: png, bytes_a_byte: 128 << 10 },
    Target { name: "tiff", run: tiff, bytes_a_byte: 128 << 10 },
    Target { name: "jpeg", run: jpeg, bytes_a_byte: 32 << 10 },
    Target { name: "recipe", run: recipe, bytes_a_byte: 2048 },
    Target { name: "night", run: night, bytes_a_byte: 2048 },
    Target { name: "kept", run: kept, bytes_a_byte: 64 },
    Target { name: "master", run: master, bytes_a_byte: 1024 },
    Target { name: "places", run: places, bytes_a_byte: 128 },
    Target { name: "names", run: names, bytes_a_byte: 1024 },
    Target { name: "preferences", run: preferences, bytes_a_byte: 2048 },
    Target { name: "video", run: video, bytes_a_byte: 256 },
];

/// A SER file; the last byte says what is overridden.
pub fn ser(bytes: &[u8]) {
    let overrides = match bytes.last().copied().unwrap_or(0) % 4 {
        0 => Overrides { layout: Some(Layout::Rgb), ..Overrides::default() },
        1 => Overrides { bit_depth: Some(12), ..Overrides::default() },
        _ => Overrides::default(),
    };
    capture(bytes, &overrides);
}

/// An AVI file of any kind of frames.
pub fn avi(bytes: &[u8]) {
    capture(bytes, &Overrides::default());
}

/// A FITS file, by itself and as one picture of a sequence.
pub fn fits(bytes: &[u8]) {
    capture(bytes, &Overrides::default());
    sequence(bytes);
}

/// A PNG picture, by itself (a reference picture is read so) and as one of a sequence.
pub fn png(bytes: &[u8]) {
    capture(bytes, &Overrides::default());
    sequence(bytes);
}

/// A TIFF picture, likewise.
pub fn tiff(bytes: &[u8]) {
    capture(bytes, &Overrides::default());
    sequence(bytes);
}

/// A JPEG picture, likewise.
pub fn jpeg(bytes: &[u8]) {
    capture(bytes, &Overrides::default());
    sequence(bytes);
}

/// A recipe.
pub fn recipe(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Ok(recipe) = Recipe::from_toml(&text) {
        let written = recipe.to_commented_toml();
        if let Ok(written) = written {
            assert_eq!(Recipe::from_toml(&written), Ok(recipe), "{written}");
        }
    }
}

/// Names of a folder, which are told apart by their numbers.
pub fn names(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let names: Vec<String> = text.lines().map(str::to_owned).collect();
    let _ = numbered(&names, None);
    let _ = numbered(&names, Some(0));
}

/// A list of named places: what is read has places on the Moon only.
pub fn places(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match parse_places(text) {
        Ok(places) => {
            assert!(!places.is_empty());
            for named in places {
                assert!(named.place.lat_deg.abs() <= 90.0 && named.place.lon_deg.is_finite());
                assert!(named.diameter_km.is_none_or(|km| km.is_finite() && km > 0.0));
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// How the window looks.
pub fn preferences(bytes: &[u8]) {
    let _ = is_preferences(&String::from_utf8_lossy(bytes));
}

/// What ffprobe and ffmpeg say of a video; the frames of the test's are of 81920 bytes.
pub fn video(bytes: &[u8]) {
    let _ = is_answer_of_probe(bytes);
    let _ = is_list_of_frames(bytes, 81_920);
}

/// A saved master or a capture of darks and flats, made into masters, and a frame calibrated with them.
pub fn master(bytes: &[u8]) {
    let _ = is_master(bytes);
    let Ok(capture) = open(Box::new(bytes.to_vec()), &Overrides::default()) else { return };
    // Frames are read three times each: what takes long is not what goes wrong.
    if capture.frame_count() * capture.format().sample_count() > 1 << 16 {
        return;
    }
    let made = |kind| Master::build(&*capture, kind, None, &Silent);
    let [dark, flat] = [made(MasterKind::Dark), made(MasterKind::Flat)];
    for error in [&dark, &flat].into_iter().filter_map(|made| made.as_ref().err()) {
        assert!(!error.to_string().is_empty());
    }
    let calibration = Calibration::from_masters(dark.as_ref().ok(), flat.as_ref().ok());
    let raw = RawFrame::black(capture.format());
    let mut frame = RawFrame::black(calibration.format(raw.format));
    calibration.apply(&raw, &mut frame);
    assert_eq!(frame.samples.len(), raw.format.sample_count());
    if let Ok(bands) = find_bands(&*capture, &calibration, &Silent) {
        assert!(bands.rows.iter().chain(&bands.columns).all(|value| value.is_finite()));
    }
}

/// A night file: what is taken in comes back when it is saved.
pub fn night(bytes: &[u8]) {
    assert_ne!(night_comes_back(bytes), Some(false));
}

/// What was kept of a survey or a stack, likewise.
pub fn kept(bytes: &[u8]) {
    assert_ne!(survey_comes_back(bytes), Some(false));
    assert_ne!(stack_comes_back(bytes), Some(false));
}

/// Most frames that are read of one file.
const MOST_FRAMES: usize = 6;

/// An error, or a capture whose every promised frame has the samples that it says.
fn capture(bytes: &[u8], overrides: &Overrides) {
    match open(Box::new(bytes.to_vec()), overrides) {
        Ok(capture) => read(&*capture),
        Err(error) => said(&error),
    }
}

fn read(capture: &dyn Capture) {
    let format = capture.format();
    let count = capture.frame_count();
    assert!(count >= 1 && count == capture.facts().frames, "{:?}", capture.facts());
    assert!(format.width >= 1 && format.height >= 1 && format.white > 0.0);
    let mut frame = RawFrame::black(format);
    for i in 0..count.min(MOST_FRAMES) {
        let index = i * count / count.min(MOST_FRAMES);
        if capture.read_frame(index, &mut frame).is_ok() {
            assert_eq!((frame.format, frame.samples.len()), (format, format.sample_count()));
        }
        let _ = capture.time_utc(index);
    }
    assert!(capture.read_frame(count, &mut frame).is_err());
    assert!(capture.time_utc(count).is_none());
}

fn said(error: &CaptureError) {
    assert!(!error.to_string().is_empty());
}

struct Twice(Arc<Vec<u8>>);

impl FrameFiles for Twice {
    fn count(&self) -> usize {
        2
    }
    fn name(&self, index: usize) -> String {
        format!("f{index}")
    }
    fn open(&self, _index: usize) -> io::Result<Arc<dyn Bytes>> {
        Ok(Arc::clone(&self.0) as Arc<dyn Bytes>)
    }
}

fn sequence(bytes: &[u8]) {
    let files = Twice(Arc::new(bytes.to_vec()));
    match open_sequence(Box::new(files), Vec::new(), &Overrides::default()) {
        Ok(capture) => read(&*capture),
        Err(error) => said(&error),
    }
}
