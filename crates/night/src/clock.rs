//! Dates in words, without a time zone: everything is UTC.

use std::time::{SystemTime, UNIX_EPOCH};

/// Ticks of 100 ns from 0001-01-01 to 1970-01-01, both at 0 h (proleptic Gregorian calendar).
const TICKS_TO_1970: i64 = 621_355_968_000_000_000;

/// `YYYY-MM-DDThh:mm:ss` of a count of seconds from 1970-01-01, UTC.
///
/// Days to a date of the Gregorian calendar by counting from 1 March, so that the leap day comes
/// last; good for the years 0 to 9999, clamped outside of them.
pub fn iso_from_unix(seconds: i64) -> String {
    // 0000-01-01 and the last second of 9999.
    let seconds = seconds.clamp(-62_167_219_200, 253_402_300_799);
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let shifted = days + 719_468; // from 0000-03-01
    let era = shifted.div_euclid(146_097);
    let day_of_era = shifted.rem_euclid(146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let march_month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * march_month + 2) / 5 + 1;
    let month = if march_month < 10 { march_month + 3 } else { march_month - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}")
}

/// The same of ticks of 100 ns from 0001-01-01, as captures carry them, to the millisecond.
pub fn iso_from_ticks(ticks: i64) -> String {
    let since_1970 = ticks.saturating_sub(TICKS_TO_1970);
    let milliseconds = since_1970.rem_euclid(10_000_000) / 10_000;
    format!("{}.{milliseconds:03}", iso_from_unix(since_1970.div_euclid(10_000_000)))
}

/// This moment, UTC, with a `Z` behind it.
pub fn now() -> String {
    let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    format!("{}Z", iso_from_unix(i64::try_from(since_1970).unwrap_or(i64::MAX)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_those_of_the_calendar() {
        // Tick counts recomputed from the definition of the calendar with Python's datetime.
        for (ticks, words) in [
            (621_355_968_000_000_000, "1970-01-01T00:00:00.000"),
            (630_823_248_000_000_000, "2000-01-01T12:00:00.000"),
            (638_673_030_000_000_000, "2024-11-15T21:30:00.000"),
            (639_101_520_000_000_000, "2026-03-26T20:00:00.000"),
            (0, "0001-01-01T00:00:00.000"),
        ] {
            assert_eq!(iso_from_ticks(ticks), words);
        }
        assert_eq!(iso_from_unix(951_782_400), "2000-02-29T00:00:00");
        assert_eq!(iso_from_unix(951_868_800), "2000-03-01T00:00:00");
        assert_eq!(iso_from_unix(-1), "1969-12-31T23:59:59");
        assert_eq!(iso_from_unix(i64::MAX), "9999-12-31T23:59:59");
        assert_eq!(iso_from_unix(i64::MIN), "0000-01-01T00:00:00");
    }
}
