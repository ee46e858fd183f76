//! What a design review wants to see first: per product a row a corner with what was measured over all units, the one nearest to its
//! limit in front; what lies nearest to a limit in each product; and what to do first.
//!
//! **Why is the median of many units that of a sample?** So that memory does not grow with the number of runs. Up to [`SAMPLE`] units it is
//! exact; beyond, its standard error is 1.25 / sqrt(SAMPLE) = 4 % of the units' standard deviation (of a normal distribution; M. G. Kendall,
//! A. Stuart, The Advanced Theory of Statistics, vol. 1, 10.10: from memory).

use super::counts::Counts;
use super::statement::{CheckStatement, calls_for_action, nearest, rank};
use crate::check::{CheckOutcome, CornerOutcome, Limit, Measured, RunOutcome, Unit, Verdict, value_against};
use crate::measurand::Measurand;
use crate::quantity::{number, si};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// What has a column, in their order.
pub(super) const COLUMNS: [Measurand; 4] =
    [Measurand::Crossover, Measurand::PhaseMargin, Measurand::GainMargin, Measurand::StabilityMargin];

/// Units whose values are kept of a cell.
const SAMPLE: usize = 1024;

/// The rows of all products. Its memory grows with the number of products and corners alone.
#[derive(Debug, Clone, Default)]
pub(super) struct CornerTable {
    products: BTreeMap<String, ProductTable>,
    first: Option<FirstStep>,
}

/// The rows of one product, corners in the order of the spec.
#[derive(Debug, Clone, Default)]
pub(super) struct ProductTable {
    rows: Vec<CornerRow>,
    place: HashMap<String, usize>,
    /// What lies nearest to its limit, or beyond it the most.
    pub(super) nearest: Option<Nearest>,
}

/// One corner over all units.
#[derive(Debug, Clone)]
pub(super) struct CornerRow {
    /// Its name.
    pub(super) corner: String,
    /// The verdicts of the units.
    pub(super) verdicts: Counts,
    cells: [Cell; COLUMNS.len()],
}

/// One measurand of a corner over all units.
#[derive(Debug, Clone, Default)]
pub(super) struct Cell {
    /// The unit that is nearest to its limit.
    pub(super) worst: Option<Worst>,
    /// Units with a value.
    pub(super) units: u64,
    /// Units whose value is shown not to meet the limit, and the smallest and the largest value among them.
    pub(super) failing: Option<(u64, f64, f64)>,
    sample: Vec<f64>,
    state: u64,
}

/// A value of one unit.
#[derive(Debug, Clone)]
pub(super) struct Worst {
    /// The value as limits hold it, in the unit of the measurand.
    pub(super) value: f64,
    /// Expanded uncertainty.
    pub(super) uncertainty: Option<f64>,
    /// Whether the value is a lower bound.
    pub(super) at_least: bool,
    /// The limit; `None` where the spec has none.
    pub(super) limit: Option<Limit>,
    /// Distance to the nearer limit, negative beyond it; `None` without a limit.
    pub(super) slack: Option<f64>,
    /// Verdict of its check.
    pub(super) verdict: Verdict,
    /// Whose it is.
    pub(super) serial: Arc<str>,
}

/// What lies nearest to a limit.
#[derive(Debug, Clone)]
pub(super) struct Nearest {
    headroom: f64,
    /// The corner.
    pub(super) corner: String,
    /// The check in words, its value and its limit: `phase margin 44.31 deg ± 0.62 deg, limit at least 50 deg`.
    pub(super) text: String,
    /// Its verdict.
    pub(super) verdict: Verdict,
    /// Whose it is.
    pub(super) serial: Arc<str>,
}

/// What to do first: the remedy of the worst check, and how many corners call for the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct FirstStep {
    verdict: Verdict,
    /// `RG-00012, river-gauge-3v3, 8V-4A`.
    pub(super) place: String,
    /// The check.
    pub(super) check: String,
    /// What to do.
    pub(super) remedy: String,
    /// Further corners with the same remedy.
    pub(super) more: u64,
}

