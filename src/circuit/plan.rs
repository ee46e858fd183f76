//! In which order a sparse system of equations is eliminated: found once for a circuit, followed at every frequency.
//!
//! Each step takes the pivot that fills least (H. M. Markowitz, "The elimination form of the inverse and its application to linear
//! programming", Management Science 3(3), 1957, 255-269) among those that are not small in their column at any of a few
//! frequencies: an order that holds from the lowest to the highest is found by looking at both. Whether it was good enough at a
//! frequency says the residual there (`solve`).

use crate::sweep::Complex64;
use std::collections::BTreeMap;

/// At how many frequencies an order is tried.
pub(super) const TRIES: usize = 3;
/// A pivot is at least this share of the largest in its column: common in circuit simulation is 0.001 to 0.1.
const SHARE: f64 = 0.05;
/// Below this share of its row and column an entry is what rounding left of zero.
const NOTHING: f64 = 1e-14;

type Values = [Complex64; TRIES];

/// The order and all places that it touches. Entries are kept in blocks, one for each pivot: the pivot, what is right of it,
/// what is below it.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) pivots: Vec<Pivot>,
    /// Row and column of every entry, those that arise by elimination too.
    pub(super) entries: Vec<(u32, u32)>,
    /// Entries that a step changes: for each row below its pivot, those in the columns right of it.
    pub(super) targets: Vec<u32>,
}

/// One step.
#[derive(Debug)]
pub(super) struct Pivot {
    pub(super) row: usize,
    pub(super) column: usize,
    /// Its entry; those right of it follow, then those below.
    pub(super) at: usize,
    pub(super) columns: Vec<u32>,
    pub(super) rows: Vec<u32>,
}

impl Plan {
    /// A plan for `size` unknowns. An error is an unknown that the equations do not determine.
    pub(super) fn new(size: usize, entries: &BTreeMap<(usize, usize), Values>) -> Result<Self, usize> {
        let mut active = Active::new(size, entries);
        let mut order = Vec::with_capacity(size);
        while order.len() < size {
            let (row, column) = active.pivot()?;
            order.push(active.eliminated(row, column));
        }
        Ok(Self::laid_out(order))
    }

    /// Numbers the entries block by block.
    fn laid_out(order: Vec<Eliminated>) -> Self {
        let mut entries = Vec::new();
        let mut pivots = Vec::with_capacity(order.len());
        let mut numbers: BTreeMap<(u32, u32), u32> = BTreeMap::new();
        for step in &order {
            let at = entries.len();
            let (row, column) = (short(step.row), short(step.column));
            entries.push((row, column));
            entries.extend(step.columns.iter().map(|right| (row, *right)));
            entries.extend(step.rows.iter().map(|below| (*below, column)));
            let (columns, rows) = (step.columns.clone(), step.rows.clone());
            pivots.push(Pivot { row: step.row, column: step.column, at, columns, rows });
        }
        numbers.extend(entries.iter().enumerate().map(|(number, entry)| (*entry, short(number))));
        let mut targets = Vec::new();
        for pivot in &pivots {
            let end = short(pivot.at + 1 + pivot.columns.len() + pivot.rows.len());
            for row in &pivot.rows {
                let numbers = pivot.columns.iter().filter_map(|column| numbers.get(&(*row, *column)));
                // Counted from the end of the block: all of them lie behind it.
                targets.extend(numbers.map(|number| number - end));
            }
        }
        Self { pivots, entries, targets }
    }
}

