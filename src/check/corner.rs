//! One corner: from its sweeps to the verdict of every check.
//!
//! **Why do invalid sweeps have no margins?** A number beside a refusal gets quoted.

use super::circuit::CornerLoop;
use super::compared::Compared;
use super::context::Context;
use super::level_change::{Errors, Stronger, Weaker};
use super::levels::{self, Level};
use super::limits::{self, Judge};
use super::measure::Quantities;
use super::observations::observations;
use super::outcome::{CheckOutcome, CornerOutcome, Judged, Keepsake, MeasuredSet};
use super::plot_data::{CornerPlot, Setup, accepted_plot, corner_plot};
use super::regression::{self, Gate};
use super::validity;
use super::waivers::waive;
use super::{SweepInput, Workspace};
use crate::analysed::Analysed;
use crate::baseline::Points;
use crate::curve::Span;
use crate::decision::Verdict;
use crate::linearity::Difference;
use crate::measurand::Measurand;
use crate::monte_carlo::Trials;
use crate::run::SweepEntry;
use crate::sanity::{Refusal, Usable};
use crate::spec::{CIRCUIT_CHECK, Corner, Linearity};
use crate::uncertainty::{Chain, LevelChange};

/// Message of the comparisons with a baseline when there is none.
pub const NO_BASELINE: &str = "not judged: no baseline was given to compare with";

/// Judges a corner. `sweeps` are all sweeps of the run at this corner.
pub(super) fn judge(
    context: &Context<'_>,
    sweeps: &[SweepInput<'_>],
    workspace: &mut Workspace,
) -> CornerOutcome {
    let mut judgement = Judgement::default();
    let entries: Vec<&SweepEntry> = sweeps.iter().map(|s| s.entry).collect();
    let collected = validity::collected(context.spec, context.corner, &entries, context.absent);
    // Nothing hangs on what is still to come: what is there is judged, and the corner is missing all the same.
    let is_partial = collected.verdict == Verdict::Missing && !entries.is_empty();
    let is_collected = collected.verdict == Verdict::Pass || is_partial;
    if is_partial {
        judgement.checks.push(collected);
    } else {
        judgement.add_validity(collected);
    }
    if is_collected {
        judgement.sweeps(context, sweeps, workspace);
    } else {
        judgement.not_judged(&["coverage", "sanity", "linearity"]);
        judgement.limits_not_judged(context.corner);
    }
    judgement.regression_not_judged(context.corner);
    for check in &mut judgement.checks {
        waive(check, &context.corner.waivers, context.today);
    }
    judgement.finish(context.corner)
}

fn keepsake(measured: &Quantities, sweep: &Analysed, span: Span) -> Keepsake {
    let value = |quantity| Some((quantity, regression::value_of(measured, quantity)?));
    Keepsake {
        values: Measurand::ALL.into_iter().filter_map(value).collect(),
        curve: Points::of(sweep, span),
    }
}

fn setup<'a>(context: &Context<'a>, band: Option<Span>) -> Setup<'a> {
    let Context { spec, corner, .. } = *context;
    Setup {
        critical_point: spec.critical_point,
        corner,
        chain: Chain::of(spec),
        coverage: spec.decision.coverage,
        band,
    }
}

