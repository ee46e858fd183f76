//! What one sweep shows by itself, without a spec.

use crate::check::Quantities;
use crate::coverage::undersampled;
use crate::curve::db;
use crate::linearity::Analysed;
use crate::margins::{Direction, phase_margin_of};
use crate::report::{self, InspectCrossover, InspectPhaseCrossover, InspectSweep};
use crate::sanity::{Kernel, Subject, refusal};
use crate::spec::CriticalPoint;
use crate::sweep::Samples;

/// Finds all crossings and margins of a sweep over its whole range.
///
/// Without a declared accuracy the uncertainties are not known. Findings take the open loop to have no right-half-plane
/// poles.
#[must_use]
pub fn inspect(file: &str, samples: &Samples, critical_point: CriticalPoint) -> InspectSweep {
    let mut sweep = Analysed::default();
    sweep.curve.fill(samples, critical_point);
    sweep.crossings.find(&sweep.curve);
    let span = sweep.curve.span();
    let quantities = Quantities::of(&sweep, span, None);
    let measured = quantities.report(1.0);
    let subject =
        Subject { curve: &sweep.curve, crossings: &sweep.crossings, span, open_loop_poles: 0, critical_point };
    let mut findings = Vec::new();
    if let Some(refusal) = refusal(&subject, &mut Kernel::default()) {
        findings.push(format!("{}; {}", refusal.message, refusal.remedy));
    }
    findings.extend(undersampled(&sweep.curve, span).map(|place| place.text()));
    if quantities.gain_margin.is_some_and(|margin| margin.at_least) {
        findings.push(
            "no phase crossover below 0 dB in the sweep: the gain margin is a lower bound, supposing that the gain goes on \
             falling"
                .to_owned(),
        );
    }
    InspectSweep {
        file: file.to_owned(),
        points: samples.len(),
        band_hz: [
            samples.frequency_hz.first().copied().unwrap_or(0.0),
            samples.frequency_hz.last().copied().unwrap_or(0.0),
        ],
        crossovers: sweep
            .crossings
            .gain
            .iter()
            .map(|crossing| InspectCrossover {
                frequency_hz: crossing.point.hz(),
                phase_margin_deg: phase_margin_of(crossing).value.to_degrees(),
                direction: match crossing.direction {
                    Direction::Rising => report::Direction::Rising,
                    Direction::Falling | Direction::Touching => report::Direction::Falling,
                },
            })
            .collect(),
        phase_crossovers: sweep
            .crossings
            .phase
            .iter()
            .map(|crossing| InspectPhaseCrossover {
                frequency_hz: crossing.point.hz(),
                gain_margin_db: -db(crossing.point.ln_mag),
            })
            .collect(),
        crossover_hz: measured.crossover_hz,
        phase_margin_deg: measured.phase_margin_deg,
        gain_margin_db: measured.gain_margin_db,
        gain_reduction_margin_db: measured.gain_reduction_margin_db,
        stability_margin: measured.stability_margin,
        delay_margin_s: measured.delay_margin_s,
        noise_percent: None,
        findings,
    }
}
