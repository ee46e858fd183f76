//! What each condition does: the mean difference of a margin between corners of one unit that differ in that condition alone.
//!
//! **Why within a unit?** What units differ by falls out, and a unit that lacks a corner shifts nothing.

use super::corner_table::COLUMNS;
use crate::check::{CornerOutcome, RunOutcome, Verdict};
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
    sums: [(f64, u64); COLUMNS.len()],
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
                step(steps, condition, from, to, (a, b));
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
    condition: &str,
    from: &str,
    to: &str,
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

    /// The mean difference of what has a column, in the unit of the measurand, and how many it is the mean of.
    pub(super) fn mean(&self, measurand: Measurand) -> Option<(f64, u64)> {
        let (sum, count) = COLUMNS.iter().zip(self.sums).find(|(own, _)| **own == measurand)?.1;
        // Counts are small enough for an f64.
        (count > 0).then(|| (sum / count as f64, count))
    }

    fn add(&mut self, a: &CornerOutcome, b: &CornerOutcome) {
        let pair = (a.corner.clone(), b.corner.clone());
        if !self.pairs.contains(&pair) {
            self.pairs.insert(pair);
        }
        for (measurand, (sum, count)) in COLUMNS.into_iter().zip(&mut self.sums) {
            if let (Some(a), Some(b)) = (value(a, measurand), value(b, measurand)) {
                *sum += b - a;
                *count += 1;
            }
        }
    }
}

/// A value that is no mere bound, as limits hold it.
fn value(corner: &CornerOutcome, measurand: Measurand) -> Option<f64> {
    let measured = corner.measured.and_then(|measured| measured.get(measurand))?;
    (measured.at_least != Some(true)).then(|| measurand.held(measured.value))
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
                    s.mean(Measurand::PhaseMargin).unwrap(),
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                ("load", "1 A", "3 A", (3.0, 4)),
                ("input", "10 V", "32 V", (11.0, 4)),
                ("ambient", "not said", "-30 degC", (-24.0, 2)),
            ]
        );
        assert_eq!(steps.of(&run.product)[1].pairs(), 2);
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
