//! Every reader is fed bent files: no panic, no hang, no memory beyond what the file's size stands for.
//!
//! The targets are those of `fuzz/targets.rs`, which cargo-fuzz runs with coverage for guidance; this driver has none. It
//! bends the files of the kept corpus (`fuzz/corpus`), one to six changes at a time, always the same ones for the
//! same seed. 2000 a target by default; `STILLWRIGHT_FUZZ_SECONDS=600` for so long a target each, and
//! `STILLWRIGHT_FUZZ_SEED` for other ones; `-- --nocapture` tells the counts.
//!
//! One test only, for the allocator counts for the whole program.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "../fuzz/targets.rs"]
#[allow(missing_docs)]
mod targets;

use peak_alloc::PeakAlloc;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::cache::Cache;
use stillwright_night::files::StillFiles;
use stillwright_night::memory::thread_time;
use stillwright_night::picture::Silent;
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::still::make_still_with;
use targets::{IN_ANY_CASE, TARGETS, Target};

#[global_allocator]
static PEAK: PeakAlloc = PeakAlloc;

/// Executions of each target unless told otherwise.
const EXECUTIONS: usize = 2000;
/// Longer than this, and a file of some kilobytes has made the reader hang.
const LONGEST: Duration = Duration::from_secs(10);
/// Bent files do not grow beyond this.
const LARGEST_FILE: usize = 64 << 10;
/// Bytes before the contents of a file of the cache.
const HEAD_OF_KEPT: usize = 124;

struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        // Marsaglia, Journal of Statistical Software 8 (14), 2003: xorshift64.
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() >> 11) as usize % n.max(1)
    }
}

/// Numbers at which things go wrong.
const EDGES: [i64; 18] = [
    0,
    1,
    2,
    3,
    -1,
    -2,
    7,
    127,
    128,
    255,
    256,
    32_767,
    65_535,
    65_536,
    0x7fff_ffff,
    -0x8000_0000,
    0x1_0000_0000,
    i64::MAX,
];

fn bend(bytes: &mut Vec<u8>, corpus: &[Vec<u8>], chance: &mut Chance) {
    for _ in 0..=chance.below(6) {
        let n = bytes.len();
        if n == 0 {
            bytes.push(chance.next() as u8);
            continue;
        }
        // Headers stand at the beginning: half of all changes go there.
        let at = if chance.below(2) == 0 { chance.below(n.min(256)) } else { chance.below(n) };
        match chance.below(12) {
            0 => bytes[at] ^= 1 << chance.below(8),
            1 => bytes[at] = chance.next() as u8,
            2 => bytes.truncate(at),
            3 | 4 => {
                let edge = EDGES[chance.below(EDGES.len())];
                let width = [1, 2, 4, 8][chance.below(4)];
                let mut own = edge.to_le_bytes()[..width].to_vec();
                if chance.below(2) == 0 {
                    own.reverse();
                }
                let end = (at + width).min(n);
                bytes[at..end].copy_from_slice(&own[..end - at]);
            }
            5 => {
                let end = (at + 1 + chance.below(40)).min(n);
                bytes.drain(at..end);
            }
            6 => {
                let end = (at + 1 + chance.below(200)).min(n);
                let again = bytes[at..end].to_vec();
                let to = chance.below(n);
                bytes.splice(to..to, again);
            }
            7 => {
                let other = &corpus[chance.below(corpus.len())];
                let from = chance.below(other.len());
                let end = (from + chance.below(300)).min(other.len());
                bytes.splice(at..at, other[from..end].iter().copied());
            }
            8 => {
                // Digits of headers in text.
                let digits: Vec<usize> =
                    (at..n.min(at + 400)).filter(|i| bytes[*i].is_ascii_digit()).take(8).collect();
                for i in digits {
                    bytes[i] = b'0' + chance.below(10) as u8;
                }
            }
            9 => {
                let words: [&[u8]; 8] =
                    [b"-1", b"1e308", b"nan", b"99999999999999999999", b"[[", b"\"", b"\n", b"\0"];
                let word = words[chance.below(words.len())];
                bytes.splice(at..at, word.iter().copied());
            }
            10 => {
                let to = chance.below(n);
                bytes.swap(at, to);
            }
            _ => {
                let more = chance.below(64);
                let byte = chance.next() as u8;
                bytes.extend(std::iter::repeat_n(byte, more));
            }
        }
    }
    bytes.truncate(LARGEST_FILE);
}

