//! The same frames in containers written by general-purpose software, through `inspect`, `grade`
//! and `still`, against the results of the plain capture that they came from.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use stillwright_night::atomic::Existing;
use stillwright_night::capture::{Overrides, SerOptions, SerWriter};
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::grade::{GradeReport, grade_capture};
use stillwright_night::inspect::inspect_capture;
use stillwright_night::picture::{RawFrame, Samples, Silent};
use stillwright_night::recipe::Recipe;
use stillwright_night::still::make_still;

fn shared() -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/captures");
    if path.is_dir() {
        return Some(path);
    }
    println!("skipped: {} is not here", path.display());
    None
}

fn has_ffmpeg() -> bool {
    let there = |program: &str| {
        let quiet = Command::new(program)
            .arg("-version")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
        quiet.is_ok_and(|status| status.success())
    };
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        println!("skipped: no ffmpeg is installed");
    }
    both
}

/// The first `frames` frames of a capture as a capture of its own, those in `without` left out.
fn part(from: &Path, to: &Path, frames: usize, without: &[usize]) {
    let capture = open_capture(from, &Overrides::default()).unwrap();
    let format = capture.format();
    let depth = capture.facts().bit_depth;
    let options = SerOptions::new(format.width, format.height, format.layout, depth);
    let mut writer = SerWriter::create(fs::File::create(to).unwrap(), options).unwrap();
    let mut frame = RawFrame::black(format);
    for index in (0..frames).filter(|index| !without.contains(index)) {
        capture.read_frame(index, &mut frame).unwrap();
        writer.write_frame(&frame.samples, None).unwrap();
    }
    writer.finish().unwrap();
}

