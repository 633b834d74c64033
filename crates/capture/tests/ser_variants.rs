//! Every variant of SER is written, read back, and recognised from its pixels alone.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Noise, codes, note_codes, open_bytes, read, samples_of, scene, ser, times};
use proptest::prelude::*;
use stillwright_capture::{
    ByteOrder, FlagConvention, Justification, Overrides, RemarkCode, SerOptions, Ticks, open,
};
use stillwright_picture::{Layout, SampleType, Samples};

const ORDERS: [ByteOrder; 2] = [ByteOrder::Little, ByteOrder::Big];
const SIDES: [Justification; 2] = [Justification::Right, Justification::Left];
const FLAGS: [FlagConvention; 2] = [FlagConvention::Practice, FlagConvention::Description];

#[test]
fn every_variant_is_told_from_its_pixels() {
    for (name, layout) in Layout::NAMES {
        for depth in [7, 8, 9, 10, 12, 14, 15, 16] {
            for (order, side, flag) in ORDERS
                .iter()
                .flat_map(|o| SIDES.iter().flat_map(move |s| FLAGS.map(|f| (*o, *s, f))))
            {
                let options = SerOptions {
                    byte_order: order,
                    justification: side,
                    flag,
                    ..SerOptions::new(46, 38, layout, depth)
                };
                let frames: Vec<Samples> = (0..3).map(|i| scene(&options, i)).collect();
                let capture = open_bytes(ser(&options, &frames, &times(3))).unwrap();
                let case = format!("{name} {depth} bits {order:?} {side:?} {flag:?}");
                let facts = capture.facts();
                let wide = depth > 8;
                assert_eq!(facts.layout, layout, "{case}");
                assert_eq!(facts.bit_depth, depth, "{case}: {:?}", facts.warnings);
                assert_eq!(facts.byte_order, wide.then_some(order), "{case}");
                // Left-justified 16-bit samples are right-justified ones.
                let side = if depth == 16 { Justification::Right } else { side };
                assert_eq!(facts.justification, wide.then_some(side), "{case}");
                assert_eq!(facts.warnings, [], "{case}");
                let flag_is_off = wide && flag == FlagConvention::Description;
                let notes: &[_] = if flag_is_off { &[RemarkCode::ByteOrderFlag] } else { &[] };
                assert_eq!(note_codes(&*capture), notes, "{case}");

                let format = capture.format();
                let handed = if layout == Layout::Bgr { Layout::Rgb } else { layout };
                assert_eq!(format.layout, handed);
                assert_eq!(format.white, f32::from(u16::MAX >> (16 - depth)));
                assert_eq!(format.sample_type, if wide { SampleType::U16 } else { SampleType::U8 });
                for i in [2, 0, 1] {
                    assert_eq!(read(&*capture, i), frames[i], "{case}");
                }
            }
        }
    }
}

#[test]
fn colours_stand_in_the_file_as_the_layout_says() {
    let frame = Samples::U8(vec![1, 2, 3, 4, 5, 6]);
    for (layout, stored) in [(Layout::Rgb, [1, 2, 3, 4, 5, 6]), (Layout::Bgr, [3, 2, 1, 6, 5, 4])] {
        let bytes = ser(&SerOptions::new(2, 1, layout, 8), std::slice::from_ref(&frame), &[]);
        assert_eq!(bytes[178..], stored);
    }
    let frame = Samples::U16(vec![0x123, 0x456, 0x789]);
    let options = SerOptions {
        byte_order: ByteOrder::Big,
        justification: Justification::Left,
        ..SerOptions::new(1, 1, Layout::Bgr, 12)
    };
    assert_eq!(ser(&options, &[frame], &[])[178..], [0x78, 0x90, 0x45, 0x60, 0x12, 0x30]);
}

