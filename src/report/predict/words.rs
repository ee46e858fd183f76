//! Shares, ranges, parts and corners as people read them.

use super::subject::Predicted;
use crate::check::{Unit, frequency_text, limit_text, value_against, value_alone, value_text};
use crate::circuit::predict::{CornerOutcome, Part, Quantity, Stability, share};
use crate::measurand::Measurand;
use crate::quantity::{listed, number};

/// Parts that a quantity lists.
const MOST_PARTS: usize = 3;
/// Parts whose tolerance does less than this share of what the first one's does are not listed.
const LEAST_EFFECT: f64 = 0.1;
/// Corners that a sentence lists.
const MOST_CORNERS: usize = 12;

/// What a quantity is called.
pub(in crate::report) fn title_of(quantity: &Quantity) -> String {
    match quantity {
        Quantity::Measurand(measurand) => measurand.title().to_owned(),
        Quantity::Gain(check) => check.clone(),
    }
}

/// `12 %`, with the standard error that the number of drawn units leaves; of no unit at all an upper bound.
fn share_words(count: usize, units: usize) -> String {
    let (own, error) = share(count, units);
    if count == 0 {
        // Of a share of 3/n no unit among n shows with a probability of 5 % (the rule of three: common practice, no source).
        return format!("fewer than {} %", number(300.0 / units.max(1) as f64, 2));
    }
    format!("{} % (standard error {} %)", number(100.0 * own, 3), number(100.0 * error, 1))
}

/// What all corners come to.
pub(in crate::report) fn headline(predicted: &Predicted<'_>) -> String {
    let prediction = predicted.prediction;
    let misses = prediction.corners.iter().filter(|corner| !corner.nominal.misses.is_empty()).count();
    let limited = prediction.corners.iter().any(|corner| !corner.checks.is_empty());
    let nominal = match (limited, misses, prediction.corners.len()) {
        (false, ..) => return "nothing is limited: values and their spread alone".to_owned(),
        (true, 0, 1) => "the nominal circuit meets its limits".to_owned(),
        (true, 0, _) => "the nominal circuit meets its limits at every corner".to_owned(),
        (true, _, 1) => "the nominal circuit misses a limit".to_owned(),
        (true, some, all) => format!("the nominal circuit misses limits at {some} of {all} corners"),
    };
    if prediction.units == 0 {
        return format!("{nominal}; nothing varies, so no spread is known");
    }
    let share = share_words(prediction.failing, prediction.units);
    format!("{nominal}; {share} of the units miss a limit somewhere")
}

/// What a corner comes to.
pub(in crate::report) fn corner_line(predicted: &Predicted<'_>, corner: &CornerOutcome) -> String {
    let units = predicted.prediction.units;
    match (corner.checks.is_empty(), units, corner.nominal.misses.as_slice()) {
        (true, ..) => "nothing is limited".to_owned(),
        (false, 0, []) => "the nominal circuit meets its limits".to_owned(),
        (false, 0, misses) => format!("the nominal circuit misses {}", misses.join(", ")),
        (false, _, []) => format!("{} of the units miss a limit", share_words(corner.failing, units)),
        (false, _, misses) => format!(
            "the nominal circuit misses {}, and so do {} of the units",
            misses.join(", "),
            share_words(corner.failing, units)
        ),
    }
}

/// The nominal value of a quantity with its place.
pub(in crate::report) fn nominal_words(corner: &CornerOutcome, k: usize) -> String {
    let Some(quantity) = corner.quantities.get(k) else { return String::new() };
    let Some(found) = corner.nominal.values().nth(k).flatten() else { return "none".to_owned() };
    let text = match corner.limits.get(k).copied().flatten() {
        Some(limit) => value_against(found.value, None, quantity.unit(), found.at_least, &limit),
        None => value_text(found.value, None, quantity.unit(), found.at_least),
    };
    match quantity {
        Quantity::Gain(_) => text,
        Quantity::Measurand(own) if own.is_place() => text,
        Quantity::Measurand(_) => format!("{text} at {}", frequency_text(found.at_hz)),
    }
}

/// The middle 95 % of a quantity.
pub(in crate::report) fn range_words(corner: &CornerOutcome, k: usize) -> String {
    let (Some(quantity), Some(range)) = (corner.quantities.get(k), corner.ranges.get(k).copied().flatten())
    else {
        return String::new();
    };
    // As many digits as a tenth of the spread needs.
    let digits = Some(0.1 * (range.high - range.low)).filter(|u| *u > 0.0);
    let end = |value: f64| value_alone(value, digits, quantity.unit(), false);
    let most = if range.at_least { " or more" } else { "" };
    format!("{} to {}{most}", end(range.low), end(range.high))
}

/// What a quantity is held against; empty where nothing is.
pub(in crate::report) fn limit_words(corner: &CornerOutcome, k: usize) -> String {
    let unit = corner.quantities.get(k).map_or(Unit::One, Quantity::unit);
    corner.limits.get(k).copied().flatten().map_or_else(String::new, |limit| limit_text(&limit, unit))
}

