//! AVI: every way of storing samples, files beyond 4 GB, and damage in the midst of pictures.
#![allow(clippy::unwrap_used)]

mod common;

use common::avi::{Avi, chunk};
use common::{Noise, codes, empty_frame, note_codes, open_bytes, read, shared};
use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use stillwright_capture::{ByteOrder, Overrides, RemarkCode, open};
use stillwright_picture::{Layout, Samples};

/// A file of one picture after another, as they are.
fn stored(code: [u8; 4], bits: u16, width: i32, height: i32, pictures: Vec<Vec<u8>>) -> Avi {
    Avi { code, bits, pad_rows: false, frames: pictures, ..Avi::new(width, -height, bits, 0) }
}

fn words(values: &[u16], order: ByteOrder) -> Vec<u8> {
    let bytes = |value: &u16| match order {
        ByteOrder::Little => value.to_le_bytes(),
        ByteOrder::Big => value.to_be_bytes(),
    };
    values.iter().flat_map(bytes).collect()
}

#[test]
fn grey_and_bayer_of_two_bytes() {
    for (code, depth, order, layout) in [
        (*b"Y16 ", 16, ByteOrder::Little, "mono"),
        (*b"Y12 ", 12, ByteOrder::Little, "mono"),
        ([b'Y', b'1', 0, 16], 16, ByteOrder::Little, "mono"),
        ([b'Y', b'1', 0, 10], 10, ByteOrder::Little, "mono"),
        ([16, 0, b'1', b'Y'], 16, ByteOrder::Big, "mono"),
        (*b"BYR2", 16, ByteOrder::Little, "bggr"),
        (*b"RG16", 16, ByteOrder::Little, "rggb"),
        (*b"GB12", 12, ByteOrder::Little, "gbrg"),
        (*b"BA10", 10, ByteOrder::Little, "grbg"),
        ([0xba, b'G', b'R', 16], 16, ByteOrder::Little, "grbg"),
        ([16, b'G', b'R', 0xba], 16, ByteOrder::Big, "rggb"),
    ] {
        let mut noise = Noise(3);
        let values: Vec<u16> = (0..35).map(|_| noise.below(1 << depth) as u16).collect();
        let avi = stored(code, 16, 7, 5, vec![words(&values, order); 3]);
        let capture = open_bytes(avi.build()).unwrap();
        let facts = capture.facts();
        assert_eq!((facts.bit_depth, facts.layout.name()), (depth, layout), "{code:?}");
        assert_eq!(facts.byte_order, Some(order));
        assert_eq!(codes(&*capture), [], "{code:?}");
        assert_eq!(capture.format().white, f32::from(u16::MAX >> (16 - depth)));
        assert_eq!(read(&*capture, 2), Samples::U16(values));
    }
}

#[test]
fn settings_for_two_byte_samples_are_followed() {
    let values: Vec<u16> = (0..24).map(|i| i * 160).collect();
    let left: Vec<u16> = values.iter().map(|value| value << 4).collect();
    let known = Overrides {
        bit_depth: Some(12),
        justification: Some(stillwright_capture::Justification::Left),
        byte_order: Some(ByteOrder::Big),
        ..Overrides::default()
    };
    let avi = stored(*b"Y16 ", 16, 6, 4, vec![words(&left, ByteOrder::Big)]);
    let capture = open(Box::new(avi.build()), &known).unwrap();
    assert_eq!((capture.format().white, read(&*capture, 0)), (4095.0, Samples::U16(values)));
    // 16 bits without a code: five bits a colour by the rules, grey when the person says so.
    let avi =
        Avi { code: [0; 4], ..stored([0; 4], 16, 6, 4, vec![words(&left, ByteOrder::Little)]) };
    assert!(open_bytes(avi.build()).is_err());
    let wide = Overrides { bit_depth: Some(16), ..Overrides::default() };
    let capture = open(Box::new(avi.build()), &wide).unwrap();
    assert_eq!(read(&*capture, 0), Samples::U16(left));
    // More bits in use than the code says.
    let avi = stored(*b"Y10 ", 16, 2, 1, vec![words(&[1000, 3000], ByteOrder::Little)]);
    let capture = open_bytes(avi.build()).unwrap();
    assert_eq!(codes(&*capture), [RemarkCode::BitDepthExceeded]);
    assert_eq!(capture.facts().bit_depth, 12);
}

