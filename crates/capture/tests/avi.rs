//! AVI in all its row orders, paddings and parts, whole and damaged.
#![allow(clippy::unwrap_used)]

mod common;

use common::avi::{Avi, chunk};
use common::{codes, empty_frame, note_codes, open_bytes, read, shared};
use std::fs::File;
use std::io::Write;
use std::sync::Arc;
use stillwright_capture::{ByteOrder, CaptureError, Overrides, RemarkCode, open};
use stillwright_picture::{Layout, Samples};

#[test]
fn all_row_orders_paddings_parts_and_lists_are_read() {
    for bits in [8, 24] {
        for width in 1..=9 {
            for height in [5, -5, 4, -4, 1] {
                let plain = Avi::new(width, height, bits, 5);
                for pad_rows in [true, false] {
                    for variant in 0..16 {
                        let avi = Avi {
                            pad_rows,
                            part: if variant & 1 > 0 { 2 } else { usize::MAX },
                            rec_lists: variant & 2 > 0,
                            sound: variant & 4 > 0,
                            unclosed: variant & 8 > 0,
                            ..plain.clone()
                        };
                        let case =
                            format!("{bits} bits, {width} x {height}, {pad_rows}, {variant}");
                        let capture = avi.check(&case);
                        let layout = if bits == 8 { Layout::Mono } else { Layout::Bgr };
                        assert_eq!(capture.facts().layout, layout);
                        let count_unknown = avi.unclosed.then_some(RemarkCode::FrameCount);
                        assert_eq!(codes(&*capture), Vec::from_iter(count_unknown), "{case}");
                        let notes = avi.sound.then_some(RemarkCode::OtherStreams);
                        assert_eq!(note_codes(&*capture), Vec::from_iter(notes), "{case}");
                    }
                }
            }
        }
    }
}

#[test]
fn missing_padding_of_odd_chunks_is_noticed() {
    for sound in [false, true] {
        let avi = Avi { pad_chunks: false, pad_rows: false, sound, ..Avi::new(5, 3, 8, 6) };
        avi.check("chunks of 15 bytes without padding");
    }
}

#[test]
fn palettes_are_followed() {
    type Map = fn(u8) -> u8;
    let stored = Avi::new(8, 6, 8, 2);
    let grey = |f: Map| (0..=255).map(|n| [f(n), f(n), f(n), 0]).collect::<Vec<_>>();
    let cases: [(Vec<[u8; 4]>, Map); 5] = [
        (Vec::new(), |n| n),
        (vec![[0; 4]; 256], |n| n),
        (grey(|n| n), |n| n),
        (grey(|n| 255 - n), |n| 255 - n),
        (grey(|n| n / 2), |n| n / 2),
    ];
    for (palette, map) in cases {
        let bytes = Avi { palette, ..stored.clone() }.build();
        let capture = open_bytes(bytes).unwrap();
        let want: Vec<u8> = stored.frames[1].iter().map(|n| map(*n)).collect();
        assert_eq!(read(&*capture, 1), Samples::U8(want));
    }
    let mut palette = grey(|n| n);
    palette[200] = [1, 2, 3, 0];
    let capture = open_bytes(Avi { palette: palette.clone(), ..stored.clone() }.build()).unwrap();
    assert_eq!(capture.format().layout, Layout::Rgb);
    let colour = |n: &u8| {
        let [blue, green, red, _] = palette[usize::from(*n)];
        [red, green, blue]
    };
    let want: Vec<u8> = stored.frames[1].iter().flat_map(colour).collect();
    assert_eq!(read(&*capture, 1), Samples::U8(want));
    // Numbers without their colours, for who knows that the palette is a mere decoration.
    let mono = Overrides { layout: Some(Layout::Mono), ..Overrides::default() };
    let bytes = Avi { palette, ..stored.clone() }.build();
    let capture = open(Box::new(bytes), &mono).unwrap();
    assert_eq!(read(&*capture, 0), Samples::U8(stored.frames[0].clone()));
}

#[test]
fn video_codes_of_grey_run_from_the_top_down() {
    Avi { code: *b"Y800", ..Avi::new(7, 5, 8, 3) }.check("padded");
    Avi { code: *b"Y800", pad_rows: false, ..Avi::new(7, 5, 8, 3) }.check("not padded");
}

