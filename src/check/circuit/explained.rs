//! Which changes of the margins the most probable movement explains.

use super::collect::of_points;
use crate::check::outcome::{CheckOutcome, CornerOutcome};
use crate::circuit::causes::{Hypothesis, movements};
use crate::circuit::fit::{CornerPoints, LoopModel, LoopPoint};
use crate::circuit::{CornerChange, Movements};
use crate::measurand::Measurand;
use crate::spec::Spec;

/// A change is explained when the circuit gives it up to its uncertainty, or up to this share of it: margins answer to a part along a
/// curve that the netlist knows no better.
const SHARE: f64 = 0.15;

/// How many changes of margins against the accepted result are more than their uncertainty, and how many of them the most probable
/// cause explains; `None` where that is "nothing".
pub(super) fn explained(
    model: &mut dyn LoopModel,
    spec: &Spec,
    moved: &Movements,
    changes: &[CornerChange],
    corners: &[&CornerOutcome],
) -> (usize, Option<usize>) {
    let mut seen = Vec::new();
    for corner in corners {
        for check in corner.checks.iter().filter(|check| is_clear(check)) {
            seen.push((corner.corner.as_str(), check));
        }
    }
    let cause = moved.causes.first().map(|cause| cause.hypothesis).filter(|own| *own != Hypothesis::Nothing);
    let foretold = cause.and_then(|cause| foretold(model, spec, moved, changes, cause));
    let explained = foretold.map(|foretold| {
        let is_explained = |(corner, check): &&(&str, &CheckOutcome)| {
            let own = foretold.iter().find(|own| own.corner == *corner && is_of(check, own.measurand));
            own.zip(check.value).is_some_and(|(own, value)| {
                let off = (value - own.change).abs();
                off <= check.uncertainty.unwrap_or(0.0).max(SHARE * value.abs())
            })
        };
        seen.iter().filter(is_explained).count()
    });
    (seen.len(), explained)
}

fn is_clear(check: &CheckOutcome) -> bool {
    let known = check.value.zip(check.uncertainty);
    check.check.starts_with("regression.") && known.is_some_and(|(value, u)| value.abs() > u)
}

fn is_of(check: &CheckOutcome, measurand: Measurand) -> bool {
    check.check.strip_prefix("regression.") == Some(measurand.name())
}

/// A change of a margin that the circuit gives; relative where the comparison is.
struct Foretold<'a> {
    corner: &'a str,
    measurand: Measurand,
    change: f64,
}

/// What the margins change by when the parts move as the hypothesis has it: the accepted curve, turned as the circuit says.
fn foretold<'a>(
    model: &mut dyn LoopModel,
    spec: &'a Spec,
    moved: &Movements,
    changes: &[CornerChange],
    cause: Hypothesis,
) -> Option<Vec<Foretold<'a>>> {
    let steps = movements(&moved.data, &moved.stayed, cause)?;
    let after: Vec<f64> =
        moved.before.iter().zip(moved.prior.changes(steps.as_slice())).map(|(a, b)| a + b).collect();
    let before = along(model, &moved.before, changes)?;
    let after = along(model, &after, changes)?;
    let mut foretold = Vec::new();
    for ((change, before), after) in changes.iter().zip(before).zip(after) {
        let Some(corner) = spec.corners.get(change.then.corner) else { continue };
        let turned = |(then, ratio): (&LoopPoint, num_complex::Complex64)| LoopPoint {
            ln_mag: then.ln_mag + ratio.re,
            phase: then.phase + ratio.im,
            ..*then
        };
        let ratios = after.iter().zip(&before).map(|(after, before)| (after / before).ln());
        let points: Vec<LoopPoint> = change.then.points.iter().zip(ratios).map(turned).collect();
        let (Some(then), Some(now)) =
            (of_points(&change.then.points, spec.critical_point), of_points(&points, spec.critical_point))
        else {
            continue;
        };
        for own in then {
            let Some(later) = now.iter().find(|later| later.measurand == own.measurand) else { continue };
            let change = later.value - own.value;
            let change = if own.measurand.is_relative() { change / own.value } else { change };
            foretold.push(Foretold { corner: &corner.name, measurand: own.measurand, change });
        }
    }
    Some(foretold)
}

/// The loop gains of the circuit at the accepted points of all corners.
fn along(
    model: &mut dyn LoopModel,
    parts: &[f64],
    changes: &[CornerChange],
) -> Option<Vec<Vec<num_complex::Complex64>>> {
    model.set(parts).then_some(())?;
    let mut of = |points: &CornerPoints| {
        points
            .points
            .iter()
            .map(|point| model.at(points.corner, point.hz, &mut []))
            .collect::<Option<Vec<_>>>()
    };
    changes.iter().map(|change| of(&change.then)).collect()
}
