//! Typed values: quantities, bare numbers, counts, words.

use super::Value;
use crate::diagnostic::nearest;
use crate::quantity::{Decibel, Degrees, Hertz, Parsable, QuantityError, Ratio, Seconds, parse, split};

/// Which numbers are allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sign {
    /// All.
    Any,
    /// 0 and above.
    NotNegative,
    /// Above 0.
    Positive,
}

impl Sign {
    /// What is wrong with a number, in words; `None` when it is allowed.
    const fn complaint(self, number: f64) -> Option<&'static str> {
        match self {
            Self::NotNegative if number < 0.0 => Some("is below 0"),
            Self::Positive if number <= 0.0 => Some("is not above 0"),
            _ => None,
        }
    }
}

/// What is plausible of a quantity, in its base unit; each bound with its text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bounds {
    /// The least; 0 is always let through where the sign allows it.
    pub(crate) least: (f64, &'static str),
    /// The most.
    pub(crate) most: (f64, &'static str),
    /// What is usual, for people.
    pub(crate) usual: &'static str,
}

impl Bounds {
    /// What is wrong with a number, in words; `None` when nothing is.
    fn complaint(&self, number: f64) -> Option<String> {
        let Self { least: (least, low), most: (most, high), usual } = self;
        if number > *most {
            Some(format!("is above {high}, the most that is read here: {usual}"))
        } else if number < *least && number != 0.0 {
            Some(format!("is below {low}, the least that is read here: {usual}"))
        } else {
            None
        }
    }
}

/// Longest text of a number with its unit, in characters: no measured value has as many digits.
const LONGEST_NUMBER: usize = 100;

/// A quantity's number in its base unit.
pub(crate) trait Base: Parsable + Copy {
    /// The number.
    fn base(self) -> f64;
}

macro_rules! base {
    ($($name:ident $getter:ident),*) => {$(
        impl Base for $name {
            fn base(self) -> f64 {
                self.$getter()
            }
        }
    )*};
}
base!(Hertz hz, Decibel db, Degrees deg, Seconds s, Ratio ratio);

/// Code of a quantity's error.
pub(crate) const fn code_of(error: &QuantityError) -> &'static str {
    match error {
        QuantityError::NoUnit { .. } => "missing-unit",
        QuantityError::WrongUnit { .. } => "wrong-unit",
        QuantityError::NotFinite { .. } => "too-large",
        QuantityError::Implausible { .. } => "out-of-range",
        QuantityError::NotANumber { .. } => "not-a-number",
    }
}

/// The units of a kind of quantity: `Hz, with p n u m k M G before it`.
fn units<Q: Parsable>() -> String {
    let unit = |symbol: &crate::quantity::Symbol| {
        if symbol.prefixes {
            format!("`{}`, also with p n u m k M G before it", symbol.text)
        } else {
            format!("`{}`", symbol.text)
        }
    };
    Q::SYMBOLS.iter().map(unit).collect::<Vec<_>>().join(" or ")
}

/// How to mend a quantity: its own number with the unit that was meant, where that shows, else the units.
fn mend<Q: Parsable>(error: &QuantityError) -> String {
    let units = || format!("unit: {}", units::<Q>());
    let (text, unit) = match error {
        QuantityError::NoUnit { found } => (found.trim(), ""),
        QuantityError::WrongUnit { found, unit } => (found.trim(), unit.as_str()),
        _ => return format!("write {}", format_what::<Q>()),
    };
    if unit.starts_with(',') {
        let pointed = text.replacen(',', ".", 1);
        return if parse::<Q>(&pointed).is_ok() {
            format!("write a decimal point: `{pointed}`")
        } else {
            format!("write a decimal point, and the {}", units())
        };
    }
    let digits = text.strip_suffix(unit).unwrap_or(text).trim_end();
    let like = meant::<Q>(unit);
    if !like.is_empty() {
        let list: Vec<String> = like.iter().map(|unit| format!("`{digits} {unit}`")).collect();
        return format!("did you mean {}?", list.join(" or "));
    }
    let Some(symbol) = Q::SYMBOLS.first().filter(|_| unit.is_empty()) else { return units() };
    if symbol.prefixes {
        let example = Q::EXAMPLE.rsplit(' ').next().unwrap_or(symbol.text);
        return format!(
            "write `{digits} {example}` or `{digits} {}`, whichever is meant; {}",
            symbol.text,
            units()
        );
    }
    // A bare fraction may be a ratio or percent already.
    match split(digits) {
        Ok((number, _)) if symbol.factor != 1.0 && number < 1.0 => {
            // Dust of the division must not be shown.
            let percent = (number / symbol.factor * 1e9).round() / 1e9;
            format!("write `{percent} {}` for a ratio of {digits}", symbol.text)
        }
        _ => format!("write `{digits} {}`", symbol.text),
    }
}

