//! Bytes of any kind behind a known beginning: an error or a capture, never a panic.
#![allow(clippy::unwrap_used)]

mod common;

use common::{empty_frame, open_bytes};
use proptest::prelude::*;

fn try_all(bytes: Vec<u8>) -> Result<(), TestCaseError> {
    let len = bytes.len();
    let Ok(capture) = open_bytes(bytes) else { return Ok(()) };
    let count = capture.frame_count();
    prop_assert!(count >= 1 && count == capture.facts().frames);
    // No frame is promised that the file has no bytes for.
    prop_assert!(count * capture.format().sample_count() <= len);
    let mut frame = empty_frame();
    for i in 0..count.min(50) {
        prop_assert!(capture.read_frame(i, &mut frame).is_ok());
        prop_assert_eq!(frame.samples.len(), capture.format().sample_count());
        let _ = capture.time_utc(i);
    }
    prop_assert!(capture.read_frame(count, &mut frame).is_err());
    Ok(())
}

/// An integer as headers have it: often small, sometimes anything.
fn int() -> impl Strategy<Value = i32> {
    prop_oneof![0..9_i32, 0..120_i32, any::<i32>()]
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 2000,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn behind_a_ser_id(
        fields in prop::collection::vec(int(), 7),
        body in prop::collection::vec(any::<u8>(), 0..3000),
    ) {
        let mut bytes = b"LUCAM-RECORDER".to_vec();
        fields.iter().for_each(|field| bytes.extend(field.to_le_bytes()));
        bytes.extend(body);
        try_all(bytes)?;
    }

    #[test]
    fn behind_a_riff_id(
        chunks in prop::collection::vec(
            (0_usize..14, int(), prop::collection::vec(int(), 0..30)), 0..40),
    ) {
        let ids: [&[u8]; 14] = [
            b"LIST\0\0\0\0hdrl", b"LIST\0\0\0\0strl", b"LIST\0\0\0\0movi", b"LIST\0\0\0\0rec ",
            b"RIFF\0\0\0\0AVIX", b"LIST\0\0\0\0odml", b"avih", b"strh", b"strf", b"00db", b"00dc",
            b"01wb", b"ix00", b"JUNK",
        ];
        let mut bytes = b"RIFF\0\0\0\0AVI LIST\0\0\0\0hdrlLIST\0\0\0\0strlstrh\x04\0\0\0vids".to_vec();
        for (id, size, data) in chunks {
            bytes.extend(ids[id]);
            if ids[id].len() == 4 {
                let honest = 4 * data.len() as i32;
                bytes.extend((if size < 100 { honest } else { size }).to_le_bytes());
                data.iter().for_each(|field| bytes.extend(field.to_le_bytes()));
            }
        }
        try_all(bytes)?;
    }
}
