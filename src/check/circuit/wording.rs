//! Sentences on the circuit of a run.

use super::outcome::{CauseOutcome, CircuitOutcome, PartChange, PartsSince};
use crate::check::outcome::CheckOutcome;
use crate::check::wording::{frequency_text, limit_text, value_against};
use crate::circuit::Deviation;
use crate::circuit::mistakes::Explained;
use crate::decision::{Limit, Verdict, decide};
use crate::quantity::{Unit, number};
use crate::spec::{CIRCUIT_CHECK, DecisionRule};

/// Probability from which on one cause is told as what happened.
const SURE: f64 = 0.9;
/// How many times more probable than the next "nothing" must be to be told alone.
const CLEARLY: f64 = 10.0;
/// Probability below which a candidate is not worth a word.
const CANDIDATE: f64 = 0.02;

pub(super) fn no_fit() -> String {
    "the circuit of the spec has no solution near its nominal values: nothing is said of its parts".to_owned()
}

/// The check of a corner.
pub(super) fn deviation_check(worst: &Deviation, limit: f64, rule: DecisionRule) -> CheckOutcome {
    let limit = Limit { min: None, max: Some(limit) };
    let decision = decide(worst.value, Some(worst.u), &limit, rule);
    let expanded = rule.coverage * worst.u;
    let shown = value_against(worst.value, Some(expanded), Unit::One, false, &limit);
    let place = frequency_text(worst.at_hz);
    let message = format!(
        "parts inside their tolerances leave {shown} of 1 + |T| unexplained at {place}, limit {}",
        limit_text(&limit, Unit::One)
    );
    let remedy = match decision.verdict {
        Verdict::Pass => None,
        Verdict::Undecided => Some(format!("average more or inject more about {place}")),
        _ => Some(format!(
            "look at what acts about {place}: a part of the wrong value or missing, or one that the netlist lacks"
        )),
    };
    CheckOutcome {
        value: Some(worst.value),
        uncertainty: Some(expanded),
        unit: Some(Unit::One),
        limit: Some(limit),
        conformity: decision.conformity,
        at_hz: Some(worst.at_hz),
        value_text: Some(shown),
        remedy,
        ..CheckOutcome::bare(CIRCUIT_CHECK, decision.verdict, message)
    }
}

/// What a refused sweep fits.
pub(super) fn mistake_text(found: &Explained) -> String {
    // How far off what does not fit is depends on where a fit in vain ends.
    let as_it_stands = match found.as_it_stands {
        off if off > 1.0 => "more than 100 %".to_owned(),
        off => format!("{} %", number(100.0 * off, 2)),
    };
    format!(
        "the circuit fits this sweep to {} % if {}; as it stands it is off by {as_it_stands}",
        number(100.0 * found.left, 2),
        found.mistake.text(),
    )
}

/// What moved, in one sentence; nothing where nothing did and there is nothing to compare with.
#[must_use]
pub fn circuit_sentence(outcome: &CircuitOutcome) -> Option<String> {
    let text = moved_text(&outcome.causes, outcome.since.as_ref())?;
    Some(match &outcome.since {
        Some(since) => format!("circuit, against {}: {text}", since.of),
        None => format!("circuit: {text}"),
    })
}

