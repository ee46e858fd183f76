//! Every explanation of a series under one correlation and one set of bad lots: how probable it is, and what level and size it gives.

use super::outcome::Kind;
use super::prior::{ENDED, NONE, OFFSET, RAMP, SINGLE, STEP, WANDERING};
use super::regression_rows::{Rows, Sums};
use super::segmentation::Past;
use super::station::{Column, fit, product};

/// Groups since the newest of the earlier changes, at least.
const SHORTEST_PRESENT: usize = 3;
/// A regressor that is so much of the level's is none of its own.
const COLLINEAR: f64 = 1e-9;

/// One explanation. Given it, level, size and slope have Student's t distribution.
#[derive(Debug, Clone, Copy)]
pub(super) struct Explanation {
    /// Logarithm of its probability, but for what all have in common.
    pub(super) log_weight: f64,
    /// Its share of all, for values and intervals; set when all are known.
    pub(super) weight: f64,
    /// Its share where it is told what happened: movements of means that wander count for less.
    pub(super) told: f64,
    pub(super) kind: Kind,
    /// The first group that moved; where nothing did, 0.
    pub(super) since: usize,
    /// First group after the earlier changes; 0 without any.
    pub(super) from: usize,
    /// Level at the newest group, and its variance.
    pub(super) level: f64,
    pub(super) level_variance: f64,
    /// Change up to the newest group, and its variance.
    pub(super) size: f64,
    pub(super) size_variance: f64,
    /// Groups that a ramp has run for; 0 else.
    pub(super) span: f64,
    /// Covariance of level and size.
    pub(super) covariance: f64,
    /// Degrees of freedom.
    pub(super) freedom: f64,
    /// Correlation from group to group.
    pub(super) correlation: f64,
    /// Which set of bad lots.
    pub(super) set: usize,
    /// What another station is off by beside it.
    pub(super) beside: Option<Beside>,
}

/// An offset of another station, and the level at the newest group as the station before would have measured it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beside {
    /// First group of the station.
    station: usize,
    offset: f64,
    pub(super) level: f64,
    pub(super) level_variance: f64,
    pub(super) covariance: f64,
}

/// What all explanations of one call have in common.
#[derive(Debug, Clone, Copy)]
pub(super) struct Given {
    pub(super) correlation: f64,
    pub(super) set: usize,
    /// How many those are.
    pub(super) bad_lots: f64,
    /// Logarithm of what is held probable of both.
    pub(super) prior: f64,
    /// Variance of a mean that is rounding; no explanation leaves less.
    pub(super) rounding: f64,
    /// First group of the newest station, where it may be off beside what moved.
    pub(super) station: Option<usize>,
}

/// A part of the series since a past, before it is known what happened in it.
struct Present<'a> {
    rows: &'a Rows,
    given: &'a Given,
    past: &'a Past,
    sums: Sums,
    /// Logarithm of the probability but for squares and sizes.
    base: f64,
    about_level: f64,
}

/// Adds the explanations after each of the pasts.
pub(super) fn explain(rows: &Rows, pasts: &[Past], given: &Given, into: &mut Vec<Explanation>) {
    for past in pasts {
        if let Some(present) = Present::new(rows, past, given) {
            present.stayed(into);
            for since in past.end + 1..rows.len() {
                present.stepped(since, into);
                present.ramped(since, into);
            }
        }
    }
}

impl<'a> Present<'a> {
    fn new(rows: &'a Rows, past: &'a Past, given: &'a Given) -> Option<Self> {
        let groups = rows.len();
        if groups.saturating_sub(past.end) < SHORTEST_PRESENT || rows.next(past.end) + 1 >= groups {
            return None;
        }
        let sums = rows.part(past.end, groups);
        let whole = rows.part(0, groups);
        let sizes = 0.5 * past.parameters * (groups as f64).ln_1p();
        Some(Self {
            rows,
            given,
            past,
            sums,
            base: given.prior
                + if past.is_line { ENDED.ln() } else { 0.0 }
                + past.prior
                + past.scales
                + sums.log
                - sizes
                - 0.5 * whole.bb.ln(),
            about_level: sums.about_level(),
        })
    }