/// The level that confirms the judged one, of both each with its dB, with the next weaker one where there is one.
fn stronger<'a>(
    [judged, confirming]: [(f64, &'a Analysed); 2],
    weaker: Option<(f64, &'a Analysed)>,
    span: Span,
    difference: &'a mut Difference,
) -> Stronger<'a> {
    let weaker =
        weaker.map(|(weak_db, sweep)| Weaker { sweep, law: LevelChange { step_db: judged.0 - weak_db } });
    Stronger { weaker, ..Stronger::new(judged, confirming, span, difference) }
}

/// A corner that nothing can be said of: all its checks, not judged. `why` completes "not judged: ".
pub(super) fn not_judged(corner: &Corner, why: &str) -> CornerOutcome {
    let mut judgement = Judgement { broken: Some(why.to_owned()), ..Judgement::default() };
    judgement.not_judged(&["collected", "coverage", "sanity", "linearity"]);
    judgement.limits_not_judged(corner);
    judgement.regression_not_judged(corner);
    judgement.finish(corner)
}

/// A corner on its way to its outcome.
#[derive(Default)]
struct Judgement {
    checks: Vec<CheckOutcome>,
    /// What went wrong first that others hang on: `linearity is invalid`.
    broken: Option<String>,
    judged: Option<Judged>,
    measured: Option<MeasuredSet>,
    findings: Vec<String>,
    compared: Option<Compared>,
    keepsake: Option<Box<Keepsake>>,
    plot: Option<Box<CornerPlot>>,
    circuit: Option<Box<CornerLoop>>,
}

impl Judgement {
    /// Adds a check that others hang on.
    fn add_validity(&mut self, check: CheckOutcome) {
        if self.broken.is_none() && matches!(check.verdict, Verdict::Invalid | Verdict::Missing) {
            self.broken = Some(format!("{} is {}", check.check, check.verdict));
        }
        self.checks.push(check);
    }

    /// Why something is not judged.
    fn reason(&self) -> String {
        self.broken.as_ref().map_or_else(|| NO_BASELINE.to_owned(), |broken| format!("not judged: {broken}"))
    }

    fn not_judged(&mut self, names: &[&str]) {
        for name in names {
            self.checks.push(CheckOutcome::bare(name, Verdict::NotJudged, self.reason()));
        }
    }

    /// Coverage, sanity, linearity; then the limits, where those can carry a verdict.
    fn sweeps(&mut self, context: &Context<'_>, sweeps: &[SweepInput<'_>], workspace: &mut Workspace) {
        let Context { spec, corner, shared, .. } = context;
        let band = corner.band.map(|b| Span { from: b.from.hz().ln(), to: b.to.hz().ln() });
        let levels = levels::group(sweeps, shared);
        workspace.reserve(levels.len());
        let scratch = &mut workspace.scratch;
        levels::prepare(
            &levels,
            sweeps,
            spec.critical_point,
            corner.density,
            scratch,
            &mut workspace.prepared,
        );
        let prepared = workspace.prepared.get(..levels.len()).unwrap_or(&[]);
        let usable: Vec<Result<Usable, Refusal>> = prepared
            .iter()
            .enumerate()
            .map(|(i, sweep)| {
                let second = prepared.get(i + 1).or_else(|| prepared.get(i.checked_sub(1)?));
                validity::usable_part(sweep, second, spec, band)
            })
            .collect();
        // Linearity chooses the level; coverage and sanity bind it and the one that confirms it.
        let choice =
            validity::linearity(&levels, prepared, &usable, sweeps, corner, band, &mut workspace.difference);
        let (index, confirming) = choice.judged;
        if context.plots {
            let setup = setup(context, band);
            self.plot = Some(Box::new(corner_plot(&levels, prepared, sweeps, choice.judged, &setup)));
        }
        let chosen = |i: usize| Some((levels.get(i)?, prepared.get(i)?, usable.get(i)?));
        let bound: Vec<(&Level, &Analysed, &Result<Usable, Refusal>)> =
            [Some(index), confirming].into_iter().flatten().filter_map(chosen).collect();
        let coverage = validity::coverage(&bound, corner, band, sweeps);
        let sanity = if coverage.verdict == Verdict::Pass {
            let apart = bound.iter().find_map(|(level, ..)| validity::pieces_apart(level, sweeps));
            apart
                .unwrap_or_else(|| validity::sanity(&bound, choice.turned, spec, band, &mut workspace.kernel))
        } else {
            CheckOutcome::bare("sanity", Verdict::NotJudged, "not judged: coverage is invalid")
        };
        let judged =
            bound.first().and_then(|(level, sweep, usable)| Some((level, sweep, usable.as_ref().ok()?)));
        let weaker = index.checked_sub(1).and_then(chosen).map(|(weak, sweep, _)| (weak.db, sweep));
        let stronger = judged.and_then(|(level, sweep, usable)| {
            let (strong, confirming, _) = bound.get(1)?;
            let pair = [(level.db, *sweep), (strong.db, *confirming)];
            Some(stronger(pair, weaker, usable.span, &mut workspace.difference))
        });
        let by_level = judged.zip(stronger.as_ref()).filter(|_| sanity.verdict == Verdict::Pass);
        let sanity = by_level
            .and_then(|((_, sweep, usable), stronger)| {
                validity::crossovers_by_level(sweep, usable, stronger, spec)
            })
            .unwrap_or(sanity);
        [coverage, sanity, choice.check].into_iter().for_each(|check| self.add_validity(check));
        match judged.filter(|_| self.broken.is_none()) {
            None => {
                self.limits_not_judged(corner);
                if self.broken.as_deref() == Some("sanity is invalid") {
                    self.circuit = prepared.get(index).and_then(|sweep| CornerLoop::refused(context, sweep));
                }
            }
            Some((level, sweep, usable)) => {
                self.limits(context, sweep, usable, stronger, &mut workspace.trials);
                let files = |level: &Level| levels::files(level, sweeps);
                if let Some(kept) = &mut self.circuit {
                    kept.actual = levels::actual(level, sweeps);
                }
                self.judged = Some(Judged {
                    files: files(level),
                    level: level.text.clone(),
                    confirmed_by: bound.get(1).map_or_else(Vec::new, |(level, ..)| files(level)),
                });
            }
        }
    }

    fn limits(
        &mut self,
        context: &Context<'_>,
        sweep: &Analysed,
        usable: &Usable,
        level: Option<Stronger<'_>>,
        trials: &mut Trials,
    ) {
        let Context { spec, corner, .. } = context;
        let mut chain = Chain::of(spec);
        // Which side of a step is right nobody knows.
        chain.gain_np += usable.offset[0];
        chain.phase_rad += usable.offset[1];
        let span = usable.span;
        let errors = Errors { chain: &chain, level };
        let quantities = Quantities::of(sweep, usable, &errors, spec.decision.coverage, trials);
        let judge = Judge {
            sweep,
            usable,
            errors,
            rule: spec.decision,
            measured: &quantities,
            gain_tolerance: match &corner.linearity {
                Linearity::Required(tolerances) => tolerances.gain,
                Linearity::Waived(_) => None,
            },
        };
        for (name, unit, limit) in limits::list(&corner.limits) {
            if name == CIRCUIT_CHECK {
                let why = "not judged: the circuit could not be fitted";
                self.checks.push(CheckOutcome::bare(&name, Verdict::NotJudged, why).against(unit, limit));
                continue;
            }
            let own = judge.judge(&name, unit, limit, &corner.limits);
            self.checks.push(CheckOutcome { range_hz: Some(judge.range_hz(&name, &corner.limits)), ..own });
        }
        self.findings = usable.spoiled.iter().map(|spoiled| spoiled.finding(span)).collect();
        self.findings.extend(observations(sweep, span, spec, corner));
        self.circuit = CornerLoop::valid(context, sweep, span);
        self.compare(context, sweep, span, &quantities);
        if context.keep {
            self.keepsake = Some(Box::new(keepsake(&quantities, sweep, span)));
        }
        self.measured = Some(quantities.report(spec.decision.coverage));
    }

    /// The comparisons with the accepted units, where there are any and the spec asks for them.
    fn compare(&mut self, context: &Context<'_>, sweep: &Analysed, span: Span, measured: &Quantities) {
        let corner = context.corner;
        let Some(accepted) = context.baseline.filter(|_| !corner.regression.names().is_empty()) else {
            return;
        };
        let gate = Gate { context, accepted, sweep, span, measured };
        let comparisons = gate.judge();
        self.checks.extend(comparisons.checks);
        self.findings.extend(comparisons.findings);
        if let (Some(compared), Some(plot)) = (&comparisons.compared, &mut self.plot) {
            plot.levels.push(accepted_plot(compared, &plot.levels));
        }
        self.compared = comparisons.compared;
    }

    fn limits_not_judged(&mut self, corner: &Corner) {
        for (name, unit, limit) in limits::list(&corner.limits) {
            self.checks
                .push(CheckOutcome::bare(&name, Verdict::NotJudged, self.reason()).against(unit, limit));
        }
    }

    /// Lists the comparisons that were not made.
    fn regression_not_judged(&mut self, corner: &Corner) {
        if self.checks.iter().any(|check| check.check.starts_with("regression.")) {
            return;
        }
        for (quantity, ..) in regression::list(&corner.regression) {
            let name = regression::check_name(quantity);
            self.checks.push(CheckOutcome::bare(&name, Verdict::NotJudged, self.reason()));
        }
    }

    fn finish(self, corner: &Corner) -> CornerOutcome {
        CornerOutcome {
            corner: corner.name.clone(),
            conditions: corner.conditions.iter().map(|(k, v)| (k.clone(), v.text().to_owned())).collect(),
            verdict: Verdict::worst(self.checks.iter().map(|c| c.verdict)).unwrap_or(Verdict::NotJudged),
            judged: self.judged,
            measured: self.measured,
            checks: self.checks,
            findings: self.findings,
            regression: self.compared,
            keepsake: self.keepsake,
            plot: self.plot,
            circuit: self.circuit,
        }
    }
}
