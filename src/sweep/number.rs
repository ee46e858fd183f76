//! A field to a number.

/// Why a field is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NotANumber {
    /// Nothing stood there.
    Empty,
    /// Something else stood there.
    Text,
    /// Past what a double can hold.
    TooLarge,
}

/// Reads a decimal number: optional sign, digits with at most one decimal mark, optional exponent.
///
/// Not a number, infinity, other bases and thousands separators are refused. `buffer` is room to work in.
///
/// # Errors
/// Why it is none.
pub(super) fn number(field: &[u8], decimal_comma: bool, buffer: &mut Vec<u8>) -> Result<f64, NotANumber> {
    if field.is_empty() {
        return Err(NotANumber::Empty);
    }
    if !decimal_comma {
        return parse(field);
    }
    if field.contains(&b'.') {
        return Err(NotANumber::Text);
    }
    buffer.clear();
    buffer.extend(field.iter().map(|byte| if *byte == b',' { b'.' } else { *byte }));
    parse(buffer)
}

fn parse(field: &[u8]) -> Result<f64, NotANumber> {
    match fast_float2::parse::<f64, _>(field) {
        Ok(value) if value.is_finite() => Ok(value),
        // The parser also knows the words for infinity and not-a-number; those hold no digit.
        Ok(_) if field.iter().any(u8::is_ascii_digit) => Err(NotANumber::TooLarge),
        _ => Err(NotANumber::Text),
    }
}

/// Digits that always fit the 53 bits of a double.
const EXACT_DIGITS: usize = 15;

/// Powers of ten that are exact doubles.
const POWERS: [f64; EXACT_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// The number at the start of `bytes` and its length; `None` when there is none.
///
/// A short decimal is its digits as a whole number over a power of ten: both are exact doubles, so their quotient is
/// rounded once and right (W. D. Clinger, "How to read floating point numbers accurately", PLDI 1990: from memory).
/// Everything else goes to fast_float2, with the same result to the last bit, three times slower.
#[inline]
pub(super) fn leading(bytes: &[u8]) -> Option<(f64, usize)> {
    let negative = bytes.first() == Some(&b'-');
    let start = usize::from(negative);
    let digit = |at: usize| bytes.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10);
    let (mut at, mut whole, mut decimals) = (start, 0_u64, 0_usize);
    while let Some(digit) = digit(at) {
        whole = whole.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    let mut digits = at - start;
    if digits > 0 && bytes.get(at) == Some(&b'.') {
        at += 1;
        while let Some(digit) = digit(at) {
            whole = whole.wrapping_mul(10).wrapping_add(u64::from(digit));
            at += 1;
            decimals += 1;
        }
        digits += decimals;
    }
    let ends = !matches!(bytes.get(at), Some(b'e' | b'E' | b'.'));
    match POWERS.get(decimals).filter(|_| digits > 0 && digits <= EXACT_DIGITS && ends) {
        Some(power) => {
            let value = whole as f64 / power;
            Some((if negative { -value } else { value }, at))
        }
        None => fast_float2::parse_partial::<f64, _>(bytes).ok(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn point(text: &str) -> Result<f64, NotANumber> {
        number(text.as_bytes(), false, &mut Vec::new())
    }

    #[test]
    fn decimal_notation_only() {
        for (text, value) in [
            ("1", 1.0),
            ("+1.5", 1.5),
            ("-.5", -0.5),
            ("2.", 2.0),
            ("1e3", 1e3),
            ("1.5E-3", 1.5e-3),
            ("1e+2", 100.0),
        ] {
            assert_eq!(point(text), Ok(value), "{text}");
        }
        for text in [
            "nan",
            "NaN",
            "inf",
            "-Infinity",
            "0x10",
            "1_000",
            "1,000.5",
            "1 000",
            "1e",
            "e5",
            ".",
            "-",
            "+-1",
            "1.2.3",
            "١",
        ] {
            assert_eq!(point(text), Err(NotANumber::Text), "{text}");
        }
        assert_eq!(point("1e999"), Err(NotANumber::TooLarge));
        assert_eq!(point(""), Err(NotANumber::Empty));
    }

    #[test]
    fn a_decimal_comma_excludes_the_point() {
        let comma = |text: &str| number(text.as_bytes(), true, &mut Vec::new());
        assert_eq!(comma("-1,5e3"), Ok(-1500.0));
        assert_eq!(comma("7"), Ok(7.0));
        assert_eq!(comma("1.5"), Err(NotANumber::Text));
        assert_eq!(comma("1,5,0"), Err(NotANumber::Text));
    }

    proptest! {
        /// The standard library is the reference for the value, to the last bit.
        #[test]
        fn agrees_with_the_standard_library(text in "[+-]?[0-9]{1,25}(\\.[0-9]{0,25})?([eE][+-]?[0-9]{1,3})?") {
            let expected: f64 = text.parse().unwrap();
            match point(&text) {
                Ok(value) => prop_assert_eq!(value.to_bits(), expected.to_bits()),
                Err(error) => prop_assert!(error == NotANumber::TooLarge && expected.is_infinite()),
            }
        }
    }

    proptest! {
        #[test]
        fn short_decimals_are_read_to_the_last_bit(text in "-?[0-9]{0,9}([.][0-9]{0,9})?(e-?[0-9]{1,3})?[,\n x]?") {
            let expected = fast_float2::parse_partial::<f64, _>(text.as_bytes()).ok();
            let found = leading(text.as_bytes());
            prop_assert_eq!(found.map(|(v, n)| (v.to_bits(), n)), expected.map(|(v, n)| (v.to_bits(), n)));
        }
    }
}
