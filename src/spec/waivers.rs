//! `waivers`: checks whose verdict is set aside until a day.

use super::labels::reason;
use super::{Corner, Waiver};
use crate::diagnostic::nearest;
use crate::quantity::calendar::{date, day};
use crate::yaml::Value;
use std::collections::HashMap;
use time::Date;

/// Reads the waivers into their corners. Unless `sound`, corners and
/// checks may be missing for other reasons (they are wrong, or stand in another file), so unknown ones are let pass.
pub(super) fn read(value: &Value<'_>, corners: &mut [Corner], sound: bool) {
    const EXAMPLE: &str =
        "{corner: cold-start, check: crossover, reason: \"ECO 17 pending\", until: 2027-03-31}";
    let Some(items) = value.items(&format!("a list such as `[{EXAMPLE}]`")) else { return };
    let index: HashMap<String, usize> =
        corners.iter().enumerate().map(|(at, corner)| (corner.name.clone(), at)).collect();
    for item in items {
        let Some(fields) = item.fields(&format!("a map such as `{EXAMPLE}`")) else { continue };
        let corner = fields.required("corner", "corner: cold-start");
        let check = fields.required("check", "check: crossover");
        const REASON: &str = "reason: \"ECO 17 pending\"";
        let reason = fields
            .required("reason", REASON)
            .and_then(|value| reason(&value, "why the check is waived", REASON));
        let until = fields.required("until", "until: 2027-03-31").and_then(|value| until(&value));
        fields.finish();
        let (Some(corner), Some(check)) = (corner, check) else { continue };
        let name = corner.label("the name of a corner");
        let wanted = check.label("the name of a check");
        let (Some(name), Some(wanted)) = (name, wanted) else { continue };
        let Some(found) = index.get(name).and_then(|at| corners.get_mut(*at)) else {
            if sound {
                let known = index.keys().map(String::as_str);
                unknown(&corner, "unknown-corner", &format!("the spec has no corner `{name}`"), name, known);
            }
            continue;
        };
        let checks = found.checks();
        if !checks.iter().any(|known| known == wanted) {
            let message = format!("the corner `{name}` has no check `{wanted}`");
            if sound {
                unknown(&check, "unknown-check", &message, wanted, checks.iter().map(String::as_str));
            }
            continue;
        }
        if found.waivers.iter().any(|waiver| waiver.check == wanted) {
            let message = format!("a second waiver for `{wanted}` of the corner `{name}`");
            item.error("duplicate-waiver", message, "keep one of the two");
            continue;
        }
        if let (Some(reason), Some(until)) = (reason, until) {
            found.waivers.push(Waiver { check: wanted.to_owned(), reason, until });
        }
    }
}

fn unknown<'n>(
    value: &Value<'_>,
    code: &'static str,
    message: &str,
    word: &str,
    known: impl Iterator<Item = &'n str>,
) {
    // Sorted, so that of equally near names always the same one is suggested.
    let mut known: Vec<&str> = known.collect();
    known.sort_unstable();
    let list = || format!("known: {}", known.iter().take(20).copied().collect::<Vec<_>>().join(", "));
    let help =
        nearest(word, known.iter().copied()).map_or_else(list, |near| format!("did you mean `{near}`?"));
    value.error(code, message, help);
}

/// `31.3.2027` the other way round.
fn year_first(text: &str) -> Option<String> {
    let parts: Vec<&str> = text.split('.').collect();
    let [day, month, year] = parts.as_slice() else { return None };
    let date = date(year, month, day)?;
    (year.len() == 4).then(|| date.to_string())
}

fn until(value: &Value<'_>) -> Option<Date> {
    let text = value.text("a day such as `2027-03-31`")?;
    let day = day(text);
    if day.is_none() {
        value.error(
            "bad-date",
            format!("`{text}` is no day of the form YYYY-MM-DD"),
            format!("write for example `{}`", year_first(text).unwrap_or_else(|| "2027-03-31".to_owned())),
        );
    }
    day
}