#[test]
fn what_is_not_read_is_named() {
    for (code, bits, name, decoder) in [
        (*b"H264", 24, "H264", true),
        (*b"HFYU", 24, "HFYU", true),
        ([1, 0, 0, 0], 8, "compression 1", false),
        ([0; 4], 16, "16 bits", false),
    ] {
        let avi = Avi { code, bits, frames: vec![vec![1; 64]; 2], ..Avi::new(8, 4, 8, 1) };
        let error = open_bytes(avi.build()).err().unwrap();
        assert_eq!(matches!(error, CaptureError::NeedsDecoder(_)), decoder, "{error}");
        assert_eq!(matches!(error, CaptureError::Unsupported(_)), !decoder, "{error}");
        let words = error.to_string();
        assert!(words.contains(name) && words.contains("uncompressed"), "{words}");
    }
}

#[test]
fn overrides_fit_or_are_refused() {
    let bytes = Avi::new(8, 6, 8, 1).build();
    let rggb = Overrides { layout: Layout::from_name("rggb"), ..Overrides::default() };
    let capture = open(Box::new(bytes.clone()), &rggb).unwrap();
    assert_eq!(capture.format().layout.name(), "rggb");
    for wrong in [
        Overrides { layout: Some(Layout::Rgb), ..Overrides::default() },
        Overrides { bit_depth: Some(12), ..Overrides::default() },
        Overrides { byte_order: Some(ByteOrder::Big), ..Overrides::default() },
    ] {
        let error = open(Box::new(bytes.clone()), &wrong).err().unwrap();
        assert!(matches!(error, CaptureError::Parameter(_)), "{error}");
    }
    // Colour that is really in red, green, blue order.
    let avi = Avi::new(3, 2, 24, 1);
    let overrides = Overrides { layout: Some(Layout::Rgb), ..Overrides::default() };
    let capture = open(Box::new(avi.build()), &overrides).unwrap();
    let mut want = avi.frames[0].clone();
    want.chunks_exact_mut(3).for_each(|pixel| pixel.swap(0, 2));
    assert_eq!(read(&*capture, 0), Samples::U8(want));
}

#[test]
fn cut_anywhere_every_whole_frame_is_read() {
    for (part, rec_lists, sound) in [(usize::MAX, false, false), (2, false, true), (3, true, true)]
    {
        let avi = Avi { part, rec_lists, sound, ..Avi::new(5, 4, 8, 6) };
        let whole = avi.build();
        let mut most = 0;
        for cut in 0..whole.len() {
            let Ok(capture) = open_bytes(whole[..cut].to_vec()) else {
                assert_eq!(most, 0, "frames were there before the cut at {cut}");
                continue;
            };
            let count = capture.frame_count();
            assert!(count == most || count == most + 1, "cut at {cut}");
            most = count;
            for i in 0..count {
                assert_eq!(read(&*capture, i), Samples::U8(avi.frames[i].clone()), "cut at {cut}");
            }
            let want: &[_] = if count < 6 { &[RemarkCode::Truncated] } else { &[] };
            assert_eq!(codes(&*capture), want, "cut at {cut}");
        }
        assert_eq!(most, 6);
    }
}

#[test]
fn a_cut_says_where_and_how_much_is_missing() {
    let whole = Avi::new(40, 30, 8, 6).build();
    let picture = whole.windows(4).rposition(|id| id == b"00db").unwrap();
    let capture = open_bytes(whole[..picture + 8 + 200].to_vec()).unwrap();
    let message = &capture.facts().warnings[0].message;
    assert!(message.contains("inside frame 5 of 6 (needs 1 000 more bytes"), "{message}");
}

