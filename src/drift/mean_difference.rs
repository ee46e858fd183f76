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