#[test]
fn the_header_tells_who_when_and_how_fast() {
    let options = SerOptions {
        observer: "kit".to_string(),
        instrument: "\tcamera\u{7} ".to_string(),
        start_local: Some(Ticks(common::T0 + 36_000_000_000)),
        start_utc: Some(Ticks(common::T0 | 1 << 62)),
        ..SerOptions::new(20, 10, Layout::Mono, 8)
    };
    let frames: Vec<Samples> = (0..5).map(|i| scene(&options, i)).collect();
    let capture = open_bytes(ser(&options, &frames, &times(5))).unwrap();
    let facts = capture.facts();
    assert_eq!((facts.observer.as_str(), facts.instrument.as_str()), ("kit", "camera"));
    assert_eq!(facts.telescope, "");
    assert_eq!(facts.start_utc, Some(Ticks(common::T0)));
    assert_eq!(facts.start_local, Some(Ticks(common::T0 + 36_000_000_000)));
    // 25 ms apart: 40 a second, five of them last 0.125 s.
    assert!((facts.frame_rate_hz.unwrap() - 40.0).abs() < 1e-9);
    assert!((facts.duration_s.unwrap() - 0.125).abs() < 1e-12);
    assert_eq!(capture.time_utc(4), Some(Ticks(common::T0 + 1_000_000)));
    assert_eq!(capture.time_utc(5), None);
    assert_eq!(capture.time_utc(usize::MAX), None);

    let json = serde_json::to_value(facts).unwrap();
    assert_eq!(json["format"], "SER");
    assert_eq!(json["layout"], "mono");
    assert_eq!(json["start_utc"], "2024-11-15T21:30:00.0000000");
    assert_eq!(json["byte_order"], serde_json::Value::Null);
    assert!(json["warnings"].as_array().unwrap().is_empty());
}

/// Captures whose pixels are awkward: what must come out, and whether it must be called unsure.
#[test]
fn awkward_pixels_are_read_rightly_or_called_unsure() {
    use ByteOrder::{Big, Little};
    let base = |depth| SerOptions::new(64, 40, Layout::Mono, depth);
    let fill = |options: &SerOptions, mut value: Box<dyn FnMut(u64) -> u64>| {
        let mut noise = Noise(77);
        let n = options.width * options.height;
        samples_of(options, (0..n).map(|_| value(noise.next() >> 20) as u16))
    };
    for order in ORDERS {
        let with =
            |depth, side| SerOptions { byte_order: order, justification: side, ..base(depth) };
        let right = |depth| with(depth, Justification::Right);
        let left = |depth| with(depth, Justification::Left);
        let cases = [
            ("12 bits, very dark", right(12), fill(&right(12), Box::new(|n| 3 + n % 5)), None),
            (
                "12 bits, dark but for hot pixels",
                right(12),
                { fill(&right(12), Box::new(|n| if n % 200 == 0 { 4095 } else { n % 9 })) },
                None,
            ),
            (
                "12 bits, dark, about a byte's end",
                right(12),
                { fill(&right(12), Box::new(|n| 252 + n % 9)) },
                None,
            ),
            (
                "12 bits, nothing but noise",
                right(12),
                fill(&right(12), Box::new(|n| n % 4096)),
                None,
            ),
            (
                "12 bits left, nothing but noise",
                left(12),
                { fill(&left(12), Box::new(|n| n % 4096)) },
                None,
            ),
            (
                "16 bits, strong noise",
                right(16),
                { fill(&right(16), Box::new(|n| 20_000 + n % 13_000)) },
                None,
            ),
            (
                "16 bits, dark but for hot pixels",
                right(16),
                { fill(&right(16), Box::new(|n| if n % 200 == 0 { 65_535 } else { n % 9 })) },
                None,
            ),
            (
                "12 bits left, dark",
                left(12),
                fill(&left(12), Box::new(|n| 3 + n % 70)),
                Some(RemarkCode::JustificationUnsure),
            ),
            (
                "16 bits, nothing but noise",
                right(16),
                { fill(&right(16), Box::new(|n| n % 65_536)) },
                Some(RemarkCode::ByteOrderUnsure),
            ),
            (
                "16 bits, very dark",
                right(16),
                fill(&right(16), Box::new(|n| 3 + n % 5)),
                Some(RemarkCode::ByteOrderUnsure),
            ),
            (
                "16 bits, 8 of them used",
                right(16),
                fill(&right(16), Box::new(|n| n % 200 * 256)),
                Some(RemarkCode::ByteOrderUnsure),
            ),
            (
                "black",
                right(12),
                fill(&right(12), Box::new(|_| 0)),
                Some(RemarkCode::ByteOrderUnsure),
            ),
        ];
        for (case, options, frame, unsure) in cases {
            let frames = vec![frame; 4];
            let capture = open_bytes(ser(&options, &frames, &[])).unwrap();
            let facts = capture.facts();
            let case = format!("{case}, {order:?}: {:?} {:?}", facts.warnings, facts.notes);
            assert_eq!(codes(&*capture), Vec::from_iter(unsure), "{case}");
            assert_eq!(facts.byte_order, Some(order), "{case}");
            assert_eq!(read(&*capture, 0), frames[0], "{case}");
        }
    }
    // Very dark, and the flag says the other order: fewer than 16 bits speak for the dark one.
    let options = SerOptions { flag: FlagConvention::Description, ..base(12) };
    let frames = vec![fill(&options, Box::new(|n| 3 + n % 5))];
    let capture = open_bytes(ser(&options, &frames, &[])).unwrap();
    assert_eq!(codes(&*capture), [RemarkCode::ByteOrderUnsure]);
    assert_eq!(read(&*capture, 0), frames[0]);
    // Where the flag is wrong and the pixels cannot tell, the person can.
    let options = SerOptions { flag: FlagConvention::Description, ..base(16) };
    let frames = vec![fill(&options, Box::new(|n| n % 65_536))];
    let bytes = ser(&options, &frames, &[]);
    let capture = open_bytes(bytes.clone()).unwrap();
    assert_eq!(capture.facts().byte_order, Some(Big));
    assert!(capture.facts().warnings[0].message.contains("set the byte order to little"));
    let overrides = Overrides { byte_order: Some(Little), ..Overrides::default() };
    let capture = open(Box::new(bytes), &overrides).unwrap();
    assert_eq!(read(&*capture, 0), frames[0]);
    assert_eq!(codes(&*capture), []);
}