/// Units of a kind that are written nearly like this one: in another case, or in full.
fn meant<Q: Parsable>(unit: &str) -> Vec<String> {
    const FULL: [(&str, &[&str]); 5] = [
        ("deg", &["degree", "degrees", "\u{b0}"]),
        ("dB", &["decibel", "decibels"]),
        ("%", &["percent", "pct"]),
        ("Hz", &["hertz"]),
        ("s", &["sec", "second", "seconds"]),
    ];
    if unit.is_empty() {
        return Vec::new();
    }
    let lower = unit.to_lowercase();
    let mut like = Vec::new();
    for symbol in Q::SYMBOLS {
        let prefixes: &[&str] =
            if symbol.prefixes { &["", "p", "n", "u", "m", "k", "M", "G"] } else { &[""] };
        let own = std::iter::once(symbol.text.to_lowercase());
        let full = FULL.iter().filter(|(text, _)| *text == symbol.text).flat_map(|(_, words)| *words);
        for word in own.chain(full.map(|word| (*word).to_owned())) {
            let written = |prefix: &&&str| format!("{}{word}", prefix.to_lowercase()) == lower;
            like.extend(prefixes.iter().filter(written).map(|prefix| format!("{prefix}{}", symbol.text)));
        }
    }
    like
}

impl<'a> Value<'a> {
    /// The raw text of a scalar; what is wanted is only put into words when it is none.
    fn text_or(&self, wanted: impl FnOnce() -> String) -> Option<&'a str> {
        self.scalar().or_else(|| self.text(&wanted()))
    }

    /// A quantity of a plausible size.
    pub(crate) fn quantity_in<Q: Base>(&self, sign: Sign, bounds: &Bounds) -> Option<Q> {
        let quantity = self.quantity::<Q>(sign)?;
        self.plausible(quantity.base(), bounds).then_some(quantity)
    }

    /// A bare number of a plausible size.
    pub(crate) fn number_in(&self, sign: Sign, example: &str, bounds: &Bounds) -> Option<f64> {
        self.number(sign, example).filter(|number| self.plausible(*number, bounds))
    }

    /// Whether a number is plausible; says so where it is not.
    fn plausible(&self, number: f64, bounds: &Bounds) -> bool {
        let Some(complaint) = bounds.complaint(number) else { return true };
        let text = self.scalar().unwrap_or_default();
        self.error(
            "out-of-range",
            format!("`{text}` {complaint}"),
            "check the number, its unit and the prefix of that",
        );
        false
    }

    /// Whether a text may be a number by its length; says so where it may not.
    fn is_short(&self, text: &str, wanted: impl FnOnce() -> String) -> bool {
        let length = text.chars().count();
        if length > LONGEST_NUMBER {
            let message = format!("this text of {length} characters is no number; {} is wanted", wanted());
            self.error("not-a-number", message, format!("write at most {LONGEST_NUMBER} characters"));
        }
        length <= LONGEST_NUMBER
    }

    /// A quantity.
    pub(crate) fn quantity<Q: Base>(&self, sign: Sign) -> Option<Q> {
        let text = self.text_or(format_what::<Q>).filter(|text| self.is_short(text, format_what::<Q>))?;
        match parse::<Q>(text) {
            Ok(quantity) => match sign.complaint(quantity.base()) {
                None => Some(quantity),
                Some(complaint) => {
                    let help = format!("write {}", format_what::<Q>());
                    self.error("out-of-range", format!("`{text}` {complaint}"), help);
                    None
                }
            },
            Err(error) => {
                let message = format!("{error}; {} is wanted", format_what::<Q>());
                self.error(code_of(&error), message, mend::<Q>(&error));
                None
            }
        }
    }

    /// A bare number without a unit.
    pub(crate) fn number(&self, sign: Sign, example: &str) -> Option<f64> {
        let wanted = || format!("a bare number such as `{example}`");
        let text = self.text_or(wanted).filter(|text| self.is_short(text, wanted))?;
        match split(text) {
            Ok((number, "")) => match sign.complaint(number) {
                None => Some(number),
                Some(complaint) => {
                    self.error(
                        "out-of-range",
                        format!("`{text}` {complaint}"),
                        format!("write {}", wanted()),
                    );
                    None
                }
            },
            Ok((_, unit)) => {
                let message = format!("`{text}` has the unit `{unit}`; {} is wanted", wanted());
                let digits = text.trim().strip_suffix(unit).unwrap_or(text).trim_end();
                self.error("unexpected-unit", message, format!("write the number alone: `{digits}`"));
                None
            }
            Err(error) => {
                let message = format!("{error}; {} is wanted", wanted());
                self.error(code_of(&error), message, format!("write {}", wanted()));
                None
            }
        }
    }

    /// A whole number, at least `least`.
    pub(crate) fn count(&self, least: u32) -> Option<u32> {
        self.count_in(least, u32::MAX)
    }

    /// A whole number from `least` to `most`.
    pub(crate) fn count_in(&self, least: u32, most: u32) -> Option<u32> {
        let wanted = || match most {
            u32::MAX => format!("a whole number from {least} up"),
            most => format!("a whole number from {least} to {most}"),
        };
        let text = self.text_or(wanted).filter(|text| self.is_short(text, wanted))?;
        let digits = text.strip_prefix('+').unwrap_or(text);
        let number =
            if digits.bytes().all(|b| b.is_ascii_digit()) { digits.parse::<u32>().ok() } else { None };
        let count = number.filter(|number| (least..=most).contains(number));
        if count.is_none() {
            self.error(
                "not-a-count",
                format!("`{text}` is not {}", wanted()),
                format!("write {}, without a unit", wanted()),
            );
        }
        count
    }

    /// One of several words.
    pub(crate) fn word<T: Copy>(&self, words: &[(&str, T)]) -> Option<T> {
        let list = || words.iter().map(|(word, _)| format!("`{word}`")).collect::<Vec<_>>().join(", ");
        let text = self.text_or(|| format!("one of {}", list()))?;
        if let Some((_, meaning)) = words.iter().find(|(word, _)| *word == text) {
            return Some(*meaning);
        }
        let list = list();
        let help = nearest(text, words.iter().map(|(word, _)| *word))
            .map_or_else(|| format!("write one of {list}"), |near| format!("did you mean `{near}`?"));
        self.error("unknown-word", format!("`{text}` is not one of {list}"), help);
        None
    }

    /// A text that is not empty, on one line, as written.
    pub(crate) fn label(&self, wanted: &str) -> Option<&'a str> {
        let text = self.text(wanted)?;
        if text.trim().is_empty() {
            self.error(
                "empty-text",
                format!("the text is empty, {wanted} is wanted"),
                self.how_to_fill(wanted),
            );
            return None;
        }
        if text.chars().any(char::is_control) {
            let message = format!("line breaks and control characters are not allowed in {wanted}");
            self.error("control-character", message, "write it on one line");
            return None;
        }
        Some(text)
    }
}

fn format_what<Q: Parsable>() -> String {
    format!("{} such as `{}`", Q::WHAT, Q::EXAMPLE)
}