#[test]
fn bayer_of_one_byte_and_colour_of_four() {
    for (code, layout) in [
        (*b"BA81", "bggr"),
        (*b"GBRG", "gbrg"),
        (*b"GRBG", "grbg"),
        (*b"RGGB", "rggb"),
        ([0xba, b'R', b'G', 8], "rggb"),
    ] {
        let mut avi = Avi { code, ..Avi::new(7, -5, 8, 3) };
        assert_eq!(avi.check("padded rows").facts().layout.name(), layout);
        avi.pad_rows = false;
        avi.check("tight rows");
    }
    for height in [4, -4] {
        let avi = Avi::new(3, height, 32, 2);
        let capture = open_bytes(avi.build()).unwrap();
        let rgb = |pixel: &[u8]| [pixel[2], pixel[1], pixel[0]];
        let want: Vec<u8> = avi.frames[1].chunks_exact(4).flat_map(rgb).collect();
        assert_eq!((capture.format().layout, read(&*capture, 1)), (Layout::Rgb, Samples::U8(want)));
    }
}

#[test]
fn luma_and_colours_are_told_from_the_pixels() {
    let luma: Vec<u8> = (0..24).map(|i| 16 + 9 * i).collect();
    let with = |u: u8, v: u8, luma: &[u8]| -> Vec<u8> { [luma, &[u; 6], &[v; 6]].concat() };
    // No colour at all: light alone, black at 16 and white at 235.
    let capture =
        open_bytes(stored(*b"I420", 12, 6, 4, vec![with(128, 128, &luma)]).build()).unwrap();
    assert_eq!(
        (capture.format().layout, note_codes(&*capture)),
        (Layout::Mono, vec![RemarkCode::LumaRange])
    );
    let Samples::U16(light) = read(&*capture, 0) else { panic!("16-bit samples") };
    for (light, luma) in light.iter().zip(&luma) {
        let want = f64::from(luma - 16) / 219.0 * 4080.0;
        assert!((f64::from(*light) - want).abs() <= 0.5 + 1e-9, "{light} for {luma}");
    }
    // A person who wants colours gets them.
    let rgb = Overrides { layout: Some(Layout::Rgb), ..Overrides::default() };
    let bytes = stored(*b"I420", 12, 6, 4, vec![with(128, 128, &luma)]).build();
    assert_eq!(open(Box::new(bytes), &rgb).unwrap().format().layout, Layout::Rgb);
    // Colour, and luma down to 0: full range.
    let full: Vec<u8> = (0..24).map(|i| 11 * i).collect();
    let capture =
        open_bytes(stored(*b"YV12", 12, 6, 4, vec![with(90, 160, &full)]).build()).unwrap();
    assert_eq!(capture.format().layout, Layout::Rgb);
    let Samples::U16(samples) = read(&*capture, 0) else { panic!("16-bit samples") };
    // V comes first in this order, so that blue differs by 32 and red by -38 from grey.
    let (red, blue) = (i32::from(samples[3 * 12]), i32::from(samples[3 * 12 + 2]));
    let want = |weight: f64, difference: f64| ((132.0 + weight * difference) * 16.0) as i32;
    assert!(
        (red - want(1.402, -38.0)).abs() <= 1 && (blue - want(1.772, 32.0)).abs() <= 1,
        "{red} {blue}"
    );
}

#[test]
fn pictures_of_other_sizes_are_left_out_of_yuv() {
    let whole = vec![100; 36];
    let avi = stored(*b"NV12", 12, 6, 4, vec![whole.clone(), vec![100; 35], whole]);
    let capture = open_bytes(avi.build()).unwrap();
    assert_eq!((capture.frame_count(), codes(&*capture)), (2, vec![RemarkCode::ShortFrames]));
}