    fn groups(&self) -> f64 {
        self.rows.len() as f64
    }

    /// Logarithm of the probability, and the variance of a row.
    fn weighed(&self, squares: f64, share: f64, sizes: f64) -> (f64, f64, f64) {
        let groups = self.groups();
        let squares = self.past.squares + squares + groups * self.given.rounding;
        let freedom = (groups - 1.0 - self.past.parameters - sizes - self.given.bad_lots).max(1.0);
        let log_weight =
            self.base + share.ln() - 0.5 * sizes * groups.ln_1p() - 0.5 * (groups - 1.0) * squares.ln();
        (log_weight, squares / freedom, freedom)
    }

    /// Nothing since the past. After a level that would be a step: only a line can have ended.
    fn stayed(&self, into: &mut Vec<Explanation>) {
        if self.past.end > 0 && !self.past.is_line {
            return;
        }
        let (log_weight, variance, freedom) = self.weighed(self.about_level, NONE, 0.0);
        into.push(Explanation {
            log_weight,
            weight: 0.0,
            told: 0.0,
            kind: Kind::None,
            since: 0,
            from: self.past.end,
            level: self.sums.by / self.sums.bb,
            level_variance: variance / self.sums.bb,
            size: 0.0,
            size_variance: 0.0,
            span: 0.0,
            covariance: 0.0,
            freedom,
            correlation: self.given.correlation,
            set: self.given.set,
            beside: None,
        });
    }

    fn places(&self) -> f64 {
        self.groups() - 1.0 - self.past.end as f64
    }

    fn stepped(&self, since: usize, into: &mut Vec<Explanation>) {
        if self.past.end > 0 && since < self.past.end + 2 {
            return;
        }
        let is_single = since == 1 || since + 1 == self.rows.len();
        let share = STEP / self.places() * if is_single { SINGLE } else { 1.0 };
        let (rest, first) = self.rows.since(since);
        let (mut squares, mut level, mut value) = (rest.bb, rest.bb, rest.by);
        if let Some(row) = first {
            if self.rows.next(since) == self.rows.next(self.past.end) {
                return;
            }
            squares += row.own * row.own;
            level += row.own * row.level;
            value += row.own * row.value;
        }
        self.moved(Kind::Step, since, share, [squares, level, value], 0.0, into);
        let column = Column { since, start: None };
        self.moved_beside(Kind::Step, &column, share, [squares, level, value], 1.0, into);
    }

    /// A ramp whose last group at the old level is the one before: two groups on it are needed to tell it from a step.
    fn ramped(&self, since: usize, into: &mut Vec<Explanation>) {
        if since + 2 > self.rows.len() {
            return;
        }
        let share = RAMP / (self.places() - 1.0).max(1.0);
        let start = self.rows.x(since - 1);
        let (rest, first) = self.rows.since(since);
        let mut squares = rest.aa - 2.0 * start * rest.ba + start * start * rest.bb;
        let mut level = rest.ba - start * rest.bb;
        let mut value = rest.ay - start * rest.by;
        if let Some(row) = first {
            if self.rows.next(since) == self.rows.next(self.past.end) {
                return;
            }
            let own = row.own * (row.x - start);
            squares += own * own;
            level += own * row.level;
            value += own * row.value;
        }
        let newest = self.rows.x(self.rows.len() - 1);
        self.moved(Kind::Ramp, since, share, [squares, level, value], newest - start, into);
        let column = Column { since, start: Some(start) };
        self.moved_beside(Kind::Ramp, &column, share, [squares, level, value], newest - start, into);
    }

