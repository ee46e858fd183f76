//! In which order a sparse system of equations is eliminated: found once for a circuit, followed at every frequency.
//!
//! Each step takes the pivot that fills least (H. M. Markowitz, "The elimination form of the inverse and its application to linear
//! programming", Management Science 3(3), 1957, 255-269) among those that are not small in their column at any of a few
//! frequencies: an order that holds from the lowest to the highest is found by looking at both. Whether it was good enough at a
//! frequency says the residual there (`solve`).
//!
//! Steps in rows and columns that do not depend on frequency, and that no step before them changes that does, are then put first, which
//! changes nothing in what is worked out: what they leave of the others is the same at all frequencies (the complement of I. Schur, "Über
//! Potenzreihen, die im Innern des Einheitskreises beschränkt sind", Journal für die reine und angewandte Mathematik 147, 1917, 205-232:
//! from memory), and real.

use crate::sweep::Complex64;
use std::collections::{BTreeMap, BTreeSet};

/// At how many frequencies an order is tried.
pub(super) const TRIES: usize = 3;
/// A pivot is at least this share of the largest in its column: common in circuit simulation is 0.001 to 0.1.
const SHARE: f64 = 0.05;
/// Below this share of its row and column an entry is what rounding left of zero.
const NOTHING: f64 = 1e-14;

type Values = [Complex64; TRIES];

/// The order and all places that it touches. Rows and columns are numbered by the steps that take them: the pivot of step k is in row k
/// and column k.
#[derive(Debug)]
pub(super) struct Plan {
    /// First those whose rows and columns do not depend on frequency: they are done once for all frequencies.
    pub(super) head: Steps,
    pub(super) tail: Steps,
    /// The number of each row and of each column as the equations were written.
    pub(super) rows: Vec<usize>,
    pub(super) columns: Vec<usize>,
    /// What the equations have before elimination, row by row.
    pub(super) terms: Vec<Term>,
    /// Where the terms of each row end.
    pub(super) ends: Vec<usize>,
}

/// An entry of the equations before elimination.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    pub(super) row: usize,
    pub(super) column: usize,
    /// Its number among the entries, those of the head first.
    pub(super) entry: usize,
}

/// Steps one after the other. Entries are kept in blocks, one for each pivot: the pivot, what is right of it, what is below it;
/// those that arise by elimination too.
#[derive(Debug, Default)]
pub(super) struct Steps {
    /// Number of the first pivot.
    pub(super) first: usize,
    pub(super) pivots: Vec<Pivot>,
    /// Of each entry right of a pivot its column, of each below it its row.
    pub(super) places: Vec<u32>,
    /// Entries that a step changes: for each row below its pivot, those in the columns right of it. Counted from the end of the block.
    pub(super) targets: Vec<u32>,
}

/// One step.
#[derive(Debug)]
pub(super) struct Pivot {
    /// Its entry; those right of it follow, then those below.
    pub(super) at: usize,
    pub(super) right: usize,
    pub(super) below: usize,
}

impl Plan {
    /// A plan for `size` unknowns; `moving` are the entries that depend on frequency. An error is an unknown that the equations do not
    /// determine.
    pub(super) fn new(
        size: usize,
        entries: &BTreeMap<(usize, usize), Values>,
        moving: &BTreeSet<(usize, usize)>,
    ) -> Result<Self, usize> {
        // Rows and columns that depend on frequency, or that a step changes that does.
        let mut rows: BTreeSet<usize> = moving.iter().map(|(row, _)| *row).collect();
        let mut columns: BTreeSet<usize> = moving.iter().map(|(_, column)| *column).collect();
        let mut active = Active::new(size, entries);
        let (mut order, mut tail) = (Vec::with_capacity(size), Vec::new());
        while order.len() + tail.len() < size {
            let (row, column) = active.pivot()?;
            let step = active.eliminated(row, column);
            if rows.contains(&row) || columns.contains(&column) {
                rows.extend(&step.rows);
                columns.extend(&step.columns);
                tail.push(step);
            } else {
                order.push(step);
            }
        }
        let head = order.len();
        order.append(&mut tail);
        Ok(Self::laid_out(&order, head, entries.keys()))
    }

    /// Numbers rows and columns step by step, entries block by block.
    fn laid_out<'a>(
        order: &[Eliminated],
        head: usize,
        given: impl Iterator<Item = &'a (usize, usize)>,
    ) -> Self {
        let mut rows = vec![0; order.len()];
        let mut columns = vec![0; order.len()];
        for (number, step) in order.iter().enumerate() {
            rows.get_mut(step.row).into_iter().for_each(|own| *own = number);
            columns.get_mut(step.column).into_iter().for_each(|own| *own = number);
        }
        let number = |of: &[usize], at: usize| of.get(at).copied().unwrap_or(0);
        let mut entries: BTreeMap<(usize, usize), usize> = BTreeMap::new();
        for step in order {
            let right = step.columns.iter().map(|column| (step.row, *column));
            let below = step.rows.iter().map(|row| (*row, step.column));
            for (row, column) in std::iter::once((step.row, step.column)).chain(right).chain(below) {
                let count = entries.len();
                entries.insert((number(&rows, row), number(&columns, column)), count);
            }
        }
        let place = |(row, column): &(usize, usize)| {
            let (row, column) = (number(&rows, *row), number(&columns, *column));
            Term { row, column, entry: entries.get(&(row, column)).copied().unwrap_or(0) }
        };
        let mut terms: Vec<Term> = given.map(place).collect();
        terms.sort_by_key(|term| (term.row, term.column));
        let ends = (0..order.len()).map(|row| terms.partition_point(|term| term.row <= row)).collect();
        let (first, second) = order.split_at(head);
        let steps = |from: usize, order: &[Eliminated]| Steps::new(from, order, &rows, &columns, &entries);
        let (head, tail) = (steps(0, first), steps(head, second));
        Self { head, tail, rows, columns, terms, ends }
    }
}

impl Steps {
    fn new(
        first: usize,
        order: &[Eliminated],
        rows: &[usize],
        columns: &[usize],
        entries: &BTreeMap<(usize, usize), usize>,
    ) -> Self {
        let numbers = |of: &[usize], list: &[usize]| -> Vec<usize> {
            list.iter().filter_map(|at| of.get(*at).copied()).collect()
        };
        let from = entries.get(&(first, first)).copied().unwrap_or(0);
        let mut steps = Self { first, ..Self::default() };
        for (number, step) in (first..).zip(order) {
            let (right, below) = (numbers(columns, &step.columns), numbers(rows, &step.rows));
            let at = steps.places.len();
            steps.pivots.push(Pivot { at, right: right.len(), below: below.len() });
            steps.places.extend([number].iter().chain(&right).chain(&below).copied().map(short));
            let end = from + steps.places.len();
            for row in &below {
                let changed = right.iter().filter_map(|column| entries.get(&(*row, *column)));
                // All of them lie behind the block.
                steps.targets.extend(changed.map(|entry| short(entry - end)));
            }
        }
        steps
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
    columns: Vec<usize>,
    rows: Vec<usize>,
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
        Eliminated { row, column, columns: right.into_keys().collect(), rows: below }
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