fn jpeg(values: &[u8], colour: bool) -> Vec<u8> {
    let mut out = Vec::new();
    let kind = if colour { image::ExtendedColorType::Rgb8 } else { image::ExtendedColorType::L8 };
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 98);
    image::ImageEncoder::write_image(encoder, values, 16, 12, kind).unwrap();
    out
}

#[test]
fn motion_jpeg_is_read_and_broken_pictures_are_no_frames() {
    let grey: Vec<u8> = (0..192).map(|i| 60 + (i % 16) * 9).collect();
    let rgb: Vec<u8> = grey.iter().flat_map(|g| [*g, g / 2, 200]).collect();
    let good = jpeg(&grey, false);
    let mut torn = good.clone();
    torn.truncate(good.len() - 40);
    let frames = vec![good.clone(), torn, b"no picture".to_vec(), good.clone(), jpeg(&rgb, true)];
    let capture = open_bytes(stored(*b"MJPG", 8, 99, 77, frames).build()).unwrap();
    assert_eq!(capture.frame_count(), 5);
    assert_eq!(note_codes(&*capture), [RemarkCode::Lossy]);
    let facts = capture.facts();
    // The sizes are those of the pictures, whatever the header says.
    assert_eq!((facts.width, facts.height, facts.layout), (16, 12, Layout::Mono));
    let mut frame = empty_frame();
    for (i, whole) in [(0, true), (1, false), (2, false), (3, true)] {
        let done = capture.read_frame(i, &mut frame);
        assert_eq!(done.is_ok(), whole, "frame {i}");
        if whole {
            let Samples::U8(samples) = &frame.samples else { panic!("8-bit samples") };
            let worst = samples.iter().zip(&grey).map(|(a, b)| a.abs_diff(*b)).max();
            assert!(worst < Some(4), "{worst:?}");
        }
    }
    let capture = open_bytes(stored(*b"mjpg", 8, 16, 12, vec![jpeg(&rgb, true)]).build()).unwrap();
    assert_eq!(capture.format().layout, Layout::Rgb);
    let Samples::U8(samples) = read(&*capture, 0) else { panic!("8-bit samples") };
    let worst = samples.iter().zip(&rgb).map(|(a, b)| a.abs_diff(*b)).max();
    assert!(worst < Some(40), "{worst:?}");
}

#[test]
fn jpeg_cut_anywhere_and_flipped_anywhere_gives_a_frame_or_an_error() {
    let grey: Vec<u8> = (0..192).map(|i| 60 + (i % 16) * 9).collect();
    let good = jpeg(&grey, false);
    let mut frame = empty_frame();
    for cut in 0..good.len() {
        let mut cut_off = good[..cut].to_vec();
        cut_off.resize(cut.max(1), 0);
        let avi = stored(*b"MJPG", 8, 16, 12, vec![good.clone(), cut_off]);
        let Ok(capture) = open_bytes(avi.build()) else { panic!("the first picture is sound") };
        assert!(capture.read_frame(0, &mut frame).is_ok());
        // The last bytes of the last block may be padding; all others are missed.
        if capture.frame_count() == 2 && cut + 4 < good.len() {
            assert!(capture.read_frame(1, &mut frame).is_err(), "cut at {cut}");
        }
    }
    for bit in 0..good.len() * 8 {
        let mut odd = good.clone();
        odd[bit / 8] ^= 1 << (bit % 8);
        let avi = stored(*b"MJPG", 8, 16, 12, vec![good.clone(), odd]);
        let capture = open_bytes(avi.build()).unwrap();
        let _ = capture.read_frame(1, &mut frame);
    }
}

