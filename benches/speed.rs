//! How fast a still is made, stage by stage on three sizes, beside reading and summing the same
//! frames in the same run: `cargo bench --bench speed`.
//!
//! `cargo bench --bench speed -- NAME` runs the sizes whose name holds NAME; `FACTOR` (a number)
//! divides the numbers of frames, for a quick look; `scaling` fits how cost grows with frames and with pixels;
//! `keep DIR` leaves the captures in DIR, for other programs.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "speed/scene.rs"]
mod scene;
#[path = "speed/window.rs"]
mod window;

use rayon::prelude::*;
use scene::{Shows, Size, write_capture};
use std::fs::File;
use std::path::Path;
use std::process::Command;
use std::sync::atomic::AtomicBool;
use std::time::Instant;
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::cache::Cache;
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::grade::grade_capture;
use stillwright_night::hash::fingerprint;
use stillwright_night::inspect::inspect_capture;
use stillwright_night::picture::{FrameSource, RawFrame, Samples, Silent};
use stillwright_night::seeing::luminance::Luminance;
use stillwright_night::seeing::raster::Raster;
use stillwright_night::seeing::{Survey, survey};
use stillwright_night::stacking::finish::finish;
use stillwright_night::stacking::{Keep, StackSettings, groundwork, stack, stack_on};
use stillwright_night::still::{StillDone, make_still_with};

/// A small planet capture, ground that fills as small a frame, the usual size, a large one of two bytes a sample.
const SIZES: [Size; 4] = [
    size("planet", (640, 480), 8, 20_000, 10.0, Shows::Planet),
    size("small", (640, 480), 8, 20_000, 10.0, Shows::Ground),
    size("usual", (1936, 1096), 8, 2_000, 20.0, Shows::Ground),
    size("large", (4144, 2822), 16, 100, 20.0, Shows::Ground),
];

const fn size(
    name: &'static str,
    (width, height): (usize, usize),
    bits: u8,
    frames: usize,
    keep: f32,
    shows: Shows,
) -> Size {
    Size { name, width, height, bits, frames, keep, shows }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let divisor = words.iter().find_map(|w| w.parse::<usize>().ok()).unwrap_or(1).max(1);
    let kept = words.iter().position(|w| w == "keep").and_then(|at| words.get(at + 1));
    if let [first, path, keep] = &words[..]
        && first == "window"
    {
        return of_window(Path::new(path), keep.parse().unwrap());
    }
    let home = tempfile::tempdir().unwrap();
    let folder = kept.map_or(home.path(), |dir| Path::new(dir.as_str()));
    if words.iter().any(|w| w == "scaling") {
        scaling(folder);
        return;
    }
    let names: Vec<&Size> =
        SIZES.iter().filter(|size| words.iter().any(|w| size.name.contains(w.as_str()))).collect();
    let chosen = if names.is_empty() { SIZES.iter().collect() } else { names };
    if chosen.len() > 1 {
        // Each in a process of its own: what one leaves in the heap is no peak of the next.
        let of_no_size = |w: &&String| !SIZES.iter().any(|size| size.name.contains(w.as_str()));
        let further: Vec<String> = words.iter().filter(of_no_size).cloned().collect();
        for size in chosen {
            run_again(&[&[size.name.to_string()], &further[..]].concat());
        }
        return;
    }
    println!(
        "{} threads; times are wall time, captures in the page cache",
        rayon::current_num_threads()
    );
    for size in chosen {
        let size = Size { frames: (size.frames / divisor).max(24), ..size.clone() };
        let path = folder.join(format!("{}.ser", size.name));
        write_capture(&path, &size);
        table(&path, &size);
        if kept.is_none() {
            std::fs::remove_file(&path).unwrap();
        }
    }
}

/// Time that something took: by the clock, and of all processors together, s.
#[derive(Clone, Copy)]
struct Took {
    wall_s: f64,
    busy_s: f64,
}

/// One line of the table: `per` is a count, and what reading and summing took for one of them.
fn line(what: &str, took: Took, per: Option<(f64, Took)>, goal: &str) {
    let each = per.map_or(String::new(), |(count, unit)| {
        format!(
            "{:9.3} ms each {:7.1} x ({:.1} x busy)",
            1e3 * took.wall_s / count,
            took.wall_s / count / unit.wall_s,
            took.busy_s / count / unit.busy_s
        )
    });
    println!("  {what:<40} {:9.3} s ({:8.2} s busy) {each:<42} {goal}", took.wall_s, took.busy_s);
}

