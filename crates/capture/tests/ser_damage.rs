//! Damaged SER files: every whole frame is read, what is missing is said, nothing panics.
#![allow(clippy::unwrap_used)]

mod common;

use common::{codes, empty_frame, open_bytes, read, scene, ser, times};
use std::fs::File;
use std::io::Write;
use std::sync::Arc;
use stillwright_capture::{CaptureError, Overrides, RemarkCode, SerOptions, Ticks, open};
use stillwright_picture::{Layout, Samples};

const FRAMES: usize = 12;

fn options() -> SerOptions {
    SerOptions::new(22, 14, Layout::Mono, 12)
}

const FRAME_BYTES: usize = 22 * 14 * 2;

fn frames() -> Vec<Samples> {
    (0..FRAMES).map(|i| scene(&options(), i)).collect()
}

fn with_count(mut bytes: Vec<u8>, count: i32) -> Vec<u8> {
    bytes[38..42].copy_from_slice(&count.to_le_bytes());
    bytes
}

#[test]
fn cut_anywhere_every_whole_frame_is_read() {
    let frames = frames();
    let whole = ser(&options(), &frames, &times(FRAMES));
    assert_eq!(whole.len(), 178 + FRAMES * (FRAME_BYTES + 8));
    let mut cuts: Vec<usize> = (0..=180).collect();
    for frame in 0..=FRAMES {
        let boundary = 178 + frame * FRAME_BYTES;
        cuts.extend(boundary - 2..=boundary + 2);
        cuts.push(boundary + FRAME_BYTES / 2);
    }
    cuts.extend(178 + FRAMES * FRAME_BYTES..=whole.len());
    cuts.retain(|cut| *cut <= whole.len());
    for cut in cuts {
        let bytes = whole[..cut].to_vec();
        let there = cut.saturating_sub(178) / FRAME_BYTES;
        let capture = match open_bytes(bytes) {
            Ok(capture) => capture,
            Err(error) => {
                assert_eq!(there, 0, "cut at {cut}: {error}");
                let unknown = matches!(error, CaptureError::Unsupported(_));
                let damaged = matches!(error, CaptureError::Damaged(_));
                assert!(if (1..4).contains(&cut) { unknown } else { damaged }, "{cut}: {error}");
                continue;
            }
        };
        assert_eq!(capture.frame_count(), there.min(FRAMES), "cut at {cut}");
        for i in [0, capture.frame_count() - 1] {
            assert_eq!(read(&*capture, i), frames[i], "cut at {cut}");
        }
        let behind_frames = cut as i64 - (178 + FRAMES * FRAME_BYTES) as i64;
        let expected = match behind_frames {
            ..0 => vec![RemarkCode::Truncated],
            0 => vec![],
            _ if cut < whole.len() => vec![RemarkCode::Times],
            _ => vec![],
        };
        assert_eq!(codes(&*capture), expected, "cut at {cut}");
        assert_eq!(capture.facts().has_times, cut == whole.len());
        assert_eq!(capture.facts().duration_s.is_some(), cut == whole.len());
    }
}

#[test]
fn a_cut_says_where_and_how_much_is_missing() {
    let whole = ser(&options(), &frames(), &times(FRAMES));
    let cut = 178 + 5 * FRAME_BYTES + 100;
    let capture = open_bytes(whole[..cut].to_vec()).unwrap();
    let message = &capture.facts().warnings[0].message;
    let missing = format!("inside frame 5 of 12 (needs {} more bytes", FRAME_BYTES - 100);
    assert!(message.contains(&missing), "{message}");
    assert!(message.contains("at offset 3 358"), "{message}");
    assert!(message.contains("5 whole frames can be used"), "{message}");
}

#[test]
fn wrong_counts_do_not_matter() {
    let frames = frames();
    for timed in [true, false] {
        let times = if timed { times(FRAMES) } else { Vec::new() };
        let bytes = ser(&options(), &frames, &times);
        for count in [0, -1, i32::MIN, i32::MAX, 1, 5, 11, 13, 2000] {
            let capture = open_bytes(with_count(bytes.clone(), count)).unwrap();
            let case = format!("{count} frames said, times: {timed}");
            assert_eq!(capture.frame_count(), FRAMES, "{case}");
            assert_eq!(capture.facts().declared_frames, Some(i64::from(count)));
            assert_eq!(read(&*capture, FRAMES - 1), frames[FRAMES - 1], "{case}");
            // Times follow where they fill the file to the byte.
            assert_eq!(capture.time_utc(11), times.get(11).copied(), "{case}");
            let cut_off = !timed && [13, 2000].contains(&count);
            let code = if cut_off { RemarkCode::Truncated } else { RemarkCode::FrameCount };
            assert_eq!(codes(&*capture), [code], "{case}");
        }
    }
}

#[test]
fn many_times_are_not_taken_for_frames() {
    // The times of 400 frames of 60 bytes would fill 53 frames.
    let options = SerOptions::new(10, 6, Layout::Mono, 8);
    let frames: Vec<Samples> = (0..400).map(|i| scene(&options, i)).collect();
    let bytes = ser(&options, &frames, &times(400));
    for count in [0, -1, i32::MAX, 399, 400, 401, 453] {
        let capture = open_bytes(with_count(bytes.clone(), count)).unwrap();
        assert_eq!(capture.frame_count(), 400, "{count}");
        assert!(capture.facts().has_times);
    }
}

