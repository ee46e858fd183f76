//! The difference of the means of two groups of units at a corner or over several, with its uncertainty.
//!
//! The units of a group are a sample of what its build makes. The variance of a mean is s²/n from their scatter, at least what the parts
//! of the uncertainty that are each unit's own make of it; of one unit it is those parts alone, and the difference then holds for that
//! unit. What a unit of both groups, as after a change of the firmware, does to both means cancels. Over corners a unit's deviations add
//! before they are squared: they are not independent. Student's
//! factor follows from the effective degrees of freedom of the whole (B. L. Welch, "The generalization of Student's problem when several
//! different population variances are involved", Biometrika 34, 1947; JCGM 100:2008, G.4.1).
//!
//! **What does a station do?** All units that it measured share the error of its chain, which their scatter does not show. It counts by
//! the station's share in B less that in A: a station that measured both groups alike takes no part. A station that nobody named, or a
//! chain that nobody knows, counts for every value anew.

use crate::baseline::widened;
use serde::Serialize;
use std::collections::BTreeMap;

/// The mean of a group.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
#[non_exhaustive]
pub struct GroupMean {
    /// Units that have a value.
    pub units: u64,
    /// Their mean, in the quantity's unit; `None` where no unit has a value, or one has a lower bound alone.
    pub mean: Option<f64>,
    /// Standard deviation of the units; `None` with one.
    pub spread: Option<f64>,
    /// Units of which a lower bound alone is known.
    pub bounds: u64,
}

/// A value of a unit, its uncertainties as standard ones.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub(super) unit: usize,
    /// `None`: not named.
    pub(super) station: Option<usize>,
    pub(super) value: f64,
    /// The part that is the unit's own; `None` where no uncertainty is known.
    pub(super) own: Option<f64>,
    /// The part that the station's chain brings.
    pub(super) chain: f64,
    pub(super) at_least: bool,
}

