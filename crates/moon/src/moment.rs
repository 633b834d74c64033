//! Moments of time: read, written, and carried over to the time scales of motion and rotation.

use crate::error::MoonError;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// First year for which the theories of motion hold.
pub const FIRST_YEAR: i64 = 1901;
/// Last year for which the theories of motion hold.
pub const LAST_YEAR: i64 = 2099;

const DAY_US: i64 = 86_400_000_000;
/// Julian day of 1970-01-01 00:00.
const UNIX_JULIAN_DAY: f64 = 2_440_587.5;

/// A moment in UTC, to the microsecond, from 1901 to 2099.
///
/// Counted like computers' clocks, without leap seconds: 23:59:60 is read as the next day's
/// 00:00:00. Before 1972, when UTC in its present form began, it is Universal Time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment {
    unix_us: i64,
}

/// A Julian day in two parts, whose sum it is: a whole or half one and the rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct JulianDay {
    pub day: f64,
    pub rest: f64,
}

impl JulianDay {
    /// `seconds` later.
    pub fn plus_seconds(self, seconds: f64) -> JulianDay {
        JulianDay { day: self.day, rest: self.rest + seconds / 86_400.0 }
    }

    /// Days since 2000-01-01 12:00.
    pub fn days_since_2000(self) -> f64 {
        (self.day - 2_451_545.0) + self.rest
    }

    /// Julian centuries since 2000-01-01 12:00.
    pub fn centuries_since_2000(self) -> f64 {
        self.days_since_2000() / 36_525.0
    }
}

impl Moment {
    /// From microseconds since 1970-01-01 00:00 UTC.
    ///
    /// # Errors
    /// Outside 1901 to 2099.
    pub fn from_unix_us(unix_us: i64) -> Result<Moment, MoonError> {
        let moment = Moment { unix_us };
        let (year, ..) = moment.date();
        if (FIRST_YEAR..=LAST_YEAR).contains(&year) {
            Ok(moment)
        } else {
            Err(MoonError::TimeRange(moment.to_string()))
        }
    }

    /// From ticks of 100 ns since 0001-01-01 00:00 UTC, as capture files count.
    ///
    /// # Errors
    /// Outside 1901 to 2099.
    pub fn from_ticks(ticks: u64) -> Result<Moment, MoonError> {
        const UNIX_TICKS: i128 = 621_355_968_000_000_000;
        let unix_us = (i128::from(ticks) - UNIX_TICKS).div_euclid(10);
        i64::try_from(unix_us)
            .map_err(|_| MoonError::TimeRange(format!("of {ticks} ticks")))
            .and_then(Moment::from_unix_us)
    }