#[test]
fn broken_times_cost_the_duration_only() {
    let frames = frames();
    let mut stray = ser(&options(), &frames, &times(FRAMES));
    stray.extend([1; 50]);
    let capture = open_bytes(stray).unwrap();
    assert_eq!((capture.frame_count(), capture.facts().has_times), (FRAMES, true));
    assert_eq!(common::note_codes(&*capture), [RemarkCode::StrayBytes]);

    let t = common::T0;
    let broken: [fn(u64, u64) -> u64; 5] =
        [|_, _| 0, |t, _| t, |t, i| t - 1000 * i, |_, i| i, |t, i| t + i * 10_u64.pow(16)];
    for (case, time) in broken.iter().enumerate() {
        let times: Vec<Ticks> = (0..FRAMES as u64).map(|i| Ticks(time(t, i))).collect();
        let capture = open_bytes(ser(&options(), &frames, &times)).unwrap();
        assert_eq!(codes(&*capture), [RemarkCode::Times], "case {case}");
        assert_eq!(capture.facts().duration_s, None);
        assert_eq!(capture.time_utc(3), None);
        assert_eq!(capture.frame_count(), FRAMES);
    }
}

#[test]
fn no_flipped_bit_in_the_header_panics() {
    let bytes = ser(&options(), &frames(), &times(FRAMES));
    let mut frame = empty_frame();
    for bit in 0..178 * 8 {
        let mut bytes = bytes.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        let Ok(capture) = open_bytes(bytes) else { continue };
        for i in 0..capture.frame_count() {
            capture.read_frame(i, &mut frame).unwrap();
        }
        assert!(capture.read_frame(capture.frame_count(), &mut frame).is_err());
        assert!(capture.read_frame(usize::MAX, &mut frame).is_err());
    }
}

#[test]
fn absurd_headers_get_a_reason_and_no_memory() {
    let bytes = ser(&options(), &frames(), &[]);
    let cases: [(usize, i32, &str); 12] = [
        (18, 7, "colour number"),
        (18, -1, "colour number"),
        (26, 0, "at least 1 x 1"),
        (26, -22, "at least 1 x 1"),
        (26, i32::MAX, "sides of up to"),
        (26, 65_535, "at least one frame"),
        (30, 0, "at least 1 x 1"),
        (30, i32::MIN, "at least 1 x 1"),
        (30, 65_536, "sides of up to"),
        (34, 0, "1 to 16 bits"),
        (34, 17, "1 to 16 bits"),
        (34, -8, "1 to 16 bits"),
    ];
    for (at, value, words) in cases {
        let mut bytes = bytes.clone();
        bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
        let error = open_bytes(bytes).err().unwrap();
        assert!(error.to_string().contains(words), "{value} at {at}: {error}");
        let fault = error.fault().unwrap();
        assert!(fault.offset.is_some() && !fault.remedy.is_empty());
    }
    let mut huge = bytes.clone();
    for at in [26, 30] {
        huge[at..at + 4].copy_from_slice(&65_535_i32.to_le_bytes());
    }
    assert!(matches!(open_bytes(huge).err().unwrap(), CaptureError::TooLarge(_)));
    for wrong in [vec![0; 5000], b"LUCAM-RECORDEX and so on".to_vec(), vec![b'L'], b"%PDF".to_vec()]
    {
        let error = open_bytes(wrong).err().unwrap();
        assert!(matches!(error, CaptureError::Unsupported(_)), "{error}");
        assert!(error.to_string().contains("SER"), "{error}");
    }
    // What the header does not say, the person can.
    let mut unknown = bytes;
    unknown[18] = 77;
    unknown[34] = 0;
    let overrides = Overrides {
        layout: Layout::from_name("gbrg"),
        bit_depth: Some(12),
        ..Overrides::default()
    };
    let capture = open(Box::new(unknown), &overrides).unwrap();
    assert_eq!(read(&*capture, 2), frames()[2]);
}

#[test]
fn a_folder_is_an_error_not_a_capture() {
    let folder = tempfile::tempdir().unwrap();
    if let Ok(file) = File::open(folder.path()) {
        let error = open(Box::new(file), &Overrides::default()).err().unwrap();
        assert!(matches!(error, CaptureError::Io { .. }), "{error}");
        assert!(error.to_string().contains("check that it is a file"));
    }
}

#[test]
fn a_file_that_shrinks_while_open_loses_frames_and_nothing_else() {
    let frames = frames();
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(&ser(&options(), &frames, &times(FRAMES))).unwrap();
    let file = Arc::new(file);
    let capture = open(Box::new(Arc::clone(&file)), &Overrides::default()).unwrap();
    assert_eq!(read(&*capture, 11), frames[11]);
    file.set_len((178 + 7 * FRAME_BYTES + 9) as u64).unwrap();
    let mut frame = empty_frame();
    for (i, samples) in frames.iter().enumerate() {
        match capture.read_frame(i, &mut frame) {
            Ok(()) => assert_eq!(&frame.samples, samples),
            Err(error) => assert!(error.to_string().contains("has become shorter"), "{error}"),
        }
        assert_eq!(capture.read_frame(i, &mut frame).is_ok(), i < 7);
    }
    assert_eq!(capture.time_utc(0), None);
    file.set_len(0).unwrap();
    assert!(capture.read_frame(0, &mut frame).is_err());
}