#[test]
fn bytes_that_make_no_sense_cost_only_their_own_frames() {
    let avi = Avi::new(8, 6, 8, 9);
    let whole = avi.build();
    let heads: Vec<usize> = (0..whole.len() - 4).filter(|i| &whole[*i..i + 4] == b"00db").collect();
    assert_eq!(heads.len(), 9);
    // A block of the disk that reads as zeros, over the heads of two frames.
    let mut holed = whole.clone();
    holed[heads[3] - 5..heads[4] + 20].fill(0);
    let capture = open_bytes(holed).unwrap();
    assert_eq!(
        (capture.frame_count(), codes(&*capture)),
        (7, vec![RemarkCode::Truncated, RemarkCode::BrokenChunk])
    );
    assert_eq!(read(&*capture, 3), Samples::U8(avi.frames[5].clone()));
    // A length that lies.
    let mut lied = whole;
    lied[heads[3] + 4..heads[3] + 8].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    let capture = open_bytes(lied).unwrap();
    assert_eq!(capture.frame_count(), 8);
    assert_eq!(read(&*capture, 3), Samples::U8(avi.frames[4].clone()));
}

#[test]
fn beyond_four_gigabytes_every_part_is_walked() {
    // 9 parts of 8 frames of 64 MiB: 4.5 GiB, holes save for the heads and a mark in each frame.
    let (width, height) = (8192_u64, 8192_u64);
    let size = width * height;
    let avi = Avi { declared: Some(8), ..Avi::new(width as i32, -(height as i32), 8, 0) };
    let head = Avi { frames: vec![vec![0; 4]], pad_rows: false, ..avi }.build();
    let movi = head.windows(4).position(|id| id == b"movi").unwrap() + 4;
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(&head[..movi]).unwrap();
    let mut marks = Vec::new();
    for part in 0..9_u8 {
        if part > 0 {
            // Sizes that are wrong, as in files that were never closed.
            file.write_all(b"RIFF\0\0\0\0AVIXLIST\0\0\0\0movi").unwrap();
        }
        for frame in 0..8_u8 {
            let mark = 1 + part * 8 + frame;
            file.write_all(b"00db").unwrap();
            file.write_all(&(size as u32).to_le_bytes()).unwrap();
            file.write_all(&[mark]).unwrap();
            file.seek(SeekFrom::Current(size as i64 - 1)).unwrap();
            marks.push(mark);
        }
        // An index that leads nowhere.
        file.write_all(&chunk(b"ix00", &[0xff; 32], true)).unwrap();
    }
    assert!(file.stream_position().unwrap() > 1 << 32);
    let capture = open(Box::new(file), &Overrides::default()).unwrap();
    assert_eq!(capture.frame_count(), 72);
    assert_eq!(codes(&*capture), []);
    let mut frame = empty_frame();
    for i in [0, 7, 8, 40, 64, 71] {
        capture.read_frame(i, &mut frame).unwrap();
        let Samples::U8(samples) = &frame.samples else { panic!("8-bit samples") };
        assert_eq!((samples[0], samples[1]), (marks[i], 0), "frame {i}");
    }
}

#[test]
fn files_of_general_software_hold_the_frames_that_went_in() {
    let Some(path) = shared("ridge-mono8.ser") else { return };
    let ser = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
    for (name, frames, scale, bound) in
        [("ridge-yuyv422.avi", 16, 16.0, 1.0), ("ridge-mjpeg.avi", 40, 1.0, 4.0)]
    {
        let Some(path) = shared(&format!("containers/{name}")) else { return };
        let avi = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
        let facts = avi.facts();
        assert_eq!((facts.frames, facts.layout), (frames, Layout::Mono), "{name}");
        assert_eq!(codes(&*avi), []);
        let mut worst = 0.0_f64;
        for i in 0..frames {
            let Samples::U8(grey) = read(&*ser, i) else { panic!("8-bit samples") };
            let light: Vec<f64> = match read(&*avi, i) {
                Samples::U8(v) => v.into_iter().map(f64::from).collect(),
                Samples::U16(v) => v.into_iter().map(f64::from).collect(),
                Samples::F32(_) => panic!("whole numbers"),
            };
            let square = |(light, grey): (&f64, &u8)| (light / scale - f64::from(*grey)).powi(2);
            let sum: f64 = light.iter().zip(&grey).map(square).sum();
            worst = worst.max((sum / grey.len() as f64).sqrt());
        }
        println!("{name}: {worst:.2} steps rms off at worst");
        assert!(worst < bound, "{name}: {worst} steps rms");
    }
}
