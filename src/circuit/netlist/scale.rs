//! Numbers with the scale letters of SPICE.

/// Scale letters, longer ones first. `M` is milli.
const SCALES: [(&str, f64); 11] = [
    ("meg", 1e6),
    ("mil", 25.4e-6),
    ("t", 1e12),
    ("g", 1e9),
    ("k", 1e3),
    ("m", 1e-3),
    ("u", 1e-6),
    ("\u{b5}", 1e-6),
    ("n", 1e-9),
    ("p", 1e-12),
    ("f", 1e-15),
];

/// The number at the head of a text and how many bytes it takes. Letters after the scale are a unit and mean nothing:
/// `10kOhm` is `10k`. `None` when it is no number, is infinite, or goes on with what belongs to none (`1k5`, `2n3904`).
pub(super) fn number(text: &str) -> Option<(f64, usize)> {
    let digits = mantissa(text.as_bytes());
    let bare: f64 = text.get(..digits)?.parse().ok()?;
    let letters = text.get(digits..)?;
    let length = letters.find(|c: char| !c.is_alphabetic()).unwrap_or(letters.len());
    let unit = letters.get(..length)?.to_lowercase();
    let goes_on =
        letters.get(length..)?.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '_' | '.' | '$'));
    // U+03BC looks like U+00B5 and is what keyboards give.
    let unit = unit.replace('\u{3bc}', "\u{b5}");
    let scaled = SCALES.iter().find_map(|(letters, _)| unit.starts_with(letters).then_some(*letters));
    let value = match scaled.and_then(exponent) {
        // Read as one decimal number, so that `4.7u` is the double nearest to 4.7e-6.
        Some(exponent) => shifted(text.get(..digits)?, exponent)?,
        None => bare * scaled.map_or(1.0, |_| 25.4e-6),
    };
    (value.is_finite() && !goes_on).then_some((value, digits + length))
}

/// The power of ten of a scale.
fn exponent(letters: &str) -> Option<i32> {
    let (_, factor) = SCALES.iter().find(|(known, _)| *known == letters)?;
    (letters != "mil").then(|| factor.log10().round() as i32)
}

/// A decimal number times a power of ten.
fn shifted(text: &str, exponent: i32) -> Option<f64> {
    let (mantissa, own) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let own: i32 = own.parse().ok()?;
    format!("{mantissa}e{}", own.checked_add(exponent)?).parse().ok()
}

/// How many bytes the digits, the point and the exponent take.
fn mantissa(bytes: &[u8]) -> usize {
    let digits = |from: usize| bytes.iter().skip(from).take_while(|byte| byte.is_ascii_digit()).count();
    let whole = digits(0);
    let point = usize::from(bytes.get(whole) == Some(&b'.'));
    let fraction = if point == 1 { digits(whole + 1) } else { 0 };
    if whole + fraction == 0 {
        return 0;
    }
    let end = whole + point + fraction;
    let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
    let power = digits(end + 1 + sign);
    if matches!(bytes.get(end), Some(b'e' | b'E')) && power > 0 { end + 1 + sign + power } else { end }
}

#[cfg(test)]
mod tests {
    use super::number;

    #[test]
    fn scale_letters_are_those_of_spice() {
        let read = |text| number(text).map(|(value, _)| value);
        let known = [
            ("1k", 1e3),
            ("1M", 1e-3),
            ("1Meg", 1e6),
            ("10MEGohm", 1e7),
            ("1MIL", 25.4e-6),
            ("4.7u", 4.7e-6),
            ("4.7\u{3bc}F", 4.7e-6),
            ("22pF", 22e-12),
            ("1e3k", 1e6),
            ("2.5E-2", 0.025),
            (".5", 0.5),
            ("3.", 3.0),
            ("10V", 10.0),
            ("1e", 1.0),
            ("1t", 1e12),
            ("1G", 1e9),
            ("1f", 1e-15),
        ];
        for (text, value) in known {
            assert_eq!(read(text), Some(value), "{text}");
        }
        for text in ["", "k", "1k5", "2n3904", "1e999", ".", "e3", "1e99999999999"] {
            assert_eq!(read(text), None, "{text}");
        }
        assert_eq!(number("10kOhm*2"), Some((1e4, 6)));
    }
}
