//! Values of an operating condition: a quantity of any kind, or a word.

use super::parse::{QuantityError, Symbol, split};
use std::fmt;

/// One condition of a corner, e.g. `24 V`, `-30 degC`, `burst`.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    text: String,
    value: ConditionValue,
}

/// What a condition's text means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ConditionValue {
    /// A number in its base unit.
    Quantity {
        /// Value in the base unit.
        value: f64,
        /// The base unit's symbol.
        unit: &'static str,
    },
    /// A word, compared as text.
    Word,
}

/// Units that a condition may have.
const SYMBOLS: [Symbol; 13] = [
    Symbol::prefixed("V", 1.0),
    Symbol::prefixed("A", 1.0),
    Symbol::prefixed("Hz", 1.0),
    Symbol::prefixed("s", 1.0),
    Symbol::prefixed("ohm", 1.0),
    Symbol::prefixed("W", 1.0),
    Symbol::prefixed("F", 1.0),
    Symbol::prefixed("H", 1.0),
    Symbol::plain("degC", 1.0),
    Symbol::plain("K", 1.0),
    Symbol::plain("%", 1.0),
    Symbol::plain("dB", 1.0),
    Symbol::plain("deg", 1.0),
];

/// Largest value, in its base unit; common practice, no source.
const MOST: f64 = 1e12;

impl Condition {
    /// An example of a well-formed condition.
    pub const EXAMPLE: &'static str = "24 V";

    /// Reads a condition: what starts like a number must be a quantity with a unit, anything else is a word.
    ///
    /// # Errors
    /// When it starts like a number and number or unit is malformed or the number above 1e12 of its unit, or it is empty.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        if text.starts_with(|c: char| c.is_alphabetic()) {
            return Ok(Self { text: text.to_owned(), value: ConditionValue::Word });
        }
        let (number, unit) = split(text)?;
        if unit.is_empty() {
            return Err(QuantityError::NoUnit { found: text.to_owned() });
        }
        let wrong = || QuantityError::WrongUnit { found: text.to_owned(), unit: unit.to_owned() };
        let (factor, unit) =
            SYMBOLS.iter().find_map(|s| s.factor_of(unit).map(|f| (f, s.text))).ok_or_else(wrong)?;
        let value = number * factor;
        if !value.is_finite() {
            return Err(QuantityError::NotFinite { found: text.to_owned() });
        }
        if value.abs() > MOST {
            return Err(QuantityError::Implausible {
                found: text.to_owned(),
                wanted: "at most 1e12 of the unit",
            });
        }
        Ok(Self { text: text.to_owned(), value: ConditionValue::Quantity { value, unit } })
    }

    /// The condition as written.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The condition without blanks, as it enters a corner's name: `24V`.
    #[must_use]
    pub fn compact(&self) -> String {
        match self.value {
            ConditionValue::Quantity { .. } => self.text.split_whitespace().collect(),
            ConditionValue::Word => self.text.clone(),
        }
    }

    /// What the text means.
    #[must_use]
    pub const fn value(&self) -> ConditionValue {
        self.value
    }

    /// Whether `actual` lies within `tolerance` (a bare ratio of this value); `None` when the two are not of one kind.
    #[must_use]
    pub fn admits(&self, actual: &Self, tolerance: f64) -> Option<bool> {
        match (self.value, actual.value) {
            (ConditionValue::Word, ConditionValue::Word) => Some(self.text == actual.text),
            (
                ConditionValue::Quantity { value: declared, unit },
                ConditionValue::Quantity { value: actual, unit: other },
            ) if unit == other => {
                // A part in 1e9 for the rounding of the decimal fractions on both sides.
                Some((actual - declared).abs() <= tolerance * declared.abs() + 1e-9 * declared.abs())
            }
            _ => None,
        }
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_compare_in_their_unit() {
        let declared = Condition::parse("24 V").unwrap();
        assert_eq!(declared.compact(), "24V");
        assert_eq!(declared.admits(&Condition::parse("23900 mV").unwrap(), 0.02), Some(true));
        assert_eq!(declared.admits(&Condition::parse("23 V").unwrap(), 0.02), Some(false));
        assert_eq!(declared.admits(&Condition::parse("23 A").unwrap(), 0.02), None);
        assert_eq!(declared.admits(&Condition::parse("23.52 V").unwrap(), 0.02), Some(true));
        assert!(Condition::parse("24").is_err());
        assert!(Condition::parse("24 volts").is_err());
        assert!(matches!(Condition::parse("1e300 V"), Err(QuantityError::Implausible { .. })));
        assert_eq!(Condition::parse("burst").unwrap().value(), ConditionValue::Word);
    }
}
