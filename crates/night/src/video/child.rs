//! A child process that is watched: what it says, how long it may be silent, and its end.

use super::{Input, Output};
use std::ffi::OsString;
use std::io::{self, Read};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::OnceLock;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};
use stillwright_picture::Cancelled;

/// A decoder that gives nothing for so long is stopped. Slow disks and long groups of pictures take
/// seconds; a minute means that it hangs.
const LONGEST_SILENCE: Duration = Duration::from_secs(60);

/// How long it may take to end after its last output.
const LONGEST_END: Duration = Duration::from_secs(10);

/// How often a request to stop is looked for.
const GLANCE: Duration = Duration::from_millis(50);

/// Most that is kept of what it says about errors, bytes.
const MOST_WORDS: u64 = 4096;

/// Why a child process gave nothing.
#[derive(Debug)]
pub(super) enum Failure {
    /// The program is not installed.
    Missing(&'static str),
    /// What went wrong, as the program or the system says it.
    Said(String),
    /// The person asked to stop.
    Cancelled,
}

impl From<Cancelled> for Failure {
    fn from(_: Cancelled) -> Failure {
        Failure::Cancelled
    }
}

/// A running program.
pub(super) struct Watched {
    child: Child,
    pieces: Receiver<io::Result<Vec<u8>>>,
    words: Option<thread::JoinHandle<String>>,
    /// How long it may be silent, and how long it may take to end.
    patience: (Duration, Duration),
}

impl Watched {
    /// Start `program` and cut what it writes into pieces with `cut`, on a thread of its own; at
    /// most `ahead` pieces wait.
    pub(super) fn start(
        program: &'static str,
        arguments: Vec<OsString>,
        ahead: usize,
        mut cut: impl FnMut(&mut ChildStdout) -> io::Result<Option<Vec<u8>>> + Send + 'static,
    ) -> Result<Watched, Failure> {
        let mut child = Command::new(program)
            .args(arguments)
            // Would make it write a report beside us.
            .env_remove("FFREPORT")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| match error.kind() {
                io::ErrorKind::NotFound => Failure::Missing(program),
                _ => Failure::Said(format!("{program} cannot be started ({error})")),
            })?;
        let (sender, pieces) = sync_channel(ahead);
        if let Some(mut stdout) = child.stdout.take() {
            thread::spawn(move || {
                loop {
                    match cut(&mut stdout) {
                        Ok(None) => break,
                        Ok(Some(piece)) => {
                            if sender.send(Ok(piece)).is_err() {
                                break;
                            }
                        }
                        Err(error) => {
                            let _ = sender.send(Err(error));
                            break;
                        }
                    }
                }
            });
        }
        let words = child.stderr.take().map(|mut stderr| {
            thread::spawn(move || {
                let mut kept = Vec::new();
                let _ = (&mut stderr).take(MOST_WORDS).read_to_end(&mut kept);
                // The rest is read and dropped, so that the program is never held up.
                let _ = io::copy(&mut stderr, &mut io::sink());
                String::from_utf8_lossy(&kept).into_owned()
            })
        });
        Ok(Watched { child, pieces, words, patience: (LONGEST_SILENCE, LONGEST_END) })
    }

    /// The next piece; `None` at the end. `glance` is asked again and again while it takes long.
    pub(super) fn next(
        &mut self,
        mut glance: impl FnMut() -> Result<(), Cancelled>,
    ) -> Result<Option<Vec<u8>>, Failure> {
        let since = Instant::now();
        loop {
            match self.pieces.recv_timeout(GLANCE) {
                Ok(Ok(piece)) => return Ok(Some(piece)),
                Ok(Err(error)) => return Err(Failure::Said(format!("a broken pipe ({error})"))),
                Err(RecvTimeoutError::Disconnected) => return Ok(None),
                Err(RecvTimeoutError::Timeout) => {
                    glance()?;
                    if since.elapsed() > self.patience.0 {
                        return Err(Failure::Said(format!(
                            "no picture for {} s",
                            self.patience.0.as_secs()
                        )));
                    }
                }
            }
        }
    }

