//! Can the judged level and the one that confirms it be the loop gain of a stable loop?

use super::refused::invalid;
use crate::analysed::Analysed;
use crate::check::SweepInput;
use crate::check::level_change::Stronger;
use crate::check::levels::Level;
use crate::check::measure::judged_span;
use crate::check::outcome::CheckOutcome;
use crate::check::wording::{frequency_text, hertz};
use crate::curve::Span;
use crate::decision::Verdict;
use crate::pieces::Disagreement;
use crate::sanity::{Kernel, Refusal, Subject, Usable, open_by_level, refusal, usable};
use crate::spec::Spec;
use crate::uncertainty::Chain;

/// The part of a level's sweep that can be judged; another sweep of the corner tells noise from structure.
pub(crate) fn usable_part(
    sweep: &Analysed,
    second: Option<&Analysed>,
    spec: &Spec,
    band: Option<Span>,
) -> Result<Usable, Refusal> {
    usable(&subject(sweep, second, spec, band))
}

fn subject<'a>(
    sweep: &'a Analysed,
    second: Option<&'a Analysed>,
    spec: &Spec,
    band: Option<Span>,
) -> Subject<'a> {
    Subject {
        span: judged_span(&sweep.curve, band).unwrap_or_else(|| sweep.curve.span()),
        sweep,
        second,
        begins_late: false,
        open_loop_poles: spec.open_loop_poles,
        critical_point: spec.critical_point,
        chain: Chain::of(spec),
    }
}

/// A sweep of a level whose pieces disagree.
pub(crate) fn pieces_apart(level: &Level, sweeps: &[SweepInput<'_>]) -> Option<CheckOutcome> {
    let apart = |sweep: &SweepInput<'_>| sweep.disagreement.map(|found| (found, found.text(sweep.entry)));
    let (found, text) = level.members.iter().filter_map(|&m| sweeps.get(m)).find_map(apart)?;
    Some(invalid("sanity", format!("at {}: {text}", frequency_text(found.at_hz)), Disagreement::REMEDY))
}

/// The number of crossovers of the judged sweep, where its change with the level leaves it open.
pub(crate) fn crossovers_by_level(
    judged: &Analysed,
    usable: &Usable,
    level: &Stronger<'_>,
    spec: &Spec,
) -> Option<CheckOutcome> {
    let whole = subject(judged, Some(level.sweep), spec, None);
    let part = Subject { span: usable.span, begins_late: usable.begins_late(), ..whole };
    let Refusal { message, remedy } = open_by_level(&part, &|ln_f| level.gain_uncertainty(judged, ln_f))?;
    Some(invalid("sanity", message, &remedy))
}

/// Whether the judged level and the one that confirms it can be the loop gain of a stable loop.
pub(crate) fn sanity(
    bound: &[(&Level, &Analysed, &Result<Usable, Refusal>)],
    turned: Option<(String, String)>,
    spec: &Spec,
    band: Option<Span>,
    kernel: &mut Kernel,
) -> CheckOutcome {
    if let Some((weak, strong)) = turned {
        return invalid(
            "sanity",
            format!("{weak} and {strong} have phases half a turn apart: one of them has its sign turned"),
            "the polarity of a probe, or the convention, changed between the two sweeps: set both alike and sweep again",
        );
    }
    for (i, (level, sweep, usable)) in bound.iter().enumerate() {
        let second =
            bound.iter().enumerate().find(|(other, _)| *other != i).map(|(_, (_, second, _))| *second);
        let subject = subject(sweep, second, spec, band);
        if let Some(Refusal { message, remedy }) = refusal(&subject, usable, kernel) {
            let message = match &level.text {
                Some(text) if bound.len() > 1 => format!("at {text}: {message}"),
                _ => message,
            };
            return CheckOutcome::bare("sanity", Verdict::Invalid, message).to_do(remedy);
        }
    }
    let late =
        bound.first().and_then(|(_, _, usable)| usable.as_ref().ok()).filter(|u| !u.spoiled.is_empty());
    let message = match late {
        None => "the curve closes stably and its phase fits its gain".to_owned(),
        Some(usable) => format!(
            "from {} to {} the curve closes stably and its phase fits its gain; the rest is left out",
            frequency_text(usable.span.from.exp()),
            frequency_text(usable.span.to.exp())
        ),
    };
    let part = bound
        .first()
        .and_then(|(_, _, usable)| usable.as_ref().ok())
        .map(|u| hertz([u.span.from, u.span.to]));
    CheckOutcome { range_hz: part, ..CheckOutcome::bare("sanity", Verdict::Pass, message) }
}
