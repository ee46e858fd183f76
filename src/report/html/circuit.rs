//! The parts of a run's circuit: value, uncertainty, what is known of them, what moved.

use super::plot_panel::round;
use super::text::safe;
use crate::check::RunOutcome;
use crate::report::statement::CircuitStatement;
use maud::{Markup, html};

/// What a run says of its circuit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CircuitPiece {
    /// Whether a cause is told: then it stands open, before the others.
    pub(super) is_told: bool,
    pub(super) text: String,
}

/// Makes the piece of a run; nothing where its spec has no circuit.
pub(super) fn piece(run: &RunOutcome) -> Option<CircuitPiece> {
    let told = CircuitStatement::of(run.circuit.as_deref()?);
    let is_told = told.is_cause_told();
    Some(CircuitPiece { is_told, text: article(run, told, is_told).into_string() })
}

fn article(run: &RunOutcome, told: CircuitStatement<'_>, is_open: bool) -> Markup {
    let rows = told.rows();
    html! {
        article.parts {
            details open[is_open] {
                summary {
                    h4 { (safe(&run.serial)) " " span.at { (safe(&run.product)) } }
                    p.said { (safe(&told.sentence().unwrap_or_else(|| format!("{} of {} parts known better than by their tolerance", rows.len(), run.circuit.as_deref().map_or(0, |own| own.parts.len()))))) }
                }
                div.body {
                    @if !rows.is_empty() { (table(run, told)) }
                    ul.noticed {
                        @if let Some(silent) = told.silent() { li { b { "No result: " } (safe(&silent)) } }
                        @for pair in told.pairs() { li { b { "Not told apart: " } (safe(&pair)) } }
                        @let causes = told.causes();
                        @if !causes.is_empty() { li { b { (capital(told.asked())) ", with probabilities: " } (safe(&causes.join(", "))) } }
                        @if let Some(left) = told.left() { li { b { "Left over: " } (safe(&left)) } }
                    }
                }
            }
        }
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn table(run: &RunOutcome, told: CircuitStatement<'_>) -> Markup {
    let since = told.since().map(|since| format!("moved since {}", safe(since)));
    html! {
        div.wide tabindex="0" role="group" aria-label=(format!("parts of {}", safe(&run.serial))) {
            table.files.stack {
                thead { tr {
                    th scope="col" { "part" } th scope="col" { "nominal" } th scope="col" { "value" } th scope="col" { "from nominal" }
                    th scope="col" { "of the tolerance taken away" }
                    @if let Some(since) = &since { th scope="col" { (since) } }
                } }
                tbody {
                    @for row in told.rows() {
                        tr {
                            th scope="row" { (safe(row.part)) }
                            td.number data-l="nominal" { (row.nominal) }
                            td.number data-l="value" { (row.value.unwrap_or_default()) }
                            td.number data-l="from nominal" { (row.off.unwrap_or_default().replace('-', "\u{2212}")) }
                            td.number data-l="taken away" { (bar(row.informed)) " " (row.informed) " %" }
                            @if since.is_some() { td.number data-l="moved" { (row.moved.unwrap_or_default().replace('-', "\u{2212}")) } }
                        }
                    }
                }
            }
        }
    }
}

/// A share as a bar; the same stands beside it as text.
fn bar(percent: u32) -> Markup {
    html! {
        svg.share width="80" height="10" viewBox="0 0 80 10" aria-hidden="true" {
            path.all d="M0 5H80" {}
            path.part d=(format!("M0 5H{}", round(0.8 * f64::from(percent)))) {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_run_without_a_circuit_has_no_piece_and_a_told_cause_stands_open() {
        let mut run = sample::run();
        assert_eq!(piece(&run), None);
        run.circuit = Some(Box::new(sample::circuit()));
        let made = piece(&run).unwrap();
        assert!(made.is_told && made.text.contains("<details open>"));
        for part in
            ["9.83 uH ± 0.12 uH", "moved since RG-00042", "say nothing of COMPUTE", "their product to 0.2 %"]
        {
            assert!(made.text.contains(part), "{part} in {}", made.text);
        }
        run.circuit.as_mut().unwrap().causes[0].part = "nothing".to_owned();
        let made = piece(&run).unwrap();
        assert!(!made.is_told && made.text.contains("<details>"), "{}", made.text);
    }
}
