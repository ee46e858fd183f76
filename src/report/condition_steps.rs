//! What each condition does: the mean difference of a margin between corners of one unit that differ in that condition alone.
//!
//! **Why within a unit?** What units differ by falls out, and a unit that lacks a corner shifts nothing.
//!
//! The mean's uncertainty is that of the scatter of the pairs, Student's factor included, at least what the parts of the values' own
//! uncertainties make of it that differ from sweep to sweep. A run has one chain: its gain, phase and delay move both values of a pair,
//! so that the difference of their contributions counts, for all pairs alike (JCGM 100:2008, 5.2.2, correlation 1).

use super::corner_table::COLUMNS;
use crate::baseline::widened;
use crate::check::{CornerOutcome, Measured, RunOutcome, Verdict};
use crate::drift::Running;
use crate::measurand::Measurand;
use std::collections::{BTreeMap, BTreeSet};

/// Corners of a run that are compared with each other: pairs grow with their square.
const CORNERS: usize = 64;
/// What stands for a condition that a corner does not have.
const NOT_SAID: &str = "not said";

/// The steps of all products. Its memory grows with the number of products and of pairs of corners alone.
#[derive(Debug, Clone, Default)]
pub(super) struct ConditionSteps {
    products: BTreeMap<String, Vec<Step>>,
}

/// One condition from one value to another.
#[derive(Debug, Clone)]
pub(super) struct Step {
    /// The condition: `input`.
    pub(super) condition: String,
    /// Its values, the one that the spec names first in front.
    pub(super) from: String,
    /// See `from`.
    pub(super) to: String,
    pairs: BTreeSet<(String, String)>,
    coverage: f64,
    sums: [Sum; COLUMNS.len()],
}

/// The mean of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct MeanStep {
    /// In the unit of the measurand.
    pub(super) value: f64,
    /// Its expanded uncertainty; `None` where it is not known.
    pub(super) uncertainty: Option<f64>,
}

/// Differences of a margin, and what their expanded uncertainties are made of.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    values: Running,
    /// What gain, phase and delay of the chain do to the differences.
    chain: [f64; 3],
    /// Squares of what is each value's own.
    own: f64,
    /// A value without a known uncertainty is among them.
    is_open: bool,
}

impl Sum {
    fn add(&mut self, measurand: Measurand, a: Measured, b: Measured) {
        self.values.add(measurand.held(b.value) - measurand.held(a.value));
        for (side, sign) in [(a, -1.0), (b, 1.0)] {
            let Some(whole) = side.uncertainty else {
                self.is_open = true;
                continue;
            };
            let sign = if measurand.held(side.value) == side.value { sign } else { -sign };
            // What was simulated is no sum of parts: none of it cancels.
            match side.budget.filter(|budget| !side.simulated && budget.combined().is_some()) {
                Some(budget) => {
                    let parts = [budget.gain, budget.phase, budget.delay];
                    self.chain.iter_mut().zip(parts).for_each(|(sum, part)| *sum += sign * part);
                    let rest = whole * whole - parts.iter().map(|part| part * part).sum::<f64>();
                    self.own += rest.max(0.0);
                }
                None => self.own += whole * whole,
            }
        }
    }

    fn mean(&self, coverage: f64) -> Option<MeanStep> {
        let value = self.values.mean()?;
        // Counts are small enough for an f64.
        let n = self.values.count() as f64;
        let own = (!self.is_open).then_some(self.own / (n * n));
        let scatter = self.values.sd().map(|sd| (coverage * sd).powi(2) / n);
        let chain: f64 = self.chain.iter().map(|sum| (sum / n).powi(2)).sum();
        let uncertainty = match (scatter, own) {
            (Some(scatter), own) if own.is_none_or(|own| scatter > own) => {
                let whole = scatter + chain;
                Some(whole.sqrt() * widened(coverage, (n - 1.0) * (whole / scatter).powi(2)))
            }
            (_, own) => own.map(|own| (own + chain).sqrt()),
        };
        Some(MeanStep { value, uncertainty })
    }
}

