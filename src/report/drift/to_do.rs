//! What to do about a rule that does not pass.

use super::words;
use crate::check::Verdict;
use crate::drift::{ProductDrift, RuleOutcome, SeriesOutcome};

/// One sentence; `None` where nothing calls for action.
pub(in crate::report) fn to_do(
    product: &ProductDrift,
    series: &SeriesOutcome,
    rule: &RuleOutcome,
) -> Option<String> {
    let is_fail = match rule.verdict {
        Verdict::Fail => true,
        Verdict::Undecided => false,
        Verdict::Pass | Verdict::Waived | Verdict::Invalid | Verdict::Missing | Verdict::NotJudged => {
            return None;
        }
    };
    match rule.rule {
        "chart" => Some(about_chart(product, series)),
        "forecast" if is_fail => Some(
            "find what moves the mean before the limit is reached, and hold the design's room at this corner against it"
                .to_owned(),
        ),
        "forecast" => Some("record the next groups soon: they tell whether the limit is reached in time".to_owned()),
        "capability" if is_fail => Some(
            "bring the mean away from the limit or the units closer together: the parts that set this quantity, their \
             values and tolerances"
                .to_owned(),
        ),
        "capability" => {
            let units = series.capability.map_or(0, |ability| ability.units);
            Some(format!("record more units: {units} do not tell the Ppk well enough"))
        }
        _ => None,
    }
}

/// What to do about a series that moved.
pub(super) fn about_chart(product: &ProductDrift, series: &SeriesOutcome) -> String {
    let is_station = !series.signals.is_empty() && series.signals.iter().all(|s| s.explained_by_station);
    let unnamed = series
        .signals
        .iter()
        .any(|signal| product.groups.get(signal.group).is_some_and(|head| head.stations.contains(&None)));
    if is_station && unnamed {
        return "write `station` into every run.yaml: without it each run may have come from another one"
            .to_owned();
    }
    if is_station {
        return "measure one unit on both stations: another station's chain may make such a shift of the same units"
            .to_owned();
    }
    match (series.moved(), series.signals.first()) {
        (Some((movement, since)), _) if !movement.together_with.is_empty() => format!(
            "begin with what changed at {}: {}",
            words::label(product, since.group),
            movement.together_with.join("; ")
        ),
        (Some((_, since)), _) => asks_for_cause(product, since.group),
        (None, Some(signal)) => asks_for_cause(product, signal.group),
        (None, None) => {
            "compare the newest groups with the first: parts, assembly, firmware, stations".to_owned()
        }
    }
}

fn asks_for_cause(product: &ProductDrift, group: usize) -> String {
    let label = words::label(product, group);
    format!(
        "find what is new since {label}: lots of parts, assembly, firmware, station, how units are measured"
    )
}
