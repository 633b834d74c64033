//! Damaged captures: a clear error or a warning, never a panic, never a half-written result.
#![allow(clippy::unwrap_used)]

mod cli;

use cli::{FRAMES, HEADER, HEIGHT, Ran, WIDTH, capture_bytes, names, run_on};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const FRAME: usize = WIDTH * HEIGHT;

/// Ends of the header's fields (SER version 3): id, LuID, colour, byte order, width, height,
/// depth, count, observer, instrument, telescope, local time, UTC.
const FIELDS: [usize; 13] = [14, 18, 22, 26, 30, 34, 38, 42, 82, 122, 162, 170, 178];

struct Bench {
    home: TempDir,
    file: PathBuf,
}

impl Bench {
    fn with(bytes: &[u8]) -> Bench {
        let home = TempDir::new().unwrap();
        let file = home.path().join("IN.ser");
        std::fs::write(&file, bytes).unwrap();
        Bench { home, file }
    }

    /// A header field overwritten.
    fn patched(offset: usize, value: i32) -> Bench {
        let mut bytes = capture_bytes().to_vec();
        bytes[offset..offset + 4].copy_from_slice(&value.to_le_bytes());
        Bench::with(&bytes)
    }

    fn inspect(&self) -> Ran {
        run_on(&["inspect", "--json"], &self.file, &[])
    }

    /// Make a still; whatever comes of it, results are whole or absent.
    fn still(&self) -> Ran {
        let ran = run_on(&["still", "--json", "--keep", "50"], &self.file, &[]);
        let stills = self.home.path().join("stills");
        match ran.status {
            0 => assert_eq!(names(&stills).len(), 3, "{ran:?}"),
            1 => {
                assert!(!stills.exists() || names(&stills).is_empty(), "{ran:?}");
                assert_clear(&ran, &self.file);
            }
            _ => panic!("{ran:?}"),
        }
        ran
    }
}

/// An error says what and where, gives advice on its own line, and ends with the path.
fn assert_clear(ran: &Ran, file: &Path) {
    assert!(ran.err.starts_with("error: "), "{ran:?}");
    let lines: Vec<&str> = ran.err.trim_end().lines().collect();
    assert!(lines.len() >= 3, "what, what to do, where: {ran:?}");
    assert_eq!(lines.last().unwrap().trim(), file.display().to_string(), "{ran:?}");
}

fn assert_refused(bench: &Bench) {
    let ran = bench.inspect();
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_clear(&ran, &bench.file);
    assert!(ran.result()["error"].is_string());
    assert_eq!(bench.still().status, 1);
}

#[test]
fn cut_at_every_field_of_the_header() {
    let whole = capture_bytes();
    for end in FIELDS.iter().flat_map(|end| [end - 1, *end, end + 1]).chain([0, 1, 7]) {
        assert_refused(&Bench::with(&whole[..end]));
    }
}

#[test]
fn cut_in_every_frame() {
    let whole = capture_bytes();
    for index in 0..FRAMES {
        let start = HEADER + index * FRAME;
        for end in [start, start + 1, start + FRAME / 2, start + FRAME - 1] {
            let bench = Bench::with(&whole[..end]);
            if index == 0 {
                assert_eq!(bench.inspect().status, 1, "cut at {end}");
                continue;
            }
            let ran = bench.inspect();
            assert_eq!(ran.status, 0, "cut at {end}: {ran:?}");
            let found = ran.result();
            assert_eq!(found["frames"], index, "cut at {end}");
            assert!(!found["warnings"].as_array().unwrap().is_empty(), "cut at {end}: {found}");
        }
        if index % 5 == 1 {
            let ran = Bench::with(&whole[..start + FRAME / 2]).still();
            if index > 5 {
                assert_eq!(ran.status, 0, "{index} whole frames: {ran:?}");
                assert!(!ran.result()["warnings"].as_array().unwrap().is_empty());
            }
        }
    }
}

#[test]
fn wrong_frame_counts() {
    for count in [0, -1, i32::MAX, i32::MIN, FRAMES as i32 + 1] {
        let bench = Bench::patched(38, count);
        let ran = bench.inspect();
        assert_eq!(ran.status, 0, "count {count}: {ran:?}");
        let found = ran.result();
        assert_eq!(found["frames"], FRAMES, "count {count}: {found}");
        let odd =
            found["warnings"].as_array().unwrap().len() + found["notes"].as_array().unwrap().len();
        assert!(odd > 0, "count {count} passed without a word: {found}");
    }
    assert_eq!(Bench::patched(38, i32::MAX).still().status, 0);
}

#[test]
fn absurd_sizes_depths_and_colours() {
    for (offset, values) in [
        (26, &[0, -1, i32::MAX, i32::MIN, 65_536, 1 << 20][..]),
        (30, &[0, -1, i32::MAX, i32::MIN, 65_536, 1 << 20]),
        (34, &[0, -1, 17, i32::MAX]),
        (18, &[7, -1, i32::MAX]),
    ] {
        for value in values {
            let bench = Bench::patched(offset, *value);
            let (inspected, made) = (bench.inspect(), bench.still());
            assert!(matches!(inspected.status, 0 | 1), "{offset} {value}: {inspected:?}");
            if offset != 34 && offset != 18 {
                assert_eq!(inspected.status, 1, "{offset} {value}: {inspected:?}");
            }
            assert_eq!(made.status, inspected.status, "{offset} {value}: {made:?}");
        }
    }
}

#[test]
fn a_large_frame_that_the_file_does_not_hold_takes_no_memory() {
    // 16 000 x 16 000 px is allowed, 12 kB a frame are there: no whole frame.
    let mut bytes = capture_bytes().to_vec();
    bytes[26..30].copy_from_slice(&16_000i32.to_le_bytes());
    bytes[30..34].copy_from_slice(&16_000i32.to_le_bytes());
    assert_refused(&Bench::with(&bytes));
}

#[test]
fn wrong_id_zero_length_and_other_files() {
    let mut wrong = capture_bytes().to_vec();
    wrong[0] ^= 0x20;
    for bytes in [&wrong[..], b"", b"L", b"hello, this is a letter\n", &[0; 4096]] {
        assert_refused(&Bench::with(bytes));
    }
}

#[test]
fn folders_devices_and_nothing() {
    let home = TempDir::new().unwrap();
    let mut paths = vec![home.path().to_path_buf(), home.path().join("nothing.ser")];
    if cfg!(unix) {
        paths.push("/dev/null".into());
        paths.push("/dev/zero".into());
    }
    for path in paths {
        for command in ["inspect", "grade"] {
            let ran = run_on(&[command], &path, &[]);
            assert_eq!(ran.status, 1, "{ran:?}");
            assert_clear(&ran, &path);
        }
    }
    let ran =
        run_on(&["still"], home.path(), &["--out", home.path().join("out").to_str().unwrap()]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_clear(&ran, home.path());
}

#[test]
fn noise_in_the_header_never_breaks_the_program() {
    // Reproducible noise over all of the header but the id.
    let mut state = 1u64;
    for _ in 0..60 {
        let mut bytes = capture_bytes()[..HEADER + 3 * FRAME].to_vec();
        for _ in 0..4 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let at = 14 + (state >> 33) as usize % (HEADER - 14);
            bytes[at] = (state >> 24) as u8;
        }
        let ran = Bench::with(&bytes).inspect();
        assert!(matches!(ran.status, 0 | 1), "{ran:?}");
    }
}
