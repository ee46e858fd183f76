//! Whether the spread from unit to unit changed at a group: then the chart, which watches means, may signal though no level moved.
//!
//! The variances inside the groups, pooled before and since, against each other: their ratio has the F distribution where units are
//! normally distributed and the spread is one (any textbook; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9, from memory).
//! What lies between the groups, lots and movements, is not in it.

use super::control_charts::spread_of_units;
use super::facts::Filled;
use statrs::function::beta::beta_reg;

/// Chance of a change that is told without one, two-sided. Small, since the test bears no long tails (convention, no source).
const LEVEL: f64 = 0.001;
/// Groups with a spread that are wanted on each side: of fewer, one odd group would be told as a change (convention, no source).
const FEWEST: usize = 3;

/// Spread from unit to unit inside the groups, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SpreadChange {
    pub(super) before: f64,
    pub(super) since: f64,
}

/// The spread before a group and since, where they are shown to differ. `None` with fewer than three groups of two units on either side,
/// or where one side does not scatter at all.
pub(super) fn spread_change(groups: &[Filled<'_>], at: usize) -> Option<SpreadChange> {
    let with_spread: Vec<Filled<'_>> =
        groups.iter().filter(|(.., stats)| stats.sd.is_some()).copied().collect();
    let (before, since) = with_spread.split_at(with_spread.partition_point(|(place, ..)| *place < at));
    if before.len() < FEWEST || since.len() < FEWEST {
        return None;
    }
    let change = SpreadChange { before: spread_of_units(before), since: spread_of_units(since) };
    if change.before <= 0.0 || change.since <= 0.0 {
        return None;
    }
    let ratio = (change.since / change.before).powi(2);
    let below = f_below(ratio, freedom(since), freedom(before));
    (2.0 * below.min(1.0 - below) <= LEVEL).then_some(change)
}

fn freedom(groups: &[Filled<'_>]) -> f64 {
    groups.iter().map(|(.., stats)| stats.units.saturating_sub(1) as f64).sum()
}

/// Probability of a ratio of variances of at most `ratio`, with so many degrees of freedom above and below the line.
fn f_below(ratio: f64, above: f64, below: f64) -> f64 {
    let part = above * ratio / (above * ratio + below);
    beta_reg(0.5 * above, 0.5 * below, part.clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::super::GroupStats;
    use super::*;

    /// Upper 5 % and 1 % points of any table of F.
    #[test]
    fn the_distribution_is_that_of_the_tables() {
        for (above, below, point, wanted) in
            [(5.0, 10.0, 3.326, 0.95), (10.0, 10.0, 2.978, 0.95), (4.0, 20.0, 4.431, 0.99)]
        {
            let found = f_below(point, above, below);
            assert!((found - wanted).abs() < 1e-4, "{above} {below}: {found}");
        }
    }

    fn change(sds: &[f64], at: usize) -> Option<SpreadChange> {
        let stats: Vec<GroupStats> =
            sds.iter().map(|sd| GroupStats { units: 5, sd: Some(*sd), ..GroupStats::default() }).collect();
        let groups: Vec<Filled<'_>> = stats.iter().enumerate().map(|(k, stats)| (k, 0.0, stats)).collect();
        spread_change(&groups, at)
    }

    /// Five units in each of ten groups: 20 degrees of freedom on each side, whose upper 0.05 % point is 4.77 (ratio of spreads 2.18).
    #[test]
    fn a_spread_that_changed_is_told_and_one_that_may_not_have_is_not() {
        let two = |since: f64| [[1.0; 5], [since; 5]].concat();
        let told = change(&two(2.25), 5).unwrap();
        assert!((told.before - 1.0).abs() < 1e-12 && (told.since - 2.25).abs() < 1e-12, "{told:?}");
        assert_eq!(change(&two(2.1), 5), None);
        assert!(change(&two(1.0 / 2.25), 5).is_some(), "smaller than before");
        assert_eq!(change(&two(9.0), 2), None, "two groups before it");
        assert_eq!(change(&two(9.0), 8), None, "two groups since");
        assert_eq!(change(&two(0.0), 5), None);
    }
}