impl CornerTable {
    /// Adds a run.
    pub(super) fn add(&mut self, run: &RunOutcome) {
        let serial: Arc<str> = run.serial.as_str().into();
        if !self.products.contains_key(&run.product) {
            self.products.insert(run.product.clone(), ProductTable::default());
        }
        for corner in &run.corners {
            if let Some(product) = self.products.get_mut(&run.product) {
                product.add(corner, &serial);
            }
            self.note_first(run, corner);
        }
    }

    /// The products by name.
    pub(super) fn products(&self) -> impl Iterator<Item = (&str, &ProductTable)> {
        self.products.iter().map(|(name, table)| (name.as_str(), table))
    }

    /// What to do first.
    pub(super) const fn first(&self) -> Option<&FirstStep> {
        self.first.as_ref()
    }

    fn note_first(&mut self, run: &RunOutcome, corner: &CornerOutcome) {
        let worst = corner.checks.iter().filter(|check| calls_for_action(check.verdict));
        let Some(check) = worst.min_by_key(|check| rank(check.verdict)) else { return };
        let Some(remedy) = check.remedy.as_deref() else { return };
        match &mut self.first {
            Some(first) if first.remedy == remedy && first.verdict == check.verdict => first.more += 1,
            Some(first) if rank(first.verdict) <= rank(check.verdict) => {}
            first => {
                *first = Some(FirstStep {
                    verdict: check.verdict,
                    place: format!("{}, {}, {}", run.serial, run.product, corner.corner),
                    check: check.check.clone(),
                    remedy: remedy.to_owned(),
                    more: 0,
                });
            }
        }
    }
}

impl ProductTable {
    /// The rows.
    pub(super) fn rows(&self) -> &[CornerRow] {
        &self.rows
    }

    /// What any unit has a value of, in the order of the columns.
    pub(super) fn columns(&self) -> Vec<Measurand> {
        let has_value = |row: &CornerRow, own| row.cell(own).is_some_and(|cell| cell.units > 0);
        COLUMNS.into_iter().filter(|own| self.rows.iter().any(|row| has_value(row, *own))).collect()
    }

    /// Units of the corner that has most of them.
    pub(super) fn units(&self) -> u64 {
        self.rows.iter().map(|row| row.verdicts.total()).max().unwrap_or(0)
    }

    /// Whether of several rows this one has the value nearest to its limit.
    pub(super) fn is_least(&self, index: usize, measurand: Measurand) -> bool {
        self.rows.len() > 1 && self.worst_row(measurand) == Some(index)
    }

    /// The row with the value nearest to its limit, of those that have this measurand.
    fn worst_row(&self, measurand: Measurand) -> Option<usize> {
        let slack = |row: &CornerRow| row.cell(measurand)?.worst.as_ref()?.slack;
        let known = self.rows.iter().enumerate().filter_map(|(index, row)| Some((index, slack(row)?)));
        known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(index, _)| index)
    }

    fn add(&mut self, corner: &CornerOutcome, serial: &Arc<str>) {
        let index = match self.place.get(&corner.corner) {
            Some(index) => *index,
            None => {
                self.place.insert(corner.corner.clone(), self.rows.len());
                self.rows.push(CornerRow::new(&corner.corner));
                self.rows.len() - 1
            }
        };
        if let Some(row) = self.rows.get_mut(index) {
            row.add(corner, serial);
        }
        if let Some((headroom, check)) = nearest(corner)
            && self.nearest.as_ref().is_none_or(|known| headroom < known.headroom)
        {
            self.nearest = Some(Nearest {
                headroom,
                corner: corner.corner.clone(),
                text: CheckStatement::of(corner, check).against_limit(),
                verdict: check.verdict,
                serial: Arc::clone(serial),
            });
        }
    }
}

impl CornerRow {
    fn new(corner: &str) -> Self {
        Self { corner: corner.to_owned(), verdicts: Counts::default(), cells: Default::default() }
    }

