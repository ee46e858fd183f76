//! What stations differ by, from the groups that several of them measured, and what that leaves open of a difference between groups.
//!
//! A value is that of its group, plus the error of its station's chain, plus what its unit is off by. Two stations that measured units of
//! one group are compared there, whatever the group: its level is free. The chains' errors have what the accuracy declares as their
//! prior, and normal units give their posterior in closed form (C. R. Henderson's mixed model equations, with groups fixed and stations
//! random: "Best linear unbiased estimation and prediction under a selection model", Biometrics 31, 1975; from memory).
//!
//! **Why not ask only whether stations changed?** Two stations that share their work 80 to 20, and later 20 to 80, move the mean without a
//! change of the product; one that joins beside another hides no step, since the other one shows it. Shares tell both, names neither.
//!
//! **Where does the level stay?** At what the newest group was measured by: those stations measure on.

use super::Running;
use nalgebra::{DMatrix, DVector};
use std::num::NonZeroU32;

/// Coverage factor of the uncertainties in a history: that of nearly all specs. It weighs the accuracy against what units show.
const COVERAGE: f64 = 2.0;
/// More stations than that are not held against each other.
const MOST_STATIONS: usize = 64;
/// A difference of stations is known from the units where they leave so much of the variance that the accuracy gives it.
const KNOWN: f64 = 0.5;

/// Values of one group that one station measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    /// `None`: not named.
    pub(super) station: Option<NonZeroU32>,
    pub(super) values: Running,
    /// Sum of the chains' expanded uncertainties.
    pub(super) chain: f64,
}

/// Shares of a group.
#[derive(Debug, Clone, Default, PartialEq)]
struct Shares {
    /// Of the stations, by their place; those without a share are left out.
    named: Vec<(usize, f64)>,
    /// Share that nobody named a station of, times the expanded uncertainty of its chain.
    unnamed: f64,
}

/// Stations of one series.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Stations {
    groups: Vec<Shares>,
    /// Error of each station, as far as it is known.
    errors: Vec<f64>,
    /// Their covariance as the accuracy alone gives it, a diagonal, and as it is left.
    prior: Vec<f64>,
    left: Vec<Vec<f64>>,
    /// What the newest group is off by: the level stays there.
    newest: f64,
}

impl Stations {
    /// Of the values of all groups. `is_open`: the uncertainty of a value is not known, so nothing is known of the chains.
    pub(super) fn of(groups: &[&[Part]], is_open: bool) -> Self {
        let mut names: Vec<NonZeroU32> =
            groups.iter().copied().flatten().filter_map(|part| part.station).collect();
        names.sort_unstable();
        names.dedup();
        let shares = groups.iter().map(|parts| Shares::of(parts, &names)).collect();
        let prior: Vec<f64> =
            names.iter().map(|name| (mean_chain(groups, *name) / COVERAGE).powi(2)).collect();
        let mut own = Self {
            groups: shares,
            errors: vec![0.0; names.len()],
            left: diagonal(&prior),
            prior,
            newest: 0.0,
        };
        if names.len() > 1 && names.len() <= MOST_STATIONS && !is_open {
            own.compare(groups, &names);
        }
        let newest = own.groups.iter().rev().find(|shares| shares.is_any());
        own.newest = newest.map_or(0.0, |shares| own.error(shares));
        own
    }

    /// Learns the errors from the groups that several stations measured, all of them named.
    fn compare(&mut self, groups: &[&[Part]], names: &[NonZeroU32]) {
        let count = names.len();
        let (mut gram, mut off) = (DMatrix::<f64>::zeros(count, count), DVector::<f64>::zeros(count));
        let mut seen = Scatter::default();
        for parts in groups {
            parts.iter().for_each(|part| seen.inside(&part.values));
            if parts.len() < 2 || parts.iter().any(|part| part.station.is_none()) {
                continue;
            }
            let all: f64 = parts.iter().map(|part| part.values.count() as f64).sum();
            let mean = parts.iter().map(Part::sum).sum::<f64>() / all;
            let (mut units, mut deviations) = (DVector::<f64>::zeros(count), DVector::<f64>::zeros(count));
            for part in *parts {
                let place = part.station.and_then(|name| names.binary_search(&name).ok());
                let slots = place.and_then(|place| Some((units.get_mut(place)?, deviations.get_mut(place)?)));
                let Some((units, deviation)) = slots else { continue };
                *units = part.values.count() as f64;
                *deviation = part.values.mean().unwrap_or(mean) - mean;
            }
            let sums = units.component_mul(&deviations);
            gram += DMatrix::from_diagonal(&units) - &units * units.transpose() / all;
            seen.between(sums.dot(&deviations), parts.len());
            off += sums;
        }
        let Some(variance) = seen.variance(&gram, &off) else { return };
        // An exact chain has no error, whatever units show.
        let free: Vec<usize> =
            (0..count).filter(|i| self.prior.get(*i).is_some_and(|prior| *prior > 0.0)).collect();
        let given = free.iter().filter_map(|i| self.prior.get(*i)).map(|prior| prior.recip());
        let given = DMatrix::from_diagonal(&DVector::from_iterator(free.len(), given));
        let precision = gram.select_rows(&free).select_columns(&free) / variance + given;
        let Some(factor) = precision.cholesky() else { return };
        let (errors, left) = (factor.solve(&(off.select_rows(&free) / variance)), factor.inverse());
        for ((i, error), row) in free.iter().zip(&errors).zip(left.row_iter()) {
            let (Some(own), Some(kept)) = (self.errors.get_mut(*i), self.left.get_mut(*i)) else { continue };
            *own = *error;
            for (j, value) in free.iter().zip(row.iter()) {
                if let Some(slot) = kept.get_mut(*j) {
                    *slot = *value;
                }
            }
        }
    }

