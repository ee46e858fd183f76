//! Texts and numbers as scalars of YAML that every reader takes for what they are.

use crate::quantity::number;
use std::fmt::Write;

/// Words that YAML 1.1 or 1.2 takes for something else than text (YAML 1.2.2, 10.3; YAML 1.1, bool).
const WORDS: [&str; 14] =
    ["null", "true", "false", "yes", "no", "on", "off", "y", "n", "inf", "nan", "infinity", "~", "none"];

/// A text as a scalar: plain where nothing can be mistaken, else in double quotes.
pub fn quoted(text: &str) -> String {
    if is_plain(text) {
        return text.to_owned();
    }
    let mut quoted = String::with_capacity(text.len() + 2);
    quoted.push('"');
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            // What a reader of a diff would not see, or see in another order.
            c if is_unseen(c) => {
                // Writing to a string cannot fail.
                let _ = match u32::from(c) {
                    code @ ..0x1_0000 => write!(quoted, "\\u{code:04X}"),
                    code => write!(quoted, "\\U{code:08X}"),
                };
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

fn is_unseen(c: char) -> bool {
    c.is_control()
        || (c.is_whitespace() && c != ' ')
        || matches!(u32::from(c), 0xAD | 0x61C | 0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x206F | 0xFEFF | 0xFFF9..=0xFFFF)
        || u32::from(c) >= 0xE_0000
}

/// Whether a text needs no quotes, in a flow map neither: words and blanks of ASCII that are no number, date or other word of
/// YAML.
fn is_plain(text: &str) -> bool {
    let bytes = text.as_bytes();
    let starts = match bytes {
        [b'-', second, ..] => second.is_ascii_digit(),
        [first, ..] => first.is_ascii_alphanumeric(),
        [] => false,
    };
    let inner =
        |b: &u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-' | b'+' | b'/' | b'%' | b' ');
    let looks_like_a_number = |word: &str| {
        word.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'_' | b'-' | b'+'))
            || word.parse::<f64>().is_ok()
            || word.starts_with("0x")
            || word.starts_with("0o")
    };
    starts
        && bytes.iter().all(inner)
        && !text.ends_with(' ')
        && !WORDS.contains(&text.to_ascii_lowercase().as_str())
        && !looks_like_a_number(text)
}

/// Significant digits of a number that nothing says how to round.
const DIGITS: usize = 7;
/// Most digits of any number.
const MOST_DIGITS: i32 = 12;

/// How many decimals a value needs so that rounding it is nothing beside `beside` (same unit): half a unit of the last one
/// is at most a twentieth of that. `None` where there is nothing beside it.
pub fn decimals(beside: f64) -> Option<i32> {
    (beside > 0.0 && beside.is_finite()).then(|| -(beside / 10.0).log10().floor() as i32)
}

/// A number rounded to so many decimals; to seven digits where nothing says how many.
pub fn rounded(value: f64, decimals: Option<i32>) -> String {
    let Some(decimals) = decimals else { return number(value, DIGITS) };
    if value == 0.0 {
        return "0".to_owned();
    }
    let digits = value.abs().log10().floor() as i32 + 1 + decimals;
    match usize::try_from(digits.min(MOST_DIGITS)) {
        Ok(digits @ 1..) => number(value, digits),
        _ => "0".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_be_mistaken_is_quoted() {
        for plain in
            ["RG-00042", "24 V", "-26 dBm", "bench-1", "cold-start", "a/b.csv", "0.5 A", "C", "-30 degC"]
        {
            assert_eq!(quoted(plain), plain);
        }
        for text in [
            "2.10",
            "00042",
            "1e3",
            "null",
            "No",
            "2026-05-26",
            "2026-05-26T08:00:00Z",
            "a: b",
            "#x",
            "",
            " a",
            "a ",
            "-",
            "- a",
            "{a}",
            "0x1F",
            "ä",
            "2.3.1",
        ] {
            assert_eq!(quoted(text), format!("\"{text}\""));
        }
        assert_eq!(quoted("a\"\\b"), r#""a\"\\b""#);
        assert_eq!(quoted("a\u{202e}\u{2028}\u{85}"), r#""a\u202E\u2028\u0085""#);
        assert_eq!(quoted("\u{e0001}"), r#""\U000E0001""#);
    }

    #[test]
    fn numbers_are_rounded_to_what_matters() {
        assert_eq!(rounded(52.312_345, decimals(0.02)), "52.312");
        assert_eq!(rounded(9310.4321, decimals(5.0)), "9310.4");
        assert_eq!(rounded(1.315_712_3e-5, decimals(2e-8)), "1.3157e-5");
        assert_eq!(rounded(0.000_01, decimals(0.02)), "0");
        assert_eq!(rounded(1.0 / 3.0, None), "0.3333333");
        assert_eq!(decimals(0.0), None);
    }
}
