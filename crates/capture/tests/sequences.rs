//! Sequences of picture files: PNG, TIFF, JPEG and FITS, whole and damaged.
#![allow(clippy::unwrap_used)]

mod common;

use common::{codes, empty_frame, note_codes, open_bytes, read, shared};
use std::fs::{self, File};
use std::io::{self, Cursor};
use std::path::PathBuf;
use std::sync::Arc;
use stillwright_capture::{
    Bytes, Capture, FrameFiles, Overrides, RemarkCode, numbered, open, open_sequence,
};
use stillwright_picture::{Layout, Samples};

struct InMemory(Vec<Vec<u8>>);

impl FrameFiles for InMemory {
    fn count(&self) -> usize {
        self.0.len()
    }
    fn name(&self, index: usize) -> String {
        format!("f{index}")
    }
    fn open(&self, index: usize) -> io::Result<Arc<dyn Bytes>> {
        Ok(Arc::new(self.0[index].clone()))
    }
}

struct OnDisk(Vec<PathBuf>);

impl FrameFiles for OnDisk {
    fn count(&self) -> usize {
        self.0.len()
    }
    fn name(&self, index: usize) -> String {
        self.0[index].display().to_string()
    }
    fn open(&self, index: usize) -> io::Result<Arc<dyn Bytes>> {
        Ok(Arc::new(File::open(&self.0[index])?))
    }
}

fn sequence(files: Vec<Vec<u8>>) -> Box<dyn Capture> {
    open_sequence(Box::new(InMemory(files)), Vec::new(), &Overrides::default()).unwrap()
}

fn png(width: u32, height: u32, colour: png::ColorType, samples: &Samples) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(colour);
    let bytes = match samples {
        Samples::U8(v) => v.clone(),
        Samples::U16(v) => v.iter().flat_map(|s| s.to_be_bytes()).collect(),
        Samples::F32(_) => panic!("no floats in PNG"),
    };
    let wide = matches!(samples, Samples::U16(_));
    encoder.set_depth(if wide { png::BitDepth::Sixteen } else { png::BitDepth::Eight });
    encoder.write_header().unwrap().write_image_data(&bytes).unwrap();
    out
}

fn tiff<C: tiff::encoder::colortype::ColorType>(width: u32, height: u32, v: &[C::Inner]) -> Vec<u8>
where
    [C::Inner]: tiff::encoder::TiffValue,
{
    let mut out = Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut out).unwrap();
    encoder.write_image::<C>(width, height, v).unwrap();
    out.into_inner()
}

#[test]
fn png_of_both_depths_and_colours() {
    let wide: Vec<u16> = (0..36).map(|i| i * 1800).collect();
    let narrow: Vec<u8> = (0..36).map(|i| i * 7).collect();
    for (colour, width, keep) in [
        (png::ColorType::Grayscale, 9, 1),
        (png::ColorType::Rgb, 3, 3),
        (png::ColorType::Rgba, 3, 3),
        (png::ColorType::GrayscaleAlpha, 6, 1),
    ] {
        let channels = colour.samples();
        let height = 36 / channels as u32 / width;
        let opaque = |n: usize| n % channels < keep;
        for samples in [Samples::U8(narrow.clone()), Samples::U16(wide.clone())] {
            let capture = sequence(vec![png(width, height, colour, &samples); 2]);
            let layout = if keep == 3 { Layout::Rgb } else { Layout::Mono };
            assert_eq!((capture.frame_count(), capture.format().layout), (2, layout));
            assert_eq!(codes(&*capture), []);
            let want = match samples {
                Samples::U8(v) => {
                    let kept = v.into_iter().enumerate().filter(|(i, _)| opaque(*i));
                    Samples::U8(kept.map(|(_, s)| s).collect())
                }
                Samples::U16(v) => {
                    let kept = v.into_iter().enumerate().filter(|(i, _)| opaque(*i));
                    Samples::U16(kept.map(|(_, s)| s).collect())
                }
                floats @ Samples::F32(_) => floats,
            };
            assert_eq!(read(&*capture, 1), want, "{colour:?}");
        }
    }
}

