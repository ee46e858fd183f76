//! The fit over all corners of a run, and what follows from it.

use super::collect::{CornerLoop, LoopSweep};
use super::explained::explained;
use super::outcome::{Answers, CircuitOutcome, Information, PartOutcome, PartsSince, Together};
use super::told::{TELLS, Told};
use super::wording::{circuit_sentence, deviation_check, mistake_text, no_fit};
use crate::check::outcome::CornerOutcome;
use crate::check::waivers::waive;
use crate::circuit::fit::{CornerPoints, Inseparable, Known, LoopModel, Prior, Quadratic, alone};
use crate::circuit::mistakes::explain;
use crate::circuit::places::Place;
use crate::circuit::{CornerChange, CornerLoops, Deviation, Earlier, Model, Movements, Subject, UnitFit};
use crate::decision::{Limit, Verdict, decide};
use crate::quantity::Condition;
use crate::spec::{CIRCUIT_CHECK, Circuit, DecisionRule, Spec};
use crate::uncertainty::Chain;
use num_complex::Complex64;
use time::Date;

/// Fits the circuit of the spec to a run's corners, judges their check `circuit`, and says what moved. `None` where the spec has no
/// circuit; sentences on the run as a whole go to `findings`.
pub(in crate::check) fn judge(
    spec: &Spec,
    corners: &mut [CornerOutcome],
    today: Date,
    findings: &mut Vec<String>,
) -> Option<Box<CircuitOutcome>> {
    let circuit = spec.circuit.as_ref()?;
    let loops: Vec<(usize, Box<CornerLoop>)> =
        corners.iter_mut().enumerate().filter_map(|(i, corner)| Some((i, corner.circuit.take()?))).collect();
    let mut models = circuit.models(spec).ok()?;
    let known = models.first().map_or_else(Vec::new, known);
    let mut run = Run { spec, circuit, corners, known, today, findings };
    for (at, own) in loops.iter().filter(|(_, own)| !own.actual.is_empty()) {
        run.set_as_it_was(*at, &own.actual, &mut models);
    }
    let mut solvers = CornerLoops::new(&models);
    let outcome = run.valid(&loops, &mut solvers);
    run.refused(&loops, &mut solvers);
    for corner in &mut *run.corners {
        corner.verdict = Verdict::worst(corner.checks.iter().map(|c| c.verdict)).unwrap_or(corner.verdict);
    }
    outcome.map(Box::new)
}

/// A run on its way.
struct Run<'a> {
    spec: &'a Spec,
    circuit: &'a Circuit,
    corners: &'a mut [CornerOutcome],
    /// Nominal values at the first corner of the spec, with their units.
    known: Vec<(f64, &'static str)>,
    today: Date,
    findings: &'a mut Vec<String>,
}

/// A corner that carries a verdict: its place among the outcomes, and what it kept.
struct Valid<'a> {
    at: usize,
    places: &'a [Place],
    change: Option<&'a (CornerChange, Earlier, String)>,
}

