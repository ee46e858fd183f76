//! Days and instants: from text, and back.

use time::{Date, Duration, Month, UtcDateTime};

/// The day that a text of the form YYYY-MM-DD names; `None` when it has another form or there is no such day.
#[must_use]
pub fn day(text: &str) -> Option<Date> {
    let shaped = text.len() == 10
        && text
            .bytes()
            .enumerate()
            .all(|(at, b)| if at == 4 || at == 7 { b == b'-' } else { b.is_ascii_digit() });
    let (year, month, day) = (text.get(..4)?, text.get(5..7)?, text.get(8..)?);
    if shaped { date(year, month, day) } else { None }
}

/// The day of a year, a month and a day of the month, each in digits; `None` when there is no such day.
#[must_use]
pub fn date(year: &str, month: &str, day: &str) -> Option<Date> {
    let month = Month::try_from(month.parse::<u8>().ok()?).ok()?;
    Date::from_calendar_date(year.parse().ok()?, month, day.parse().ok()?).ok()
}

/// The day, UTC, of an instant in microseconds since 1970-01-01T00:00:00Z; `None` beyond the year 9999.
#[must_use]
pub fn day_of_micros(micros: i64) -> Option<Date> {
    Some(UtcDateTime::UNIX_EPOCH.checked_add(Duration::microseconds(micros))?.date())
}

/// An instant as RFC 3339 writes it, with no more decimals than it needs.
#[must_use]
pub fn rfc_3339(time: UtcDateTime) -> String {
    let (hour, minute, second, nanos) = time.as_hms_nano();
    let decimals = if nanos == 0 { String::new() } else { format!(".{nanos:09}") };
    format!("{}T{hour:02}:{minute:02}:{second:02}{}Z", time.date(), decimals.trim_end_matches('0'))
}

/// An instant in microseconds since 1970-01-01T00:00:00Z as RFC 3339 writes it; `None` beyond the year 9999.
#[must_use]
pub fn rfc_3339_of_micros(micros: i64) -> Option<String> {
    Some(rfc_3339(UtcDateTime::UNIX_EPOCH.checked_add(Duration::microseconds(micros))?))
}

/// Microseconds since 1970-01-01T00:00:00Z of an RFC 3339 time; a leap second counts as the second after it. `None` when the text is
/// no such time.
#[must_use]
pub fn micros(text: &str) -> Option<i64> {
    let (date, time) = text.split_at_checked(10)?;
    let date = day(date)?;
    let (clock, rest) = time.get(1..)?.split_at_checked(8)?;
    let (hour, minute, second) =
        (number(clock.get(0..2)?)?, number(clock.get(3..5)?)?, number(clock.get(6..8)?)?);
    let (fraction, zone) = match rest.strip_prefix('.') {
        None => (0, rest),
        Some(tail) => {
            let zone = tail.trim_start_matches(|c: char| c.is_ascii_digit());
            let digits = tail.get(..tail.len() - zone.len())?;
            let six: String = digits.chars().chain("000000".chars()).take(6).collect();
            (six.parse::<i64>().ok()?, zone)
        }
    };
    let offset = match zone {
        "Z" | "z" => 0,
        _ => {
            let sign = if zone.starts_with('-') { -1 } else { 1 };
            sign * (60 * number(zone.get(1..3)?)? + number(zone.get(4..6)?)?)
        }
    };
    let days = i64::from(date.to_julian_day() - UtcDateTime::UNIX_EPOCH.date().to_julian_day());
    let seconds = 86_400 * days + 3600 * hour + 60 * (minute - offset) + second;
    seconds.checked_mul(1_000_000)?.checked_add(fraction)
}

fn number(digits: &str) -> Option<i64> {
    digits.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8: these pairs are the same instant, as it says; the leap second is the second after 23:59:59.
    #[test]
    fn examples_of_the_standard() {
        assert_eq!(micros("1970-01-01T00:00:00Z"), Some(0));
        assert_eq!(micros("1985-04-12T23:20:50.52Z"), Some(482_196_050_520_000));
        assert_eq!(micros("1996-12-19T16:39:57-08:00"), micros("1996-12-20T00:39:57Z"));
        assert_eq!(micros("1990-12-31T23:59:60Z"), micros("1991-01-01T00:00:00Z"));
        assert_eq!(micros("1990-12-31T15:59:60-08:00"), micros("1990-12-31T23:59:60Z"));
        assert_eq!(micros("1937-01-01T12:00:27.87+00:20"), micros("1937-01-01t11:40:27.870z"));
        assert!(micros("9999-12-31T23:59:59.999999999-23:59").is_some());
        assert!(micros("0000-01-01T00:00:00+23:59").is_some());
        assert_eq!(micros("no time"), None);
    }

    /// Gregorian calendar: leap years are those that four divides, centuries but for those that 400 divides.
    #[test]
    fn a_day_is_four_two_and_two_digits_and_there_is_such_a_day() {
        for good in ["2000-02-29", "2024-02-29", "0000-01-01", "9999-12-31"] {
            assert_eq!(day(good).unwrap().to_string(), good);
        }
        for bad in [
            "1900-02-29",
            "2026-02-29",
            "2026-13-01",
            "2026-4-02",
            "+026-04-02",
            "2026-04-020",
            "2026/04/02",
            "",
        ] {
            assert_eq!(day(bad), None, "{bad}");
        }
    }

    #[test]
    fn the_day_of_an_instant_begins_at_midnight_utc() {
        let day = |text| day_of_micros(micros(text).unwrap()).unwrap().to_string();
        assert_eq!(day("2026-04-02T23:59:59.999999Z"), "2026-04-02");
        assert_eq!(day("2026-04-02T23:59:59.9-00:01"), "2026-04-03");
        assert_eq!(day("1969-12-31T23:59:59.999999Z"), "1969-12-31");
        assert_eq!(day_of_micros(i64::MAX), None);
    }

    #[test]
    fn an_instant_has_no_more_decimals_than_it_needs() {
        let text = |seconds, nanos| rfc_3339(UtcDateTime::UNIX_EPOCH + Duration::new(seconds, nanos));
        assert_eq!(text(0, 0), "1970-01-01T00:00:00Z");
        assert_eq!(text(86_399, 120_000_000), "1970-01-01T23:59:59.12Z");
        assert_eq!(text(-1, 0), "1969-12-31T23:59:59Z");
        assert_eq!(text(0, 1), "1970-01-01T00:00:00.000000001Z");
    }
}
