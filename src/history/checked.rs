//! The checks of a corner, each with its verdict and what it was held against.

use super::database::Value;
use super::digest;
use super::numbers;
use super::settings::quantity;
use crate::check::{CheckOutcome, CornerOutcome, Unit};

/// The table with its columns, and their number.
pub(super) const TABLE: &str = "checked (record_id, corner, position, check_name, verdict, quantity, value, uncertainty, unit, \
                                limit_min, limit_max, digest)";
pub(super) const COLUMNS: usize = 12;

/// Rows of a corner, one after the other.
pub(super) fn rows<'a>(
    token: &'a str,
    record: i64,
    corner: &'a CornerOutcome,
) -> impl Iterator<Item = Value<'a>> {
    corner.checks.iter().enumerate().flat_map(move |(position, check)| {
        let told = told(position, corner, check);
        let digest = digest::of_row(std::iter::once(token.into()).chain(told));
        std::iter::once(record.into()).chain(told).chain([digest.into()])
    })
}

fn told<'a>(position: usize, corner: &'a CornerOutcome, check: &'a CheckOutcome) -> [Value<'a>; 10] {
    let [value, uncertainty, min, max] = held(check).map(Value::from);
    [
        corner.corner.as_str().into(),
        (position as i64).into(),
        check.check.as_str().into(),
        check.verdict.word().into(),
        quantity(&check.check).into(),
        value,
        uncertainty,
        check.unit.map(Unit::symbol).into(),
        min,
        max,
    ]
}

/// Value, uncertainty and limits.
fn held(check: &CheckOutcome) -> [Option<f64>; 4] {
    let [min, max] = check.limit.map_or([None, None], |limit| [limit.min, limit.max]);
    [check.held(), check.uncertainty, min, max]
}

/// Holds the numbers of a corner's checks to what they can be.
///
/// # Errors
/// Which of them is wrong, what was found and what is wanted.
pub(super) fn hold(corner: &CornerOutcome) -> Result<(), String> {
    for check in &corner.checks {
        let unit = check.unit.map_or("", Unit::symbol);
        numbers::hold_checked(unit, held(check))
            .map_err(|(column, what)| format!("{} {}: its {column} is {what}", corner.corner, check.check))?;
    }
    Ok(())
}

/// The declared conditions as a JSON object, in the spec's order.
pub(super) fn conditions(declared: &[(String, String)]) -> String {
    let text = |text: &str| {
        // PostgreSQL takes no NUL, not even escaped.
        serde_json::Value::from(text.replace('\0', "\u{fffd}")).to_string()
    };
    let members: Vec<String> =
        declared.iter().map(|(name, value)| format!("{}:{}", text(name), text(value))).collect();
    format!("{{{}}}", members.join(","))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_keep_their_order_and_any_text() {
        let declared = [("load", "3 A"), ("input", "24 \"V\""), ("note", "a\0b")]
            .map(|(name, value)| (name.to_owned(), value.to_owned()));
        assert_eq!(
            conditions(&declared),
            "{\"load\":\"3 A\",\"input\":\"24 \\\"V\\\"\",\"note\":\"a\u{fffd}b\"}"
        );
    }
}
