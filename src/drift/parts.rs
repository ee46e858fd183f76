//! Which part of the circuit a movement comes from: the parts of the units before it against those of the units since.

use super::movement::{JointMovement, PartsMoved};
use crate::check::{PartsSince, Told};
use crate::circuit::FleetMovements;
use crate::circuit::causes::{Hypothesis, movements};
use crate::circuit::fit::Quadratic;

/// What a record says of the parts of its unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitParts {
    /// Names of the parts.
    pub names: Vec<String>,
    /// Standard deviation of the logarithm of each part, from its tolerance.
    pub scales: Vec<f64>,
    /// What the sweeps say of them, counted in those.
    pub data: Quadratic,
    /// How margins answer: corner, quantity as results name it, change per +1 % of each part.
    pub answers: Vec<(String, String, Vec<f64>)>,
}

/// Coverage factor of what is told.
const COVERAGE: f64 = 2.0;
/// A movement is explained when the parts give it up to its interval, or up to this share of it: margins answer to a part along a curve,
/// of which the slope is known.
const SHARE: f64 = 0.2;

/// Weighs which part a movement comes from, with units before it and since. `None` where the records say nothing of parts, or not of
/// the same parts.
#[must_use]
pub fn parts_moved(joint: &JointMovement, before: &[UnitParts], after: &[UnitParts]) -> Option<PartsMoved> {
    let first = after.last()?;
    let is_alike = |unit: &&UnitParts| unit.names == first.names && unit.scales == first.scales;
    let quadratics = |units: &[UnitParts]| {
        units.iter().filter(is_alike).map(|unit| unit.data.clone()).collect::<Vec<Quadratic>>()
    };
    let found = FleetMovements::of(&quadratics(before), &quadratics(after))?;
    let told = Told { names: &first.names, scales: &first.scales, coverage: COVERAGE };
    let causes = told.causes(&found.causes);
    let parts = told.changes(&found.data, &|_, _, u| u)?;
    let scale = |part: usize| first.scales.get(part).copied().unwrap_or(0.0);
    let hypothesis = found.causes.first()?.hypothesis;
    let explained = (hypothesis != Hypothesis::Nothing)
        .then(|| movements(&found.data, &found.stayed, hypothesis))
        .flatten()
        .map(|steps| {
            let ln: Vec<f64> = steps.iter().enumerate().map(|(i, x)| scale(i) * x).collect();
            explained(joint, [before, after], &ln)
        });
    let since =
        PartsSince { of: "the units before".to_owned(), parts, changes: joint.series.len(), explained };
    Some(PartsMoved { causes, since })
}

/// How many series of a movement changes of the parts, as logarithms, explain.
fn explained(joint: &JointMovement, sides: [&[UnitParts]; 2], ln: &[f64]) -> usize {
    let foretold = |corner: &str, quantity: &str| {
        // The slope halfway: the mean of both sides.
        let means: Vec<f64> =
            sides.iter().filter_map(|units| mean_answer(units, corner, quantity, ln)).collect();
        (!means.is_empty()).then(|| means.iter().sum::<f64>() / means.len() as f64)
    };
    let is_explained = |moved: &&super::movement::Moved| {
        let size = moved.size;
        foretold(&moved.corner, &moved.quantity).is_some_and(|own| {
            let off = (own - size.value).abs();
            off <= (0.5 * (size.high - size.low)).max(SHARE * size.value.abs())
        })
    };
    joint.series.iter().filter(is_explained).count()
}

fn mean_answer(units: &[UnitParts], corner: &str, quantity: &str, ln: &[f64]) -> Option<f64> {
    let of = |unit: &UnitParts| {
        let (.., per_cent) = unit.answers.iter().find(|(c, q, _)| c == corner && q == quantity)?;
        Some(per_cent.iter().zip(ln).map(|(slope, ln)| 100.0 * slope * ln).sum::<f64>())
    };
    let found: Vec<f64> = units.iter().filter_map(of).collect();
    (!found.is_empty()).then(|| found.iter().sum::<f64>() / found.len() as f64)
}
