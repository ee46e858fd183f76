//! The group means as rows of a regression with errors of equal size, and running sums of them.
//!
//! Errors that are correlated from group to group (first-order autoregressive) are freed of it: of each mean the part is taken off that the
//! one before foretells (D. Cochrane and G. H. Orcutt, J. American Statistical Association 44, 1949; with S. J. Prais and C. B. Winsten
//! 1954 for the first; from memory). Over a gap of g groups the correlation is its g-th power. A bad lot foretells nothing and is foretold
//! by nothing: it has a level of its own, which may lie anywhere, and says nothing of the others.

use super::prior::BAD_LOT_SPREAD;
use std::ops::{Add, Sub};

/// Sums over rows: products of the columns for the level (`b`), the place (`a`) and the value (`y`), and logarithms of the scales.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sums {
    pub(super) bb: f64,
    pub(super) ba: f64,
    pub(super) aa: f64,
    pub(super) by: f64,
    pub(super) ay: f64,
    pub(super) yy: f64,
    pub(super) log: f64,
}

impl Add for Sums {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self {
            bb: self.bb + o.bb,
            ba: self.ba + o.ba,
            aa: self.aa + o.aa,
            by: self.by + o.by,
            ay: self.ay + o.ay,
            yy: self.yy + o.yy,
            log: self.log + o.log,
        }
    }
}

impl Sub for Sums {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self {
            bb: self.bb - o.bb,
            ba: self.ba - o.ba,
            aa: self.aa - o.aa,
            by: self.by - o.by,
            ay: self.ay - o.ay,
            yy: self.yy - o.yy,
            log: self.log - o.log,
        }
    }
}

impl Sums {
    fn of(level: f64, place: f64, value: f64, scale: f64) -> Self {
        Self {
            bb: level * level,
            ba: level * place,
            aa: place * place,
            by: level * value,
            ay: place * value,
            yy: value * value,
            log: scale.ln(),
        }
    }

    /// Squares that a level leaves.
    pub(super) fn about_level(&self) -> f64 {
        (self.yy - self.by * self.by / self.bb).max(0.0)
    }

    /// Squares that a straight line leaves, its slope and its level at place 0; `None` where all rows are in one place.
    pub(super) fn about_line(&self) -> Option<(f64, f64, f64)> {
        let spread = self.aa - self.ba * self.ba / self.bb;
        if spread <= 1e-9 * self.aa.max(1.0) {
            return None;
        }
        let slope = (self.ay - self.ba * self.by / self.bb) / spread;
        let left = (self.about_level() - slope * slope * spread).max(0.0);
        Some((left, slope, (self.by - slope * self.ba) / self.bb))
    }
}

/// A mean of the series as the sums need it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mean {
    /// Place, 0 at the newest.
    pub(super) x: f64,
    /// Value, about the middle of the series.
    pub(super) y: f64,
    /// Square root of its weight.
    pub(super) weight: f64,
}

/// A row, and what it would be if nothing came before it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Row {
    /// Factor on the mean itself.
    pub(super) own: f64,
    /// What of a level is left.
    pub(super) level: f64,
    /// What is left of the place.
    pub(super) place: f64,
    /// What is left of the value.
    pub(super) value: f64,
    pub(super) x: f64,
    sums: Sums,
    fresh: Sums,
}

/// All rows of a series under one correlation, with its bad lots.
#[derive(Debug)]
pub(super) struct Rows {
    rows: Vec<Row>,
    /// Sums of all rows before a place.
    before: Vec<Sums>,
    /// First group at or after a place that is no bad lot; their number where there is none.
    next: Vec<usize>,
}

impl Rows {
    pub(super) fn new(means: &[Mean], is_bad: &[bool], correlation: f64) -> Self {
        let (mut rows, mut before) = (Vec::with_capacity(means.len()), vec![Sums::default()]);
        let (mut last, mut sums): (Option<Mean>, Sums) = (None, Sums::default());
        for (mean, is_bad) in means.iter().zip(is_bad) {
            let row = if *is_bad {
                Row::bad(mean)
            } else {
                let row = Row::after(last.as_ref(), mean, correlation);
                last = Some(*mean);
                row
            };
            sums = sums + row.sums;
            rows.push(row);
            before.push(sums);
        }
        let mut next = vec![means.len(); means.len() + 1];
        let mut found = means.len();
        for (place, (slot, is_bad)) in next.iter_mut().zip(is_bad).enumerate().rev() {
            found = if *is_bad { found } else { place };
            *slot = found;
        }
        Self { rows, before, next }
    }

    pub(super) fn len(&self) -> usize {
        self.rows.len()
    }

    /// First group at or after a place that is no bad lot.
    pub(super) fn next(&self, place: usize) -> usize {
        self.next.get(place).copied().unwrap_or(self.rows.len())
    }