    /// The cell of a measurand that has a column.
    pub(super) fn cell(&self, measurand: Measurand) -> Option<&Cell> {
        COLUMNS.iter().zip(&self.cells).find(|(own, _)| **own == measurand).map(|(_, cell)| cell)
    }

    fn add(&mut self, corner: &CornerOutcome, serial: &Arc<str>) {
        self.verdicts.add(corner.verdict);
        for (measurand, cell) in COLUMNS.into_iter().zip(&mut self.cells) {
            let check = corner.checks.iter().find(|check| check.check == measurand.name());
            let measured = corner.measured.and_then(|measured| measured.get(measurand));
            if let Some(worst) = Worst::of(measurand, check, measured, serial) {
                cell.add(worst);
            }
        }
    }
}

impl Worst {
    /// The value with its expanded uncertainty, rounded on its side of the limit.
    pub(super) fn text(&self, unit: Unit) -> String {
        let limit = self.limit.unwrap_or(Limit { min: None, max: None });
        value_against(self.value, self.uncertainty, unit, self.at_least, &limit)
    }

    /// The value that a check was judged by, or where there is no limit the value as it was measured.
    fn of(
        measurand: Measurand,
        check: Option<&CheckOutcome>,
        measured: Option<Measured>,
        serial: &Arc<str>,
    ) -> Option<Self> {
        let own = check.and_then(|check| Some((check, check.held()?)));
        let at_least = measured.is_some_and(|m| m.at_least == Some(true));
        let serial = Arc::clone(serial);
        let Some((check, value)) = own else {
            // What was to be judged and was not has no value here either.
            let m = measured.filter(|_| check.is_none())?;
            let value = measurand.held(m.value);
            let (uncertainty, verdict) = (m.uncertainty, Verdict::Pass);
            return Some(Self { value, uncertainty, at_least, limit: None, slack: None, verdict, serial });
        };
        let slack = check.limit.and_then(|limit| {
            let ends = [limit.min.map(|min| value - min), limit.max.map(|max| max - value)];
            ends.into_iter().flatten().reduce(f64::min)
        });
        let (uncertainty, limit, verdict) = (check.uncertainty, check.limit, check.verdict);
        Some(Self { value, uncertainty, at_least, limit, slack, verdict, serial })
    }

    /// What the worst of several is sorted by: the slack, or without a limit the size.
    fn order(&self) -> (bool, f64) {
        self.slack.map_or((true, self.value), |slack| (false, slack))
    }
}

impl Cell {
    /// How many units fail, and between which values: `(2, "44.3 deg to 46.6 deg")`.
    pub(super) fn failing_text(&self, unit: Unit) -> Option<(u64, String)> {
        let (count, low, high) = self.failing?;
        let (low, high) = (rounded(low, unit), rounded(high, unit));
        Some((count, if low == high { low } else { format!("{low} to {high}") }))
    }

    /// The median of the units' values.
    pub(super) fn median(&self) -> Option<f64> {
        let mut sorted = self.sample.clone();
        sorted.sort_by(f64::total_cmp);
        let (half, n) = (sorted.len() / 2, sorted.len());
        let at = |index: usize| sorted.get(index).copied();
        if n % 2 == 1 { at(half) } else { Some(0.5 * (at(half.checked_sub(1)?)? + at(half)?)) }
    }

    fn add(&mut self, next: Worst) {
        self.units += 1;
        self.keep(next.value);
        if next.verdict == Verdict::Fail {
            let (count, low, high) = self.failing.unwrap_or((0, next.value, next.value));
            self.failing = Some((count + 1, low.min(next.value), high.max(next.value)));
        }
        let is_worse = |known: &Worst| {
            let (own, known) = (next.order(), known.order());
            own.0.cmp(&known.0).then(own.1.total_cmp(&known.1)).is_lt()
        };
        if self.worst.as_ref().is_none_or(is_worse) {
            self.worst = Some(next);
        }
    }