    /// Wait for the end: whether it went well, and the first line that it said about errors.
    pub(super) fn finish(mut self) -> (bool, Option<String>) {
        // It has closed its output, and has nothing left to do but to end.
        let since = Instant::now();
        let well = loop {
            match self.child.try_wait() {
                Ok(Some(status)) => break status.success(),
                Ok(None) if since.elapsed() < self.patience.1 => thread::sleep(GLANCE / 10),
                _ => {
                    let _ = self.child.kill();
                    let _ = self.child.wait();
                    break false;
                }
            }
        };
        let words = self.words.take().and_then(|thread| thread.join().ok()).unwrap_or_default();
        let line = words.lines().map(str::trim).find(|line| !line.is_empty());
        (well, line.map(printable))
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A line without control characters, and not too long.
fn printable(line: &str) -> String {
    line.chars().filter(|c| !c.is_control()).take(200).collect()
}

/// Arguments that every call begins with: the file, and that nothing else may be read.
pub(super) fn reading(input: &Input, before: &[&str]) -> Vec<OsString> {
    let mut arguments: Vec<OsString> = ["-v", "error", "-protocol_whitelist", "file"]
        .iter()
        .chain(before)
        .map(OsString::from)
        .collect();
    arguments.extend(["-max_pixels", "268435456", "-f", input.container, "-i"].map(OsString::from));
    // A protocol by name, so that no name of a file is taken for another.
    let mut name = OsString::from("file:");
    name.push(&input.path);
    arguments.push(name);
    arguments
}

/// Arguments that make ffmpeg decode all frames of the first video stream, none doubled or dropped.
pub(super) fn decoding(input: &Input, output: Output, from_s: Option<f64>) -> Vec<OsString> {
    let from = from_s.map(|seconds| format!("{seconds:.6}"));
    let mut before = vec!["-nostdin", "-noautorotate"];
    if let Some(from) = &from {
        before.extend(["-ss", from.as_str()]);
    }
    let mut arguments = reading(input, &before);
    arguments.extend(
        [
            "-map",
            "0:v:0",
            "-an",
            "-sn",
            "-dn",
            // Every frame as it comes.
            passing_on(),
            "passthrough",
            "-sws_flags",
            "bicubic+accurate_rnd+full_chroma_int+full_chroma_inp+bitexact",
            "-pix_fmt",
            output.pixel_format(),
        ]
        .map(OsString::from),
    );
    arguments
}

/// The name of the option that says how frames are passed on: it was changed in version 5.1.
fn passing_on() -> &'static str {
    static NAME: OnceLock<&str> = OnceLock::new();
    NAME.get_or_init(|| {
        let asked = Command::new("ffmpeg").arg("-version").stdin(Stdio::null()).output();
        let said = asked.map(|answer| answer.stdout).unwrap_or_default();
        option_of(&String::from_utf8_lossy(&said))
    })
}

fn option_of(said: &str) -> &'static str {
    let version = said.strip_prefix("ffmpeg version ").unwrap_or_default();
    let mut numbers = version.split(|c: char| !c.is_ascii_digit()).map(str::parse::<u32>);
    match (numbers.next(), numbers.next()) {
        (Some(Ok(major)), Some(Ok(minor))) if (major, minor) < (5, 1) => "-vsync",
        _ => "-fps_mode",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_option_is_that_of_the_version() {
        for (said, option) in [
            ("ffmpeg version 5.1.9-0+deb12u1 Copyright", "-fps_mode"),
            ("ffmpeg version 4.4.2-0ubuntu", "-vsync"),
            ("ffmpeg version 5.0 Copyright", "-vsync"),
            ("ffmpeg version 8.0", "-fps_mode"),
            ("ffmpeg version N-109 git", "-fps_mode"),
            ("", "-fps_mode"),
        ] {
            assert_eq!(option_of(said), option, "{said}");
        }
    }

    #[test]
    fn a_program_that_is_not_there_is_named() {
        let started = Watched::start("no-such-decoder-here", Vec::new(), 1, |_| Ok(None));
        assert!(matches!(started.err(), Some(Failure::Missing("no-such-decoder-here"))));
    }

    /// A program of the system's that serves as a decoder.
    #[cfg(unix)]
    fn started(program: &'static str, arguments: &[&str]) -> Watched {
        let arguments = arguments.iter().map(OsString::from).collect();
        let mut watched = Watched::start(program, arguments, 1, |stdout| {
            let mut block = vec![0; 4096];
            let n = stdout.read(&mut block)?;
            block.truncate(n);
            Ok((n > 0).then_some(block))
        })
        .unwrap();
        watched.patience = (Duration::from_millis(300), Duration::from_millis(300));
        watched
    }

    #[cfg(unix)]
    #[test]
    fn one_that_hangs_is_stopped_and_does_not_live_on() {
        let mut silent = started("sleep", &["1000"]);
        let said = silent.next(|| Ok(()));
        assert!(matches!(said, Err(Failure::Said(words)) if words.contains("no picture")));
        let pid = silent.child.id();
        drop(silent);
        assert!(!std::path::Path::new(&format!("/proc/{pid}")).exists());
        // One that has said its last word and does not end.
        let endless = started("yes", &["no frame"]);
        let (well, _) = endless.finish();
        assert!(!well);
    }

    #[cfg(unix)]
    #[test]
    fn a_request_to_stop_is_heeded_while_it_is_silent() {
        let mut silent = started("sleep", &["1000"]);
        assert!(matches!(silent.next(|| Err(Cancelled)), Err(Failure::Cancelled)));
    }

    #[cfg(unix)]
    #[test]
    fn what_it_says_without_end_takes_no_memory() {
        let mut endless = started("yes", &["no frame at all"]);
        for _ in 0..200 {
            assert!(endless.next(|| Ok(())).unwrap().is_some_and(|piece| piece.len() <= 4096));
        }
        // Errors without end: the first line is told, and not all of it.
        let loud = started(
            "sh",
            &["-c", "exec yes \"$(printf 'x%.0s' $(seq 900))\" | head -c 9000000 >&2"],
        );
        let mut loud = loud;
        loud.patience.1 = Duration::from_secs(20);
        let (_, words) = loud.finish();
        assert!(words.is_some_and(|words| words.starts_with('x') && words.len() <= 200));
    }
}