impl ConditionSteps {
    /// Adds a run.
    pub(super) fn add(&mut self, run: &RunOutcome) {
        // What is invalid was not measured.
        let is_known = |corner: &&CornerOutcome| {
            !matches!(corner.verdict, Verdict::Invalid | Verdict::Missing) && corner.measured.is_some()
        };
        let corners: Vec<&CornerOutcome> = run.corners.iter().filter(is_known).take(CORNERS).collect();
        for (k, a) in corners.iter().enumerate() {
            for b in corners.iter().skip(k + 1) {
                let Some((condition, from, to)) = only_difference(a, b) else { continue };
                if !self.products.contains_key(&run.product) {
                    self.products.insert(run.product.clone(), Vec::new());
                }
                let Some(steps) = self.products.get_mut(&run.product) else { continue };
                step(steps, run.coverage, (condition, from, to), (a, b));
            }
        }
    }

    /// The steps of a product, in the order of its corners.
    pub(super) fn of(&self, product: &str) -> &[Step] {
        self.products.get(product).map_or(&[], Vec::as_slice)
    }
}

/// Adds a pair to its step, which runs the way in which it was met first.
fn step(
    steps: &mut Vec<Step>,
    coverage: f64,
    (condition, from, to): (&str, &str, &str),
    (a, b): (&CornerOutcome, &CornerOutcome),
) {
    let is =
        |step: &Step, from: &str, to: &str| step.condition == condition && step.from == from && step.to == to;
    if let Some(known) = steps.iter_mut().find(|step| is(step, from, to)) {
        return known.add(a, b);
    }
    if let Some(known) = steps.iter_mut().find(|step| is(step, to, from)) {
        return known.add(b, a);
    }
    let mut new = Step {
        condition: condition.to_owned(),
        from: from.to_owned(),
        to: to.to_owned(),
        pairs: BTreeSet::new(),
        coverage,
        sums: Default::default(),
    };
    new.add(a, b);
    steps.push(new);
}

impl Step {
    /// Pairs of corners that differ by it alone.
    pub(super) fn pairs(&self) -> usize {
        self.pairs.len()
    }

    /// The mean difference of what has a column.
    pub(super) fn mean(&self, measurand: Measurand) -> Option<MeanStep> {
        let (_, sum) = COLUMNS.iter().zip(&self.sums).find(|(own, _)| **own == measurand)?;
        sum.mean(self.coverage)
    }

    fn add(&mut self, a: &CornerOutcome, b: &CornerOutcome) {
        let pair = (a.corner.clone(), b.corner.clone());
        if !self.pairs.contains(&pair) {
            self.pairs.insert(pair);
        }
        for (measurand, sum) in COLUMNS.into_iter().zip(&mut self.sums) {
            if let (Some(a), Some(b)) = (value(a, measurand), value(b, measurand)) {
                sum.add(measurand, a, b);
            }
        }
    }
}

/// A value that is no mere bound.
fn value(corner: &CornerOutcome, measurand: Measurand) -> Option<Measured> {
    corner.measured?.get(measurand).filter(|measured| measured.at_least != Some(true))
}