#[test]
fn tiff_of_every_sample_type() {
    use tiff::encoder::colortype::{Gray8, Gray16, Gray32Float, RGB8, RGB16, RGB32Float};
    let wide: Vec<u16> = (0..12).map(|i| i * 5000).collect();
    let narrow: Vec<u8> = (0..12).map(|i| i * 20).collect();
    let floats: Vec<f32> = (0..12).map(|i| i as f32 / 11.0).collect();
    for (bytes, layout, want) in [
        (tiff::<Gray8>(4, 3, &narrow), Layout::Mono, Samples::U8(narrow.clone())),
        (tiff::<RGB8>(2, 2, &narrow), Layout::Rgb, Samples::U8(narrow.clone())),
        (tiff::<Gray16>(4, 3, &wide), Layout::Mono, Samples::U16(wide.clone())),
        (tiff::<RGB16>(2, 2, &wide), Layout::Rgb, Samples::U16(wide.clone())),
        (tiff::<Gray32Float>(4, 3, &floats), Layout::Mono, Samples::F32(floats.clone())),
        (tiff::<RGB32Float>(2, 2, &floats), Layout::Rgb, Samples::F32(floats.clone())),
    ] {
        let capture = sequence(vec![bytes.clone(), bytes]);
        assert_eq!((capture.facts().format, capture.format().layout), ("TIFF", layout));
        assert_eq!(read(&*capture, 1), want);
    }
}

#[test]
fn files_that_differ_or_are_damaged_are_frames_that_cannot_be_read() {
    let good = png(4, 3, png::ColorType::Grayscale, &Samples::U8(vec![90; 12]));
    let larger = png(5, 3, png::ColorType::Grayscale, &Samples::U8(vec![90; 15]));
    let wider = png(4, 3, png::ColorType::Grayscale, &Samples::U16(vec![90; 12]));
    let cut = good[..good.len() - 20].to_vec();
    let capture = sequence(vec![good.clone(), larger, wider, cut, Vec::new(), good.clone()]);
    assert_eq!((capture.frame_count(), codes(&*capture)), (6, vec![RemarkCode::BrokenFiles]));
    let mut frame = empty_frame();
    let read: Vec<bool> = (0..6).map(|i| capture.read_frame(i, &mut frame).is_ok()).collect();
    assert_eq!(read, [true, false, false, false, false, true]);
    let error = capture.read_frame(1, &mut frame).unwrap_err().to_string();
    assert!(error.contains("f1") && error.contains("5 x 3"), "{error}");
    // A broken first file costs only itself.
    let capture = sequence(vec![b"\x89PNG\r\n\x1a\nno".to_vec(), good]);
    assert!(
        capture.read_frame(0, &mut frame).is_err() && capture.read_frame(1, &mut frame).is_ok()
    );
}

#[test]
fn a_picture_alone_is_a_capture_of_one_frame() {
    let capture =
        open_bytes(png(4, 3, png::ColorType::Grayscale, &Samples::U8(vec![90; 12]))).unwrap();
    assert_eq!((capture.facts().format, capture.frame_count()), ("PNG", 1));
    let mut jpeg = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    let kind = image::ExtendedColorType::L8;
    image::ImageEncoder::write_image(encoder, &[90; 64], 8, 8, kind).unwrap();
    let capture = open_bytes(jpeg).unwrap();
    assert_eq!((capture.facts().format, note_codes(&*capture)), ("JPEG", vec![RemarkCode::Lossy]));
    assert_eq!(read(&*capture, 0), Samples::U8(vec![90; 64]));
}

#[test]
fn cut_and_flipped_pictures_never_panic() {
    use tiff::encoder::colortype::Gray16;
    let wide: Vec<u16> = (0..12).map(|i| i * 5000).collect();
    let mut jpeg = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    let kind = image::ExtendedColorType::L8;
    image::ImageEncoder::write_image(encoder, &[90; 64], 8, 8, kind).unwrap();
    let mut frame = empty_frame();
    for (name, whole) in [
        ("png", png(4, 3, png::ColorType::Grayscale, &Samples::U16(wide.clone()))),
        ("tiff", tiff::<Gray16>(4, 3, &wide)),
        ("jpeg", jpeg),
    ] {
        let good = open_bytes(whole.clone()).unwrap().format();
        for cut in 0..whole.len() {
            if let Ok(capture) = open_bytes(whole[..cut].to_vec()) {
                // What opens is whole: only bytes after the picture are missing.
                capture.read_frame(0, &mut frame).unwrap();
                assert_eq!(capture.format(), good, "{name} cut at {cut}");
            }
        }
        let mut opened = 0;
        for bit in 0..whole.len() * 8 {
            let mut odd = whole.clone();
            odd[bit / 8] ^= 1 << (bit % 8);
            if let Ok(capture) = open_bytes(odd) {
                opened += 1;
                let _ = capture.read_frame(0, &mut frame);
            }
        }
        println!("{name}: {opened} of {} flipped files open", whole.len() * 8);
    }
}

