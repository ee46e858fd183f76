//! What to do about a rule that does not pass.

use super::sentences;
use crate::check::Verdict;
use crate::drift::{ProductDrift, RuleOutcome, SeriesOutcome, newest_is_hidden};

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
        "chart" => Some(about_chart(product, series, rule.verdict)),
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

/// What to do about a series whose chart signals.
fn about_chart(product: &ProductDrift, series: &SeriesOutcome, verdict: Verdict) -> String {
    if let Some(advice) = about_station(product, series) {
        return advice;
    }
    if verdict == Verdict::Undecided && newest_is_hidden(&series.groups).is_some() {
        return "sweep farther up: with its phase crossover inside the sweep a unit has a value in place of a bound".to_owned();
    }
    match (series.moved(), series.signals.first()) {
        (Some((movement, since)), _) => about_cause(product, since.group, &movement.together_with),
        (None, Some(signal)) => about_cause(product, signal.group, &[]),
        (None, None) => {
            "compare the newest groups with the first: parts, assembly, firmware, stations".to_owned()
        }
    }
}

/// What to do where all that moved is what another station explains; `None` where it is more.
pub(super) fn about_station(product: &ProductDrift, series: &SeriesOutcome) -> Option<String> {
    if series.signals.is_empty() || series.signals.iter().any(|signal| !signal.explained_by_station) {
        return None;
    }
    let unnamed = series
        .signals
        .iter()
        .any(|signal| product.groups.get(signal.group).is_some_and(|head| head.stations.contains(&None)));
    Some(if unnamed {
        "write `station` into every run.yaml: without it each run may have come from another one".to_owned()
    } else {
        "measure one unit on both stations: another station's chain may make such a shift of the same units"
            .to_owned()
    })
}

/// Where to look for the cause of what moved since a group.
pub(super) fn about_cause(product: &ProductDrift, group: usize, together_with: &[String]) -> String {
    let label = sentences::label(product, group);
    if together_with.is_empty() {
        format!("find what is new since {label}: parts, assembly, firmware, station, how it is measured")
    } else {
        format!("begin with what changed at {label}: {}", together_with.join("; "))
    }
}
