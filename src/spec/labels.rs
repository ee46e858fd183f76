//! Texts with rules of their own that specs and runs share.

use super::plausible::{LONGEST_NAME, LONGEST_REASON};
use crate::quantity::{Condition, QuantityError};
use crate::yaml::{Kind, Value, code_of};

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

/// Why something is waived: words, short enough to stand in every report. `why` says what to write, `example` shows the key.
pub(super) fn reason(value: &Value<'_>, why: &str, example: &str) -> Option<String> {
    // An empty value is a missing reason, too.
    let text = match &value.node.kind {
        Kind::Null => "",
        _ => value.text("a reason")?,
    };
    if text.trim().is_empty() {
        value.error("empty-reason", "the reason is empty", format!("write {why}"));
        return None;
    }
    let is_number = || text.bytes().any(|b| b.is_ascii_digit()) && text.parse::<f64>().is_ok();
    let is_plain = matches!(value.node.kind, Kind::Scalar { plain: true, .. });
    if value.is_switch() || is_plain && is_number() {
        let message = format!("`{text}` is no reason, words are wanted");
        value.error("no-reason", message, format!("write {why}, such as `{example}`"));
        return None;
    }
    is_short(value, text, LONGEST_REASON, "the reason").then(|| text.to_owned())
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
