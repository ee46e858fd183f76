//! How near a corner is to missing a limit.

use super::outcome::{CornerOutcome, Nearest, Quantity};
use crate::measurand::Measurand;

/// Least spread, as a share of the value: a value that does not vary is far from every limit that it meets.
const LEAST_SPREAD: f64 = 1e-9;

/// The check that is nearest to being missed; `None` where no value is limited.
pub(super) fn nearest(outcome: &CornerOutcome) -> Option<Nearest> {
    let values: Vec<_> = outcome.nominal.values().collect();
    let each = outcome.quantities.iter().enumerate().filter_map(|(k, quantity)| {
        let limit = outcome.limits.get(k).copied().flatten()?;
        let found = values.get(k).copied().flatten()?;
        let held = |value: f64| match quantity {
            Quantity::Measurand(measurand) => measurand.held(value),
            Quantity::Gain(_) => value,
        };
        let nominal = held(found.value);
        let range = outcome.ranges.get(k).copied().flatten();
        let ends = range.map_or([nominal; 2], |range| [held(range.low), held(range.high)]);
        let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let least = LEAST_SPREAD * nominal.abs().max(1e-12);
        let below = limit.min.map(|min| (nominal - min) / (nominal - low).max(least));
        let above = limit.max.map(|max| (max - nominal) / (high - nominal).max(least));
        let room = [below, above].into_iter().flatten().reduce(f64::min)?;
        Some(Nearest { check: quantity.check().to_owned(), quantity: k, limit, room })
    });
    each.min_by(|a, b| a.room.total_cmp(&b.room))
}

/// How urgent a corner is, for sorting: most units that fail first, then the least room. A corner whose nominal loop has no crossover has
/// no room at all.
#[must_use]
pub fn urgency(outcome: &CornerOutcome) -> (std::cmp::Reverse<usize>, bool, f64) {
    let lacks = outcome.nominal.measured.get(Measurand::Crossover).is_none() && !outcome.checks.is_empty();
    let room = outcome.nearest.as_ref().map_or(f64::MAX, |nearest| nearest.room);
    (
        std::cmp::Reverse(outcome.failing),
        outcome.nominal.misses.is_empty(),
        if lacks { f64::MIN } else { room },
    )
}
