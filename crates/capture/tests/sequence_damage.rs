//! Sequences of pictures of every format with one damaged file in the middle: it costs itself and nothing else.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod common;

use common::{Noise, empty_frame, read};
use std::io::{self, Cursor};
use std::sync::Arc;
use stillwright_capture::{Bytes, Capture, FrameFiles, Opened, Overrides, open_sequence};
use stillwright_picture::Samples;

const WIDTH: u32 = 6;
const HEIGHT: u32 = 4;

struct InMemory([Arc<Vec<u8>>; 3]);

impl FrameFiles for InMemory {
    fn count(&self) -> usize {
        3
    }
    fn name(&self, index: usize) -> String {
        format!("f{index}")
    }
    fn open(&self, index: usize) -> io::Result<Arc<dyn Bytes>> {
        Ok(Arc::clone(&self.0[index]) as Arc<dyn Bytes>)
    }
}

fn sequence(files: [&Arc<Vec<u8>>; 3]) -> Opened {
    let files = InMemory(files.map(Arc::clone));
    open_sequence(Box::new(files), Vec::new(), &Overrides::default())
}

fn values() -> Vec<u16> {
    (0..WIDTH * HEIGHT).map(|i| (i * 2600) as u16).collect()
}

fn fits(bitpix: i32) -> Vec<u8> {
    let axes = format!("NAXIS   = {:>20}", 2);
    let cards = [
        format!("SIMPLE  = {:>20}", "T"),
        format!("BITPIX  = {bitpix:>20}"),
        axes,
        format!("NAXIS1  = {WIDTH:>20}"),
        format!("NAXIS2  = {HEIGHT:>20}"),
        format!("BZERO   = {:>20}", if bitpix == 16 { "32768.0" } else { "0.0" }),
        format!("ROWORDER= {:<20}", "'TOP-DOWN'"),
        "END".to_string(),
    ];
    let mut out: Vec<u8> =
        cards.iter().flat_map(|card| format!("{card:<80}").into_bytes()).collect();
    out.resize(2880, b' ');
    for value in values() {
        match bitpix {
            16 => out.extend(((i32::from(value) - 32_768) as i16).to_be_bytes()),
            _ => out.extend((f32::from(value) / 65_535.0).to_be_bytes()),
        }
    }
    out.resize(2 * 2880, 0);
    out
}

/// One picture of each format, and after how many bytes it is whole.
fn pictures() -> Vec<(&'static str, Vec<u8>, usize)> {
    let wide = values();
    let mut png = Vec::new();
    let mut encoder = png::Encoder::new(&mut png, WIDTH, HEIGHT);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    let bytes: Vec<u8> = wide.iter().flat_map(|s| s.to_be_bytes()).collect();
    encoder.write_header().unwrap().write_image_data(&bytes).unwrap();
    let tiff = |write: &dyn Fn(&mut Cursor<Vec<u8>>)| {
        let mut out = Cursor::new(Vec::new());
        write(&mut out);
        out.into_inner()
    };
    let wide_tiff = tiff(&|out| {
        let mut encoder = tiff::encoder::TiffEncoder::new(out).unwrap();
        encoder.write_image::<tiff::encoder::colortype::Gray16>(WIDTH, HEIGHT, &wide).unwrap();
    });
    let floats: Vec<f32> = wide.iter().map(|s| f32::from(*s) / 65_535.0).collect();
    let float_tiff = tiff(&|out| {
        let mut encoder = tiff::encoder::TiffEncoder::new(out).unwrap();
        encoder
            .write_image::<tiff::encoder::colortype::Gray32Float>(WIDTH, HEIGHT, &floats)
            .unwrap();
    });
    let mut jpeg = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    let narrow: Vec<u8> = wide.iter().map(|s| (s >> 8) as u8).collect();
    let kind = image::ExtendedColorType::L8;
    image::ImageEncoder::write_image(encoder, &narrow, WIDTH, HEIGHT, kind).unwrap();
    let data = (WIDTH * HEIGHT) as usize;
    let mut all = Vec::new();
    for (name, bytes) in
        [("png", png), ("tiff", wide_tiff), ("float tiff", float_tiff), ("jpeg", jpeg)]
    {
        let whole = bytes.len();
        all.push((name, bytes, whole));
    }
    all.push(("fits", fits(16), 2880 + 2 * data));
    all.push(("float fits", fits(-32), 2880 + 4 * data));
    all
}

