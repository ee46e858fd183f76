//! Weights of the group means: a mean of few units scatters more, but lots differ whatever their size.

use crate::drift::GroupStats;

/// A group mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Place of the group; rising from one to the next, gaps are groups without a value.
    pub place: usize,
    /// Mean of its units.
    pub mean: f64,
    /// Units with a value, at least 1.
    pub units: u64,
    /// Standard deviation between them.
    pub sd: Option<f64>,
    /// Whether another station measured it than the group before.
    pub new_station: bool,
}

impl Observation {
    /// Of the values of a group; `None` of none.
    #[must_use]
    pub fn of(place: usize, group: &GroupStats) -> Option<Self> {
        Some(Self { place, mean: group.mean?, units: group.units, sd: group.sd, new_station: false })
    }
}

/// Median of the square of a standard normal value (any table of chi-squared, 1 degree of freedom).
const MEDIAN_SQUARE: f64 = 0.4549;

/// Median; 0 of none.
pub(super) fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    let upper = values.get(half).copied().unwrap_or_default();
    let lower = half.checked_sub(1).and_then(|k| values.get(k)).copied().unwrap_or(upper);
    if values.len() % 2 == 1 { upper } else { 0.5 * (lower + upper) }
}

/// Variance of a difference of neighbours over the sum of what each is expected to have, by the median: a few steps and bad lots do not
/// count. `expected`: variance of each mean, in any unit.
pub(super) fn from_neighbours(means: &[f64], expected: &[f64]) -> f64 {
    let pairs = means.windows(2).zip(expected.windows(2));
    let mut squares: Vec<f64> = pairs
        .filter_map(|(mean, variance)| match (mean, variance) {
            ([a, b], [v, w]) => Some((b - a) * (b - a) / (v + w)),
            _ => None,
        })
        .collect();
    median(&mut squares) / MEDIAN_SQUARE
}

/// Square roots of the weights, their geometric mean 1. The variance of a mean is that of the lots plus that of the units over their
/// number; of the units it is pooled inside the groups, of the lots it is what differences of neighbours leave.
pub(super) fn weights(observations: &[Observation]) -> Vec<f64> {
    let equal = || vec![1.0; observations.len()];
    let (squares, freedom) = observations
        .iter()
        .filter_map(|o| Some((o.sd?, o.units.saturating_sub(1) as f64)))
        .fold((0.0, 0.0), |(squares, freedom), (sd, more)| (squares + sd * sd * more, freedom + more));
    if freedom <= 0.0 {
        return equal();
    }
    let unit = squares / freedom;
    let shares: Vec<f64> = observations.iter().map(|o| 1.0 / o.units.max(1) as f64).collect();
    let means: Vec<f64> = observations.iter().map(|o| o.mean).collect();
    let mut larger: Vec<f64> =
        shares.windows(2).map(|pair| 2.0 / pair.iter().sum::<f64>()).filter(|v| v.is_finite()).collect();
    let lot = (from_neighbours(&means, &shares) - unit).max(0.0) / median(&mut larger).max(1.0);
    let logs: Vec<f64> = shares.iter().map(|share| 0.5 * (lot + unit * share).ln()).collect();
    let middle = logs.iter().sum::<f64>() / logs.len() as f64;
    if !middle.is_finite() {
        return equal();
    }
    logs.iter().map(|log| (middle - log).exp()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn observations(values: &[(f64, u64, Option<f64>)]) -> Vec<Observation> {
        let all = values.iter().enumerate();
        all.map(|(place, &(mean, units, sd))| Observation { place, mean, units, sd, new_station: false })
            .collect()
    }

    #[test]
    fn equal_groups_count_alike() {
        let groups = observations(&[(1.0, 4, Some(0.5)), (2.0, 4, Some(0.7)), (1.5, 4, Some(0.6))]);
        weights(&groups).iter().for_each(|weight| assert!((weight - 1.0).abs() < 1e-12));
        let single = observations(&[(1.0, 1, None), (2.0, 1, None), (1.5, 1, None)]);
        assert_eq!(weights(&single), [1.0; 3]);
    }

    /// Means that scatter less than their units let them: lots do not differ, and the weight goes with the units (any textbook).
    #[test]
    fn without_lots_the_weight_goes_with_the_units() {
        let groups = observations(&[
            (1.0, 4, Some(2.0)),
            (1.01, 16, Some(2.0)),
            (1.0, 4, Some(2.0)),
            (1.01, 16, Some(2.0)),
        ]);
        let found = weights(&groups);
        assert!((found[1] / found[0] - 2.0).abs() < 1e-12, "{found:?}");
        assert!((found.iter().map(|w| w.ln()).sum::<f64>()).abs() < 1e-12);
    }

    #[test]
    fn where_lots_differ_by_far_all_groups_count_nearly_alike() {
        let groups = observations(&[
            (1.0, 4, Some(0.2)),
            (9.0, 16, Some(0.2)),
            (2.0, 4, Some(0.2)),
            (8.0, 16, Some(0.2)),
        ]);
        let found = weights(&groups);
        assert!(found[1] / found[0] > 1.0 && found[1] / found[0] < 1.01, "{found:?}");
    }

    #[test]
    fn the_scatter_of_neighbours_does_not_see_a_step() {
        let calm: Vec<f64> = (0..20).map(|k| (f64::from(k) * 2.4).sin()).collect();
        let mut stepped = calm.clone();
        stepped.iter_mut().skip(9).for_each(|value| *value += 50.0);
        let (a, b) = (from_neighbours(&calm, &[1.0; 20]), from_neighbours(&stepped, &[1.0; 20]));
        // The step is 50 standard deviations: a mean of squares would be 70 times as large.
        assert!((b / a - 1.0).abs() < 0.5, "{a} {b}");
        assert_eq!((median(&mut []), median(&mut [3.0]), median(&mut [3.0, 1.0])), (0.0, 3.0, 2.0));
    }
}
