//! Was anything collected, and at the corner's conditions?

use super::refused::invalid;
use crate::check::outcome::CheckOutcome;
use crate::decision::Verdict;
use crate::quantity::number;
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
        if absent.is_empty() { String::new() } else { format!("; not there yet: {}", listed(absent)) };
    let message = format!("no sweep was collected at this corner{place}{listed}");
    CheckOutcome::bare("collected", Verdict::Missing, message).to_do(wanted)
}

/// Files of a corner that are named; more are counted.
const NAMED: usize = 8;

fn listed(files: &[String]) -> String {
    let named = files.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join(", ");
    match files.len().saturating_sub(NAMED) {
        0 => named,
        more => format!("{named} and {more} more"),
    }
}

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
    let tolerance = spec.conditions_tolerance.map(|t| t.ratio());
    for entry in entries {
        for (name, actual) in &entry.actual {
            let Some((_, declared)) = corner.conditions.iter().find(|(known, _)| known == name) else {
                continue;
            };
            let Some(tolerance) = tolerance else { continue };
            if declared.admits(actual, tolerance) != Some(true) {
                return invalid(
                    "collected",
                    format!(
                        "{} was taken at {name} {actual}, the corner is {name} {declared} within {} %",
                        entry.name(),
                        number(tolerance * 100.0, 4)
                    ),
                    "set the condition and sweep again",
                );
            }
        }
    }
    let count = entries.len();
    if !absent.is_empty() {
        let message =
            format!("judged from what is there, {count} of its sweeps; not there yet: {}", listed(absent));
        let remedy = "collect them, and check again";
        return CheckOutcome::bare("collected", Verdict::Missing, message).to_do(remedy);
    }
    CheckOutcome::bare(
        "collected",
        Verdict::Pass,
        format!("{count} sweep{}", if count == 1 { "" } else { "s" }),
    )
}