    fn error(&self, shares: &Shares) -> f64 {
        shares
            .named
            .iter()
            .map(|(place, share)| share * self.errors.get(*place).copied().unwrap_or(0.0))
            .sum()
    }

    /// What is to be taken off the mean of a group, so that all groups are as the stations of the newest measured them.
    pub(super) fn off(&self, group: usize) -> f64 {
        self.groups
            .get(group)
            .filter(|shares| shares.is_any())
            .map_or(0.0, |shares| self.error(shares) - self.newest)
    }

    /// Whether anything is taken off anywhere.
    pub(super) fn is_any_off(&self) -> bool {
        (0..self.groups.len()).any(|group| self.off(group) != 0.0)
    }

    /// Expanded uncertainty that stations leave in the difference of the means of two lists of groups. Runs that nobody named a station of
    /// may each have come from one of their own in either list.
    pub(super) fn doubt(&self, some: &[usize], others: &[usize]) -> f64 {
        let (contrast, unnamed) = self.contrast(some, others);
        (COVERAGE * COVERAGE * self.variance(&contrast) + unnamed).sqrt()
    }

    /// Whether two groups were measured by stations whose difference nobody knows. Of runs without a named station nobody knows whether
    /// it changed.
    pub(super) fn is_unknown(&self, one: usize, other: usize) -> bool {
        let (contrast, _) = self.contrast(&[one], &[other]);
        let given: f64 = contrast.iter().zip(&self.prior).map(|(share, prior)| share * share * prior).sum();
        let is_named = |group: usize| self.groups.get(group).is_none_or(|shares| shares.unnamed == 0.0);
        is_named(one) != is_named(other) || (given > 0.0 && self.variance(&contrast) > KNOWN * given)
    }

    /// Shares of the stations in some groups less those in others, and the square of what is not named in both.
    fn contrast(&self, some: &[usize], others: &[usize]) -> (Vec<f64>, f64) {
        let mut contrast = vec![0.0; self.errors.len()];
        let mut unnamed = 0.0;
        for (groups, sign) in [(some, 1.0), (others, -1.0)] {
            let shares: Vec<&Shares> = groups
                .iter()
                .filter_map(|group| self.groups.get(*group))
                .filter(|shares| shares.is_any())
                .collect();
            let each = 1.0 / shares.len().max(1) as f64;
            for (place, share) in shares.iter().flat_map(|shares| &shares.named) {
                if let Some(slot) = contrast.get_mut(*place) {
                    *slot += sign * each * share;
                }
            }
            unnamed += shares.iter().map(|shares| each * shares.unnamed).sum::<f64>().powi(2);
        }
        (contrast, unnamed)
    }

    fn variance(&self, contrast: &[f64]) -> f64 {
        let row = |row: &Vec<f64>| row.iter().zip(contrast).map(|(left, share)| left * share).sum::<f64>();
        self.left.iter().zip(contrast).map(|(left, share)| share * row(left)).sum::<f64>().max(0.0)
    }
}

impl Part {
    fn sum(&self) -> f64 {
        self.values.count() as f64 * self.values.mean().unwrap_or(0.0)
    }
}

impl Shares {
    fn of(parts: &[Part], names: &[NonZeroU32]) -> Self {
        let all: f64 = parts.iter().map(|part| part.values.count() as f64).sum();
        let mut shares = Self::default();
        for part in parts {
            match part.station.and_then(|name| names.binary_search(&name).ok()) {
                Some(place) => shares.named.push((place, part.values.count() as f64 / all)),
                None => shares.unnamed += part.chain / all,
            }
        }
        shares
    }

