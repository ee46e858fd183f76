//! One corner: from its sweeps to the verdict of every check.

use super::levels::{self, Level};
use super::limits::{self, Judge};
use super::measure::{Quantities, judged_span};
use super::outcome::{CheckOutcome, CornerOutcome, Judged};
use super::validity;
use super::waive::waive;
use super::wording::frequency_text;
use super::{SweepInput, Workspace};
use crate::coverage::undersampled;
use crate::curve::Span;
use crate::decision::Verdict;
use crate::linearity::Analysed;
use crate::margins::Direction;
use crate::run::SweepEntry;
use crate::spec::{Corner, Spec};
use crate::uncertainty::Chain;
use std::collections::HashSet;

/// What a corner is judged with.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The spec.
    pub spec: &'a Spec,
    /// The corner of it.
    pub corner: &'a Corner,
    /// Today, UTC: waivers end.
    pub today: jiff::civil::Date,
    /// Fingerprints of sweeps whose numbers stand in more than one corner of the run.
    pub shared: &'a HashSet<u64>,
}

/// Message of the comparisons with a baseline when there is none.
pub const NO_BASELINE: &str = "not judged: no baseline was given to compare with";

/// A check that others hang on has gone wrong.
struct Broken {
    check: String,
    verdict: Verdict,
}

impl Broken {
    fn reason(&self) -> String {
        format!("not judged: {} is {}", self.check, self.verdict)
    }
}

/// Judges a corner. `sweeps` are all sweeps of the run at this corner.
pub(super) fn judge(
    context: &Context<'_>,
    sweeps: &[SweepInput<'_>],
    workspace: &mut Workspace,
) -> CornerOutcome {
    let Context { spec, corner, .. } = context;
    let band = corner.band.map(|b| Span { from: b.from.hz().ln(), to: b.to.hz().ln() });
    let entries: Vec<&SweepEntry> = sweeps.iter().map(|s| s.entry).collect();
    let collected = validity::collected(spec, corner, &entries);
    let mut broken = (collected.verdict != Verdict::Pass)
        .then_some(Broken { check: "collected".to_owned(), verdict: collected.verdict });
    let mut checks = vec![collected];
    let mut findings = Vec::new();
    let mut judged = None;
    let mut measured = None;

    if let Some(cause) = &broken {
        for name in ["coverage", "sanity", "linearity"] {
            checks.push(CheckOutcome::bare(name, Verdict::NotJudged, cause.reason()));
        }
        limits_not_judged(corner, cause, &mut checks);
    } else {
        let levels = levels::group(sweeps, context.shared);
        workspace.reserve(levels.len());
        for (level, prepared) in levels.iter().zip(&mut workspace.prepared) {
            levels::prepare(level, sweeps, spec.critical_point, &mut workspace.mean, prepared);
        }
        let prepared = workspace.prepared.get(..levels.len()).unwrap_or(&[]);
        let choice = validity::linearity(&levels, prepared, sweeps, corner, band);
        let (index, confirming) = choice.judged;
        let bound: Vec<(&Level, &Analysed)> = [Some(index), confirming]
            .into_iter()
            .flatten()
            .filter_map(|i| Some((levels.get(i)?, prepared.get(i)?)))
            .collect();
        let coverage = validity::coverage(&bound, corner, band, sweeps);
        let sanity = if coverage.verdict == Verdict::Pass {
            validity::sanity(&bound, choice.turned, spec, band, &mut workspace.kernel)
        } else {
            CheckOutcome::bare("sanity", Verdict::NotJudged, "not judged: coverage is invalid")
        };
        for check in [&coverage, &sanity, &choice.check] {
            if broken.is_none() && matches!(check.verdict, Verdict::Invalid | Verdict::Missing) {
                broken = Some(Broken { check: check.check.clone(), verdict: check.verdict });
            }
        }
        checks.extend([coverage, sanity, choice.check]);
        if let Some(cause) = &broken {
            limits_not_judged(corner, cause, &mut checks);
        } else if let Some((level, sweep)) = bound.first()
            && let Some(span) = judged_span(&sweep.curve, band)
        {
            let chain = Chain::of(spec);
            let quantities = Quantities::of(sweep, span, Some(&chain));
            let judge = Judge { sweep, span, chain: &chain, rule: spec.decision, measured: &quantities };
            for (name, unit, limit) in limits::list(&corner.limits) {
                checks.push(judge.judge(&name, unit, limit, &corner.limits));
            }
            findings = observations(sweep, span);
            measured = Some(quantities.report(spec.decision.coverage));
            judged = Some(Judged {
                files: levels::files(level, sweeps),
                level: level.text.clone(),
                confirmed_by: confirming
                    .and_then(|i| levels.get(i))
                    .map_or_else(Vec::new, |level| levels::files(level, sweeps)),
            });
        }
    }
    for name in corner.regression.names() {
        let reason = broken.as_ref().map_or_else(|| NO_BASELINE.to_owned(), Broken::reason);
        checks.push(CheckOutcome::bare(&format!("regression.{name}"), Verdict::NotJudged, reason));
    }
    for check in &mut checks {
        waive(check, &corner.waivers, context.today);
    }
    CornerOutcome {
        corner: corner.name.clone(),
        conditions: corner.conditions.iter().map(|(k, v)| (k.clone(), v.text().to_owned())).collect(),
        verdict: Verdict::worst(checks.iter().map(|c| c.verdict)).unwrap_or(Verdict::NotJudged),
        judged,
        measured,
        checks,
        findings,
    }
}

fn limits_not_judged(corner: &Corner, cause: &Broken, checks: &mut Vec<CheckOutcome>) {
    for (name, unit, limit) in limits::list(&corner.limits) {
        checks.push(CheckOutcome {
            unit: Some(unit),
            limit: Some(limit),
            ..CheckOutcome::bare(&name, Verdict::NotJudged, cause.reason())
        });
    }
}

/// What changes no verdict but should be known.
fn observations(sweep: &Analysed, span: Span) -> Vec<String> {
    let mut findings = Vec::new();
    for crossing in sweep.crossings.gain.iter().filter(|c| !span.holds(c.point.ln_f)) {
        findings.push(format!(
            "outside the band the sweep crosses 0 dB at {}; not judged",
            frequency_text(crossing.point.hz())
        ));
    }
    if let Some(place) = undersampled(sweep, span) {
        findings.push(place.text());
    }
    if sweep.crossings.phase_in(span).any(|c| c.point.ln_mag > 0.0 && c.direction != Direction::Touching) {
        findings.push(
            "the loop is conditionally stable: its phase passes the critical point's direction while the gain is above \
             0 dB"
                .to_owned(),
        );
    }
    findings
}
