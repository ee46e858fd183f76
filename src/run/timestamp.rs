//! `taken`: an RFC 3339 time.

use crate::quantity::calendar::day;
use crate::yaml::Value;

/// The text of a time when it is one.
pub(super) fn read(value: &Value<'_>) -> Option<String> {
    let text = value.text("a time such as `2026-04-02T09:15:00Z`")?;
    if let Some(why) = complaint(text) {
        let help = "write for example `2026-04-02T09:15:00Z` or `2026-04-02T11:15:00+02:00`";
        value.error("bad-time", format!("`{text}` is no RFC 3339 time: {why}"), help);
        return None;
    }
    Some(text.to_owned())
}

/// What is wrong with a time (RFC 3339, section 5.6; `T` and `Z` may be lower case, seconds may be 60); `None` when
/// nothing is.
fn complaint(text: &str) -> Option<&'static str> {
    let Some((date, time)) = text.split_at_checked(10) else {
        return Some("it is too short");
    };
    if !shaped(date, "dddd-dd-dd") {
        return Some("it does not begin with a date of the form YYYY-MM-DD");
    }
    if day(date).is_none() {
        return Some("there is no such day");
    }
    let Some(time) = time.strip_prefix(['T', 't']) else {
        return Some("a `T` is wanted between date and time");
    };
    let Some((clock, rest)) = time.split_at_checked(8).filter(|(clock, _)| shaped(clock, "dd:dd:dd")) else {
        return Some("the time is not of the form HH:MM:SS");
    };
    // Seconds may be 60, a leap second.
    if field(clock, 0) > 23 || field(clock, 3) > 59 || field(clock, 6) > 60 {
        return Some("there is no such time of day");
    }
    let offset = match rest.strip_prefix('.') {
        None => rest,
        Some(fraction) => {
            let tail = fraction.trim_start_matches(|c: char| c.is_ascii_digit());
            if tail.len() == fraction.len() {
                return Some("digits are wanted after the point");
            }
            tail
        }
    };
    if matches!(offset, "Z" | "z") {
        return None;
    }
    let Some(zone) = offset.strip_prefix(['+', '-']) else {
        return Some("it must end in `Z` or an offset such as `+02:00`");
    };
    if !shaped(zone, "dd:dd") || field(zone, 0) > 23 || field(zone, 3) > 59 {
        return Some("the offset is not of the form +HH:MM");
    }
    None
}

/// Whether a text has a form in which `d` stands for a digit.
fn shaped(text: &str, form: &str) -> bool {
    text.len() == form.len()
        && text.bytes().zip(form.bytes()).all(|(b, f)| if f == b'd' { b.is_ascii_digit() } else { b == f })
}

/// The two digits at a position of a text that has the right form.
fn field(text: &str, at: usize) -> u8 {
    text.get(at..at + 2).and_then(|digits| digits.parse().ok()).unwrap_or(u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_rfc_3339() {
        for good in [
            "2026-04-02T09:15:00Z",
            "2026-04-02t09:15:00.123456789123z",
            "1990-12-31T23:59:60Z",
            "1937-01-01T12:00:27.87+00:20",
            "0000-01-01T00:00:00-00:00",
            "9999-12-31T23:59:59Z",
            "2024-02-29T00:00:00Z",
        ] {
            assert_eq!(complaint(good), None, "{good}");
        }
        for bad in [
            "",
            "2026-04-02",
            "2026-04-02 09:15:00Z",
            "2026-04-02T09:15Z",
            "2026-04-02T09:15:00",
            "2026-04-02T24:00:00Z",
            "2026-04-02T09:60:00Z",
            "2026-04-02T09:15:61Z",
            "2026-04-02T09:15:00.Z",
            "2026-04-02T09:15:00+2:00",
            "2026-04-02T09:15:00+24:00",
            "2026-02-29T00:00:00Z",
            "2026-13-01T00:00:00Z",
            "2026-04-02T09:15:00Z[UTC]",
            "2026-04-0µT09:15:00Z",
            "20260402T091500Z",
        ] {
            assert!(complaint(bad).is_some(), "{bad}");
        }
    }
}
