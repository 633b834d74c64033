//! FITS: every type of number, axes in every order, and damage.
#![allow(clippy::unwrap_used)]

mod common;

use common::{codes, empty_frame, note_codes, open_bytes, read, shared};
use std::fs::File;
use stillwright_capture::{CaptureError, Overrides, RemarkCode, Ticks, open};
use stillwright_picture::{Layout, Samples};

/// A header of these cards (keyword and value as it stands), padded.
fn header(cards: &[(&str, String)]) -> Vec<u8> {
    let mut out = Vec::new();
    for (keyword, value) in cards {
        out.extend(format!("{:<80}", format!("{keyword:<8}= {value:>20} / as it is")).bytes());
    }
    out.extend(format!("{:<80}", "END").bytes());
    out.resize(out.len().next_multiple_of(2880), b' ');
    out
}

fn cards(bitpix: i64, axes: &[u64]) -> Vec<(&'static str, String)> {
    let names = ["NAXIS1", "NAXIS2", "NAXIS3", "NAXIS4"];
    let mut cards = vec![("SIMPLE", "T".into()), ("BITPIX", bitpix.to_string())];
    cards.push(("NAXIS", axes.len().to_string()));
    cards.extend(names.into_iter().zip(axes.iter().map(u64::to_string)));
    cards
}

fn file(cards: &[(&str, String)], data: &[u8]) -> Vec<u8> {
    let mut out = header(cards);
    out.extend(data);
    out.resize(out.len().next_multiple_of(2880), 0);
    out
}

#[test]
fn numbers_of_every_type_are_read() {
    let values: Vec<u16> = (0..24).map(|i| i * 2700).collect();
    // Unsigned 16 bits.
    let stored: Vec<u8> =
        values.iter().flat_map(|v| (i32::from(*v) - 32_768).to_be_bytes()[2..].to_vec()).collect();
    let mut head = cards(16, &[4, 3, 2]);
    head.extend([("BZERO", "32768".to_string()), ("BSCALE", "1.0D0".to_string())]);
    let capture = open_bytes(file(&head, &stored)).unwrap();
    assert_eq!(
        (capture.frame_count(), capture.format().white, codes(&*capture)),
        (2, 65_535.0, vec![])
    );
    assert_eq!(read(&*capture, 1), Samples::U16(values[12..].to_vec()));
    // Signed 16 bits: nothing is darker than black.
    let stored: Vec<u8> = [-5_i16, 0, 7, 4000].iter().flat_map(|v| v.to_be_bytes()).collect();
    let capture = open_bytes(file(&cards(16, &[2, 2]), &stored)).unwrap();
    assert_eq!(read(&*capture, 0), Samples::U16(vec![0, 0, 7, 4000]));
    assert_eq!(note_codes(&*capture), [RemarkCode::BitDepthUnused]);
    let known = Overrides { bit_depth: Some(12), ..Overrides::default() };
    let capture = open(Box::new(file(&cards(16, &[2, 2]), &stored)), &known).unwrap();
    assert_eq!(capture.format().white, 4095.0);
    // Bytes.
    let capture =
        open_bytes(file(&cards(8, &[2, 2, 3, 1]), &(0..12).collect::<Vec<u8>>())).unwrap();
    assert_eq!(capture.format().layout, Layout::Rgb);
    assert_eq!(read(&*capture, 0), Samples::U8(vec![0, 4, 8, 1, 5, 9, 2, 6, 10, 3, 7, 11]));
    // 32 bits, 64 bits, floats; scaled.
    let numbers = [0.0, 0.25, 0.5, 1.0];
    let of = |f: &dyn Fn(f64) -> Vec<u8>| numbers.iter().flat_map(|n| f(*n)).collect::<Vec<u8>>();
    for (bitpix, data, scale) in [
        (32, of(&|n| ((n * 1e6) as i32 - 500_000).to_be_bytes().to_vec()), 1e-6),
        (64, of(&|n| ((n * 1e6) as i64 - 500_000).to_be_bytes().to_vec()), 1e-6),
        (-32, of(&|n| ((n - 0.5) as f32).to_be_bytes().to_vec()), 1.0),
        (-64, of(&|n| (n - 0.5).to_be_bytes().to_vec()), 1.0),
    ] {
        let mut head = cards(bitpix, &[2, 2]);
        head.extend([("BZERO", "0.5".to_string()), ("BSCALE", format!("{scale:E}"))]);
        let capture = open_bytes(file(&head, &data)).unwrap();
        assert_eq!(capture.format().white, 1.0);
        let Samples::F32(samples) = read(&*capture, 0) else { panic!("floats") };
        for (sample, number) in samples.iter().zip(numbers) {
            assert!((f64::from(*sample) - number).abs() < 1e-6, "{bitpix}: {samples:?}");
        }
    }
    // Floats that are counts; what is no number is black.
    let data: Vec<u8> =
        [3000.0_f32, f32::NAN, 0.0, 30.0].iter().flat_map(|v| v.to_be_bytes()).collect();
    let capture = open_bytes(file(&cards(-32, &[2, 2]), &data)).unwrap();
    assert_eq!(
        (capture.facts().bit_depth, note_codes(&*capture)),
        (12, vec![RemarkCode::FullScale])
    );
    assert_eq!(
        read(&*capture, 0),
        Samples::F32(vec![3000.0 * (1.0 / 4095.0), 0.0, 0.0, 30.0 * (1.0 / 4095.0)])
    );
}