fn table(path: &Path, size: &Size) {
    let Size { name, width, height, bits, frames, keep, .. } = *size;
    println!("\n{name}: {frames} frames of {width} x {height} px, {bits} bit, keep {keep} %");
    let count = frames as f64;
    // Once to bring the file into the page cache.
    read_and_sum(path);
    let (sum, _) = timed(|| read_and_sum(path));
    let unit = Took { wall_s: sum.wall_s / count, busy_s: sum.busy_s / count };
    line("read and sum every pixel", sum, Some((count, unit)), "");
    let mut recipe = Recipe::default();
    recipe.stack.keep = Keep::Percent(keep);
    let (took, capture) = timed(|| {
        let capture = open_capture(path, &recipe.capture).unwrap();
        let mut frame = RawFrame::black(capture.format());
        capture.read_frame(frames / 2, &mut frame).unwrap();
        let mut small = Raster::default();
        Luminance::default().reduced(&frame, 4, &mut small);
        capture
    });
    line("open, header, a small picture", took, None, "0.15 s");
    let (took, _) = timed(|| inspect_capture(path, &recipe.capture, None, &Silent).unwrap());
    line("inspect", took, None, "");

    // The stages one by one.
    let (graded, found) = timed(|| survey(&*capture, &recipe.survey, &Silent).unwrap());
    line("grade", graded, Some((count, unit)), "5 x");
    let (took, stacked) = timed(|| stack(&*capture, &found, &recipe.stack, &Silent).unwrap());
    let kept = count * f64::from(keep) / 100.0;
    line("stack, per frame's worth of kept light", took, Some((kept, unit)), "60 x");
    println!("    frames that gave light somewhere: {}", stacked.frames_used);
    let used = Some((stacked.frames_used as f64, unit));
    line("the same, per frame that gave light", took, used, "60 x");
    let (took, _) = timed(|| finish(&stacked, &recipe.finish, &Silent).unwrap());
    line("finish", took, None, "");
    drop(stacked);

    // The whole, with its record and fingerprint; and what a second run makes of the first.
    let home = tempfile::tempdir().unwrap();
    let files = StillFiles::plan(path, Some(home.path()), &[], Existing::Replace);
    let cache = Cache::under(home.path().join("found"));
    let still =
        |recipe: &Recipe| timed(|| make_still_with(&files, recipe, Some(&cache), &Silent).unwrap());
    begin_peak();
    let (took, first) = still(&recipe);
    let peak = peak_mib();
    let goal = match name {
        "planet" => "8 s",
        "usual" => "6 s",
        _ => "",
    };
    line("still", took, None, goal);
    say_peak("still", peak, "1536 MiB on the large size");
    let (took, again) = still(&recipe);
    assert!(same(&first, &again), "a second run gives another still");
    line("still, second run", took, None, "a third of the first");
    drop((first, again));
    // In a process of its own: what is left in the heap of this one is none of its memory.
    run_again(&["window".into(), path.display().to_string(), keep.to_string()]);
    // What no stack can do without, and a still neither; last, for it holds much.
    let laid = laid_again(&*capture, &found, &recipe.stack);
    line("stack, knowing where frames lie", laid, Some((kept, unit)), "");
    let (checksum, _) = timed(|| {
        fingerprint(&mut File::open(path).unwrap(), &AtomicBool::new(false)).unwrap().unwrap()
    });
    line("checksum", checksum, None, "");
    let least_s = checksum.busy_s + graded.busy_s + laid.busy_s;
    println!(
        "  checksum, grade and that together, were all else free: {least_s:.2} s busy, {:.2} s on all cores",
        least_s / rayon::current_num_threads() as f64
    );
}

/// The lines of the window, for a capture.
fn of_window(path: &Path, keep: f32) {
    let waited = window::waited(path, keep);
    line("window: what is visible, a slider's move", waited.seen, None, "0.05 s at 12 Mpx");
    line("window: the same, its first move", waited.first_seen, None, "");
    line("window: the whole picture, let go of it", waited.whole, None, "0.4 s at 12 Mpx");
    line("window: new stack, half the keep", waited.half, None, "2 s");
    line("window: new stack, twice the keep", waited.twice, None, "");
    say_peak("window: three stacks, a slider", peak_mib(), "1536 MiB on the large size");
}

/// Run this bench in another process, and wait for it.
fn run_again(words: &[String]) {
    let status = Command::new(std::env::current_exe().unwrap()).args(words).status();
    assert!(status.unwrap().success());
}

/// What a stack takes that knows where every frame lies, and has still to read, sample and add them all.
fn laid_again(source: &dyn FrameSource, found: &Survey, settings: &StackSettings) -> Took {
    let ground = groundwork(source, found, settings, &Silent).unwrap().remembering(4 << 30);
    let stacked = |settings: &StackSettings| {
        let aligned = ground.frames_aligned();
        let took = timed(|| stack_on(&ground, source, found, settings, &Silent, None).unwrap());
        (took.0, took.1.picture, ground.frames_aligned() - aligned)
    };
    let (_, first, aligned) = stacked(settings);
    // The sums of the last stack are remembered, too; one of another scale makes them forgotten.
    stacked(&StackSettings { scale: 0.5, ..settings.clone() });
    let (took, again, aligned_again) = stacked(settings);
    assert!(
        aligned > 0 && aligned_again == 0,
        "{aligned} frames were aligned, then {aligned_again}"
    );
    assert!(first == again, "a stack along known fields is another");
    took
}