/// The condition that alone differs, with both values.
fn only_difference<'a>(a: &'a CornerOutcome, b: &'a CornerOutcome) -> Option<(&'a str, &'a str, &'a str)> {
    let of = |corner: &'a CornerOutcome, name: &str| {
        corner.conditions.iter().find(|(own, _)| own == name).map_or(NOT_SAID, |(_, value)| value.as_str())
    };
    let names = a.conditions.iter().chain(b.conditions.iter().filter(|(name, _)| of(a, name) == NOT_SAID));
    let mut differing =
        names.map(|(name, _)| (name.as_str(), of(a, name), of(b, name))).filter(|(_, a, b)| a != b);
    let first = differing.next()?;
    differing.next().is_none().then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::uncertainty::Budget;

    fn at(name: &str, conditions: &[(&str, &str)], phase_margin: f64) -> CornerOutcome {
        let mut corner = sample::corner(name, conditions);
        let measured = corner.measured.as_mut().unwrap();
        measured.values.get_mut(Measurand::PhaseMargin).unwrap().value = phase_margin;
        corner
    }

    #[test]
    fn a_step_is_the_mean_over_pairs_that_differ_in_it_alone() {
        let mut run = sample::head("A");
        run.corners = vec![
            at("a", &[("input", "10 V"), ("load", "1 A")], 50.0),
            at("b", &[("input", "10 V"), ("load", "3 A")], 52.0),
            at("c", &[("input", "32 V"), ("load", "1 A")], 60.0),
            at("d", &[("load", "3 A"), ("input", "32 V")], 64.0),
            at("cold", &[("input", "32 V"), ("load", "3 A"), ("ambient", "-30 degC")], 40.0),
        ];
        let mut steps = ConditionSteps::default();
        steps.add(&run);
        run.corners.reverse();
        steps.add(&run);
        let told: Vec<_> = steps
            .of(&run.product)
            .iter()
            .map(|s| {
                (
                    s.condition.as_str(),
                    s.from.as_str(),
                    s.to.as_str(),
                    s.mean(Measurand::PhaseMargin).unwrap().value,
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                ("load", "1 A", "3 A", 3.0),
                ("input", "10 V", "32 V", 11.0),
                ("ambient", "not said", "-30 degC", -24.0),
            ]
        );
        assert_eq!(steps.of(&run.product)[1].pairs(), 2);
    }

    /// Differences 2 and 4, twice each: s² = 4/3, so that 2 s/sqrt 4 = 1.155; t for 95.45 % and 3 degrees of freedom is 3.31 (JCGM
    /// 100:2008, table G.2) in the place of 2. One pair has the values' own 0.3 and 0.4 alone, without the chain's part that both share.
    #[test]
    fn a_step_has_the_uncertainty_of_its_pairs_or_of_its_values() {
        let mut run = sample::head("A");
        let uncertain = |mut corner: CornerOutcome, own: f64, chain: f64| {
            let measured = corner.measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap();
            measured.uncertainty = Some(own.hypot(chain));
            measured.budget = Some(Budget { phase: chain, noise: own, ..Budget::default() });
            measured.simulated = false;
            corner
        };
        let u = |run: &RunOutcome, runs: usize| {
            let mut steps = ConditionSteps::default();
            (0..runs).for_each(|_| steps.add(run));
            let own = steps.of(&run.product)[0].mean(Measurand::PhaseMargin).unwrap();
            own.uncertainty.unwrap()
        };
        run.coverage = 2.0;
        run.corners = vec![
            uncertain(at("a", &[("load", "1 A"), ("input", "10 V")], 50.0), 0.3, 0.5),
            uncertain(at("b", &[("load", "3 A"), ("input", "10 V")], 52.0), 0.4, 0.5),
        ];
        assert!((u(&run, 1) - 0.5).abs() < 1e-12, "{}", u(&run, 1));
        run.corners.push(uncertain(at("c", &[("load", "1 A"), ("input", "32 V")], 60.0), 0.0, 0.5));
        run.corners.push(uncertain(at("d", &[("load", "3 A"), ("input", "32 V")], 64.0), 0.0, 0.5));
        assert!((u(&run, 2) - 3.31 * (1.0 / 3.0_f64).sqrt()).abs() < 0.01, "{}", u(&run, 2));
        run.corners.iter_mut().for_each(|corner| {
            corner.measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap().uncertainty =
                None;
        });
        assert!(u(&run, 1) > 1.0);
        run.corners.truncate(2);
        let mut steps = ConditionSteps::default();
        steps.add(&run);
        assert_eq!(steps.of(&run.product)[0].mean(Measurand::PhaseMargin).unwrap().uncertainty, None);
    }

    #[test]
    fn what_is_invalid_or_a_bound_is_no_value() {
        let mut run = sample::head("A");
        run.corners = vec![at("a", &[("input", "10 V")], 50.0), at("b", &[("input", "32 V")], 60.0)];
        run.corners[0].measured.as_mut().unwrap().values.get_mut(Measurand::PhaseMargin).unwrap().at_least =
            Some(true);
        let mut steps = ConditionSteps::default();
        steps.add(&run);
        assert_eq!(steps.of(&run.product)[0].mean(Measurand::PhaseMargin), None);
        run.corners[0].verdict = Verdict::Invalid;
        let mut steps = ConditionSteps::default();
        steps.add(&run);
        assert!(steps.of(&run.product).is_empty());
    }
}