/// What moved since something, or is beyond its tolerance: `Cout -20 % ± 1 % (probability 0.98) explains all 32 changes of margins`.
#[must_use]
pub fn moved_text(causes: &[CauseOutcome], since: Option<&PartsSince>) -> Option<String> {
    let first = causes.first()?;
    let next = causes.get(1).map_or(0.0, |cause| cause.probability);
    let sure = first.probability >= SURE || (first.part == "nothing" && first.probability > CLEARLY * next);
    Some(match first.part.as_str() {
        "nothing" if sure => {
            let changes = match since?.changes {
                0 => String::new(),
                1 => "; 1 change of a margin is more than its uncertainty".to_owned(),
                n => format!("; {n} changes of margins are more than their uncertainty"),
            };
            format!("no part moved {}{changes}", probability(first))
        }
        "several" if sure => {
            let moved = since.map(|since| clear(&since.parts)).unwrap_or_default();
            let list = if moved.is_empty() { String::new() } else { format!(": {}", moved.join(", ")) };
            let what = match since {
                Some(_) => "several parts moved",
                None => "several parts are beyond their tolerances",
            };
            let explain = explains(since).replacen(" explains", "; together they explain", 1);
            format!("{what} {}{list}{explain}", probability(first))
        }
        _ if sure => {
            let what = match (since, first.change.zip(first.uncertainty)) {
                (None, Some((change, u))) => {
                    format!("{} is beyond its tolerance: {}", first.part, change_text(change, u))
                }
                _ => told(first),
            };
            format!("{what} {}{}", probability(first), explains(since))
        }
        _ => candidates(causes, since)?,
    })
}

/// `(probability 0.99)`
fn probability(cause: &CauseOutcome) -> String {
    format!("(probability {})", rounded(cause.probability))
}

/// Two digits, never 1: a probability is not a certainty.
fn rounded(probability: f64) -> String {
    if probability > 0.994 { "above 0.99".to_owned() } else { number(probability, 2) }
}

/// `Cout -20 % ± 1 %`
fn told(cause: &CauseOutcome) -> String {
    match cause.change.zip(cause.uncertainty) {
        Some((change, u)) => format!("{} {}", cause.part, change_text(change, u)),
        None => cause.part.clone(),
    }
}

/// A cause with its probability: `Cout -20 % ± 1 % (0.98)`, `no part (0.97)`.
#[must_use]
pub fn cause_text(cause: &CauseOutcome) -> String {
    let what = match cause.part.as_str() {
        "nothing" => "no part".to_owned(),
        "several" => "several parts".to_owned(),
        _ => told(cause),
    };
    format!("{what} ({})", rounded(cause.probability))
}

/// `-20 % ± 1 %`: a change and its uncertainty, given as shares.
#[must_use]
pub fn change_text(change: f64, u: f64) -> String {
    let sign = if change > 0.0 { "+" } else { "" };
    let text = crate::check::wording::value_text(100.0 * change, Some(100.0 * u), Unit::One, false);
    format!("{sign}{} %", text.replace(" ± ", " % ± "))
}

fn explains(since: Option<&PartsSince>) -> String {
    match since.and_then(|since| Some((since.changes, since.explained?))) {
        None | Some((0, _)) => String::new(),
        Some((1, 1)) => " explains the one change of a margin".to_owned(),
        Some((all, explained)) if all == explained => format!(" explains all {all} changes of margins"),
        Some((all, explained)) => format!(" explains {explained} of {all} changes of margins"),
    }
}

/// Movements that are more than their uncertainty.
fn clear(parts: &[PartChange]) -> Vec<String> {
    let own = |part: &PartChange| {
        let (change, u) = part.change.zip(part.uncertainty)?;
        (change.abs() > u).then(|| format!("{} {}", part.part, change_text(change, u)))
    };
    parts.iter().filter_map(own).collect()
}

/// Where no cause is sure: those that remain.
fn candidates(causes: &[CauseOutcome], since: Option<&PartsSince>) -> Option<String> {
    let is_nothing = |cause: &&CauseOutcome| cause.part == "nothing";
    let nothing = causes.iter().find(is_nothing).map_or(0.0, |cause| cause.probability);
    // Against the tolerances alone, a doubt is no news.
    if since.is_none() && nothing > 1.0 - SURE {
        return None;
    }
    let list: Vec<String> =
        causes.iter().filter(|cause| cause.probability >= CANDIDATE).map(cause_text).collect();
    let what = if since.is_some() { "what moved" } else { "what is beyond its tolerance" };
    Some(format!("{what} is not decided; with their probabilities: {}", list.join(", ")))
}
