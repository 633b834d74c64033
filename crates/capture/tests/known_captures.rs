//! The captures with known truth: what they hold, and that pixels are what they should be.
#![allow(clippy::unwrap_used)]

mod common;

use common::{codes, note_codes, read, shared};
use std::fs::File;
use stillwright_capture::{ByteOrder, Capture, Justification, Overrides, open};
use stillwright_picture::Samples;

fn open_shared(name: &str) -> Option<Box<dyn Capture>> {
    let path = shared(name)?;
    Some(open(Box::new(File::open(path).unwrap()), &Overrides::default()).unwrap())
}

#[test]
fn facts_are_those_of_the_captures() {
    for (name, width, height, frames, depth, layout) in [
        ("ridge-mono8.ser", 320, 256, 300, 8, "mono"),
        ("scarp-mono12.ser", 288, 224, 200, 12, "mono"),
        ("disc-rggb8.ser", 208, 200, 260, 8, "rggb"),
    ] {
        let Some(capture) = open_shared(name) else { return };
        let facts = capture.facts();
        assert_eq!((facts.width, facts.height, facts.frames), (width, height, frames), "{name}");
        assert_eq!((facts.bit_depth, facts.layout.name()), (depth, layout), "{name}");
        assert_eq!(facts.declared_frames, Some(frames as i64));
        assert_eq!(facts.telescope, "8-inch f/10");
        assert_eq!((codes(&*capture), note_codes(&*capture)), (vec![], vec![]), "{name}");
        let last = capture.time_utc(frames - 1).unwrap();
        let seconds = last.seconds_since(capture.time_utc(0).unwrap());
        let interval = seconds / (frames - 1) as f64;
        assert!((facts.duration_s.unwrap() - seconds - interval).abs() < 1e-6, "{name}");
        println!("{name}: {:?} s, start {}", facts.duration_s, facts.start_utc.unwrap());
    }
}

#[test]
fn twelve_bits_are_big_endian_here_and_neighbours_alike() {
    let Some(capture) = open_shared("scarp-mono12.ser") else { return };
    assert_eq!(capture.facts().byte_order, Some(ByteOrder::Big));
    assert_eq!(capture.facts().justification, Some(Justification::Right));
    let Samples::U16(samples) = read(&*capture, 0) else { panic!("16-bit samples") };
    // The file's first two bytes after the header are 03 ed.
    assert_eq!(samples[0], 0x3ed);
    let brightest = samples.iter().max().unwrap();
    assert!((2000..4096).contains(brightest), "{brightest}");
    let jumps = samples.windows(2).filter(|pair| pair[0].abs_diff(pair[1]) > 1000).count();
    assert!(jumps < samples.len() / 100, "{jumps} jumps");
}
