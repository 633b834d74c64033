//! Numbers and times as people read them: thin spaces, units, no more digits than are known.

use std::time::Duration;

/// Between groups of three digits, and between a number and its unit.
pub const THIN: char = '\u{2006}';
/// What is not known.
pub const UNKNOWN: &str = "–";

/// A count with a thin space every three digits: `2 121 856`.
pub fn count(n: impl Into<u64>) -> String {
    let digits = n.into().to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(THIN);
        }
        out.push(digit);
    }
    out
}

/// A count of things: `1 frame`, `2 000 frames`.
pub fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", count(n as u64), if n == 1 { one } else { many })
}

/// The same with a capital at its beginning.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// What an error says, for people: one line after the other without indents, a capital first.
pub fn told(words: &str) -> String {
    let lines: Vec<&str> = words.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let lines: Vec<String> = lines
        .iter()
        .map(|line| if line.contains('/') { (*line).to_string() } else { sentence(line) })
        .collect();
    lines.join("\n")
}

/// What it is, of an error that goes on to say what was expected and what to do.
pub fn gist(words: &str) -> &str {
    let line = words.trim_start().lines().next().unwrap_or_default();
    line.split_once(": expected").map_or(line, |(gist, _)| gist).trim_end()
}

/// A number with three significant digits at most, without needless zeros.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return UNKNOWN.into();
    }
    let size = value.abs();
    let places = match size {
        s if s >= 100.0 || s == 0.0 => 0,
        s if s >= 10.0 => 1,
        s if s >= 1.0 => 2,
        _ => 3,
    };
    let text = format!("{value:.places$}");
    let text =
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if size >= 10_000.0 {
        let sign = if value < 0.0 { "−" } else { "" };
        return format!("{sign}{}", count(size.round() as u64));
    }
    text.replace('-', "−")
}

/// A size of memory or of a file, in powers of 1000: `31.4 GB`.
pub fn bytes(n: u64) -> String {
    let value = n as f64;
    for (unit, size) in [("GB", 1e9), ("MB", 1e6), ("kB", 1e3)] {
        if value >= 0.9995 * size {
            return format!("{}{THIN}{unit}", number(value / size));
        }
    }
    format!("{n}{THIN}B")
}

/// A length of time: `0.8 s`, `66 s`, `4 min 05 s`, `2 h 10 min`.
pub fn seconds(s: f64) -> String {
    if !s.is_finite() || s < 0.0 {
        return UNKNOWN.into();
    }
    if s < 9.95 {
        return format!("{}{THIN}s", number((s * 10.0).round() / 10.0));
    }
    let whole = s.round() as u64;
    match whole {
        0..100 => format!("{whole}{THIN}s"),
        100..3600 => format!("{}{THIN}min {:02}{THIN}s", whole / 60, whole % 60),
        _ => format!("{}{THIN}h {:02}{THIN}min", whole / 3600, whole % 3600 / 60),
    }
}

/// What is left, rounded so that it does not flicker: `12 s left`.
pub fn left(time: Duration) -> String {
    let s = time.as_secs_f64();
    let steady = match s {
        s if s < 2.0 => return "nearly done".into(),
        s if s < 20.0 => s.ceil(),
        s if s < 120.0 => (s / 5.0).ceil() * 5.0,
        s => (s / 60.0).ceil() * 60.0,
    };
    if steady >= 120.0 {
        format!("{}{THIN}min left", (steady / 60.0) as u64)
    } else {
        format!("{}{THIN}s left", steady as u64)
    }
}

