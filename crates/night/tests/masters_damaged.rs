//! Saved masters that are cut, bent, or lie: a word, never a panic, and never a frame calibrated with half of one.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::atomic::Existing;
use stillwright_night::calibration::{CalibrationSettings, MasterFiles, calibrated, make_master};
use stillwright_night::capture::{Capture, Overrides, SerOptions, SerWriter};
use stillwright_night::files::open_capture;
use stillwright_night::picture::{Layout, RawFrame, Samples, Silent};
use stillwright_night::saved_path::SavedPath;
use stillwright_night::seeing::calibration::MasterKind;

const SIDE: usize = 16;

/// Frames around a level, with a fixed pattern.
fn write(path: &Path, level: u16) -> PathBuf {
    let options = SerOptions::new(SIDE, SIDE, Layout::Mono, 12);
    let mut writer = SerWriter::create(fs::File::create(path).unwrap(), options).unwrap();
    for frame in 0..8u16 {
        let sample = |i: usize| level + (i % 7) as u16 * 3 + (i as u16 + frame) % 3;
        let samples = Samples::U16((0..SIDE * SIDE).map(sample).collect());
        writer.write_frame(&samples, None).unwrap();
    }
    writer.finish().unwrap();
    path.to_path_buf()
}

fn master(kind: MasterKind, capture: &Path) -> Vec<u8> {
    let files = MasterFiles::plan(kind, capture, &[], None, Existing::Replace);
    make_master(&files, &Overrides::default(), &Silent).unwrap();
    fs::read(&files.master).unwrap()
}

/// The first frame of `light`, calibrated with a file of these bytes as dark or flat; or what was said.
fn with_file(light: &Path, kind: MasterKind, bytes: &[u8]) -> Result<Samples, String> {
    let file = light.with_file_name(format!("bent.{}.fits", kind.name()));
    fs::write(&file, bytes).unwrap();
    let mut settings = CalibrationSettings::default();
    match kind {
        MasterKind::Dark => settings.darks = vec![SavedPath::of(&file)],
        _ => settings.flats = vec![SavedPath::of(&file)],
    }
    let raw: Box<dyn Capture> = open_capture(light, &Overrides::default()).unwrap();
    let calibrated = calibrated(raw, light, &settings, &Silent);
    let capture = calibrated.map_err(|error| error.to_string())?.capture;
    let mut frame = RawFrame::black(capture.format());
    capture.read_frame(0, &mut frame).unwrap();
    Ok(frame.samples)
}

struct Bench {
    home: tempfile::TempDir,
    light: PathBuf,
}

fn bench() -> Bench {
    let home = tempfile::tempdir().unwrap();
    let light = write(&home.path().join("light.ser"), 2000);
    Bench { home, light }
}

fn masters(bench: &Bench) -> [(MasterKind, Vec<u8>); 2] {
    let dark = write(&bench.home.path().join("dark.ser"), 90);
    let flat = write(&bench.home.path().join("flat.ser"), 2200);
    [
        (MasterKind::Dark, master(MasterKind::Dark, &dark)),
        (MasterKind::Flat, master(MasterKind::Flat, &flat)),
    ]
}

#[test]
fn cut_at_every_card_and_in_the_values_a_master_is_refused_by_name() {
    let bench = bench();
    for (kind, bytes) in masters(&bench) {
        let whole = with_file(&bench.light, kind, &bytes).unwrap();
        let head = bytes.len() - (4 * SIDE * SIDE).next_multiple_of(2880);
        let values_end = head + 4 * SIDE * SIDE;
        let (mut refused, mut used) = (0, 0);
        let cards = (0..=head).step_by(80).flat_map(|at| [at.saturating_sub(1), at, at + 1]);
        let values = (head..bytes.len()).step_by(37);
        for cut in cards.chain(values).chain([values_end - 1, values_end, bytes.len() - 1]) {
            match with_file(&bench.light, kind, &bytes[..cut]) {
                Ok(samples) => {
                    used += 1;
                    assert!(cut >= values_end, "{kind:?} cut at {cut} was taken for whole");
                    assert!(samples == whole, "{kind:?} cut at {cut}");
                }
                Err(words) => {
                    refused += 1;
                    assert!(cut < values_end, "{kind:?} cut at {cut} has all values: {words}");
                    let named = words.contains(&format!("no {} fits", kind.name()));
                    assert!(named && words.contains("bent."), "{kind:?} cut at {cut}: {words}");
                }
            }
        }
        println!("{}: {refused} cuts refused, {used} harmless", kind.name());
        assert!(refused > 100 && used > 3);
    }
}

#[test]
fn flipped_bits_and_numbers_that_lie_never_panic() {
    let bench = bench();
    let mut chance = 5u64;
    let mut below = move |n: usize| {
        chance =
            chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (chance >> 33) as usize % n
    };
    for (kind, bytes) in masters(&bench) {
        let (mut refused, mut used) = (0, 0);
        for turn in 0..600 {
            let mut bent = bytes.clone();
            if turn % 2 == 0 {
                // A bit anywhere, mostly in the header.
                let at = below(if turn % 4 == 0 { 2880 } else { bent.len() });
                bent[at] ^= 1 << below(8);
            } else {
                // A value of a card.
                let card = below(24) * 80;
                let lie: &[u8] = [
                    &b"                  -1"[..],
                    b"99999999999999999999",
                    b"                 nan",
                    b"               1e308",
                ][below(4)];
                bent[card + 10..card + 30].copy_from_slice(lie);
            }
            match with_file(&bench.light, kind, &bent) {
                Ok(Samples::F32(samples)) => {
                    used += 1;
                    assert_eq!(samples.len(), SIDE * SIDE);
                }
                Ok(other) => panic!("{other:?}"),
                Err(words) => {
                    refused += 1;
                    assert!(words.contains("bent."), "{words}");
                }
            }
        }
        println!("{}: {refused} bent masters refused, {used} used", kind.name());
        assert!(refused > 20 && used > 20, "{refused} {used}");
    }
}
