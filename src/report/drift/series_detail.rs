//! A series in full, as text.

use super::groups::{Kind, unit, with_strips};
use super::layout::{push_sentence, push_words};
use super::sentences;
use super::to_do::to_do;
use crate::check::{Verdict, limit_text};
use crate::drift::{ProductDrift, SeriesOutcome};
use crate::report::escape::terminal;
use crate::report::statement::{phrase, without_prefix};
use crate::report::terminal::Style;
use crate::report::terminal::palette::{self, paint};

/// The lines of a series, each with its line end; with a legend above its table, if there is one to be told.
pub(super) fn series(
    product: &ProductDrift,
    series: &SeriesOutcome,
    legend: Option<[&'static str; 2]>,
    style: Style,
) -> String {
    let mut text = title(product, series, style);
    let wanted = |verdict: Verdict| verdict != Verdict::Pass || style.every_check;
    for rule in series.rules.iter().filter(|rule| wanted(rule.verdict)) {
        let name = format!("{} {}", rule.rule, phrase(rule.verdict));
        let message = terminal(without_prefix(&rule.message));
        push_sentence(&mut text, 4, &name, palette::of(rule.verdict), &message, style);
        if let Some(advice) = to_do(product, series, rule) {
            let advice = format!("to do: {advice}");
            push_words(&mut text, 6, palette::REMEDY, &terminal(&advice), style);
        }
    }
    if series.rules.is_empty() {
        push_words(&mut text, 4, anstyle::Style::new(), &terminal(&series.message), style);
    }
    for (name, line) in facts(product, series) {
        push_sentence(&mut text, 4, name, anstyle::Style::new(), &terminal(&line), style);
    }
    let unit = unit(series).map_or_else(String::new, |unit| format!(", in {unit}"));
    text.push_str(&format!("    groups{unit}:\n"));
    for line in legend.into_iter().flatten() {
        text.push_str(&format!("    {}\n", paint(line, palette::QUIET, style)));
    }
    push_table(&mut text, product, series, style);
    text
}

/// `24V-3A, phase margin, limit at least 50 deg: fail, step at 2026-W17, first signal at 2026-W18`
fn title(product: &ProductDrift, series: &SeriesOutcome, style: Style) -> String {
    let name = format!("{}, {}", terminal(&series.corner), terminal(&sentences::quantity(series)));
    let verdict = paint(phrase(series.verdict), palette::of(series.verdict), style);
    let at = |what: &str, group: usize| format!(", {what} at {}", terminal(sentences::label(product, group)));
    let moved = series.moved();
    let step = moved.map_or_else(String::new, |(movement, since)| at(movement.kind.name(), since.group));
    let since = series.signals.first().map_or_else(String::new, |first| at("first signal", first.group));
    let limit = limit_text(&series.limit, series.unit);
    format!("  {}, limit {limit}: {verdict}{step}{since}\n", paint(&name, palette::STRONG, style))
}

/// What is known beside the rules, by name.
pub(in crate::report) fn facts(
    product: &ProductDrift,
    series: &SeriesOutcome,
) -> Vec<(&'static str, String)> {
    let mut facts = Vec::new();
    facts.extend(sentences::signals(product, series).into_iter().map(|line| ("signal", line)));
    facts.extend(series.moved().map(|(movement, _)| ("moved", sentences::moved(product, series, movement))));
    facts.extend(series.trend.as_ref().map(|slope| ("trend", sentences::trend(series, slope, "group"))));
    facts.extend(series.forecast.as_ref().map(|reach| ("ahead", sentences::forecast(series, reach))));
    facts.extend(series.capability.as_ref().map(|ability| ("units", sentences::capability(ability))));
    facts.extend(sentences::chart(series).map(|chart| ("watched", chart)));
    facts.extend(series.references.iter().map(|unit| ("reference unit", sentences::reference(series, unit))));
    facts
}

fn push_table(text: &mut String, product: &ProductDrift, series: &SeriesOutcome, style: Style) {
    let (lines, beyond) = with_strips(product, series, terminal);
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