impl Run<'_> {
    /// Place of an outcome's corner in the spec.
    fn in_spec(&self, at: usize) -> Option<usize> {
        let name = &self.corners.get(at)?.corner;
        self.spec.corners.iter().position(|corner| corner.name == *name)
    }

    fn tolerances(&self) -> Vec<f64> {
        self.circuit.vary.iter().map(|(_, tolerance)| *tolerance).collect()
    }

    fn valid(
        &mut self,
        loops: &[(usize, Box<CornerLoop>)],
        solvers: &mut CornerLoops,
    ) -> Option<CircuitOutcome> {
        let mut points: Vec<CornerPoints> = Vec::new();
        let mut valid: Vec<Valid<'_>> = Vec::new();
        for (at, own) in loops {
            if let LoopSweep::Valid { points: own, places, change } = &own.sweep {
                points.push(CornerPoints { corner: self.in_spec(*at)?, points: own.points.clone() });
                valid.push(Valid { at: *at, places, change: change.as_ref() });
            }
        }
        if points.is_empty() {
            return None;
        }
        let (tolerances, chain) = (self.tolerances(), Chain::of(self.spec));
        let mut subject = Subject { model: solvers, tolerances: &tolerances, chain: &chain };
        let Some(fit) = UnitFit::of(&mut subject, &points) else {
            self.findings.push(no_fit());
            return None;
        };
        let left = fit.unexplained(&mut subject, &points);
        let unexplained = self.deviations(&valid, &left);
        let answers = self.answers(&fit, &valid, subject.model);
        let moved = self.movements(&mut subject, &valid);
        let coverage = self.spec.decision.coverage;
        let beyond = if moved.is_none() { fit.beyond_tolerance() } else { None };
        let names = self.circuit.parts();
        // One spec, one set of tolerances: the scales are those of either fit.
        let told = Told { names: &names, scales: fit.prior.parts(), coverage };
        let (causes, since) = match moved {
            Some((movements, since)) => (told.causes(&movements.causes), Some(since)),
            None => (told.causes(&beyond.unwrap_or_default()), None),
        };
        let outcome = CircuitOutcome {
            parts: self.parts(&fit, coverage),
            together: fit.inseparable.iter().map(|pair| self.together(pair, coverage)).collect(),
            causes,
            since,
            unexplained,
            discrepancy: fit.fitted.discrepancy,
            answers,
            information: alone(&fit.fitted).map(|data| information(&data, &fit.prior)),
        };
        self.findings.extend(circuit_sentence(&outcome));
        Some(outcome)
    }

    /// Gives a corner the model of the conditions that it was swept under. Where they have none, that of the declared ones stays.
    fn set_as_it_was(&self, at: usize, actual: &[(String, Condition)], models: &mut [Model]) {
        let Some(index) = self.in_spec(at) else { return };
        if let (Some(corner), Some(model)) = (self.spec.corners.get(index), models.get_mut(index))
            && let Ok(own) = self.circuit.model(corner, actual)
        {
            *model = own;
        }
    }

    fn name(&self, part: usize) -> String {
        self.circuit.vary.get(part).map_or_else(String::new, |(name, _)| name.clone())
    }

    fn parts(&self, fit: &UnitFit, coverage: f64) -> Vec<PartOutcome> {
        let part =
            |(i, (part, (nominal, unit))): (usize, (&crate::circuit::fit::Part, &(f64, &'static str)))| {
                let tells = part.informed >= TELLS;
                let value = nominal * part.ratio;
                PartOutcome {
                    part: self.name(i),
                    unit,
                    nominal: *nominal,
                    value: tells.then_some(value),
                    uncertainty: tells.then_some((coverage * part.u * value).abs()),
                    informed: part.informed,
                }
            };
        fit.parts.iter().zip(&self.known).enumerate().map(part).collect()
    }

    fn together(&self, pair: &Inseparable, coverage: f64) -> Together {
        Together {
            parts: pair.parts.map(|part| self.name(part)),
            known: match pair.known {
                Known::Product => "product",
                Known::Ratio => "ratio",
            },
            uncertainty: coverage * pair.u,
        }
    }

    /// Judges the check `circuit` of each valid corner, where the spec asks for it; the largest deviation of all.
    fn deviations(&mut self, valid: &[Valid<'_>], left: &[Vec<Deviation>]) -> Option<f64> {
        let mut largest: Option<f64> = None;
        for (valid, left) in valid.iter().zip(left) {
            let Some(worst) = worst(left, self.circuit.unexplained, self.spec.decision) else { continue };
            largest = Some(largest.map_or(worst.value, |own| own.max(worst.value)));
            let Some(limit) = self.circuit.unexplained else { continue };
            let waivers = self.in_spec(valid.at).and_then(|at| self.spec.corners.get(at));
            let Some(corner) = self.corners.get_mut(valid.at) else { continue };
            let Some(check) = corner.checks.iter_mut().find(|check| check.check == CIRCUIT_CHECK) else {
                continue;
            };
            *check = deviation_check(&worst, limit, self.spec.decision);
            if let Some(corner) = waivers {
                waive(check, &corner.waivers, self.today);
            }
        }
        largest
    }

    fn answers(&self, fit: &UnitFit, valid: &[Valid<'_>], model: &mut dyn LoopModel) -> Vec<Answers> {
        let mut slopes = vec![Complex64::default(); fit.parts.len()];
        if !model.set(&fit.prior.changes(fit.fitted.unknowns.as_slice())) {
            return Vec::new();
        }
        let mut answers = Vec::with_capacity(valid.len());
        for own in valid {
            let (Some(index), Some(corner)) = (self.in_spec(own.at), self.corners.get(own.at)) else {
                continue;
            };
            let mut margins = Vec::with_capacity(own.places.len());
            for place in own.places {
                if model.at(index, place.hz, &mut slopes).is_some() {
                    let per_cent = slopes.iter().map(|slope| 0.01 * place.change(*slope)).collect();
                    margins.push((place.measurand, per_cent));
                }
            }
            answers.push(Answers { corner: corner.corner.clone(), margins });
        }
        answers
    }

    /// What moved since the accepted result, where all valid corners that have one have it of the same units.
    fn movements(&self, subject: &mut Subject<'_>, valid: &[Valid<'_>]) -> Option<(Movements, PartsSince)> {
        let mut changes: Vec<CornerChange> = Vec::new();
        let mut whose: Option<(Earlier, &str)> = None;
        for own in valid {
            let Some((change, earlier, of)) = own.change else { continue };
            let index = self.in_spec(own.at)?;
            if whose.is_some_and(|(_, known)| known != of) {
                continue;
            }
            whose = Some((*earlier, of));
            let mut change = change.clone();
            (change.then.corner, change.now.corner) = (index, index);
            changes.push(change);
        }
        let (earlier, of) = whose?;
        let movements = Movements::of(subject, &changes, earlier)?;
        let corners: Vec<&CornerOutcome> = valid.iter().filter_map(|own| self.corners.get(own.at)).collect();
        let (seen, explained) = explained(subject.model, self.spec, &movements, &changes, &corners);
        let names = self.circuit.parts();
        let coverage = self.spec.decision.coverage;
        let told = Told { names: &names, scales: movements.prior.parts(), coverage };
        let parts = told.changes(&movements.data, &|part, x, u| movements.u(part, x, u))?;
        let since = PartsSince { of: of.to_owned(), parts, changes: seen, explained };
        Some((movements, since))
    }

    /// Says which mistake a refused sweep fits, beside the refusal.
    fn refused(&mut self, loops: &[(usize, Box<CornerLoop>)], solvers: &mut CornerLoops) {
        let tolerances = self.tolerances();
        let prior = Prior::new(&tolerances, &Chain::of(self.spec));
        for (at, own) in loops {
            let LoopSweep::Refused(points) = &own.sweep else { continue };
            let Some(index) = self.in_spec(*at) else { continue };
            let points = CornerPoints { corner: index, points: points.points.clone() };
            if let Some(found) = explain(solvers, &points, &prior, &tolerances)
                && let Some(corner) = self.corners.get_mut(*at)
            {
                corner.findings.push(mistake_text(&found));
            }
        }
    }
}

fn known(model: &Model) -> Vec<(f64, &'static str)> {
    model.nominal().iter().copied().zip(model.units()).collect()
}

fn information(data: &Quadratic, prior: &Prior) -> Information {
    let n = data.len();
    let lower = (0..n).flat_map(|i| (0..=i).map(move |j| (i, j)));
    Information {
        scales: prior.parts().to_vec(),
        precision: lower.filter_map(|place| data.precision.get(place).copied()).collect(),
        pull: data.pull.iter().copied().collect(),
    }
}

/// The place that decides: one that fails before one that is open, and of alike ones the largest.
fn worst(left: &[Deviation], limit: Option<f64>, rule: DecisionRule) -> Option<Deviation> {
    let limit = Limit { min: None, max: limit };
    let rank = |own: &Deviation| match decide(own.value, Some(own.u), &limit, rule).verdict {
        Verdict::Fail => 2,
        Verdict::Undecided => 1,
        _ => 0,
    };
    let by = |a: &&Deviation, b: &&Deviation| rank(a).cmp(&rank(b)).then(a.value.total_cmp(&b.value));
    left.iter().max_by(by).copied()
}