    /// The same beside an offset of the newest station. `reach`: what the column has come to at the newest group.
    fn moved_beside(
        &self,
        kind: Kind,
        column: &Column,
        share: f64,
        products: [f64; 3],
        reach: f64,
        into: &mut Vec<Explanation>,
    ) {
        let (Some(station), sums) = (self.given.station, &self.sums) else { return };
        if station < self.past.end + 2 || (kind == Kind::Step && station == column.since) {
            return;
        }
        let [own, level, value] = products;
        let of = Column { since: station, start: None };
        let (rest, first) = self.rows.since(station);
        let Some(row) = first else { return };
        let (one, values) = (rest.bb + row.own * row.level, rest.by + row.own * row.value);
        let shared = product(self.rows, station, column);
        let gram =
            [[sums.bb, one, level], [one, product(self.rows, station, &of), shared], [level, shared, own]];
        let Some(fit) = fit(gram, [sums.by, values, value]) else { return };
        let left = (sums.yy - fit.value([sums.by, values, value])).max(0.0);
        let (log_weight, variance, freedom) = self.weighed(left, share * OFFSET, 2.0);
        let (now, before, size) = ([1.0, 1.0, reach], [1.0, 0.0, reach], [0.0, 0.0, reach]);
        into.push(Explanation {
            log_weight,
            weight: 0.0,
            told: 0.0,
            kind,
            since: column.since,
            from: self.past.end,
            level: fit.value(now),
            level_variance: variance * fit.covariance(now, now),
            size: fit.value(size),
            size_variance: variance * fit.covariance(size, size),
            span: if kind == Kind::Ramp { reach } else { 0.0 },
            covariance: variance * fit.covariance(now, size),
            freedom,
            correlation: self.given.correlation,
            set: self.given.set,
            beside: Some(Beside {
                station,
                offset: fit.value([0.0, 1.0, 0.0]),
                level: fit.value(before),
                level_variance: variance * fit.covariance(before, before),
                covariance: variance * fit.covariance(before, size),
            }),
        });
    }

    /// `products` of the regressor with itself, the level's and the values; `span` is what it is at the newest group of a ramp.
    fn moved(
        &self,
        kind: Kind,
        since: usize,
        share: f64,
        products: [f64; 3],
        span: f64,
        into: &mut Vec<Explanation>,
    ) {
        let [squares, level, value] = products;
        let sums = &self.sums;
        let own = squares - level * level / sums.bb;
        if squares.is_nan() || own <= COLLINEAR * squares {
            return;
        }
        let slope = (value - level * sums.by / sums.bb) / own;
        let left = (self.about_level - slope * slope * own).max(0.0);
        let (log_weight, variance, freedom) = self.weighed(left, share, 1.0);
        // The level is that before the movement; the size is the coefficient times what the regressor has come to.
        let reach = if kind == Kind::Ramp { span } else { 1.0 };
        let slope_variance = variance / own;
        let before = (sums.by - slope * level) / sums.bb;
        let before_variance = variance / sums.bb + (level / sums.bb).powi(2) * slope_variance;
        let size_variance = reach * reach * slope_variance;
        let covariance = -reach * (level / sums.bb) * slope_variance;
        into.push(Explanation {
            log_weight,
            weight: 0.0,
            told: 0.0,
            kind,
            since,
            from: self.past.end,
            level: before + reach * slope,
            level_variance: (before_variance + size_variance + 2.0 * covariance).max(0.0),
            size: reach * slope,
            size_variance,
            span,
            covariance: covariance + size_variance,
            freedom,
            correlation: self.given.correlation,
            set: self.given.set,
            beside: None,
        });
    }
}

impl Explanation {
    /// Whether it takes the means for such that go along with the one before and did not move.
    pub(super) fn wanders(&self) -> bool {
        self.kind == Kind::None && self.correlation > 0.0
    }

    /// Logarithm of its probability where it is told what happened, but for what all have in common.
    pub(super) fn log_told(&self) -> f64 {
        let wanders = self.kind != Kind::None && self.correlation > 0.0;
        self.log_weight + if wanders { WANDERING.ln() } else { 0.0 }
    }