    /// Keeps a sample that every value is in with the same probability (algorithm R: J. S. Vitter, "Random sampling with a reservoir",
    /// ACM TOMS 11, 1985: from memory); the same runs give the same sample.
    fn keep(&mut self, value: f64) {
        if self.sample.len() < SAMPLE {
            return self.sample.push(value);
        }
        // SplitMix64 of the number of the unit.
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        let place = usize::try_from((z ^ (z >> 31)) % self.units).unwrap_or(usize::MAX);
        if let Some(slot) = self.sample.get_mut(place) {
            *slot = value;
        }
    }
}

/// `5.7 deg beyond`, `room 4.1 deg`: the room of a value in words, in the prefix of the value.
pub(super) fn room(worst: &Worst, unit: Unit) -> Option<String> {
    let slack = worst.slack?;
    let text = scaled(slack.abs(), worst.value, unit, 2);
    Some(if slack < 0.0 { format!("{text} beyond") } else { format!("room {text}") })
}

/// A value without an uncertainty of its own: `52.31 deg`.
pub(super) fn rounded(value: f64, unit: Unit) -> String {
    scaled(value, value, unit, 4)
}

fn scaled(value: f64, beside: f64, unit: Unit, digits: usize) -> String {
    let (scale, prefix) = if matches!(unit, Unit::Hz | Unit::S) { si(beside) } else { (1.0, "") };
    let text = format!("{} {prefix}{}", number(value / scale, digits), unit.symbol());
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    fn table(runs: &[RunOutcome]) -> CornerTable {
        let mut table = CornerTable::default();
        runs.iter().for_each(|run| table.add(run));
        table
    }

    /// Three units whose phase margin at one corner is 54.1, 47 and 61 deg, held against 50 deg.
    fn three() -> Vec<RunOutcome> {
        [(54.1, Verdict::Pass), (47.0, Verdict::Fail), (-61.0, Verdict::Pass)]
            .into_iter()
            .zip(["A", "B", "C"])
            .map(|((value, verdict), serial)| {
                let mut run = sample::passing(serial, 2);
                let check = run.corners[1].checks.iter_mut().find(|c| c.check == "phase_margin").unwrap();
                (check.value, check.verdict) = (Some(value), verdict);
                run
            })
            .collect()
    }

    #[test]
    fn the_unit_nearest_to_its_limit_stands_for_a_corner() {
        let table = table(&three());
        let (_, product) = table.products().next().unwrap();
        let row = &product.rows()[1];
        let cell = row.cell(Measurand::PhaseMargin).unwrap();
        let worst = cell.worst.as_ref().unwrap();
        assert_eq!((&*worst.serial, worst.value, worst.slack), ("B", 47.0, Some(-3.0)));
        assert_eq!((cell.units, cell.failing, cell.median()), (3, Some((1, 47.0, 47.0)), Some(54.1)));
        assert_eq!(product.worst_row(Measurand::PhaseMargin), Some(1));
        let nearest = product.nearest.as_ref().unwrap();
        assert_eq!((&*nearest.serial, nearest.corner.as_str()), ("B", row.corner.as_str()));
        assert!(nearest.text.starts_with("phase margin "), "{}", nearest.text);
    }

    #[test]
    fn what_to_do_first_is_the_remedy_of_the_worst() {
        assert_eq!(table(&three()).first(), None, "a fail without a remedy");
        let first = table(&[sample::run(), sample::run()]).first().cloned().unwrap();
        assert_eq!(first.place, "RG-00042, river-gauge-5v, 32V-3A");
        assert_eq!((first.check.as_str(), first.more), ("linearity", 1));
    }

    #[test]
    fn the_median_of_many_units_is_near_that_of_all() {
        let mut cell = Cell::default();
        for k in 0..20_001_u32 {
            // A fixed shuffle of 0 to 20 000.
            cell.keep(f64::from((k * 7919) % 20_001));
            cell.units += 1;
        }
        let median = cell.median().unwrap();
        assert!(cell.sample.len() == SAMPLE && (median - 10_000.0).abs() < 1_500.0, "{median}");
    }
}
