//! `50 deg`, `8 kHz`, `-20 dBm`: number, optional blank, unit with an SI prefix where the unit takes one.

use thiserror::Error;

/// A unit symbol that a kind of quantity may be written with.
#[derive(Debug, Clone, Copy)]
pub struct Symbol {
    /// The symbol without a prefix.
    pub text: &'static str,
    /// Value of one such unit in the base unit.
    pub factor: f64,
    /// Whether an SI prefix may stand before it.
    pub prefixes: bool,
}

impl Symbol {
    /// A symbol that takes no prefix.
    #[must_use]
    pub const fn plain(text: &'static str, factor: f64) -> Self {
        Self { text, factor, prefixes: false }
    }

    /// A symbol that takes the SI prefixes p n u m k M G.
    #[must_use]
    pub const fn prefixed(text: &'static str, factor: f64) -> Self {
        Self { text, factor, prefixes: true }
    }

    /// The factor to the base unit when `unit` is this symbol, with a prefix where it takes one.
    #[must_use]
    pub fn factor_of(&self, unit: &str) -> Option<f64> {
        if unit == self.text {
            return Some(self.factor);
        }
        let prefix = unit.strip_suffix(self.text).filter(|_| self.prefixes)?;
        // U+00B5 (micro sign) and U+03BC (Greek mu) both mean micro.
        let scale = match prefix {
            "p" => 1e-12,
            "n" => 1e-9,
            "u" | "\u{b5}" | "\u{3bc}" => 1e-6,
            "m" => 1e-3,
            "k" => 1e3,
            "M" => 1e6,
            "G" => 1e9,
            _ => return None,
        };
        Some(self.factor * scale)
    }
}

/// A kind of quantity that can be written as number and unit.
pub trait Parsable: Sized {
    /// What it is, with its article: `a frequency`.
    const WHAT: &'static str;
    /// A well-formed example: `8 kHz`.
    const EXAMPLE: &'static str;
    /// The units it may be written with.
    const SYMBOLS: &'static [Symbol];
    /// From a number in the base unit; `None` when it is not finite.
    fn from_base(value: f64) -> Option<Self>;
}

/// Why a text is not the quantity that is wanted.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// No number at the start, or one of another form.
    #[error("`{found}` does not start with a number")]
    NotANumber {
        /// The text as it stood.
        found: String,
    },
    /// Beyond the range of a finite number.
    #[error("`{found}` is too large a number")]
    NotFinite {
        /// The text as it stood.
        found: String,
    },
    /// Farther off than anything measured.
    #[error("`{found}` is beyond what is plausible, {wanted} is wanted")]
    Implausible {
        /// The text as it stood.
        found: String,
        /// What would be plausible.
        wanted: &'static str,
    },
    /// A bare number where a unit is needed.
    #[error("`{found}` has no unit")]
    NoUnit {
        /// The text as it stood.
        found: String,
    },
    /// A unit that is not one of this kind of quantity.
    #[error("`{found}` has the unit `{unit}`")]
    WrongUnit {
        /// The text as it stood.
        found: String,
        /// The unit as it stood.
        unit: String,
    },
}

/// Splits `-26 dBm` into the number and the unit's text (empty when there is none).
///
/// The number is `[+-]digits[.digits][e[+-]digits]`, the blank between number and unit is optional.
///
/// # Errors
/// When the text does not start with such a number or the number is not finite.
pub fn split(text: &str) -> Result<(f64, &str), QuantityError> {
    let not_a_number = || QuantityError::NotANumber { found: text.to_owned() };
    let trimmed = text.trim();
    let end = number_length(trimmed.as_bytes()).ok_or_else(not_a_number)?;
    let (digits, unit) = trimmed.split_at_checked(end).ok_or_else(not_a_number)?;
    let value: f64 = digits.parse().map_err(|_| not_a_number())?;
    if !value.is_finite() {
        return Err(QuantityError::NotFinite { found: text.to_owned() });
    }
    // A minus before 0 says nothing.
    Ok((value + 0.0, unit.trim_start()))
}