    /// Level that it gives a place, `x` groups from the newest (0 or less).
    pub(super) fn at(&self, group: usize, x: f64) -> f64 {
        let off = self.beside.filter(|beside| group < beside.station).map_or(0.0, |beside| beside.offset);
        match self.kind {
            Kind::None => self.level,
            Kind::Step if group < self.since => self.level - self.size - off,
            Kind::Step => self.level - off,
            Kind::Ramp => self.level - self.size * (-x / self.span).min(1.0) - off,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::regression_rows::Mean;
    use super::*;

    fn explained(values: &[f64]) -> Vec<Explanation> {
        let last = values.len() as f64 - 1.0;
        let means: Vec<Mean> =
            values.iter().enumerate().map(|(k, y)| Mean { x: k as f64 - last, y: *y, weight: 1.0 }).collect();
        let rows = Rows::new(&means, &vec![false; values.len()], 0.0);
        let given =
            Given { correlation: 0.0, set: 0, bad_lots: 0.0, prior: 0.0, rounding: 0.0, station: None };
        let mut all = Vec::new();
        explain(&rows, &[Past::none()], &given, &mut all);
        all
    }

    fn wobble(k: usize) -> f64 {
        (k as f64 * 2.4).sin()
    }

    /// Two samples (any textbook): means 1 and 10; squares 2 + 2 over 3 degrees of freedom, variance of the difference 4/3 (1/2 + 1/3).
    #[test]
    fn a_step_is_the_comparison_of_two_samples() {
        let all = explained(&[0.0, 2.0, 9.0, 11.0, 10.0]);
        let step = all.iter().find(|e| e.kind == Kind::Step && e.since == 2).unwrap();
        assert!((step.size - 9.0).abs() < 1e-12 && (step.level - 10.0).abs() < 1e-12);
        assert!((step.size_variance - 4.0 / 3.0 * (0.5 + 1.0 / 3.0)).abs() < 1e-12, "{step:?}");
        assert!((step.level_variance - 4.0 / 9.0).abs() < 1e-12 && (step.freedom - 3.0).abs() < 1e-12);
        assert!((step.covariance - 4.0 / 9.0).abs() < 1e-12, "level and size share the newer sample");
    }

    /// A ramp from the first group is the straight line of least squares.
    #[test]
    fn a_ramp_from_the_first_group_is_a_line() {
        let values: Vec<f64> = (0..12).map(|k| wobble(k) + 0.7 * k as f64).collect();
        let points: Vec<(f64, f64)> = values.iter().enumerate().map(|(k, y)| (k as f64, *y)).collect();
        let line = crate::drift::Line::of(&points).unwrap();
        let all = explained(&values);
        let ramp = all.iter().find(|e| e.kind == Kind::Ramp && e.since == 1).unwrap();
        assert!((ramp.size / ramp.span - line.slope).abs() < 1e-12);
        assert!((ramp.size_variance.sqrt() / ramp.span - line.slope_error).abs() < 1e-12);
        assert!((ramp.level - line.at(11.0)).abs() < 1e-12);
        assert!((ramp.level_variance.sqrt() - line.error_at(11.0)).abs() < 1e-12);
    }

    /// Most probable is what was put in, and the level it gives each place goes through it.
    #[test]
    fn what_was_put_in_is_most_probable() {
        let best = |values: &[f64]| {
            let all = explained(values);
            *all.iter().max_by(|a, b| a.log_weight.total_cmp(&b.log_weight)).unwrap()
        };
        let calm: Vec<f64> = (0..24).map(wobble).collect();
        assert_eq!(best(&calm).kind, Kind::None);
        let step: Vec<f64> = (0..24).map(|k| wobble(k) + if k < 15 { 0.0 } else { 5.0 }).collect();
        let found = best(&step);
        assert_eq!((found.kind, found.since), (Kind::Step, 15));
        assert!((found.at(14, -9.0) + found.size - found.at(15, -8.0)).abs() < 1e-12);
        let ramp: Vec<f64> = (0..24).map(|k| wobble(k) + 0.8 * k.saturating_sub(9) as f64).collect();
        let found = best(&ramp);
        assert_eq!(found.kind, Kind::Ramp);
        assert!(found.since.abs_diff(10) <= 2, "{found:?}");
        assert!(
            (found.at(23, 0.0) - found.level).abs() < 1e-12
                && (found.at(0, -23.0) - found.level + found.size).abs() < 1e-12
        );
    }
}