    fn is_any(&self) -> bool {
        !self.named.is_empty() || self.unnamed > 0.0
    }
}

/// Mean of the chain's expanded uncertainty of a station.
fn mean_chain(groups: &[&[Part]], name: NonZeroU32) -> f64 {
    let own = groups.iter().copied().flatten().filter(|part| part.station == Some(name));
    let (chain, count) =
        own.fold((0.0, 0), |(chain, count), part| (chain + part.chain, count + part.values.count()));
    chain / count.max(1) as f64
}

fn diagonal(values: &[f64]) -> Vec<Vec<f64>> {
    let row = |i: usize| {
        (0..values.len()).map(move |j| if i == j { values.get(i).copied().unwrap_or(0.0) } else { 0.0 })
    };
    (0..values.len()).map(|i| row(i).collect()).collect()
}

/// Squares of units about the mean of their group and station, and of stations about that of their group.
#[derive(Debug, Default)]
struct Scatter {
    inside: f64,
    inside_freedom: f64,
    between: f64,
    between_freedom: f64,
}

impl Scatter {
    fn inside(&mut self, values: &Running) {
        if let Some(sd) = values.sd() {
            let freedom = (values.count() - 1) as f64;
            self.inside += sd * sd * freedom;
            self.inside_freedom += freedom;
        }
    }

    fn between(&mut self, squares: f64, stations: usize) {
        self.between += squares;
        self.between_freedom += (stations - 1) as f64;
    }