#[test]
fn empty_short_and_stray_data_are_left_out() {
    let avi = Avi { declared: Some(6), ..Avi::new(8, 6, 8, 4) };
    let mut whole = avi.build();
    let index = whole.windows(4).rposition(|id| id == b"idx1").unwrap();
    let odd = [chunk(b"00db", &[], true), chunk(b"00db", &[3; 20], true)].concat();
    whole.splice(index..index, odd);
    let capture = open_bytes(whole.clone()).unwrap();
    assert_eq!(capture.frame_count(), 4);
    assert_eq!(codes(&*capture), [RemarkCode::ShortFrames]);
    assert_eq!(note_codes(&*capture), [RemarkCode::EmptyFrames]);
    // Zeros where chunks should go on: a file whose room was set aside beforehand.
    for (declared, code) in [(4_u32, None), (9, Some(RemarkCode::BrokenChunk))] {
        let mut set_aside = Avi { declared: Some(declared), ..avi.clone() }.build();
        set_aside.extend([0; 3000]);
        let capture = open_bytes(set_aside).unwrap();
        assert_eq!((capture.frame_count(), codes(&*capture)), (4, Vec::from_iter(code)));
    }
}

#[test]
fn no_flipped_bit_panics() {
    let avi = Avi { part: 2, sound: true, ..Avi::new(5, 4, 8, 3) };
    let whole = avi.build();
    let mut frame = empty_frame();
    for bit in 0..whole.len() * 8 {
        let mut bytes = whole.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        let Ok(capture) = open_bytes(bytes) else { continue };
        for i in 0..capture.frame_count() {
            capture.read_frame(i, &mut frame).unwrap();
        }
        assert!(capture.read_frame(capture.frame_count(), &mut frame).is_err());
    }
}

#[test]
fn absurd_sizes_are_refused() {
    for (width, height) in
        [(0, 4), (-5, 4), (5, 0), (i32::MAX, 4), (5, i32::MIN), (60_000, 60_000), (9000, 9000)]
    {
        let avi = Avi { frames: vec![vec![0; 20]; 2], ..Avi::new(5, 4, 8, 1) };
        let mut bytes = avi.build();
        let strf = bytes.windows(4).position(|id| id == b"strf").unwrap() + 8;
        bytes[strf + 4..strf + 8].copy_from_slice(&i32::to_le_bytes(width));
        bytes[strf + 8..strf + 12].copy_from_slice(&i32::to_le_bytes(height));
        let error = open_bytes(bytes).err().unwrap();
        let sort = matches!(error, CaptureError::Damaged(_) | CaptureError::TooLarge(_));
        assert!(sort, "{width} x {height}: {error}");
    }
}

#[test]
fn a_file_that_shrinks_while_open_loses_frames_and_nothing_else() {
    let avi = Avi::new(33, 20, 24, 8);
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(&avi.build()).unwrap();
    let file = Arc::new(file);
    let capture = open(Box::new(Arc::clone(&file)), &Overrides::default()).unwrap();
    file.set_len(7000).unwrap();
    let mut frame = empty_frame();
    let kept = (0..8).filter(|i| capture.read_frame(*i, &mut frame).is_ok()).count();
    assert_eq!(kept, 3, "6,000 bytes of pictures and 800 of headers are left");
}

#[test]
fn files_of_general_software_are_read() {
    let Some(path) = shared("ridge-mono8.ser") else { return };
    let ser = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
    for (name, count, layout) in [
        ("containers/ridge-grey8.avi", 60, Layout::Mono),
        ("containers/ridge-bgr24.avi", 16, Layout::Bgr),
    ] {
        let Some(path) = shared(name) else { return };
        let avi = open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap();
        let facts = avi.facts();
        assert_eq!((facts.frames, facts.layout), (count, layout), "{name}");
        assert_eq!((facts.width, facts.height), (320, 256));
        assert!(facts.warnings.is_empty() && facts.notes.is_empty(), "{facts:?}");
        // 30 frames a second, rounded to a microsecond in the file.
        assert!((facts.duration_s.unwrap() - count as f64 / 30.0).abs() < 1e-4);
        for i in 0..count {
            let Samples::U8(grey) = read(&*ser, i) else { panic!("8-bit samples") };
            let want = if layout == Layout::Mono {
                grey
            } else {
                grey.iter().flat_map(|value| [*value; 3]).collect()
            };
            assert_eq!(read(&*avi, i), Samples::U8(want), "{name}, frame {i}");
        }
    }
}
