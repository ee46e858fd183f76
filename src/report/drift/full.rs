//! A series in full, as text.

use super::groups::{Kind, unit, with_strips};
use super::to_do::to_do;
use super::words;
use crate::check::{Verdict, limit_text};
use crate::drift::{ProductDrift, SeriesOutcome};
use crate::report::escape::terminal;
use crate::report::terminal::palette::{self, paint};
use crate::report::terminal::{Style, phrase};

/// Signals whose sentences are written out; the table marks all.
const SIGNALS_TOLD: usize = 3;

/// The lines of a series, each with its line end.
pub(super) fn series(product: &ProductDrift, series: &SeriesOutcome, style: Style) -> String {
    let mut text = title(product, series, style);
    let wanted = |verdict: Verdict| verdict != Verdict::Pass || style.every_check;
    for rule in series.rules.iter().filter(|rule| wanted(rule.verdict)) {
        let name = format!("{} {}", rule.rule, phrase(rule.verdict));
        let name = paint(&name, palette::of(rule.verdict), style);
        text.push_str(&format!("    {name}: {}\n", terminal(&rule.message)));
        if let Some(advice) = to_do(product, series, rule) {
            let advice = format!("to do: {}", terminal(&advice));
            text.push_str(&format!("      {}\n", paint(&advice, palette::REMEDY, style)));
        }
    }
    if series.rules.is_empty() {
        text.push_str(&format!("    {}\n", terminal(&series.message)));
    }
    for (name, line) in facts(product, series) {
        text.push_str(&format!("    {name}: {}\n", terminal(&line)));
    }
    push_table(&mut text, product, series, style);
    text
}

/// `24V-3A, phase margin, limit at least 50 deg: fail, first signal at 2026-W18`
fn title(product: &ProductDrift, series: &SeriesOutcome, style: Style) -> String {
    let name = format!("{}, {}", terminal(&series.corner), terminal(&words::quantity(series)));
    let verdict = paint(phrase(series.verdict), palette::of(series.verdict), style);
    let since = series.signals.first().map(|first| words::label(product, first.group));
    let since = since.map_or_else(String::new, |label| format!(", first signal at {}", terminal(label)));
    let limit = limit_text(&series.limit, series.unit);
    format!("  {}, limit {limit}: {verdict}{since}\n", paint(&name, palette::STRONG, style))
}

/// What is known beside the rules, by name.
fn facts(product: &ProductDrift, series: &SeriesOutcome) -> Vec<(&'static str, String)> {
    let mut facts = Vec::new();
    let told = series.signals.iter().take(SIGNALS_TOLD);
    facts.extend(told.map(|signal| {
        let station = if signal.explained_by_station {
            "; no larger than what another station may make of the same units"
        } else {
            ""
        };
        (
            "signal",
            format!("{}, {}: {}{station}", words::label(product, signal.group), signal.rule, signal.message),
        )
    }));
    let others = series.signals.len().saturating_sub(SIGNALS_TOLD);
    if others > 0 {
        facts.push(("signal", format!("{others} more, marked in the table")));
    }
    facts.extend(series.step.as_ref().map(|step| ("step", words::step(product, series, step))));
    facts.extend(series.trend.as_ref().map(|slope| ("trend", words::trend(series, slope, "group"))));
    facts.extend(series.forecast.as_ref().map(|reach| ("ahead", words::forecast(series, reach))));
    facts.extend(series.capability.as_ref().map(|ability| ("units", words::capability(ability))));
    facts.extend(words::chart(series).map(|chart| ("watched", chart)));
    facts.extend(series.references.iter().map(|unit| ("reference unit", words::reference(series, unit))));
    facts
}

fn push_table(text: &mut String, product: &ProductDrift, series: &SeriesOutcome, style: Style) {
    let (lines, beyond) = with_strips(product, series, terminal);
    if let Some(unit) = unit(series) {
        text.push_str(&format!("    groups, in {unit}:\n"));
    } else {
        text.push_str("    groups:\n");
    }
    for (kind, line) in lines {
        let line = match kind {
            Kind::Title | Kind::Quiet => line,
            Kind::Setup => paint(&line, palette::QUIET, style),
            Kind::Signal => paint(&line, palette::STRONG, style),
        };
        text.push_str(&format!("    {line}\n"));
    }
    if let Some(beyond) = beyond {
        text.push_str(&format!("    ({beyond})\n"));
    }
}