/// Have the system begin anew with the largest memory of this process.
fn begin_peak() {
    // Where it will not, the largest so far is told.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

fn say_peak(what: &str, peak: Option<u64>, goal: &str) {
    if let Some(peak) = peak {
        println!("  {:<40} {peak:9} MiB {:>72}", format!("{what}, peak memory"), goal);
    }
}

fn same(a: &StillDone, b: &StillDone) -> bool {
    a.stack.picture == b.stack.picture && a.finished.picture == b.finished.picture
}

/// Fits of cost to (frames)^a and (pixels)^b, over a factor of 16 in each.
fn scaling(folder: &Path) {
    let cost = |width: usize, height: usize, frames: usize| {
        let size = size("scaling", (width, height), 8, frames, 20.0, Shows::Ground);
        let path = folder.join("scaling.ser");
        write_capture(&path, &size);
        read_and_sum(&path);
        let mut recipe = Recipe::default();
        recipe.stack.keep = Keep::Percent(20.0);
        let files = StillFiles::plan(&path, Some(folder), &[], Existing::Replace);
        let (grade, _) = timed(|| grade_capture(&path, &recipe, &Silent).unwrap());
        let (still, _) = timed(|| make_still_with(&files, &recipe, None, &Silent).unwrap());
        // Processor time: a fit over minutes should not follow what else the machine does.
        let (grade_s, still_s) = (grade.busy_s, still.busy_s);
        println!(
            "  {width} x {height}, {frames} frames: grade {grade_s:.3} s, still {still_s:.3} s"
        );
        (grade_s, still_s)
    };
    let by_frames =
        [250, 500, 1000, 2000, 4000].map(|frames| (frames as f64, cost(640, 480, frames)));
    let by_pixels = [(480, 360), (960, 720), (1920, 1440)]
        .map(|(width, height)| ((width * height) as f64, cost(width, height, 400)));
    for (what, points) in [("frames", &by_frames[..]), ("pixels", &by_pixels[..])] {
        let grade: Vec<_> = points.iter().map(|(x, (grade, _))| (x.ln(), grade.ln())).collect();
        let still: Vec<_> = points.iter().map(|(x, (_, still))| (x.ln(), still.ln())).collect();
        println!(
            "  grade grows as {what}^{:.2}, still as {what}^{:.2}",
            slope(&grade),
            slope(&still)
        );
    }
}

fn slope(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (x, y) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let up: f64 = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    up / points.iter().map(|p| (p.0 - x).powi(2)).sum::<f64>()
}

fn timed<T>(work: impl FnOnce() -> T) -> (Took, T) {
    let (begun, busy_s) = (Instant::now(), busy_s());
    let done = work();
    let took = Took { wall_s: begun.elapsed().as_secs_f64(), busy_s: self::busy_s() - busy_s };
    (took, done)
}

/// Processor time of this process so far, s, as Linux tells it in steps of 10 ms; else 0. On a
/// machine that does other work too, it tells more than the clock.
fn busy_s() -> f64 {
    let Ok(text) = std::fs::read_to_string("/proc/self/stat") else { return 0.0 };
    let after_name = text.rsplit(')').next().unwrap_or_default();
    let ticks =
        after_name.split_whitespace().skip(11).take(2).filter_map(|n| n.parse::<f64>().ok());
    ticks.sum::<f64>() / 100.0
}

/// Read every frame and sum every sample, on all threads: what nothing can be faster than.
fn read_and_sum(path: &Path) -> u64 {
    let capture = open_capture(path, &Recipe::default().capture).unwrap();
    let source: &dyn FrameSource = &*capture;
    (0..source.frame_count())
        .into_par_iter()
        .map_init(
            || RawFrame::black(source.format()),
            |frame, index| {
                source.read_frame(index, frame).unwrap();
                match &frame.samples {
                    Samples::U8(v) => v.chunks(4096).map(sum).sum(),
                    Samples::U16(v) => v.chunks(4096).map(sum).sum(),
                    Samples::F32(v) => v.len() as u64,
                }
            },
        )
        .sum()
}

fn sum<T: Copy + Into<u32>>(samples: &[T]) -> u64 {
    u64::from(samples.iter().map(|s| (*s).into()).sum::<u32>())
}

/// The most memory that this process has had, as Linux tells it.
fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches("kB").trim().parse::<u64>().ok()? / 1024)
}