#[test]
fn keywords_of_cameras_are_followed() {
    let mut head = cards(8, &[2, 4]);
    head.extend([
        ("BAYERPAT", "'RGGB    '".to_string()),
        ("XBAYROFF", "1".to_string()),
        ("ROWORDER", "'BOTTOM-UP'".to_string()),
        ("DATE-OBS", "'2024-11-15T21:30:00.25'".to_string()),
        ("INSTRUME", "'camera / two'".to_string()),
    ]);
    let capture = open_bytes(file(&head, &[6, 7, 4, 5, 2, 3, 0, 1])).unwrap();
    let facts = capture.facts();
    assert_eq!((facts.layout.name(), facts.instrument.as_str()), ("grbg", "camera / two"));
    assert_eq!(facts.start_utc, Some(Ticks(common::T0 + 2_500_000)));
    assert_eq!(read(&*capture, 0), Samples::U8(vec![0, 1, 2, 3, 4, 5, 6, 7]));
    // Three planes are colours, unless the person says frames.
    let planes = file(&cards(8, &[2, 1, 3]), &[1, 2, 3, 4, 5, 6]);
    assert_eq!(open_bytes(planes.clone()).unwrap().frame_count(), 1);
    let mono = Overrides { layout: Some(Layout::Mono), ..Overrides::default() };
    assert_eq!(open(Box::new(planes), &mono).unwrap().frame_count(), 3);
    // Colours side by side.
    let capture =
        open_bytes(file(&cards(8, &[3, 4, 1, 2]), &(0..24).collect::<Vec<u8>>())).unwrap();
    assert_eq!((capture.frame_count(), capture.format().layout), (2, Layout::Rgb));
    assert_eq!(read(&*capture, 1), Samples::U8((12..24).collect()));
}

#[test]
fn units_after_an_empty_one_are_frames() {
    let mut all = header(&cards(8, &[]));
    for i in 0..3_u8 {
        let mut head = cards(8, &[2, 2]);
        head[0] = ("XTENSION", "'IMAGE   '".into());
        head.extend([("PCOUNT", "0".to_string()), ("GCOUNT", "1".to_string())]);
        all.extend(file(&head, &[i; 4]));
        let mut other = cards(8, &[5, 2]);
        other[0] = ("XTENSION", "'IMAGE   '".into());
        all.extend(file(&other, &[9; 10]));
    }
    let capture = open_bytes(all).unwrap();
    assert_eq!((capture.frame_count(), codes(&*capture)), (3, vec![]));
    for i in 0..3 {
        assert_eq!(read(&*capture, usize::from(i)), Samples::U8(vec![i; 4]));
    }
    let mut packed = header(&cards(8, &[]));
    let mut head = cards(8, &[8, 2]);
    head[0] = ("XTENSION", "'BINTABLE'".into());
    head.push(("ZIMAGE", "T".into()));
    packed.extend(file(&head, &[0; 16]));
    assert!(matches!(open_bytes(packed).err().unwrap(), CaptureError::Unsupported(_)));
}