/// Length of the number at the start of `bytes`; `None` when there is none.
fn number_length(bytes: &[u8]) -> Option<usize> {
    let digits = |from: usize| bytes.iter().skip(from).take_while(|b| b.is_ascii_digit()).count();
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits(sign);
    if whole == 0 {
        return None;
    }
    let mut end = sign + whole;
    if bytes.get(end) == Some(&b'.') {
        let fraction = digits(end + 1);
        if fraction == 0 {
            return None;
        }
        end += 1 + fraction;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits(end + 1 + sign);
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    Some(end)
}

/// Reads a quantity: `parse::<Hertz>("8 kHz")`.
///
/// # Errors
/// When the number is malformed or not finite, or the unit is missing or not one of this kind of quantity.
pub fn parse<Q: Parsable>(text: &str) -> Result<Q, QuantityError> {
    let (value, unit) = split(text)?;
    if unit.is_empty() {
        return Err(QuantityError::NoUnit { found: text.to_owned() });
    }
    let factor = Q::SYMBOLS
        .iter()
        .find_map(|symbol| symbol.factor_of(unit))
        .ok_or_else(|| QuantityError::WrongUnit { found: text.to_owned(), unit: unit.to_owned() })?;
    Q::from_base(scale(value, factor)).ok_or_else(|| QuantityError::NotFinite { found: text.to_owned() })
}

/// Scales by a power of ten without the rounding error of a factor such as 1e-6, which no `f64` holds exactly.
fn scale(value: f64, factor: f64) -> f64 {
    let inverse = (1.0 / factor).round();
    if factor < 1.0 && (1.0 / inverse - factor).abs() <= f64::EPSILON * factor {
        value / inverse
    } else {
        value * factor
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Decibel, Degrees, Hertz, Ratio, Seconds};
    use super::*;

    #[test]
    fn reads_what_the_format_allows() {
        assert_eq!(parse::<Hertz>("8 kHz").unwrap().hz(), 8e3);
        assert_eq!(parse::<Hertz>("8kHz").unwrap().hz(), 8e3);
        assert!(parse::<Decibel>("-0 dB").unwrap().db().is_sign_positive());
        assert_eq!(parse::<Hertz>("+1.5e2 Hz").unwrap().hz(), 150.0);
        assert_eq!(parse::<Hertz>("0.1 MHz").unwrap().hz(), 1e5);
        assert_eq!(parse::<Seconds>("5 us").unwrap().s(), 5e-6);
        assert_eq!(parse::<Seconds>("5 \u{b5}s").unwrap().s(), 5e-6);
        assert_eq!(parse::<Seconds>("5 \u{3bc}s").unwrap().s(), 5e-6);
        assert_eq!(parse::<Decibel>("-20 dB").unwrap().db(), -20.0);
        assert_eq!(parse::<Degrees>("50 deg").unwrap().deg(), 50.0);
        assert_eq!(parse::<Ratio>("2 %").unwrap().ratio(), 0.02);
    }

    #[test]
    fn refuses_the_rest_and_says_why() {
        for text in ["", "kHz", ".5 kHz", "5. kHz", "+-5 kHz", "1,5 kHz", "nan Hz", "inf Hz", "0x10 Hz"] {
            assert!(parse::<Hertz>(text).is_err(), "{text}");
        }
        assert!(matches!(parse::<Hertz>("8"), Err(QuantityError::NoUnit { .. })));
        assert!(matches!(parse::<Hertz>("8 khz"), Err(QuantityError::WrongUnit { .. })));
        assert!(matches!(parse::<Decibel>("8 kdB"), Err(QuantityError::WrongUnit { .. })));
        assert!(matches!(parse::<Hertz>("1e999 Hz"), Err(QuantityError::NotFinite { .. })));
        assert!(matches!(parse::<Hertz>("1e308 GHz"), Err(QuantityError::NotFinite { .. })));
    }
}