pub(super) fn mean_of(cells: &[Cell]) -> GroupMean {
    let bounds = cells.iter().filter(|cell| cell.at_least).count();
    let n = (cells.len() - bounds) as f64;
    let values = || cells.iter().filter(|cell| !cell.at_least).map(|cell| cell.value);
    let mean = values().sum::<f64>() / n;
    let is_known = bounds == 0 && n > 0.0;
    let spread = (values().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    GroupMean {
        units: (cells.len() - bounds) as u64,
        mean: is_known.then_some(mean),
        spread: (is_known && n > 1.0).then_some(spread),
        bounds: bounds as u64,
    }
}

/// The values of both groups at a corner.
pub(super) type Sides = [Vec<Cell>; 2];

/// Second mean less first, averaged over corners, with its expanded uncertainty; `None` where a mean is not known.
pub(super) fn difference(corners: &[&Sides], coverage: f64) -> Option<(f64, Option<f64>)> {
    let means = |sides: &&Sides| {
        let [a, b] = sides.each_ref().map(|cells| mean_of(cells).mean);
        Some(b? - a?)
    };
    let changes: Vec<f64> = corners.iter().map(means).collect::<Option<_>>()?;
    let change = changes.iter().sum::<f64>() / changes.len() as f64;
    let [a, b] = [0, 1].map(|side| Scatter::of(corners, side));
    let parts = match a.joined(&b) {
        Some(joined) => vec![joined.part()],
        None => vec![a.part(), b.part()],
    };
    let Some(parts) = parts.into_iter().collect::<Option<Vec<Part>>>() else { return Some((change, None)) };
    let whole = parts.iter().map(|part| part.variance).sum::<f64>() + chains(corners);
    let of_scatter: f64 =
        parts.iter().filter_map(|part| Some(part.variance * part.variance / part.freedom?)).sum();
    let factor = if of_scatter > 0.0 { widened(coverage, whole * whole / of_scatter) } else { 1.0 };
    Some((change, Some(coverage * whole.sqrt() * factor)))
}

/// A variance, with its degrees of freedom where it is that of a scatter.
struct Part {
    variance: f64,
    freedom: Option<f64>,
}

/// What moves the mean of a side over corners: how far each unit moves it, and what the units' own uncertainties do.
struct Scatter {
    /// Units at the corner that has the fewest.
    fewest: usize,
    moves: BTreeMap<usize, f64>,
    /// Variance; `None` where it is not known.
    own: Option<f64>,
}

impl Scatter {
    fn of(corners: &[&Sides], side: usize) -> Self {
        let sign = if side == 0 { -1.0 } else { 1.0 };
        let mut found = Self { fewest: usize::MAX, moves: BTreeMap::new(), own: Some(0.0) };
        for cells in corners.iter().filter_map(|sides| sides.get(side)) {
            let n = cells.len() as f64;
            let weight = 1.0 / (n * corners.len() as f64);
            let mean = cells.iter().map(|cell| cell.value).sum::<f64>() / n;
            // A mean takes part of what its units differ by along.
            let lost = if cells.len() > 1 { (n / (n - 1.0)).sqrt() } else { 0.0 };
            found.fewest = found.fewest.min(cells.len());
            for cell in cells {
                *found.moves.entry(cell.unit).or_default() += sign * weight * lost * (cell.value - mean);
                found.own = found.own.zip(cell.own).map(|(sum, own)| sum + (weight * own).powi(2));
            }
        }
        found
    }

    /// Both sides together where units are in both: what such a unit does to both means cancels.
    fn joined(&self, other: &Self) -> Option<Self> {
        let fewest = self.fewest.min(other.fewest);
        if fewest < 2 || !self.moves.keys().any(|unit| other.moves.contains_key(unit)) {
            return None;
        }
        let mut moves = self.moves.clone();
        for (unit, more) in &other.moves {
            *moves.entry(*unit).or_default() += more;
        }
        let own = self.own.zip(other.own).map(|(one, other)| one + other);
        Some(Self { fewest, moves, own })
    }

    /// `None` where it is not known: of one unit without an uncertainty.
    fn part(&self) -> Option<Part> {
        let scatter = self.moves.values().map(|moved| moved * moved).sum::<f64>();
        if self.fewest > 1 && self.own.is_none_or(|own| scatter > own) {
            return Some(Part { variance: scatter, freedom: Some(self.fewest as f64 - 1.0) });
        }
        self.own.map(|variance| Part { variance, freedom: None })
    }
}

/// Variance that the chains of the stations bring.
fn chains(corners: &[&Sides]) -> f64 {
    let mut stations: BTreeMap<usize, f64> = BTreeMap::new();
    let mut unnamed: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    for (side, sign) in [-1.0, 1.0].into_iter().enumerate() {
        for cells in corners.iter().filter_map(|sides| sides.get(side)) {
            let weight = sign / (cells.len() * corners.len()) as f64;
            for cell in cells {
                let sum = match cell.station {
                    Some(station) => stations.entry(station).or_default(),
                    None => unnamed.entry((side, cell.unit)).or_default(),
                };
                *sum += weight * cell.chain;
            }
        }
    }
    stations.values().chain(unnamed.values()).map(|sum| sum * sum).sum()
}

/// The same of the logarithms of values above 0, whose differences are ratios.
pub(super) fn logarithms(cells: &[Cell]) -> Vec<Cell> {
    let above = cells.iter().filter(|cell| cell.value > 0.0);
    let of = |cell: &Cell| Cell {
        value: cell.value.ln(),
        own: cell.own.map(|own| own / cell.value),
        chain: cell.chain / cell.value,
        ..*cell
    };
    above.map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const K: f64 = 2.0;

    fn cells(
        first_unit: usize,
        values: &[f64],
        own: Option<f64>,
        chain: f64,
        station: Option<usize>,
    ) -> Vec<Cell> {
        let cell = |(k, value): (usize, &f64)| Cell {
            unit: first_unit + k,
            station,
            value: *value,
            own,
            chain,
            at_least: false,
        };
        values.iter().enumerate().map(cell).collect()
    }

    fn close(found: Option<(f64, Option<f64>)>, change: f64, uncertainty: f64) {
        let (value, u) = found.unwrap();
        assert!((value - change).abs() < 1e-12, "{value} {change}");
        assert!((u.unwrap() - uncertainty).abs() < 1e-12, "{u:?} {uncertainty}");
    }

    #[test]
    fn a_bound_leaves_no_mean() {
        let mut own = cells(0, &[1.0, 2.0, 6.0], None, 0.0, None);
        assert_eq!(
            mean_of(&own),
            GroupMean { units: 3, mean: Some(3.0), spread: Some(7f64.sqrt()), bounds: 0 }
        );
        own[2].at_least = true;
        assert_eq!(mean_of(&own), GroupMean { units: 2, mean: None, spread: None, bounds: 1 });
        assert_eq!(mean_of(&own[..1]), GroupMean { units: 1, mean: Some(1.0), spread: None, bounds: 0 });
        assert_eq!(mean_of(&[]), GroupMean::default());
    }

    /// s²/n of both, with Welch's degrees of freedom: (1/3 + 4/3)² / ((1/3)²/2 + (4/3)²/2) = 50/17.
    #[test]
    fn other_units_scatter_on_their_own() {
        let sides = [
            cells(0, &[1.0, 2.0, 3.0], Some(0.1), 0.0, None),
            cells(10, &[2.0, 4.0, 6.0], Some(0.1), 0.0, None),
        ];
        close(difference(&[&sides], K), 2.0, K * (5.0_f64 / 3.0).sqrt() * widened(K, 50.0 / 17.0));
    }

    /// Differences of 1, 2 and 3: s²/n = 1/3 with two degrees of freedom, whatever the units differ by among themselves.
    #[test]
    fn what_a_unit_of_both_groups_has_cancels() {
        let sides = [
            cells(0, &[1.0, 12.0, 3.0], Some(0.1), 0.0, None),
            cells(0, &[2.0, 14.0, 6.0], Some(0.1), 0.0, None),
        ];
        close(difference(&[&sides], K), 2.0, K * (1.0_f64 / 3.0).sqrt() * widened(K, 2.0));
        // Two corners at which the same units deviate alike add before they are squared.
        close(difference(&[&sides, &sides], K), 2.0, K * (1.0_f64 / 3.0).sqrt() * widened(K, 2.0));
    }

    /// Units that are closer together than their own uncertainties tell have those: 1/9 of each of six.
    #[test]
    fn a_scatter_below_the_units_own_uncertainty_is_luck() {
        let sides = [
            cells(0, &[1.0, 1.1, 0.9], Some(1.0), 0.0, None),
            cells(10, &[2.0, 2.1, 1.9], Some(1.0), 0.0, None),
        ];
        close(difference(&[&sides], K), 1.0, K * (6.0_f64 / 9.0).sqrt());
        let same = [
            cells(0, &[1.0, 1.1, 0.9], Some(1.0), 0.0, None),
            cells(0, &[2.0, 2.1, 1.9], Some(1.0), 0.0, None),
        ];
        close(difference(&[&same], K), 1.0, K * (6.0_f64 / 9.0).sqrt());
    }

    #[test]
    fn one_unit_has_its_own_uncertainty_or_none() {
        let of = |own: Option<f64>| [cells(0, &[1.0], own, 0.0, None), cells(1, &[2.0], own, 0.0, None)];
        close(difference(&[&of(Some(0.3))], K), 1.0, K * 0.3 * 2f64.sqrt());
        assert_eq!(difference(&[&of(None)], K), Some((1.0, None)));
        // Of the same unit, too: one unit has no scatter.
        let same = [cells(0, &[1.0], Some(0.3), 0.0, None), cells(0, &[2.0], Some(0.3), 0.0, None)];
        close(difference(&[&same], K), 1.0, K * 0.3 * 2f64.sqrt());
    }

    /// Chains of 0.5: one station for all cancels, one for each side counts in full twice, and without a name each unit's on its own.
    #[test]
    fn a_station_counts_by_its_share() {
        let of = |one: Option<usize>, other: Option<usize>| {
            let sides =
                [cells(0, &[1.0, 1.0], Some(0.0), 0.5, one), cells(2, &[2.0, 2.0], Some(0.0), 0.5, other)];
            difference(&[&sides], K)
        };
        close(of(Some(0), Some(0)), 1.0, 0.0);
        close(of(Some(0), Some(1)), 1.0, K * 0.5_f64.sqrt());
        close(of(None, None), 1.0, K * 0.25_f64.sqrt());
        let sides =
            [cells(0, &[1.0, 1.0], Some(0.0), 0.5, Some(0)), cells(2, &[2.0, 2.0], Some(0.0), 0.5, Some(1))];
        close(difference(&[&sides, &sides], K), 1.0, K * 0.5_f64.sqrt());
    }

    #[test]
    fn logarithms_have_relative_uncertainties_and_no_values_below_0() {
        let mut own = cells(0, &[2.0, -1.0, 0.0, 4.0], Some(0.2), 0.4, Some(3));
        own[3].own = None;
        let found = logarithms(&own);
        assert_eq!(found.iter().map(|cell| cell.unit).collect::<Vec<_>>(), [0, 3]);
        assert!((found[0].value - 2f64.ln()).abs() < 1e-12 && (found[1].value - 4f64.ln()).abs() < 1e-12);
        assert_eq!((found[0].own, found[0].chain, found[1].own, found[1].chain), (Some(0.1), 0.2, None, 0.1));
    }
}