#[test]
fn cut_anywhere_every_whole_frame_is_read() {
    let data: Vec<u8> = (0..60).flat_map(|i: i16| (i * 500).to_be_bytes()).collect();
    let whole = file(&cards(16, &[4, 3, 5]), &data);
    for cut in 0..2880 + data.len() {
        let frames = cut.saturating_sub(2880) / 24;
        match open_bytes(whole[..cut].to_vec()) {
            Err(_) => assert_eq!(frames, 0, "cut at {cut}"),
            Ok(capture) => {
                assert_eq!(capture.frame_count(), frames, "cut at {cut}");
                assert_eq!(codes(&*capture), [RemarkCode::Truncated]);
                let Samples::U16(last) = read(&*capture, frames - 1) else { panic!("16 bits") };
                assert_eq!(last[11], (frames as u16 * 12 - 1) * 500);
            }
        }
    }
}

#[test]
fn flipped_bits_and_sizes_that_lie_never_panic_nor_promise_too_much() {
    let data: Vec<u8> = (0..60).flat_map(|i: i16| (i * 500).to_be_bytes()).collect();
    let whole = file(&cards(16, &[4, 3, 5]), &data);
    let mut frame = empty_frame();
    let mut check = |bytes: Vec<u8>| {
        let len = bytes.len();
        let Ok(capture) = open_bytes(bytes) else { return };
        assert!(capture.frame_count() * capture.format().sample_count() <= len);
        for i in 0..capture.frame_count().min(20) {
            capture.read_frame(i, &mut frame).unwrap();
        }
        assert!(capture.read_frame(capture.frame_count(), &mut frame).is_err());
    };
    for bit in 0..700 * 8 {
        let mut odd = whole.clone();
        odd[bit / 8] ^= 1 << (bit % 8);
        check(odd);
    }
    for (w, h, n) in [
        (0, 3, 5),
        (u64::MAX, 3, 5),
        (4, 1 << 40, 5),
        (65_535, 65_535, 1),
        (4, 3, u64::MAX),
        (1 << 14, 1 << 14, 1),
    ] {
        check(file(&cards(16, &[w, h, n]), &data));
        check(file(&cards(-64, &[w, h, 3, n]), &data));
    }
}

#[test]
fn cubes_of_general_software_hold_the_frames_that_went_in() {
    let Some(path) = shared("scarp-mono12.ser") else { return };
    let ser = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
    for (name, frames) in [("scarp-cube-u16.fits", 20), ("scarp-cube-f32.fits", 6)] {
        let Some(path) = shared(&format!("containers/{name}")) else { return };
        let fits = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
        println!("{name}: {:?}", fits.facts());
        assert_eq!((fits.frame_count(), codes(&*fits)), (frames, vec![]), "{name}");
        for i in 0..frames {
            let Samples::U16(want) = read(&*ser, i) else { panic!("16-bit samples") };
            match read(&*fits, i) {
                Samples::U16(got) => {
                    let factor = got[0] / want[0].max(1);
                    assert!(got.iter().zip(&want).all(|(g, w)| *g == w * factor), "{name} {i}");
                }
                Samples::F32(got) => {
                    let like = |(g, w): (&f32, &u16)| (g - f32::from(*w) / 4095.0).abs() < 1e-5;
                    assert!(got.iter().zip(&want).all(like), "{name} {i}: {:?}", &got[..4]);
                }
                Samples::U8(_) => panic!("{name}: 8 bits"),
            }
        }
    }
}