fn grade(path: &Path) -> GradeReport {
    grade_capture(path, &Recipe::default(), &Silent)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Largest difference of shifts, px, and of grades, share; frames of both must be as many.
fn apart(a: &GradeReport, b: &GradeReport) -> (f32, f32) {
    assert_eq!(a.frames.len(), b.frames.len(), "{} and {}", a.file, b.file);
    let reference = |report: &GradeReport| {
        let line = &report.frames[0];
        (line.shift_x, line.shift_y)
    };
    // Each may have chosen another reference frame: shifts are compared from frame to frame.
    let (from_a, from_b) = (reference(a), reference(b));
    let mut worst = (0.0_f32, 0.0_f32);
    for (one, other) in a.frames.iter().zip(&b.frames).filter(|(a, b)| !a.rejected && !b.rejected) {
        let x = (one.shift_x - from_a.0) - (other.shift_x - from_b.0);
        let y = (one.shift_y - from_a.1) - (other.shift_y - from_b.1);
        worst.0 = worst.0.max(x.hypot(y));
        worst.1 = worst.1.max((one.grade / other.grade - 1.0).abs());
    }
    worst
}

#[test]
fn every_container_gives_what_the_plain_capture_gives() {
    let Some(shared) = shared() else { return };
    let home = tempfile::tempdir().unwrap();
    for (name, frames, from, without, lossy) in [
        ("ridge-grey8.avi", 60, "ridge-mono8.ser", &[][..], None),
        ("ridge-bgr24.avi", 16, "ridge-mono8.ser", &[], None),
        ("ridge-png", 10, "ridge-mono8.ser", &[], None),
        ("scarp-cube-u16.fits", 20, "scarp-mono12.ser", &[], None),
        ("scarp-cube-f32.fits", 6, "scarp-mono12.ser", &[], None),
        ("scarp-sequence", 12, "scarp-mono12.ser", &[7], None),
        ("ridge-yuyv422.avi", 16, "ridge-mono8.ser", &[], Some((0.05, 0.05))),
        ("ridge-mjpeg.avi", 40, "ridge-mono8.ser", &[], Some((0.6, 0.6))),
        ("ridge-h264.mp4", 60, "ridge-mono8.ser", &[], Some((1.0, 1.0))),
    ] {
        if name.ends_with("mp4") && !has_ffmpeg() {
            continue;
        }
        let plain = home.path().join(format!("{name}.ser"));
        part(&shared.join(from), &plain, frames, without);
        let container = shared.join("containers").join(name);
        let report = inspect_capture(&container, &Overrides::default(), None, &Silent).unwrap();
        assert_eq!(report.frames, frames - without.len(), "{name}");
        let (shift, quality) = apart(&grade(&container), &grade(&plain));
        println!("{name}: shifts within {shift:.3} px, grades within {:.1} %", 100.0 * quality);
        let (most_shift, most_quality) = lossy.unwrap_or((0.02, 0.02));
        assert!(shift <= most_shift && quality <= most_quality, "{name}: {shift} px, {quality}");
    }
}

#[test]
fn stills_come_out_of_every_kind_of_container() {
    let Some(shared) = shared() else { return };
    let home = tempfile::tempdir().unwrap();
    for name in
        ["ridge-mjpeg.avi", "scarp-cube-u16.fits", "ridge-png", "scarp-sequence", "ridge-h264.mp4"]
    {
        if name.ends_with("mp4") && !has_ffmpeg() {
            continue;
        }
        let capture = shared.join("containers").join(name);
        let files = StillFiles::plan(&capture, Some(home.path()), &[], Existing::Keep);
        let done = make_still(&files, &Recipe::default(), &Silent)
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(files.all().all(Path::is_file), "{name}");
        // The fingerprint covers every byte of every file.
        let bytes: u64 = if capture.is_dir() {
            fs::read_dir(&capture).unwrap().map(|e| e.unwrap().metadata().unwrap().len()).sum()
        } else {
            fs::metadata(&capture).unwrap().len()
        };
        let record = serde_json::to_value(&done.record).unwrap();
        assert_eq!(record["inputs"][0]["bytes"], bytes, "{name}");
        println!("{name}: {} frames used", done.record.frames_used);
    }
}

/// Make a video by ffmpeg's own arguments.
fn video(path: &Path, arguments: &[&str]) {
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i", "testsrc2=size=96x64:rate=25:duration=4"])
        .args(arguments)
        .arg(path)
        .stdin(Stdio::null())
        .status()
        .unwrap();
    assert!(made.success());
}

#[test]
fn frames_of_a_video_come_in_any_order_and_are_the_right_ones() {
    if !has_ffmpeg() {
        return;
    }
    let home = tempfile::tempdir().unwrap();
    for (name, arguments) in [
        (
            "long-groups.mp4",
            &["-c:v", "libx264", "-g", "250", "-bf", "3", "-pix_fmt", "yuv420p"][..],
        ),
        (
            "short-groups.mkv",
            &["-c:v", "libx264", "-g", "12", "-bf", "2", "-pix_fmt", "yuv420p10le"],
        ),
        ("plain.mov", &["-c:v", "mjpeg", "-q:v", "2", "-pix_fmt", "yuvj420p"]),
        ("lossless.avi", &["-c:v", "ffv1", "-pix_fmt", "bgr0"]),
        ("-odd name; $(touch x) %03d.mkv", &["-c:v", "ffv1", "-pix_fmt", "gray16le"]),
        (
            "uneven.mkv",
            &["-vf", "select='not(between(n,30,34))'", "-vsync", "vfr", "-c:v", "libx264"],
        ),
    ] {
        let path = home.path().join(name);
        video(&path, arguments);
        let capture = open_capture(&path, &Overrides::default()).unwrap();
        let facts = capture.facts();
        let uneven = name.starts_with("uneven");
        assert_eq!(facts.frames, if uneven { 95 } else { 100 }, "{name}");
        assert_eq!(facts.warnings.len(), usize::from(uneven), "{name}: {:?}", facts.warnings);
        assert!((facts.duration_s.unwrap() - 4.0).abs() < 0.1, "{name}: {:?}", facts.duration_s);
        let mut frame = RawFrame::black(capture.format());
        let mut in_order: Vec<Samples> = Vec::new();
        for index in 0..facts.frames {
            capture.read_frame(index, &mut frame).unwrap();
            in_order.push(frame.samples.clone());
        }
        let again = open_capture(&path, &Overrides::default()).unwrap();
        for index in [90, 3, 50, 51, 2, 94, 0, 60, 59, 31, 94] {
            again.read_frame(index, &mut frame).unwrap();
            assert!(frame.samples == in_order[index], "{name}: frame {index}");
        }
        assert!(again.read_frame(facts.frames, &mut frame).is_err());
        // From several threads at once.
        std::thread::scope(|scope| {
            for first in [0, 40, 80] {
                let (again, in_order) = (&again, &in_order);
                scope.spawn(move || {
                    let mut frame = RawFrame::black(again.format());
                    for (index, want) in in_order.iter().enumerate().skip(first).take(12) {
                        again.read_frame(index, &mut frame).unwrap();
                        assert!(frame.samples == *want, "{index}");
                    }
                });
            }
        });
    }
    assert!(!home.path().join("x").exists() && !Path::new("x").exists());
}

#[test]
fn cut_and_broken_videos_give_what_can_be_decoded_or_say_why_not() {
    if !has_ffmpeg() {
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let whole = home.path().join("whole.mkv");
    video(&whole, &["-c:v", "libx264", "-g", "10", "-pix_fmt", "yuv420p"]);
    let bytes = fs::read(&whole).unwrap();
    let mut opened = 0;
    for share in [0.02, 0.2, 0.5, 0.8, 0.99] {
        let cut = home.path().join("cut.mkv");
        fs::write(&cut, &bytes[..(bytes.len() as f64 * share) as usize]).unwrap();
        match open_capture(&cut, &Overrides::default()) {
            Ok(capture) => {
                opened += 1;
                let mut frame = RawFrame::black(capture.format());
                let count = capture.frame_count();
                assert!(count > 0 && count < 100, "{share}: {count}");
                capture.read_frame(count - 1, &mut frame).unwrap();
            }
            Err(error) => assert!(error.to_string().contains("ffmpeg"), "{error}"),
        }
    }
    assert!(opened >= 3, "{opened}");
    // Nothing but a head; and a list of other files in the place of a video.
    for head in [&b"\x1a\x45\xdf\xa3 and nothing"[..], b"\0\0\0\x18ftypmp42", b"\0\0\0\x08free"] {
        let odd = home.path().join("odd.mp4");
        fs::write(&odd, head).unwrap();
        let error = open_capture(&odd, &Overrides::default()).err().unwrap().to_string();
        assert!(error.contains("odd.mp4"), "{error}");
    }
    // A video that changes while it is open.
    let changing = home.path().join("changing.mkv");
    fs::write(&changing, &bytes).unwrap();
    let capture = open_capture(&changing, &Overrides::default()).unwrap();
    fs::write(&changing, &bytes[..bytes.len() / 3]).unwrap();
    let mut frame = RawFrame::black(capture.format());
    assert!(capture.read_frame(99, &mut frame).is_err());
}