    /// From a date and a time of day in UTC.
    ///
    /// # Errors
    /// A date or time that does not exist, or is outside 1901 to 2099.
    pub fn from_date(
        (year, month, day): (i64, i64, i64),
        (hour, minute, second): (i64, i64, f64),
    ) -> Result<Moment, MoonError> {
        let told = || format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}");
        let exists = (0..=9999).contains(&year)
            && (1..=12).contains(&month)
            && (1..=days_of_month(year, month)).contains(&day)
            && (0..24).contains(&hour)
            && (0..60).contains(&minute)
            && (0.0..61.0).contains(&second);
        if !exists {
            return Err(MoonError::Time(told()));
        }
        let us = (second * 1e6).round() as i64;
        let minutes = hour * 60 + minute;
        Moment::from_unix_us(days_since_1970(year, month, day) * DAY_US + minutes * 60_000_000 + us)
    }

    /// Read a time by ISO 8601: `2024-11-15`, `2024-11-15T21:30`, `2024-11-15 21:30:12.5`, each
    /// time of day with `Z`, `+01:00`, `+0100` or `+01` behind it or nothing, which means UTC.
    ///
    /// # Errors
    /// Anything else, a date or time that does not exist, or one outside 1901 to 2099.
    pub fn parse(text: &str) -> Result<Moment, MoonError> {
        let wrong = || MoonError::Time(text.chars().take(60).collect());
        let text = text.trim();
        if !text.is_ascii() {
            return Err(wrong());
        }
        let (date, rest) = text.split_at_checked(10).ok_or_else(wrong)?;
        let &[year, month, day] = numbers(date, '-', &[4, 2, 2]).ok_or_else(wrong)?.as_slice()
        else {
            return Err(wrong());
        };
        if rest.is_empty() {
            return Moment::from_date((year, month, day), (0, 0, 0.0)).map_err(or(&wrong));
        }
        let rest = rest.strip_prefix(['T', 't', ' ']).ok_or_else(wrong)?;
        let end = rest.find(['Z', 'z', '+', '-']).unwrap_or(rest.len());
        let (time, zone) = rest.split_at(end);
        let offset_min = zone_minutes(zone.trim()).ok_or_else(wrong)?;
        let (clock, second) = match time.trim_end() {
            // With seconds, whole or in decimals.
            time if time.len() > 5 => {
                let (clock, second) = time.split_at_checked(5).ok_or_else(wrong)?;
                let second = second.strip_prefix(':').ok_or_else(wrong)?;
                let sound = second.len() >= 2
                    && second.bytes().take(2).all(|b| b.is_ascii_digit())
                    && second.bytes().skip(2).take(1).all(|b| b == b'.')
                    && second.bytes().skip(3).all(|b| b.is_ascii_digit())
                    && second.len() != 3;
                if !sound {
                    return Err(wrong());
                }
                (clock, second.parse().map_err(|_| wrong())?)
            }
            time => (time, 0.0),
        };
        let &[hour, minute] = numbers(clock, ':', &[2, 2]).ok_or_else(wrong)?.as_slice() else {
            return Err(wrong());
        };
        let local = Moment::from_date((year, month, day), (hour, minute, second));
        local.map_err(or(&wrong))?.plus_seconds(-60.0 * offset_min as f64)
    }

    /// Microseconds since 1970-01-01 00:00 UTC.
    pub fn unix_us(self) -> i64 {
        self.unix_us
    }

    /// `seconds` later (earlier where negative). A camera clock that was 90 s fast is put right
    /// by -90.
    ///
    /// # Errors
    /// Outside 1901 to 2099, or seconds that are no number.
    pub fn plus_seconds(self, seconds: f64) -> Result<Moment, MoonError> {
        MoonError::check("seconds", "at most 200 years of them", seconds, -6.4e9..=6.4e9)?;
        Moment::from_unix_us(self.unix_us.saturating_add((seconds * 1e6).round() as i64))
    }

    /// Seconds from `earlier` to this moment.
    pub fn seconds_since(self, earlier: Moment) -> f64 {
        (self.unix_us - earlier.unix_us) as f64 * 1e-6
    }

    /// Universal Time. UT1 is taken for UTC: they differ by at most 0.9 s while leap seconds are
    /// kept, in which the Earth turns by 0.004 degree and a site moves by 0.4 km.
    pub(crate) fn ut(self) -> JulianDay {
        let days = self.unix_us.div_euclid(DAY_US);
        let rest = self.unix_us.rem_euclid(DAY_US) as f64 / DAY_US as f64;
        JulianDay { day: UNIX_JULIAN_DAY + days as f64, rest }
    }

    /// Terrestrial Time: leap seconds from 1972 on (those announced so far; later ones can move
    /// the Moon by half a km each), before that the polynomials of Espenak and Meeus.
    pub(crate) fn tt(self) -> JulianDay {
        self.ut().plus_seconds(self.tt_minus_utc_s())
    }

    fn tt_minus_utc_s(self) -> f64 {
        let (year, month, day) = self.date();
        let small = |n: i64| i32::try_from(n).unwrap_or(0);
        if year >= 1972 {
            // Beyond the last leap second the table's last value comes back.
            let leap = sofars::ts::dat(small(year), small(month), small(day), 0.0).unwrap_or(37.0);
            return 32.184 + leap;
        }
        // Espenak & Meeus, Five Millennium Canon of Solar Eclipses, NASA/TP-2006-214141 (2006),
        // section 2.7; good to about a second here.
        let y = year as f64 + (month as f64 - 0.5) / 12.0;
        let polynomial =
            |t: f64, c: [f64; 5]| c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * c[4])));
        match y {
            ..1920.0 => {
                polynomial(y - 1900.0, [-2.79, 1.494_119, -0.059_893_9, 0.006_196_6, -0.000_197])
            }
            ..1941.0 => polynomial(y - 1920.0, [21.20, 0.844_93, -0.076_1, 0.002_093_6, 0.0]),
            ..1961.0 => polynomial(y - 1950.0, [29.07, 0.407, -1.0 / 233.0, 1.0 / 2547.0, 0.0]),
            _ => polynomial(y - 1975.0, [45.45, 1.067, -1.0 / 260.0, -1.0 / 718.0, 0.0]),
        }
    }

    /// Year, month 1 to 12, day 1 to 31.
    pub fn date(self) -> (i64, i64, i64) {
        // Count from 0000-03-01, so that the leap day is the last of its year: 400 years are
        // 146,097 days, and month m (0 = March) starts on day (153 m + 2) / 5.
        let day = self.unix_us.div_euclid(DAY_US) + 719_468;
        let (era, day) = (day.div_euclid(146_097), day.rem_euclid(146_097));
        let year_of_era = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
        let day = day - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let month = (5 * day + 2) / 153;
        let day_of_month = day - (153 * month + 2) / 5 + 1;
        let (month, next) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
        (era * 400 + year_of_era + next, month, day_of_month)
    }
}