/// The share of units that miss a check; empty where there is none.
pub(in crate::report) fn missed_words(corner: &CornerOutcome, check: &str, units: usize) -> String {
    let found = corner.checks.iter().find(|own| own.check == check).filter(|_| units > 0);
    found.map_or_else(String::new, |own| match own.missed {
        0 => "none".to_owned(),
        _ => format!("{} % \u{b1} {} %", number(100.0 * own.share, 3), number(100.0 * own.error, 1)),
    })
}

/// What the tolerances of the parts do to a quantity, those that do the most.
pub(in crate::report) fn effects(corner: &CornerOutcome, k: usize, parts: &[Part]) -> Vec<String> {
    let unit = corner.quantities.get(k).map_or(Unit::One, Quantity::unit);
    let ranked = corner.ranked(k, parts);
    let most = ranked.first().map_or(0.0, |(_, effect)| effect.abs());
    let matters = ranked.iter().take_while(|(_, effect)| effect.abs() > LEAST_EFFECT * most);
    matters
        .take(MOST_PARTS)
        .filter_map(|(part, effect)| {
            let size = value_alone(effect.abs(), Some(0.2 * effect.abs()), unit, false);
            let way = if *effect < 0.0 { "\u{2213}" } else { "\u{b1}" };
            Some(format!("{} {way}{size}", parts.get(*part)?.name))
        })
        .collect()
}

/// What must be known of a corner beside its values.
pub(in crate::report) fn notes(corner: &CornerOutcome, units: usize) -> Vec<String> {
    let mut notes = Vec::new();
    match corner.nominal.stability {
        Stability::Stable => {}
        Stability::Unstable { .. } => notes.push(
            "the nominal loop would not be stable: its curve goes round the critical point. The values are distances of the curve, no \
             margins; check `critical_point`, `open_loop_poles` and the sign of the netlist, in which the source has + on the output side"
                .to_owned(),
        ),
        Stability::Unknown => notes.push(
            "the gain is above 0 dB or rises far beyond the band: whether the loop closes stably is not known".to_owned(),
        ),
    }
    for (count, what) in [
        (corner.unstable, "would not be stable; they miss every limit here"),
        (corner.unsolved, "have no solution; they miss every limit here"),
    ] {
        if count > 0 {
            notes.push(format!("{count} of {units} drawn units {what}"));
        }
    }
    for (quantity, range) in corner.quantities.iter().zip(&corner.ranges) {
        let lost = corner.unstable + corner.unsolved;
        let without = range.map_or(units, |range| range.without).saturating_sub(lost);
        // Most loops have no phase crossover above 0 dB, and want none.
        let is_usual = *quantity == Quantity::Measurand(Measurand::GainReductionMargin);
        if without > 0 && !is_usual && units > lost {
            notes.push(format!("{without} of {units} drawn units have no {}", title_of(quantity)));
        }
    }
    notes
}

/// Which corners decide, and what is left open.
pub(in crate::report) fn deciding_lines(predicted: &Predicted<'_>) -> Vec<String> {
    let prediction = predicted.prediction;
    let Some(deciding) = &prediction.deciding else { return Vec::new() };
    let names: Vec<&str> = deciding.corners.iter().map(|corner| predicted.name(*corner)).collect();
    let names = listed(&names, MOST_CORNERS);
    let rest = prediction.corners.len() - deciding.corners.len();
    let first = match rest {
        0 => format!("no corner tells of the others: {names}"),
        _ => format!("measure first: {names}"),
    };
    let others = if rest == 1 { "the other corner" } else { "one of the other corners" };
    let left = share_words(deciding.left, prediction.units);
    match rest {
        0 => vec![first],
        _ => vec![first, format!("of all units, {left} pass there and miss a limit at {others}")],
    }
}

/// What to do about a corner that misses a limit or comes near to it; `None` where it stays clear of all.
pub(in crate::report) fn advice(corner: &CornerOutcome, parts: &[Part]) -> Option<String> {
    /// With less room than this, as a multiple of what the tolerances take on that side, one unit in a hundred may miss.
    const NEAR: f64 = 1.2;
    let worst = corner.checks.iter().filter(|check| check.missed > 0).max_by_key(|check| check.missed);
    let of_worst =
        worst.and_then(|check| corner.quantities.iter().position(|own| own.check() == check.check));
    let near = corner.nearest.as_ref().filter(|nearest| nearest.room < NEAR).map(|nearest| nearest.quantity);
    let k = of_worst.or(near)?;
    let quantity = corner.quantities.get(k)?;
    let limit = limit_words(corner, k);
    let parts = effects(corner, k, parts);
    let title = title_of(quantity);
    Some(if corner.nominal.misses.iter().any(|check| check == quantity.check()) {
        format!("move the design: the nominal {title} misses its limit, {limit}")
    } else if parts.is_empty() {
        format!("make room: the {title} comes near to its limit, {limit}")
    } else {
        format!("make room for the {title}, {limit}, or tighten what spreads it: {}", parts.join(", "))
    })
}
