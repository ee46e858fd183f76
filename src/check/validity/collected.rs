//! Was anything collected, and at the corner's conditions?

use super::refused::invalid;
use crate::check::outcome::CheckOutcome;
use crate::decision::Verdict;
use crate::quantity::{count_of, listed, number};
use crate::run::SweepEntry;
use crate::spec::{Corner, Linearity, Spec};

/// A corner without a sweep.
fn missing(corner: &Corner, absent: &[String]) -> CheckOutcome {
    let conditions: Vec<String> = corner.conditions.iter().map(|(k, v)| format!("{k} {v}")).collect();
    let place = if conditions.is_empty() { String::new() } else { format!(" ({})", conditions.join(", ")) };
    let wanted = match &corner.linearity {
        Linearity::Required(t) => format!("sweep this corner at two levels at least {} apart", t.step),
        Linearity::Waived(_) => "sweep this corner".to_owned(),
    };
    let listed =
        if absent.is_empty() { String::new() } else { format!("; not there yet: {}", listed(absent, NAMED)) };
    let message = format!("no sweep was collected at this corner{place}{listed}");
    CheckOutcome::bare("collected", Verdict::Missing, message).to_do(wanted)
}

/// Files of a corner that are named; more are counted.
const NAMED: usize = 8;

/// Whether anything was collected, at the conditions declared; `absent` are listed files that are not there yet.
pub(crate) fn collected(
    spec: &Spec,
    corner: &Corner,
    entries: &[&SweepEntry],
    absent: &[String],
) -> CheckOutcome {
    if entries.is_empty() {
        return missing(corner, absent);
    }
    if let Some(check) = off_condition(spec, corner, entries) {
        return check;
    }
    let count = entries.len();
    if !absent.is_empty() {
        let message = format!(
            "judged from what is there, {count} of its sweeps; not there yet: {}",
            listed(absent, NAMED)
        );
        let remedy = "collect them, and check again";
        return CheckOutcome::bare("collected", Verdict::Missing, message).to_do(remedy);
    }
    CheckOutcome::bare("collected", Verdict::Pass, count_of(count as u64, "sweep"))
}

/// The first sweep that was taken at another condition than declared.
fn off_condition(spec: &Spec, corner: &Corner, entries: &[&SweepEntry]) -> Option<CheckOutcome> {
    let tolerance = spec.conditions_tolerance?.ratio();
    let actual = entries.iter().flat_map(|entry| entry.actual.iter().map(move |own| (entry, own)));
    let declared = |name: &str| corner.conditions.iter().find(|(known, _)| known == name);
    let (entry, (name, actual), (_, declared)) = actual
        .filter_map(|(entry, own)| Some((entry, own, declared(&own.0)?)))
        .find(|(_, (_, actual), (_, declared))| declared.admits(actual, tolerance) != Some(true))?;
    let message = format!(
        "{} was taken at {name} {actual}, the corner is {name} {declared} within {} %",
        entry.name(),
        number(tolerance * 100.0, 4)
    );
    Some(invalid("collected", message, "set the condition and sweep again"))
}
