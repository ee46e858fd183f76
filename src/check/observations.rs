//! What changes no verdict but should be known.

use super::wording::frequency_text;
use crate::analysed::Analysed;
use crate::coverage::undersampled;
use crate::curve::Span;
use crate::margins::{Direction, Merged};
use crate::sanity::{Plateau, Subject, plateau, spike_text};
use crate::spec::{Band, Corner, GainAt, Spec};
use crate::uncertainty::Chain;

/// The findings of the judged sweep, one sentence each.
pub(crate) fn observations(sweep: &Analysed, span: Span, spec: &Spec, corner: &Corner) -> Vec<String> {
    let mut findings = Vec::new();
    for crossing in sweep.crossings.gain.iter().filter(|c| !span.holds(c.point.ln_f)) {
        findings.push(format!(
            "outside the band the sweep crosses 0 dB at {}; not judged",
            frequency_text(crossing.point.hz())
        ));
    }
    findings.extend(sweep.noise.spikes().iter().map(spike_text));
    let merged = sweep.crossings.merged.iter().filter(|m| m.of_gain);
    let in_band = merged.filter(|m| span.holds(m.ln_f.0) || span.holds(m.ln_f.1));
    findings.extend(in_band.map(merged_text));
    let subject = Subject {
        sweep,
        second: None,
        span,
        begins_late: false,
        open_loop_poles: spec.open_loop_poles,
        critical_point: spec.critical_point,
        chain: Chain::of(spec),
    };
    if let Some(flat) = plateau(&subject).filter(|flat| carries_a_limit(flat.span, corner)) {
        findings.push(flat_text(&flat));
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

fn merged_text(merged: &Merged) -> String {
    format!(
        "{} readings of 0 dB from {} to {} are {}: noise cannot tell them apart",
        merged.count,
        frequency_text(merged.ln_f.0.exp()),
        frequency_text(merged.ln_f.1.exp()),
        if merged.is_one() { "counted as one crossover" } else { "not counted as crossovers" }
    )
}

fn flat_text(flat: &Plateau) -> String {
    format!(
        "the gain is flat at {:.1} dB from {} to {}, where a limit is held against it: a true gain at direct current and coupling past the loop look alike there",
        flat.gain_db,
        frequency_text(flat.span.from.exp()),
        frequency_text(flat.span.to.exp())
    )
}

/// Whether a limit of the gain is held in that range.
fn carries_a_limit(span: Span, corner: &Corner) -> bool {
    corner.limits.gain.iter().any(|limit| match &limit.at {
        GainAt::Frequency(at) => span.holds(at.hz().ln()),
        GainAt::Band(Band { from, to }) => from.hz().ln() <= span.to && to.hz().ln() >= span.from,
    })
}