    /// Place of a group.
    pub(super) fn x(&self, place: usize) -> f64 {
        self.rows.get(place).map_or(0.0, |row| row.x)
    }

    fn plain(&self, from: usize, to: usize) -> Sums {
        let at = |place: usize| self.before.get(place).copied().unwrap_or_default();
        at(to) - at(from)
    }

    /// Sums over the groups of a part, which owes nothing to what came before.
    pub(super) fn part(&self, from: usize, to: usize) -> Sums {
        let first = self.next(from);
        let sums = self.plain(from, to);
        match self.rows.get(first).filter(|_| first < to) {
            Some(row) => sums - row.sums + row.fresh,
            None => sums,
        }
    }

    /// Sums over the groups from a place on but the first that is no bad lot, and that one: only it reaches back over the place.
    pub(super) fn since(&self, place: usize) -> (Sums, Option<&Row>) {
        let sums = self.plain(place, self.rows.len());
        let first = self.rows.get(self.next(place));
        (first.map_or(sums, |row| sums - row.sums), first)
    }
}

/// Weight of a bad lot: none, but for the arithmetic.
const NOTHING: f64 = 1e-9;

impl Row {
    fn bad(mean: &Mean) -> Self {
        let mut row = Self::alone(mean, mean.weight * NOTHING);
        row.sums.log = (mean.weight / BAD_LOT_SPREAD).ln();
        row.fresh = row.sums;
        row
    }

    fn alone(mean: &Mean, scale: f64) -> Self {
        let sums = Sums::of(scale, scale * mean.x, scale * mean.y, scale);
        Self {
            own: scale,
            level: scale,
            place: scale * mean.x,
            value: scale * mean.y,
            x: mean.x,
            sums,
            fresh: sums,
        }
    }

    fn after(last: Option<&Mean>, mean: &Mean, correlation: f64) -> Self {
        let alone = Self::alone(mean, mean.weight);
        let Some(last) = last.filter(|_| correlation > 0.0) else { return alone };
        let foretold = correlation.powf(mean.x - last.x);
        let left = (1.0 - foretold * foretold).sqrt();
        let (own, off) = (mean.weight / left, -foretold * last.weight / left);
        let (level, place, value) = (own + off, own * mean.x + off * last.x, own * mean.y + off * last.y);
        let sums = Sums::of(level, place, value, own);
        Self { own, level, place, value, x: mean.x, sums, fresh: alone.sums }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn means(values: &[f64]) -> Vec<Mean> {
        let last = values.len() as f64 - 1.0;
        values.iter().enumerate().map(|(k, y)| Mean { x: k as f64 - last, y: *y, weight: 1.0 }).collect()
    }

    /// Mean 3, squares 4 + 1 + 1 + 4 = 10; line 2 (x + 2) / 2 ... by hand: slope 1, nothing left.
    #[test]
    fn level_and_line_are_those_of_least_squares() {
        let rows = Rows::new(&means(&[1.0, 2.0, 3.0, 4.0, 5.0]), &[false; 5], 0.0);
        let sums = rows.part(0, 5);
        assert!((sums.about_level() - 10.0).abs() < 1e-12);
        let (left, slope, level) = sums.about_line().unwrap();
        assert!(left < 1e-12 && (slope - 1.0).abs() < 1e-12 && (level - 5.0).abs() < 1e-12);
        assert!(rows.part(2, 3).about_line().is_none());
        assert!((rows.part(1, 3).about_level() - 0.5).abs() < 1e-12);
    }

    /// Freed of a correlation of 0.6, values that follow it exactly leave nothing but the first and the steps of 0.8.
    #[test]
    fn what_the_one_before_foretells_is_taken_off() {
        let values = [1.0, 0.6 + 0.8, 0.6 * 1.4 - 0.8, 0.6 * 0.04];
        let rows = Rows::new(&means(&values), &[false; 4], 0.6);
        let found: Vec<f64> = (0..4).map(|k| rows.rows[k].value).collect();
        for (value, wanted) in found.iter().zip([1.0, 1.0, -1.0, 0.0]) {
            assert!((value - wanted).abs() < 1e-12, "{found:?}");
        }
    }

    #[test]
    fn a_bad_lot_stands_alone_and_the_next_is_foretold_by_the_one_before_it() {
        let values = [1.0, 100.0, 0.36];
        let rows = Rows::new(&means(&values), &[false, true, false], 0.6);
        assert!(rows.rows[1].value.abs() < 1e-6);
        assert!(rows.rows[2].value.abs() < 1e-12);
        assert_eq!((rows.next(0), rows.next(1), rows.next(3)), (0, 2, 3));
    }
}
