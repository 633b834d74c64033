//! Words to the person: results on standard output, the rest on standard error.

use serde::Serialize;
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::Path;

/// Standard output, which may be a pipe whose reader has gone, or a file on a full disk. After
/// the first failure nothing more is written, and the work goes on.
pub struct Results {
    out: BufWriter<io::Stdout>,
    failed: Option<io::Error>,
}

impl Results {
    /// Standard output.
    pub fn new() -> Results {
        Results { out: BufWriter::new(io::stdout()), failed: None }
    }

    /// A line of text (or several), at once.
    pub fn line(&mut self, text: &str) {
        self.write(&harmless(text));
    }

    fn write(&mut self, text: &str) {
        if self.failed.is_none() {
            let written = writeln!(self.out, "{text}").and_then(|()| self.out.flush());
            self.failed = written.err();
        }
    }

    /// One line of JSON.
    pub fn json(&mut self, value: &impl Serialize) {
        match serde_json::to_string(value) {
            Ok(text) => self.write(&text),
            Err(error) => self.failed = Some(error.into()),
        }
    }

    /// A file that failed: in words on standard error, and as a line of JSON if wanted.
    pub fn failure(&mut self, file: &Path, words: &str, json: bool) {
        error(words);
        if json {
            self.json(&FailedLine { file: file.display().to_string(), error: words });
        }
    }

    /// What went wrong on the way; a reader that has gone away is nothing wrong.
    pub fn finish(mut self) -> io::Result<()> {
        let last = self.out.flush().err();
        match self.failed.or(last) {
            Some(error) if error.kind() != ErrorKind::BrokenPipe => Err(error),
            _ => Ok(()),
        }
    }
}

/// A message on standard error; where nobody can hear it, nothing is left to do.
pub fn note(text: &str) {
    let _ = writeln!(io::stderr(), "{}", harmless(text));
}

/// An error on standard error.
pub fn error(text: &str) {
    note(&format!("error: {text}"));
}

/// A file that failed, as a line of JSON.
#[derive(Serialize)]
struct FailedLine<'a> {
    /// The capture, as it was named.
    file: String,
    /// What went wrong and what to do.
    error: &'a str,
}

/// `text` with every control character but line breaks as a mark: names of files are data, and a terminal obeys
/// some characters.
fn harmless(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c }).collect()
}

/// A file's name without its folder, for the line before a bar: one line, not too long.
pub fn name_of(file: &Path) -> String {
    let name = file.file_name().unwrap_or(file.as_os_str()).to_string_lossy();
    let mut short: String = harmless(&name).replace('\n', "\u{fffd}").chars().take(60).collect();
    if short.chars().count() < name.chars().count() {
        short.push('…');
    }
    short
}

/// Thousands set apart by spaces: `1 722 946 850`.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(digit);
    }
    out
}

/// A number and its noun: `1 frame`, `2 000 frames`.
pub fn counted(n: usize, noun: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{} {noun}{s}", grouped(n as u64))
}

/// Percent without needless zeros: `20 %`, `12.5 %`.
pub fn percent(p: f32) -> String {
    format!("{} %", (f64::from(p) * 1000.0).round() / 1000.0)
}

/// Seconds, as a person says them.
pub fn seconds(s: f64) -> String {
    if s < 10.0 {
        format!("{s:.1} s")
    } else if s < 120.0 {
        format!("{s:.0} s")
    } else {
        format!("{:.0} min {:.0} s", (s / 60.0).floor(), s % 60.0)
    }
}

/// Bytes, as a person says them.
pub fn size(bytes: u64) -> String {
    let bytes = bytes as f64;
    if bytes < 1e6 {
        format!("{:.0} kB", (bytes / 1e3).max(1.0))
    } else if bytes < 1e9 {
        format!("{:.1} MB", bytes / 1e6)
    } else {
        format!("{:.2} GB", bytes / 1e9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_do_not_speak_to_the_terminal() {
        assert_eq!(
            harmless("a\u{1b}[2Jb\r\n\u{9b}c\u{7f}"),
            "a\u{fffd}[2Jb\u{fffd}\n\u{fffd}c\u{fffd}"
        );
        assert_eq!(name_of(Path::new("night/a\nb\u{1b}.ser")), "a\u{fffd}b\u{fffd}.ser");
        assert_eq!(name_of(Path::new(&"x".repeat(300))).chars().count(), 61);
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(counted(1, "frame"), "1 frame");
        assert_eq!(counted(2000, "frame"), "2 000 frames");
        assert_eq!(grouped(1_722_946_850), "1 722 946 850");
        assert_eq!(percent(20.0), "20 %");
        assert_eq!(percent(33.333_332), "33.333 %");
        assert_eq!(seconds(3.12), "3.1 s");
        assert_eq!(seconds(61.2), "61 s");
        assert_eq!(seconds(185.0), "3 min 5 s");
        assert_eq!(size(20), "1 kB");
        assert_eq!(size(4_243_712_178), "4.24 GB");
    }
}
