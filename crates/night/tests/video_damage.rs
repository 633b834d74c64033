//! Compressed video cut at every structural byte, with bits flipped and with sizes that lie: frames that can be
//! decoded, or a word that says why not; never a frame of another size, never a hang.
//!
//! Skipped with a word where no ffmpeg is installed.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use stillwright_night::capture::Overrides;
use stillwright_night::files::open_capture;
use stillwright_night::picture::RawFrame;

const FRAMES: usize = 8;

fn has_ffmpeg() -> bool {
    let there = |program: &str| {
        let mut command = Command::new(program);
        command.arg("-version").stdout(Stdio::null()).stderr(Stdio::null());
        command.status().is_ok_and(|status| status.success())
    };
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        println!("skipped: no ffmpeg is installed");
    }
    both
}

fn video(home: &Path, name: &str, codec: &[&str]) -> Vec<u8> {
    let path = home.join(name);
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=48x32:rate=25", "-frames:v"])
        .arg(FRAMES.to_string())
        .args(codec)
        .arg(&path)
        .stdin(Stdio::null())
        .status();
    assert!(made.unwrap().success(), "{name}");
    fs::read(&path).unwrap()
}

/// Where the boxes of an MP4 or MOV file begin (ISO/IEC 14496-12, 4.2: size of four bytes, type of four), those within
/// boxes too.
fn boxes(bytes: &[u8], from: usize, to: usize, found: &mut Vec<usize>) {
    const HOLD_OTHERS: [&[u8]; 8] =
        [b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"dinf", b"udta"];
    let mut at = from;
    while at + 8 <= to {
        let size = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        if size < 8 || at + size > to {
            return;
        }
        found.push(at);
        if HOLD_OTHERS.contains(&&bytes[at + 4..at + 8]) {
            boxes(bytes, at + 8, at + size, found);
        }
        at += size;
    }
}

/// Where the elements of a Matroska file begin (RFC 8794, 4: identifier, then size, both of a length told by their
/// first zero bits).
fn elements(bytes: &[u8], from: usize, to: usize, found: &mut Vec<usize>) {
    // Segment, SeekHead, Info, Tracks, TrackEntry, Video, Cluster, Cues (RFC 9559).
    const HOLD_OTHERS: [u64; 8] =
        [0x1853_8067, 0x114d_9b74, 0x1549_a966, 0x1654_ae6b, 0xae, 0xe0, 0x1f43_b675, 0x1c53_bb6b];
    let number = |at: usize, keep_mark: bool| -> Option<(u64, usize)> {
        let first = *bytes.get(at)?;
        let length = first.leading_zeros() as usize + 1;
        let mut value =
            u64::from(if keep_mark { first } else { first & (0xff >> length.min(8)) as u8 });
        for i in 1..length {
            value = value << 8 | u64::from(*bytes.get(at + i)?);
        }
        (length <= 8).then_some((value, length))
    };
    let mut at = from;
    while at < to {
        let Some((id, id_length)) = number(at, true) else { return };
        let Some((size, size_length)) = number(at + id_length, false) else { return };
        found.push(at);
        let inner = at + id_length + size_length;
        let end = inner.saturating_add(size as usize).min(to);
        if HOLD_OTHERS.contains(&id) {
            elements(bytes, inner, end, found);
        }
        at = end;
    }
}

/// What came of damaged files.
#[derive(Default)]
struct Tally {
    opened: AtomicUsize,
    told: AtomicUsize,
}

/// Open each of `files`; several at a time, for decoders are programs that must be started.
fn check(home: &Path, extension: &str, files: Vec<(String, Vec<u8>)>) -> Tally {
    let tally = Tally::default();
    let waiting = Mutex::new(files.into_iter().enumerate());
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| {
                loop {
                    let Some((number, (what, bytes))) = waiting.lock().unwrap().next() else {
                        return;
                    };
                    let path: PathBuf = home.join(format!("bent{number}.{extension}"));
                    fs::write(&path, &bytes).unwrap();
                    one(&path, &what, &tally);
                    fs::remove_file(&path).unwrap();
                }
            });
        }
    });
    tally
}

fn one(path: &Path, what: &str, tally: &Tally) {
    match open_capture(path, &Overrides::default()) {
        Ok(capture) => {
            tally.opened.fetch_add(1, Ordering::Relaxed);
            let count = capture.frame_count();
            assert!(count >= 1 && count == capture.facts().frames, "{what}");
            let mut frame = RawFrame::black(capture.format());
            for index in [0, count / 2, count - 1] {
                // Decoders may part company on damaged frames: then it is told, frame by frame.
                if capture.read_frame(index, &mut frame).is_ok() {
                    assert_eq!(frame.samples.len(), frame.format.sample_count(), "{what}");
                }
            }
            assert!(capture.read_frame(count, &mut frame).is_err());
        }
        Err(error) => {
            tally.told.fetch_add(1, Ordering::Relaxed);
            let words = error.to_string();
            assert!(words.contains("bent") && words.len() > 40, "{what}: {words}");
        }
    }
}

#[test]
fn cut_bent_and_lying_videos_give_frames_or_a_word() {
    if !has_ffmpeg() {
        return;
    }
    let home = tempfile::tempdir().unwrap();
    let x264 = &["-c:v", "libx264", "-g", "4", "-pix_fmt", "yuv420p"][..];
    for (extension, codec) in [("mp4", x264), ("mov", &["-c:v", "mjpeg"][..]), ("mkv", x264)] {
        let bytes = video(home.path(), &format!("whole.{extension}"), codec);
        let mut marks = Vec::new();
        match extension {
            "mkv" => elements(&bytes, 0, bytes.len(), &mut marks),
            _ => boxes(&bytes, 0, bytes.len(), &mut marks),
        }
        assert!(marks.len() > 20, "{extension}: {} boxes", marks.len());
        let mut files = Vec::new();
        for at in marks.iter().flat_map(|at| [*at, at + 5]).filter(|at| *at < bytes.len()) {
            files.push((format!("{extension} cut at {at}"), bytes[..at].to_vec()));
        }
        let cuts = files.len();
        for (i, at) in marks.iter().enumerate() {
            let mut bent = bytes.clone();
            let lie: [u8; 4] = [[0xff; 4], [0, 0, 0, 1], [0x7f, 0xff, 0xff, 0xff], [0; 4]][i % 4];
            let size = if extension == "mkv" { at + 1 } else { *at };
            let end = (size + 4).min(bent.len());
            bent[size..end].copy_from_slice(&lie[..end - size]);
            files.push((format!("{extension} with a size that lies at {at}"), bent));
        }
        let lies = files.len() - cuts;
        let mut state = 9u64;
        for _ in 0..24 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let mut bent = bytes.clone();
            let at = (state >> 33) as usize % bent.len();
            bent[at] ^= 1 << (state >> 60 & 7);
            files.push((format!("{extension} with a flipped bit at {at}"), bent));
        }
        let all = files.len();
        let tally = check(home.path(), extension, files);
        let (opened, told) = (tally.opened.into_inner(), tally.told.into_inner());
        println!(
            "{extension}: {cuts} cuts, {lies} sizes that lie, 24 flipped bits: {opened} open, {told} told"
        );
        assert!(opened + told == all && told > 5 && opened > 10, "{extension}: {opened} {told}");
    }
}