/// Run a target on `bytes`; what went wrong, in words.
fn run(target: &Target, bytes: &[u8]) -> Result<usize, String> {
    PEAK.reset_peak_usage();
    let before = PEAK.current_usage();
    let begun = Instant::now();
    let done = catch_unwind(AssertUnwindSafe(|| (target.run)(bytes)));
    let asked_for = PEAK.peak_usage().saturating_sub(before);
    if let Err(panic) = done {
        let words = panic.downcast_ref::<String>().cloned();
        let words = words.or_else(|| panic.downcast_ref::<&str>().map(|s| (*s).to_string()));
        return Err(format!("panic: {}", words.unwrap_or_default()));
    }
    // A machine with much else to do makes everything slow: then the processor's own time decides, in a second run.
    let mut took = begun.elapsed();
    if took > LONGEST
        && let Some(before) = thread_time()
    {
        let _ = catch_unwind(AssertUnwindSafe(|| (target.run)(bytes)));
        took = thread_time().map_or(took, |now| now.saturating_sub(before));
    }
    if took > LONGEST {
        return Err(format!("it took {:.1} s", took.as_secs_f64()));
    }
    let allowed = IN_ANY_CASE + target.bytes_a_byte * bytes.len();
    if asked_for > allowed {
        return Err(format!("{asked_for} bytes of memory for a file of {}", bytes.len()));
    }
    Ok(asked_for)
}

fn corpus_of(target: &Target) -> Vec<(String, Vec<u8>)> {
    if target.name == "kept" {
        let made = kept();
        // For cargo-fuzz, which begins with the same.
        if let Some(seeds) = std::env::var_os("STILLWRIGHT_FUZZ_SEEDS").map(PathBuf::from) {
            made.iter().for_each(|(name, bytes)| fs::write(seeds.join(name), bytes).unwrap());
        }
        return made;
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target.name);
    let mut files: Vec<PathBuf> =
        fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{}", folder.display());
    let read = |path: &PathBuf| {
        (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read(path).unwrap())
    };
    files.iter().map(read).collect()
}

/// What is kept of a small still.
fn kept() -> Vec<(String, Vec<u8>)> {
    let home = tempfile::tempdir().unwrap();
    let sample = SampleFiles::plan(home.path(), "a");
    let mut settings = SampleSettings::small(3);
    (settings.width, settings.height, settings.frames) = (48, 40, 12);
    write_sample(&sample, &settings, Existing::Keep, &Silent).unwrap();
    let files = StillFiles::plan(&sample.capture, Some(home.path()), &[], Existing::Keep);
    let cache = Cache::under(home.path().join("kept"));
    make_still_with(&files, &Recipe::default(), Some(&cache), &Silent).unwrap();
    let entries = fs::read_dir(home.path().join("kept")).unwrap();
    let entries = entries.map(|entry| entry.unwrap().path()).map(|path| {
        let name = path.extension().unwrap().to_string_lossy().into_owned();
        (name, fs::read(path).unwrap()[HEAD_OF_KEPT..].to_vec())
    });
    let mut all: Vec<_> = entries.collect();
    all.sort();
    assert_eq!(all.len(), 2);
    all
}

#[test]
fn bent_files_cost_nothing_but_a_word() {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let seconds = number("STILLWRIGHT_FUZZ_SECONDS");
    let seed = number("STILLWRIGHT_FUZZ_SEED").unwrap_or(1);
    let only = std::env::var("STILLWRIGHT_FUZZ_TARGET").ok();
    std::panic::set_hook(Box::new(|_| {}));
    let mut found = Vec::new();
    for target in TARGETS.iter().filter(|t| only.as_ref().is_none_or(|name| name == t.name)) {
        let corpus = corpus_of(target);
        let mut largest = 0;
        for (name, bytes) in &corpus {
            match run(target, bytes) {
                Ok(asked_for) => largest = largest.max(asked_for),
                Err(words) => found.push(format!("{} {name}: {words}", target.name)),
            }
        }
        let files: Vec<Vec<u8>> = corpus.into_iter().map(|(_, bytes)| bytes).collect();
        let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let begun = Instant::now();
        let mut executions = 0usize;
        let mut faults = 0;
        let goes_on = |executions: usize| match seconds {
            Some(seconds) => begun.elapsed() < Duration::from_secs(seconds),
            None => executions < EXECUTIONS,
        };
        while goes_on(executions) && faults < 5 {
            let mut bytes = files[chance.below(files.len())].clone();
            bend(&mut bytes, &files, &mut chance);
            executions += 1;
            match run(target, &bytes) {
                Ok(asked_for) => largest = largest.max(asked_for),
                Err(words) => {
                    faults += 1;
                    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fuzz-found");
                    fs::create_dir_all(&folder).unwrap();
                    let path = folder.join(format!("{}-{seed}-{executions}", target.name));
                    fs::write(&path, &bytes).unwrap();
                    found.push(format!("{}: {words}\n  {}", target.name, path.display()));
                }
            }
        }
        println!(
            "{:<7} {executions} executions in {:.1} min, at most {} kB of memory, {faults} findings",
            target.name,
            begun.elapsed().as_secs_f64() / 60.0,
            largest / 1000
        );
    }
    let _ = std::panic::take_hook();
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}