/// The two sound files around it are read as if nothing were; how many of the damaged ones were read too.
fn check(name: &str, sound: &Arc<Vec<u8>>, bent: Vec<u8>, truth: &Samples) -> Option<Samples> {
    let capture = sequence([sound, &Arc::new(bent), sound]).unwrap();
    assert_eq!(capture.frame_count(), 3, "{name}");
    let mut frame = empty_frame();
    let middle = capture.read_frame(1, &mut frame).is_ok().then(|| frame.samples.clone());
    for index in [0, 2] {
        assert!(read(&*capture, index) == *truth, "{name}: frame {index}");
    }
    middle
}

fn truth_of(sound: &Arc<Vec<u8>>) -> Samples {
    let capture: Box<dyn Capture> = sequence([sound, sound, sound]).unwrap();
    read(&*capture, 0)
}

#[test]
fn a_file_that_is_cut_costs_itself_only() {
    for (name, bytes, whole) in pictures() {
        let sound = Arc::new(bytes);
        let truth = truth_of(&sound);
        let mut cuts = 0;
        for cut in 0..sound.as_slice().len() {
            let middle = check(name, &sound, sound[..cut].to_vec(), &truth);
            cuts += 1;
            match middle {
                // What is read although it is cut lacks nothing.
                Some(samples) => assert!(samples == truth, "{name} cut at {cut}"),
                None => assert!(cut < whole, "{name} is whole at {cut}"),
            }
        }
        println!("{name}: {cuts} cuts");
    }
}

#[test]
fn a_file_with_any_flipped_bit_costs_itself_only() {
    for (name, bytes, _) in pictures() {
        let sound = Arc::new(bytes);
        let truth = truth_of(&sound);
        let (mut flips, mut seen) = (0, 0);
        // Padding of FITS files says nothing: one bit of each byte there.
        let step = if name.contains("fits") { 5 } else { 1 };
        for bit in (0..sound.as_slice().len() * 8).step_by(step) {
            let mut bent = sound.to_vec();
            bent[bit / 8] ^= 1 << (bit % 8);
            flips += 1;
            seen += usize::from(check(name, &sound, bent, &truth).is_some());
        }
        println!("{name}: {flips} flips, {seen} read all the same");
        assert!(seen < flips, "{name}");
    }
}

#[test]
fn the_first_file_decides_and_may_lie() {
    // Numbers that lie in the first file: the sequence opens as something, or says why not.
    let mut noise = Noise(7);
    for (name, bytes, _) in pictures() {
        let sound = Arc::new(bytes);
        for _ in 0..2000 {
            let mut bent = sound.to_vec();
            for _ in 0..=noise.below(3) {
                let at = noise.below(bent.len() as u64) as usize;
                bent[at] = [0, 1, 0x7f, 0x80, 0xff, b'9'][noise.below(6) as usize];
            }
            match sequence([&Arc::new(bent), &sound, &sound]) {
                Ok(capture) => {
                    let mut frame = empty_frame();
                    for index in 0..3 {
                        if capture.read_frame(index, &mut frame).is_ok() {
                            assert_eq!(frame.format, capture.format(), "{name}");
                            assert_eq!(frame.samples.len(), frame.format.sample_count(), "{name}");
                        }
                    }
                }
                Err(error) => assert!(error.to_string().len() > 20, "{name}: {error}"),
            }
        }
    }
}
