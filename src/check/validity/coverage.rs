//! Do the judged level and the one that confirms it cover the band?

use super::refused::invalid;
use crate::analysed::Analysed;
use crate::check::SweepInput;
use crate::check::levels::{Level, files};
use crate::check::outcome::CheckOutcome;
use crate::check::wording::{frequency_text, hertz};
use crate::coverage::{gap, interpolated, mistaken_unit};
use crate::curve::Span;
use crate::decision::Verdict;
use crate::sanity::{Refusal, Usable};
use crate::spec::Corner;

/// Whether the judged level and the one that confirms it cover the band densely enough.
pub(crate) fn coverage(
    bound: &[(&Level, &Analysed, &Result<Usable, Refusal>)],
    corner: &Corner,
    band: Option<Span>,
    sweeps: &[SweepInput<'_>],
) -> CheckOutcome {
    for (level, sweep, _) in bound {
        let band = band.unwrap_or_else(|| sweep.curve.span());
        if let Some(message) = gap(&sweep.curve, band, corner.density) {
            let remedy = mistaken_unit(&sweep.curve, band)
                .unwrap_or("sweep the whole band with at least the declared density, in one go");
            return invalid("coverage", format!("{}: {message}", files(level, sweeps).join(", ")), remedy);
        }
        if let Some(message) = interpolated(sweep, band, corner.density) {
            let remedy = "export the points as measured, with interpolation off, and sweep with at least the declared density";
            return invalid("coverage", format!("{}: {message}", files(level, sweeps).join(", ")), remedy);
        }
    }
    let message = match band {
        Some(band) => {
            format!(
                "the band {} to {} is covered",
                frequency_text(band.from.exp()),
                frequency_text(band.to.exp())
            )
        }
        None => "no band is declared, the whole sweep is judged".to_owned(),
    };
    let part = band
        .or_else(|| bound.first().map(|(_, sweep, _)| sweep.curve.span()))
        .map(|span| hertz([span.from, span.to]));
    CheckOutcome { range_hz: part, ..CheckOutcome::bare("coverage", Verdict::Pass, message) }
}
