//! Texts with rules of their own that specs and runs share.

use super::plausible::{LONGEST_NAME, LONGEST_REASON};
use crate::quantity::{Condition, QuantityError};
use crate::yaml::{Value, code_of};

/// An identifier of a product: ASCII letters, digits, `.`, `_` and `-`, not only dots.
pub(crate) fn product(value: &Value<'_>) -> Option<String> {
    let text = value.label("a product name such as `river-gauge-5v`")?;
    let allowed = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
    if !text.chars().all(allowed) || text.chars().all(|c| c == '.') {
        let message =
            format!("`{text}` is not a product name: letters, digits, `.`, `_` and `-` are allowed");
        value.error("bad-product", message, format!("write for example `{}`", identifier(text)));
        return None;
    }
    Some(text.to_owned())
}

/// A text as a product name: what is not allowed becomes a dash.
fn identifier(text: &str) -> String {
    let letters = text.to_lowercase();
    let parts = letters.split(|c: char| !c.is_ascii_alphanumeric() && !matches!(c, '.' | '_'));
    let name = parts.filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
    if name.chars().all(|c| c == '.') { "river-gauge-5v".to_owned() } else { name }
}

/// Whether a reason is short enough to stand in every report; says so where it is not.
pub(super) fn short_reason(value: &Value<'_>, reason: &str) -> bool {
    is_short(value, reason, LONGEST_REASON, "the reason")
}

/// Whether a name is short enough to stand in every corner; says so where it is not.
pub(super) fn short_name(value: &Value<'_>, name: &str, what: &str) -> bool {
    is_short(value, name, LONGEST_NAME, what)
}

fn is_short(value: &Value<'_>, text: &str, most: usize, what: &str) -> bool {
    let length = text.chars().count();
    if length > most {
        let message = format!("{what} has {length} characters, at most {most} are allowed");
        value.error("too-long", message, "shorten it");
    }
    length <= most
}

/// A value of an operating condition.
pub(crate) fn condition(value: &Value<'_>) -> Option<Condition> {
    let text = value.label("a condition such as `24 V`")?;
    if !short_name(value, text, "the condition") {
        return None;
    }
    match Condition::parse(text) {
        Ok(condition) => Some(condition),
        Err(error) => {
            const UNITS: &str =
                "units: V A Hz s ohm W F H with a prefix, degC K % dB deg; a word begins with a letter";
            let help = match &error {
                QuantityError::NoUnit { found } => {
                    format!("write `{} V` or the unit that is meant; {UNITS}", found.trim())
                }
                _ => UNITS.to_owned(),
            };
            value.error(
                code_of(&error),
                format!("{error}; a condition such as `{}` is wanted", Condition::EXAMPLE),
                help,
            );
            None
        }
    }
}
