//! The parts of a run's circuit: value, uncertainty, what is known of them, what moved.

use super::plot_panel::round;
use super::spool::{Extent, Spool};
use super::table;
use super::text::{capital, minus, safe};
use crate::check::RunOutcome;
use crate::report::statement::{CircuitStatement, PartRow};
use maud::{Markup, html};
use std::io::{self, Write};

/// Parts of circuits, bytes: those of some hundred runs. Runs whose cause is told come before the others.
const CIRCUITS: u64 = 1_000_000;

/// What a run says of its circuit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CircuitPiece {
    /// Whether a cause is told: then it stands open, before the others.
    pub(super) is_told: bool,
    pub(super) text: String,
}

/// What runs say of their circuits, in the order of the runs.
#[derive(Debug, Default)]
pub(super) struct Circuits {
    /// Those in which a cause is told, and the others.
    told: Vec<Extent>,
    others: Vec<Extent>,
}

impl Circuits {
    /// How many of each kind have room, and their bytes.
    fn picked(&self) -> ([usize; 2], u64) {
        let mut sum = 0;
        let counts = [&self.told, &self.others].map(|extents| {
            let has_room = |extent: &&Extent| {
                sum += extent.length;
                sum <= CIRCUITS
            };
            extents.iter().take_while(has_room).count()
        });
        (counts, sum.min(CIRCUITS))
    }

    /// Keeps what a run says; it waits in the spool.
    pub(super) fn keep(&mut self, is_told: bool, kept: Extent) {
        if is_told { self.told.push(kept) } else { self.others.push(kept) }
    }

    /// How much of the page they take.
    pub(super) fn bytes(&self) -> u64 {
        self.picked().1
    }

    /// Writes the section: those in which a cause is told, and folded the others.
    pub(super) fn write(&self, out: &mut impl Write, spool: &mut Spool) -> io::Result<()> {
        let all = self.told.len() + self.others.len();
        if all == 0 {
            return Ok(());
        }
        let ([told, others], _) = self.picked();
        out.write_all(b"<section aria-labelledby=\"circuits\"><h2 id=\"circuits\">Circuit behind the loop</h2>\n<p class=\"small\">Parts of each unit as its sweeps show them, all corners together, with their expanded uncertainty; taken away: the share of a part's tolerance that they took away.</p>\n")?;
        let mut buffer = Vec::new();
        let mut write = |out: &mut dyn Write, extents: &[Extent], count: usize| -> io::Result<()> {
            for extent in extents.iter().take(count) {
                spool.read(*extent, &mut buffer)?;
                out.write_all(&buffer)?;
                out.write_all(b"\n")?;
            }
            Ok(())
        };
        write(out, &self.told, told)?;
        if others > 0 {
            let runs = if others == 1 { "run" } else { "runs" };
            writeln!(
                out,
                "<details class=\"others\"><summary><h3>{others} {runs} of which no part is named</h3></summary>"
            )?;
            write(out, &self.others, others)?;
            out.write_all(b"</details>")?;
        }
        if told + others < all {
            let left = all - told - others;
            write!(
                out,
                "<p class=\"note\">The parts of {left} more are in the JSON result: there are too many for one page.</p>"
            )?;
        }
        out.write_all(b"</section>\n")
    }
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
                    h3 { (safe(&run.serial)) " " span.at { (safe(&run.product)) } }
                    p.said { (safe(&told.sentence().unwrap_or_else(|| known_text(&rows, run)))) }
                }
                div.body {
                    @if !rows.is_empty() { (parts_table(run, told)) }
                    ul.noticed {
                        @if let Some(since) = told.since() { li { b { "Moved: " } "how each part has moved since " (safe(since)) ", whose accepted result the run is held against" } }
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

/// What stands in front where nothing is told: how many parts the sweeps know.
fn known_text(rows: &[PartRow<'_>], run: &RunOutcome) -> String {
    let known = rows.iter().filter(|row| row.value.is_some()).count();
    let all = run.circuit.as_deref().map_or(0, |own| own.parts.len());
    format!("{known} of {all} parts known better than by their tolerance")
}

fn parts_table(run: &RunOutcome, told: CircuitStatement<'_>) -> Markup {
    let has_moved = told.since().is_some();
    let label = format!("parts of {}", safe(&run.serial));
    let titles = ["part", "nominal", "value", "from nominal", "taken away"]
        .into_iter()
        .chain(has_moved.then_some("moved"));
    table::inner(
        &label,
        "files stack",
        titles,
        &html! {
            @for row in told.rows() {
                tr {
                    th scope="row" { (safe(row.part)) }
                    td.number data-l="nominal" { (row.nominal) }
                    td.number data-l="value" { (row.value.unwrap_or_default()) }
                    td.number data-l="from nominal" { (minus(&row.off.unwrap_or_default())) }
                    td.number data-l="taken away" { (bar(row.informed)) " " (row.informed) " %" }
                    @if has_moved { td.number data-l="moved" { (minus(&row.moved.unwrap_or_default())) } }
                }
            }
        },
    )
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

    /// Those in which a cause is told take the room first, and what has none is counted.
    #[test]
    fn circuits_fill_their_room_and_the_rest_is_counted() {
        let (mut circuits, mut spool) = (Circuits::default(), Spool::new());
        let text = "x".repeat(400_000);
        for (name, is_told) in [("a", false), ("b", true), ("c", false), ("d", true)] {
            let kept = spool.append(format!("<p>{name}</p>{text}").as_bytes()).unwrap();
            circuits.keep(is_told, kept);
        }
        let mut page = Vec::new();
        circuits.write(&mut page, &mut spool).unwrap();
        let page = String::from_utf8(page).unwrap();
        let shown: Vec<bool> =
            ["a", "b", "c", "d"].map(|name| page.contains(&format!("<p>{name}</p>"))).to_vec();
        assert_eq!(shown, [false, true, false, true]);
        assert!(page.contains("The parts of 2 more are in the JSON result"));
        assert!(circuits.bytes() <= CIRCUITS);
        let mut none = Vec::new();
        Circuits::default().write(&mut none, &mut spool).unwrap();
        assert!(none.is_empty());
    }

    #[test]
    fn a_run_without_a_circuit_has_no_piece_and_a_told_cause_stands_open() {
        let mut run = sample::run();
        assert_eq!(piece(&run), None);
        run.circuit = Some(Box::new(sample::circuit()));
        let made = piece(&run).unwrap();
        assert!(made.is_told && made.text.contains("<details open>"));
        for part in [
            "9.83 uH ± 0.12 uH",
            "has moved since RG-00042",
            "say nothing of COMPUTE",
            "their product to 0.2 %",
        ] {
            assert!(made.text.contains(part), "{part} in {}", made.text);
        }
        run.circuit.as_mut().unwrap().causes[0].part = "nothing".to_owned();
        let made = piece(&run).unwrap();
        assert!(!made.is_told && made.text.contains("<details>"), "{}", made.text);
    }
}