/// Time of day `after_s` seconds after `start`, which reads `YYYY-MM-DDThh:mm:ss` and on; `None`
/// where it reads otherwise.
pub fn clock(start: &str, after_s: f64, decimals: usize) -> Option<String> {
    let time = start.split_once('T')?.1.trim_end_matches('Z');
    let mut parts = time.splitn(3, ':');
    let mut part = || parts.next()?.parse::<f64>().ok();
    let start_s = part()? * 3600.0 + part()? * 60.0 + part()?;
    let digits = 10f64.powi(decimals as i32);
    let s = ((start_s + after_s) * digits).floor() / digits;
    let s = s.rem_euclid(86_400.0);
    let (h, m) = ((s / 3600.0).floor(), (s / 60.0).floor() % 60.0);
    let width = if decimals > 0 { 3 + decimals } else { 2 };
    Some(format!("{h:02}:{m:02}:{:0width$.decimals$}", s % 60.0))
}

/// A share as percent: `24 %`, `0.8 %`.
pub fn percent(value: f64) -> String {
    let value = if value.abs() >= 10.0 { value.round() } else { (value * 10.0).round() / 10.0 };
    format!("{}{THIN}%", number(value))
}

/// A number and its unit.
pub fn with_unit(value: f64, unit: &str) -> String {
    format!("{}{THIN}{unit}", number(value))
}

/// An angle in the sky: `0.71″`.
pub fn arcsec(value: f64) -> String {
    format!("{}″", number(value))
}

/// Columns by rows: `1 936 × 1 096`.
pub fn size(width: usize, height: usize) -> String {
    format!("{}{THIN}×{THIN}{}", count(width as u64), count(height as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(text: String) -> String {
        text.replace(THIN, " ")
    }

    #[test]
    fn counts_are_grouped() {
        for (n, words) in [(0u64, "0"), (999, "999"), (1000, "1 000"), (2_121_856, "2 121 856")] {
            assert_eq!(plain(count(n)), words);
        }
        assert_eq!(told("no disk\n  find it\n  /a/b.ser"), "No disk\nFind it\n/a/b.ser");
        assert_eq!(gist("  no capture: expected SER, found text\n  find it"), "no capture");
        assert_eq!((gist("no disk\n  find it"), gist("")), ("no disk", ""));
        assert_eq!((sentence("grading x"), sentence("")), ("Grading x".into(), String::new()));
        assert_eq!(counted(1, "frame", "frames"), "1 frame");
        assert_eq!(plain(counted(2000, "frame", "frames")), "2 000 frames");
    }

    #[test]
    fn numbers_say_what_is_known() {
        for (value, words) in [
            (0.0, "0"),
            (0.7123, "0.712"),
            (1.5, "1.5"),
            (3.0, "3"),
            (12.34, "12.3"),
            (1234.5, "1234"),
            (-0.5, "−0.5"),
            (56789.4, "56 789"),
            (f64::NAN, "–"),
        ] {
            assert_eq!(plain(number(value)), words);
        }
        assert_eq!(plain(bytes(31_400_000_000)), "31.4 GB");
        assert_eq!(plain(bytes(512)), "512 B");
        assert_eq!(plain(bytes(999_950)), "1 MB");
    }

    #[test]
    fn times_are_rounded_as_people_do() {
        for (s, words) in [
            (0.84, "0.8 s"),
            (9.96, "10 s"),
            (66.0, "66 s"),
            (245.0, "4 min 05 s"),
            (7800.0, "2 h 10 min"),
            (-1.0, "–"),
        ] {
            assert_eq!(plain(seconds(s)), words);
        }
        for (s, words) in
            [(1.0, "nearly done"), (11.2, "12 s left"), (61.0, "65 s left"), (400.0, "7 min left")]
        {
            assert_eq!(plain(left(Duration::from_secs_f64(s))), words);
        }
        assert_eq!(clock("2026-03-01T21:04:13.250Z", 61.5, 0).as_deref(), Some("21:05:14"));
        assert_eq!(clock("2026-03-01T23:59:59.000", 1.26, 1).as_deref(), Some("00:00:00.2"));
        assert_eq!(clock("yesterday", 0.0, 0), None);
        assert_eq!(plain(percent(24.4)), "24 %");
        assert_eq!(plain(percent(0.84)), "0.8 %");
        assert_eq!(arcsec(0.7123), "0.712″");
    }
}