    /// Variance of a unit: of what stations differ by, least squares leave the rest. `None` where no group has two values, or all are alike.
    fn variance(&self, gram: &DMatrix<f64>, off: &DVector<f64>) -> Option<f64> {
        let largest = gram.diagonal().max();
        if largest <= 0.0 {
            return None;
        }
        // Errors that no group compares are held at 0.
        let eigen = gram.clone().symmetric_eigen();
        let least = 1e-9 * largest;
        let (mut taken, mut rank) = (0.0, 0.0);
        for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
            if *value > least {
                taken += vector.dot(off).powi(2) / value;
                rank += 1.0;
            }
        }
        let squares = self.inside + (self.between - taken).max(0.0);
        let freedom = self.inside_freedom + self.between_freedom - rank;
        (freedom > 0.0 && squares > 0.0).then(|| squares / freedom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(station: u32, values: &[f64], chain: f64) -> Part {
        let mut own = Running::default();
        values.iter().for_each(|value| own.add(*value));
        Part { station: NonZeroU32::new(station), values: own, chain: chain * values.len() as f64 }
    }

    fn of(groups: &[Vec<Part>]) -> Stations {
        Stations::of(&groups.iter().map(Vec::as_slice).collect::<Vec<_>>(), false)
    }

    fn close(found: f64, exact: f64) {
        assert!((found - exact).abs() < 1e-9, "{found} {exact}");
    }

    /// Nothing compares them: the accuracies of both are left, and nothing is taken off.
    #[test]
    fn stations_that_share_no_group_have_their_accuracy() {
        let groups =
            [vec![part(1, &[1.0, 1.2], 0.3)], vec![part(1, &[1.1], 0.3)], vec![part(2, &[1.6, 1.4], 0.4)]];
        let own = of(&groups);
        close(own.doubt(&[2], &[0, 1]), 0.5);
        close(own.doubt(&[0], &[1]), 0.0);
        assert!(own.is_unknown(2, 1) && !own.is_unknown(0, 1) && !own.is_any_off());
        // One station's share in both lists cancels: 1/2 of each against all of the first.
        let mixed = of(&[vec![part(1, &[1.0], 0.3)], vec![part(1, &[1.0], 0.3)], vec![part(2, &[1.0], 0.4)]]);
        close(mixed.doubt(&[1, 2], &[0]), 0.25);
    }

    /// Two stations, 0.5 apart in every group, units 0.02 apart: n m / (n + m) of each group's 2 units for each are 1, so that 40 of them
    /// tell the difference to the standard deviation of a unit over the root of 40, beside a prior of 0.25 for each station.
    #[test]
    fn groups_of_two_stations_tell_their_difference() {
        let level = |k: u32| 10.0 + f64::from(k);
        let mut groups: Vec<Vec<Part>> = (0..40)
            .map(|k| {
                let (a, b) = (level(k), level(k) + 0.5);
                vec![part(1, &[a - 0.01, a + 0.01], 0.5), part(2, &[b - 0.01, b + 0.01], 0.5)]
            })
            .collect();
        groups.push(vec![part(1, &[100.0, 100.02], 0.5)]);
        groups.push(vec![part(2, &[200.0, 200.02], 0.5)]);
        let own = of(&groups);
        // 83 variances of 0.0002 each from one degree of freedom, 39 degrees of freedom that differences leave without scatter.
        let unit = 82.0 * 0.0002 / (82.0 + 39.0);
        let (prior, told): (f64, f64) = (2.0 * 0.25 * 0.25, unit / 40.0);
        let left = (prior.recip() + told.recip()).recip();
        close(own.doubt(&[40], &[41]), 2.0 * left.sqrt());
        let shrunk = 0.5 * prior / (prior + told);
        close(own.off(40), -shrunk);
        close(own.off(41), 0.0);
        close(own.off(0), -0.5 * shrunk);
        assert!(!own.is_unknown(40, 41));
    }

    /// The newest group stays where it is, and a shift of the shares from 1 : 3 to 3 : 1 is none of the product.
    #[test]
    fn another_mix_of_known_stations_moves_nothing() {
        let mix = |a: usize, b: usize| {
            let values = |n: usize, level: f64| {
                (0..n).map(|k| level + if k % 2 == 0 { 0.1 } else { -0.1 }).collect::<Vec<_>>()
            };
            vec![part(1, &values(a, 1.0), 2.0), part(2, &values(b, 2.0), 2.0)]
        };
        let groups: Vec<Vec<Part>> = (0..20).map(|k| if k < 10 { mix(6, 2) } else { mix(2, 6) }).collect();
        let own = of(&groups);
        let mean = |parts: &[Part]| parts.iter().map(Part::sum).sum::<f64>() / 8.0;
        let (first, last) = (mean(&groups[0]) - own.off(0), mean(&groups[19]) - own.off(19));
        assert!((first - last).abs() < 0.01, "{first} {last}");
        close(own.off(19), 0.0);
        assert!(own.doubt(&[0], &[19]) < 0.1);
    }

    /// Of one unit a station and group, units scatter as their differences between stations do from group to group.
    #[test]
    fn single_units_tell_by_how_alike_their_differences_are() {
        let groups: Vec<Vec<Part>> = (0..10)
            .map(|k| {
                let off = if k % 2 == 0 { 0.1 } else { -0.1 };
                vec![part(1, &[f64::from(k)], 1e3), part(2, &[f64::from(k) + 0.6 + off], 1e3)]
            })
            .collect();
        let own = of(&groups);
        // Differences have squares of 10 x 0.01 / 2 about their mean, and 9 degrees of freedom: a unit 0.05 / 9, a mean of ten differences
        // twice that over ten.
        let difference = (2.0 * 0.05 / 9.0 / 10.0_f64).sqrt();
        assert!((own.doubt(&[0], &[1])).abs() < 1e-9);
        let alone = [groups, vec![vec![part(1, &[1.0], 1e3)], vec![part(2, &[1.0], 1e3)]]].concat();
        let found = of(&alone).doubt(&[10], &[11]);
        assert!((found / (2.0 * difference) - 1.0).abs() < 1e-4, "{found} {difference}");
    }

    #[test]
    fn what_nobody_named_counts_on_both_sides() {
        let unnamed = |values: &[f64], chain: f64| Part { station: None, ..part(1, values, chain) };
        let groups =
            [vec![unnamed(&[1.0, 1.1], 0.3)], vec![unnamed(&[1.0, 1.1], 0.4)], vec![part(1, &[1.0], 0.5)]];
        let own = of(&groups);
        close(own.doubt(&[0], &[1]), 0.5);
        close(own.doubt(&[2], &[0]), 0.5_f64.hypot(0.3));
        assert!(!own.is_unknown(0, 1) && own.is_unknown(1, 2));
        // Half of a group without a name: half of its chain.
        let half = of(&[vec![unnamed(&[1.0], 0.4), part(1, &[1.0], 0.4)], vec![part(1, &[1.0], 0.4)]]);
        close(half.doubt(&[0], &[1]), 0.2_f64.hypot(0.2));
    }

    #[test]
    fn exact_chains_leave_no_doubt_and_take_nothing_off() {
        let groups: Vec<Vec<Part>> =
            (0..5).map(|_| vec![part(1, &[1.0, 1.1], 0.0), part(2, &[2.0, 2.1], 0.0)]).collect();
        let own = of(&groups);
        assert!(!own.is_any_off());
        close(own.doubt(&[0], &[4]), 0.0);
        assert!(!own.is_unknown(0, 4));
        assert_eq!(Stations::of(&[], false).doubt(&[0], &[1]), 0.0);
        // Where the uncertainty of a value is not known, nothing is.
        let open =
            Stations::of(&[&[part(1, &[1.0], 0.5), part(2, &[3.0], 0.5)], &[part(1, &[1.0], 0.5)]], true);
        assert!(!open.is_any_off());
    }
}