#[test]
fn blank_frames_do_not_hide_the_byte_order() {
    let options = SerOptions {
        byte_order: ByteOrder::Big,
        flag: FlagConvention::Description,
        ..SerOptions::new(40, 30, Layout::Mono, 16)
    };
    for blank_value in [0, 0x0102] {
        let blank = Samples::U16(vec![blank_value; 1200]);
        for clear in [0..20, 60..80, 180..200] {
            let frames: Vec<Samples> = (0..200)
                .map(|i| if clear.contains(&i) { scene(&options, i) } else { blank.clone() })
                .collect();
            let capture = open_bytes(ser(&options, &frames, &[])).unwrap();
            assert_eq!(capture.facts().byte_order, Some(ByteOrder::Big), "{clear:?}");
            assert_eq!(codes(&*capture), [], "{clear:?}");
        }
    }
}

#[test]
fn a_header_that_names_too_few_or_too_many_bits_is_found_out() {
    let cases = [
        (12, 10, 12, codes as fn(&_) -> _, Some(RemarkCode::BitDepthExceeded)),
        (16, 12, 16, codes, Some(RemarkCode::BitDepthExceeded)),
        (8, 5, 8, codes, Some(RemarkCode::BitDepthExceeded)),
        (12, 16, 16, note_codes, Some(RemarkCode::BitDepthUnused)),
        (12, 12, 12, note_codes, None),
    ];
    for (real, said, taken, list, code) in cases {
        let options = SerOptions::new(64, 40, Layout::Mono, real);
        let frame = scene(&options, 0);
        let mut bytes = ser(&options, std::slice::from_ref(&frame), &[]);
        bytes[34] = said;
        let capture = open_bytes(bytes.clone()).unwrap();
        assert_eq!(capture.facts().bit_depth, taken, "{real} called {said}");
        assert_eq!(list(&*capture), Vec::from_iter(code), "{real} called {said}");
        assert_eq!(read(&*capture, 0), frame);
        // The person's word counts more.
        let overrides = Overrides { bit_depth: Some(real), ..Overrides::default() };
        let capture = open(Box::new(bytes), &overrides).unwrap();
        assert_eq!((capture.facts().bit_depth, codes(&*capture)), (real, vec![]));
    }
}

