//! Moments, as capture files count them.

use serde::{Serialize, Serializer};
use std::fmt;

/// Ticks of 100 ns in one day.
const DAY: u64 = 864_000_000_000;

/// Days from 0001-01-01 to 1970-01-01.
const DAYS_TO_1970: u64 = 719_162;

/// A moment: 100-ns ticks since 0001-01-01 00:00 in the proleptic Gregorian calendar.
///
/// Whether it is UTC or the observer's local time is said by the field that holds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticks(pub u64);

impl Ticks {
    /// 1970-01-01 00:00.
    pub const UNIX_EPOCH: Ticks = Ticks(DAYS_TO_1970 * DAY);

    /// Ticks from the 64 bits in a file, whose two top bits tell the kind of clock and are no
    /// part of the time.
    pub fn from_file(bits: u64) -> Ticks {
        Ticks(bits & (u64::MAX >> 2))
    }

    /// Whether a telescope camera can have written it: from 1970 up to the year 2200. Clocks
    /// that were never set start in 1970 and still give honest differences.
    pub fn is_plausible(self) -> bool {
        (DAYS_TO_1970 * DAY..(DAYS_TO_1970 + 84_006) * DAY).contains(&self.0)
    }

    /// A moment written as ISO 8601 has it, with or without a time and a fraction of a second:
    /// `2024-11-15T21:30:00.25`. Years 1 to 9999; a zone is not understood, save `Z`.
    pub fn from_iso(text: &str) -> Option<Ticks> {
        let text = text.trim().trim_end_matches('Z');
        let (date, time) = text.split_once('T').unwrap_or((text, "00:00:00"));
        let mut parts = date.splitn(3, '-').map(|part| part.parse::<u64>().ok());
        let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
        if !(1..=9999).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day) {
            return None;
        }
        let mut parts = time.splitn(3, ':');
        let (hour, minute) =
            (parts.next()?.parse::<u64>().ok()?, parts.next()?.parse::<u64>().ok()?);
        let second: f64 = parts.next().unwrap_or("0").parse().ok()?;
        if hour > 23 || minute > 59 || !(0.0..61.0).contains(&second) {
            return None;
        }
        // Counted from March, as in `fmt`.
        let (y, m) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
        let days = 365 * y + y / 4 - y / 100 + y / 400 + (153 * m + 2) / 5 + day - 1;
        let days = days.checked_sub(306)?;
        let seconds = days * 86_400 + hour * 3600 + minute * 60;
        Some(Ticks(seconds * 10_000_000 + (second * 1e7).round() as u64))
    }

    /// Seconds from `earlier` to this moment, negative when it is not earlier.
    pub fn seconds_since(self, earlier: Ticks) -> f64 {
        (i128::from(self.0) - i128::from(earlier.0)) as f64 * 1e-7
    }

    /// Julian day: ticks / 864e9 + 1721425.5, to about 40 microseconds.
    pub fn julian_day(self) -> f64 {
        self.0 as f64 / DAY as f64 + 1_721_425.5
    }
}

impl fmt::Display for Ticks {
    /// ISO 8601 without a zone, to the tick: `2024-11-15T21:30:00.0000000`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (days, ticks) = (self.0 / DAY, self.0 % DAY);
        // Count from 0000-03-01, so that the leap day is the last of its year: 400 years are
        // 146,097 days, and month m (0 = March) starts on day (153 m + 2) / 5.
        let day = days + 306;
        let (era, day) = (day / 146_097, day % 146_097);
        let year_of_era = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
        let day = day - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let month = (5 * day + 2) / 153;
        let day_of_month = day - (153 * month + 2) / 5 + 1;
        let (month, next_year) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
        let year = era * 400 + year_of_era + next_year;
        let seconds = ticks / 10_000_000;
        write!(
            f,
            "{year:04}-{month:02}-{day_of_month:02}T{:02}:{:02}:{:02}.{:07}",
            seconds / 3600,
            seconds / 60 % 60,
            seconds % 60,
            ticks % 10_000_000
        )
    }
}

impl Serialize for Ticks {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_agree_with_known_ones() {
        // Tick counts and Julian days recomputed with an independent calendar library.
        let cases = [
            (0, "0001-01-01T00:00:00.0000000", 1_721_425.5),
            (621_355_968_000_000_000, "1970-01-01T00:00:00.0000000", 2_440_587.5),
            (630_823_248_000_000_000, "2000-01-01T12:00:00.0000000", 2_451_545.0),
            (638_673_030_000_000_000, "2024-11-15T21:30:00.0000000", 2_460_630.395_833_333),
            (639_101_520_000_000_001, "2026-03-26T20:00:00.0000001", 2_461_126.333_333_333),
            (630_873_791_999_999_999, "2000-02-28T23:59:59.9999999", 2_451_603.5),
            (630_873_792_000_000_000, "2000-02-29T00:00:00.0000000", 2_451_603.5),
        ];
        for (ticks, iso, julian_day) in cases {
            assert_eq!(Ticks(ticks).to_string(), iso);
            assert!((Ticks(ticks).julian_day() - julian_day).abs() < 1e-8, "{iso}");
        }
        assert_eq!(Ticks::UNIX_EPOCH, Ticks(621_355_968_000_000_000));
    }

    #[test]
    fn moments_are_read_as_they_are_written() {
        for ticks in [0, 621_355_968_000_000_000, 630_873_791_999_999_999, 638_673_030_002_500_000]
        {
            assert_eq!(Ticks::from_iso(&Ticks(ticks).to_string()), Some(Ticks(ticks)));
        }
        assert_eq!(Ticks::from_iso("2000-02-29"), Some(Ticks(630_873_792_000_000_000)));
        for odd in
            ["", "yesterday", "2024-13-01", "2024-01-01T25:00:00", "2024-01-01T1:2:-3", "99999-1-1"]
        {
            assert_eq!(Ticks::from_iso(odd), None, "{odd}");
        }
    }

    #[test]
    fn the_kind_bits_are_no_part_of_the_time() {
        let time = 638_673_030_000_000_000;
        for kind in 0..4 {
            assert_eq!(Ticks::from_file(time | (kind << 62)), Ticks(time));
        }
        assert!(Ticks(time).is_plausible());
        assert!(!Ticks(0).is_plausible() && !Ticks(u64::MAX >> 2).is_plausible());
    }
}
