//! From the text of `taken` to an instant.

use jiff::civil::{Date, DateTime};

/// Microseconds since 1970-01-01T00:00:00Z of an RFC 3339 time; a leap second counts as the second after it. `None` when the text is
/// no such time.
#[must_use]
pub fn micros(text: &str) -> Option<i64> {
    let (date, time) = text.split_at_checked(10)?;
    let date: Date = date.parse().ok()?;
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
    let epoch = DateTime::constant(1970, 1, 1, 0, 0, 0, 0);
    let days = date.to_datetime(jiff::civil::Time::midnight()).duration_since(epoch).as_secs();
    let seconds = days + 3600 * hour + 60 * (minute - offset) + second;
    seconds.checked_mul(1_000_000)?.checked_add(fraction)
}

fn number(digits: &str) -> Option<i64> {
    digits.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::micros;

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
}