/// A circuit has some thousand entries at most.
fn short(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

/// A pivot with what is right of it and below it.
struct Eliminated {
    row: usize,
    column: usize,
    columns: Vec<u32>,
    rows: Vec<u32>,
}

/// What is not eliminated yet, scaled so that rows and columns are alike.
struct Active {
    rows: BTreeMap<usize, BTreeMap<usize, Values>>,
    columns: BTreeMap<usize, Vec<usize>>,
}

impl Active {
    fn new(size: usize, entries: &BTreeMap<(usize, usize), Values>) -> Self {
        let mut rows: BTreeMap<usize, BTreeMap<usize, Values>> =
            (0..size).map(|row| (row, BTreeMap::new())).collect();
        for ((row, column), values) in entries {
            rows.entry(*row).or_default().insert(*column, *values);
        }
        let mut active = Self { rows, columns: (0..size).map(|column| (column, Vec::new())).collect() };
        active.scale(size);
        for (row, columns) in &active.rows {
            for column in columns.keys() {
                active.columns.entry(*column).or_default().push(*row);
            }
        }
        active
    }

    /// Brings the largest entry of each row, then of each column, to about 1 at every frequency.
    fn scale(&mut self, size: usize) {
        for _ in 0..2 {
            for columns in self.rows.values_mut() {
                let mut largest = [0.0f64; TRIES];
                columns.values().for_each(|values| raise(&mut largest, values));
                columns.values_mut().for_each(|values| divide(values, &largest));
            }
            let mut largest = vec![[0.0f64; TRIES]; size];
            for (column, values) in self.rows.values().flatten() {
                if let Some(largest) = largest.get_mut(*column) {
                    raise(largest, values);
                }
            }
            for (column, values) in self.rows.values_mut().flatten() {
                if let Some(largest) = largest.get(*column) {
                    divide(values, largest);
                }
            }
        }
    }

    /// The pivot that fills least, of those that are large enough; the largest where none is.
    fn pivot(&self) -> Result<(usize, usize), usize> {
        let mut best: Option<(bool, usize, f64, (usize, usize))> = None;
        for (column, rows) in &self.columns {
            let mut largest = [0.0f64; TRIES];
            let entries = || rows.iter().filter_map(|row| Some((*row, self.rows.get(row)?)));
            let entries =
                || entries().filter_map(|(row, columns)| Some((row, columns.len(), columns.get(column)?)));
            entries().for_each(|(_, _, values)| raise(&mut largest, values));
            if largest.iter().all(|largest| *largest < NOTHING) {
                return Err(*column);
            }
            for (row, width, values) in entries() {
                let share = share(values, &largest);
                let is_large = share >= SHARE;
                let fill = (width - 1) * (rows.len() - 1);
                let is_better = best.is_none_or(|(large, least, most, _)| match (is_large, large) {
                    (true, true) => fill < least || (fill == least && share > most),
                    (false, false) => share > most,
                    (is_large, _) => is_large,
                });
                if is_better {
                    best = Some((is_large, fill, share, (row, *column)));
                }
            }
        }
        best.map(|(.., at)| at).ok_or(0)
    }

    /// Takes a pivot's row and column out and works out what that leaves of the others.
    fn eliminated(&mut self, row: usize, column: usize) -> Eliminated {
        let mut right = self.rows.remove(&row).unwrap_or_default();
        let pivot = right.remove(&column).unwrap_or_default();
        let mut below = self.columns.remove(&column).unwrap_or_default();
        below.retain(|other| *other != row);
        for other in right.keys() {
            if let Some(rows) = self.columns.get_mut(other) {
                rows.retain(|other| *other != row);
            }
        }
        for other in &below {
            let Some(entries) = self.rows.get_mut(other) else { continue };
            let factor = entries.remove(&column).unwrap_or_default();
            for (at, values) in &right {
                let entry = entries.entry(*at).or_insert_with(|| {
                    self.columns.entry(*at).or_default().push(*other);
                    Values::default()
                });
                for (((entry, value), factor), pivot) in entry.iter_mut().zip(values).zip(factor).zip(pivot) {
                    *entry -= value * factor / pivot;
                }
            }
        }
        Eliminated {
            row,
            column,
            columns: right.keys().map(|column| short(*column)).collect(),
            rows: below.into_iter().map(short).collect(),
        }
    }
}

fn raise(largest: &mut [f64; TRIES], values: &Values) {
    for (largest, value) in largest.iter_mut().zip(values) {
        *largest = largest.max(value.norm());
    }
}

fn divide(values: &mut Values, by: &[f64; TRIES]) {
    for (value, by) in values.iter_mut().zip(by) {
        if *by > 0.0 {
            *value /= *by;
        }
    }
}

/// The smallest share of the largest at any frequency.
fn share(values: &Values, largest: &[f64; TRIES]) -> f64 {
    let shares = values.iter().zip(largest).map(
        |(value, largest)| {
            if *largest > 0.0 { value.norm() / largest } else { 0.0 }
        },
    );
    shares.fold(f64::INFINITY, f64::min)
}