#[test]
fn sizes_that_lie_are_refused_before_anything_is_allocated() {
    // 20 000 x 10 000 px in a few hundred bytes.
    let mut lying = png(4, 3, png::ColorType::Grayscale, &Samples::U8(vec![90; 12]));
    lying[16..20].copy_from_slice(&20_000_u32.to_be_bytes());
    lying[20..24].copy_from_slice(&10_000_u32.to_be_bytes());
    // The checksum of the head must fit, or the lie would be noticed by that.
    let crc = lying[12..29].iter().fold(u32::MAX, |mut crc, byte| {
        crc ^= u32::from(*byte);
        (0..8).for_each(|_| crc = crc >> 1 ^ (0xedb8_8320 & (crc & 1).wrapping_neg()));
        crc
    });
    lying[29..33].copy_from_slice(&(!crc).to_be_bytes());
    let error = open_bytes(lying).err().unwrap().to_string();
    assert!(error.contains("fits into a file of"), "{error}");
    let mut jpeg = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    let kind = image::ExtendedColorType::L8;
    image::ImageEncoder::write_image(encoder, &[90; 64], 8, 8, kind).unwrap();
    let frame = jpeg.windows(2).position(|m| m == [0xff, 0xc0]).unwrap();
    jpeg[frame + 5..frame + 9].copy_from_slice(&[0x40, 0, 0x40, 0]);
    let error = open_bytes(jpeg).err().unwrap().to_string();
    assert!(error.contains("16384 x 16384 px, which"), "{error}");
}

#[test]
fn sequences_of_general_software_hold_the_frames_that_went_in() {
    for (folder, ser, extension, frames, gap) in [
        ("scarp-sequence", "scarp-mono12.ser", "tif", 11, Some(7)),
        ("ridge-png", "ridge-mono8.ser", "png", 10, None),
    ] {
        let Some(path) = shared(ser) else { return };
        let ser = open(Box::new(File::open(&path).unwrap()), &Overrides::default()).unwrap();
        let folder = path.with_file_name("containers").join(folder);
        let names: Vec<String> = fs::read_dir(&folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| name.ends_with(extension))
            .collect();
        let found = numbered(&names, None).unwrap();
        let files = found.members.iter().map(|i| folder.join(&names[*i])).collect();
        let capture =
            open_sequence(Box::new(OnDisk(files)), found.warnings, &Overrides::default()).unwrap();
        assert_eq!(capture.frame_count(), frames);
        let want: &[RemarkCode] = if gap.is_some() { &[RemarkCode::Gaps] } else { &[] };
        assert_eq!(codes(&*capture), want);
        for i in 0..frames {
            let source = if gap.is_some_and(|gap| i >= gap) { i + 1 } else { i };
            match (read(&*capture, i), read(&*ser, source)) {
                (Samples::U16(got), Samples::U16(want)) => {
                    assert!(got.iter().zip(&want).all(|(g, w)| *g == w << 4), "frame {i}");
                }
                (got, want) => assert_eq!(got, want, "frame {i}"),
            }
        }
    }
}

#[test]
fn fewer_bits_at_the_top_of_two_bytes_are_told_from_sixteen() {
    for (depth, shift) in [(10u8, 6), (12, 4), (14, 2), (16, 0)] {
        let top = u16::MAX >> (16 - depth);
        let value = |i: u16| if i == 5 { top } else { (u32::from(i) * 37 % u32::from(top)) as u16 };
        let values: Vec<u16> = (0..1200u16).map(value).collect();
        let stored: Vec<u16> = values.iter().map(|v| v << shift).collect();
        let file = png(40, 30, png::ColorType::Grayscale, &Samples::U16(stored.clone()));
        let capture = sequence(vec![file.clone(), file]);
        let facts = capture.facts();
        assert_eq!(facts.bit_depth, depth);
        assert_eq!(facts.notes.iter().any(|n| n.code == RemarkCode::FullScale), depth < 16);
        // Full scale is reached, so clipping is seen.
        assert_eq!(capture.format().white, f32::from(top << shift));
        assert_eq!(read(&*capture, 1), Samples::U16(stored));
    }
}

#[test]
fn tiffs_that_promise_more_than_they_have_are_refused_before_room_is_made() {
    // Found by fuzzing: some hundred bytes made the decoder ask for up to 268 MB.
    let corpus = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../fuzz/corpus/tiff");
    for i in 1..=5 {
        let bytes = fs::read(corpus.join(format!("found-{i}"))).unwrap();
        let files = InMemory(vec![bytes.clone(), bytes]);
        let opened = open_sequence(Box::new(files), Vec::new(), &Overrides::default());
        let Err(error) = opened else { panic!("found-{i} was opened") };
        assert!(error.to_string().contains("promises more values"), "found-{i}: {error}");
    }
}