/// The error for a text, unless the time was read and is only out of range.
fn or(wrong: &impl Fn() -> MoonError) -> impl Fn(MoonError) -> MoonError {
    move |error| match error {
        MoonError::TimeRange(_) => error,
        _ => wrong(),
    }
}

fn days_of_month(year: i64, month: i64) -> i64 {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

fn days_since_1970(year: i64, month: i64, day: i64) -> i64 {
    let (year, month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let (era, of_era) = (year.div_euclid(400), year.rem_euclid(400));
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + (153 * month + 2) / 5 + day - 719_469
}

/// Whole numbers of the given counts of digits, set apart by `mark`.
fn numbers(text: &str, mark: char, digits: &[usize]) -> Option<Vec<i64>> {
    let parts: Vec<&str> = text.split(mark).collect();
    let sound = parts.len() == digits.len()
        && parts
            .iter()
            .zip(digits)
            .all(|(part, n)| part.len() == *n && part.bytes().all(|b| b.is_ascii_digit()));
    if !sound {
        return None;
    }
    parts.iter().map(|part| part.parse().ok()).collect()
}

/// Minutes east of Greenwich.
fn zone_minutes(zone: &str) -> Option<i64> {
    let east = match zone.chars().next() {
        None | Some('Z' | 'z') => return (zone.len() <= 1).then_some(0),
        Some('-') => -1,
        _ => 1,
    };
    let digits = zone[1..].replacen(':', "", 1);
    let sound = match zone.len() {
        3 | 5 => !zone.contains(':'),
        6 => zone.as_bytes()[3] == b':',
        _ => false,
    };
    if !sound || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let hours: i64 = digits.get(..2)?.parse().ok()?;
    let minutes: i64 = digits.get(2..).filter(|m| !m.is_empty()).map_or(Ok(0), str::parse).ok()?;
    (hours <= 14 && minutes < 60).then_some(east * (hours * 60 + minutes))
}

impl fmt::Display for Moment {
    /// ISO 8601 in UTC, to the second: `2024-11-15T21:30:00Z`; decimals only where there are any.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (year, month, day) = self.date();
        let us = self.unix_us.rem_euclid(DAY_US);
        let (seconds, parts) = (us / 1_000_000, us % 1_000_000);
        write!(
            f,
            "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}",
            seconds / 3600,
            seconds / 60 % 60,
            seconds % 60
        )?;
        if parts != 0 {
            write!(f, "{}", format!(".{parts:06}").trim_end_matches('0'))?;
        }
        f.write_str("Z")
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Moment, D::Error> {
        Moment::parse(&String::deserialize(deserializer)?).map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_in_all_their_forms() {
        for (text, expected) in [
            ("2024-11-15", "2024-11-15T00:00:00Z"),
            ("2024-11-15T21:30", "2024-11-15T21:30:00Z"),
            ("2024-11-15 21:30:12", "2024-11-15T21:30:12Z"),
            ("2024-11-15T21:30:12.5Z", "2024-11-15T21:30:12.5Z"),
            ("2024-11-15T22:30:00+01:00", "2024-11-15T21:30:00Z"),
            ("2024-11-15T22:30+0100", "2024-11-15T21:30:00Z"),
            ("2024-11-15T16:30-05", "2024-11-15T21:30:00Z"),
            ("2024-03-01T00:15:00+05:45", "2024-02-29T18:30:00Z"),
            ("2016-12-31T23:59:60Z", "2017-01-01T00:00:00Z"),
            ("2024-11-15T21:30:00.0000000", "2024-11-15T21:30:00Z"),
        ] {
            assert_eq!(Moment::parse(text).unwrap().to_string(), expected, "{text}");
        }
    }

    #[test]
    fn anything_else_is_refused() {
        for text in [
            "",
            "now",
            "2024",
            "2024-11",
            "2024-13-01",
            "2023-02-29",
            "2024-11-15T",
            "2024-11-15T24:00",
            "2024-11-15T21:60",
            "2024-11-15T21:30:61",
            "2024-11-15T21:30:",
            "2024-11-15T21:30:1",
            "2024-11-15T21:30:12.",
            "2024-11-15T21:30+25:00",
            "2024-11-15T21:30+1",
            "2024-11-15T21:30Zz",
            "2024-11-15T21",
            "2024/11/15",
            "15-11-2024",
            "2024-11-15T-1:30",
            "2024-11-15T21:30:nan",
            "2024-11-15T21:30:1e1",
            "2024-11-15T21:30+0:100",
            "2024-11-1\u{661}",
            "+2024-11-15",
        ] {
            assert!(matches!(Moment::parse(text), Err(MoonError::Time(_))), "{text}");
        }
        for text in ["1900-12-31", "2100-01-01", "0000-01-01", "9999-12-31"] {
            assert!(matches!(Moment::parse(text), Err(MoonError::TimeRange(_))), "{text}");
        }
        assert!(Moment::from_ticks(0).is_err() && Moment::from_ticks(u64::MAX).is_err());
    }

    #[test]
    fn julian_days_agree_with_known_ones() {
        // Julian days recomputed with an independent calendar library; TT - UTC: leap seconds of
        // IERS Bulletin C, before 1972 the values that skyfield 1.55 gives.
        for (text, julian_day, tt_minus_utc_s, within_s) in [
            ("2000-01-01T12:00:00Z", 2_451_545.0, 64.184, 1e-9),
            ("2024-11-15T21:30:00Z", 2_460_630.395_833_333, 69.184, 1e-9),
            ("2026-03-26T20:00:00Z", 2_461_126.333_333_333, 69.184, 1e-9),
            ("1972-01-01T00:00:00Z", 2_441_317.5, 42.184, 1e-9),
            ("1969-07-20T20:17:00Z", 2_440_423.345_138_889, 39.49, 1.0),
            ("1901-06-01T00:00:00Z", 2_415_536.5, -0.19, 1.0),
            ("1930-06-01T00:00:00Z", 2_426_128.5, 24.42, 1.0),
            ("1950-06-01T00:00:00Z", 2_433_433.5, 29.09, 1.0),
        ] {
            let moment = Moment::parse(text).unwrap();
            let ut = moment.ut();
            assert!((ut.day + ut.rest - julian_day).abs() < 1e-8, "{text}");
            let found = moment.tt_minus_utc_s();
            assert!((found - tt_minus_utc_s).abs() < within_s, "{text}: {found}");
        }
    }

    #[test]
    fn ticks_and_dates_go_round() {
        assert_eq!(
            Moment::from_ticks(638_673_030_000_000_000).unwrap(),
            Moment::parse("2024-11-15T21:30:00Z").unwrap()
        );
        for days in (-25_000..47_000).step_by(17) {
            let moment = Moment::from_unix_us(days * DAY_US).unwrap();
            assert_eq!(Moment::from_date(moment.date(), (0, 0, 0.0)).unwrap(), moment);
        }
    }
}