#[test]
fn overrides_go_before_header_and_pixels() {
    let options = SerOptions::new(64, 40, Layout::Mono, 12);
    let frame = scene(&options, 3);
    let Samples::U16(values) = &frame else { panic!("16-bit samples") };
    let bytes = ser(&options, std::slice::from_ref(&frame), &[]);
    let rggb = Layout::from_name("rggb");
    let overrides = Overrides {
        layout: rggb,
        byte_order: Some(ByteOrder::Big),
        justification: Some(Justification::Left),
        bit_depth: Some(10),
    };
    let capture = open(Box::new(bytes.clone()), &overrides).unwrap();
    assert_eq!(Some(capture.format().layout), rggb);
    let want: Vec<u16> = values.iter().map(|v| v.swap_bytes() >> 6).collect();
    assert_eq!(read(&*capture, 0), Samples::U16(want));
    for depth in [0, 17, 255] {
        let overrides = Overrides { bit_depth: Some(depth), ..Overrides::default() };
        let error = open(Box::new(bytes.clone()), &overrides).err().unwrap();
        assert!(matches!(error, stillwright_capture::CaptureError::Parameter(_)), "{error}");
    }
}

#[test]
fn the_writer_refuses_what_does_not_fit() {
    use stillwright_capture::SerWriter;
    let out = || std::io::Cursor::new(Vec::new());
    for (width, height, depth) in [(0, 5, 8), (5, 0, 8), (70_000, 1, 8), (5, 5, 0), (5, 5, 17)] {
        let options = SerOptions::new(width, height, Layout::Mono, depth);
        assert!(SerWriter::create(out(), options).is_err(), "{width} {height} {depth}");
    }
    let mut writer = SerWriter::create(out(), SerOptions::new(2, 2, Layout::Mono, 8)).unwrap();
    assert!(writer.write_frame(&Samples::U8(vec![0; 3]), None).is_err());
    assert!(writer.write_frame(&Samples::U16(vec![0; 4]), None).is_err());
    writer.write_frame(&Samples::U8(vec![0; 4]), None).unwrap();
    assert!(writer.write_frame(&Samples::U8(vec![0; 4]), Some(Ticks(common::T0))).is_err());
    let mut writer = SerWriter::create(out(), SerOptions::new(2, 2, Layout::Mono, 8)).unwrap();
    writer.write_frame(&Samples::U8(vec![0; 4]), Some(Ticks(common::T0))).unwrap();
    assert!(writer.write_frame(&Samples::U8(vec![0; 4]), None).is_err());
    assert_eq!(writer.finish().unwrap().into_inner().len(), 178 + 4 + 8);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Random samples, which no decision could rest on: told by overrides, they come back.
    #[test]
    fn any_samples_come_back(
        (width, height) in (1_usize..20, 1_usize..20),
        layout in 0_usize..11,
        depth in 1_u8..=16,
        big: bool,
        left: bool,
        count in 1_usize..5,
        timed: bool,
        seed in 1_u64..,
    ) {
        let options = SerOptions {
            byte_order: ORDERS[usize::from(big)],
            justification: SIDES[usize::from(left)],
            ..SerOptions::new(width, height, Layout::NAMES[layout].1, depth)
        };
        let mut noise = Noise(seed);
        let n = width * height * options.layout.samples_per_pixel();
        let mask = u64::from(u16::MAX >> (16 - depth));
        let frames: Vec<Samples> = (0..count)
            .map(|_| samples_of(&options, (0..n).map(|_| (noise.next() & mask) as u16)))
            .collect();
        let times = if timed { times(count) } else { Vec::new() };
        let overrides = Overrides {
            layout: None,
            byte_order: Some(options.byte_order),
            justification: Some(options.justification),
            bit_depth: Some(depth),
        };
        let capture = open(Box::new(ser(&options, &frames, &times)), &overrides).unwrap();
        prop_assert_eq!(capture.frame_count(), count);
        prop_assert_eq!(codes(&*capture), vec![]);
        for (i, frame) in frames.iter().enumerate() {
            prop_assert_eq!(&read(&*capture, i), frame);
            prop_assert_eq!(capture.time_utc(i), times.get(i).copied());
        }
    }
}
