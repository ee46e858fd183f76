//! Margins over builds: what moved, then series that fail or are undecided, worst first.

use super::report::MOST;
use super::text::{line, row_of};
use super::worst_entries::{Rank, Shelf};
use crate::check::{Verdict, limit_text};
use crate::drift::{ProductDrift, SeriesOutcome};
use crate::report::TOOL;
use crate::report::drift::{ORDER, newest_text, quantity, to_do, told};
use crate::report::statement::phrase;
use std::io::{self, Write};

/// Bytes kept for the title and what tells of a cut.
const FRAME: usize = 1000;
/// Bytes of a name in a cell.
const NAME: usize = 160;
/// Bytes of a sentence in a cell.
const SENTENCE: usize = 600;

const HEAD: &str = "\
| product | corner | quantity | verdict | newest | limit | why | what to do |
| --- | --- | --- | --- | --- | --- | --- | --- |
";

/// Writes the verdict and a table of what fails or is undecided, at most [`MOST`] bytes. Text of the data is harmless in it.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_markdown(mut sink: impl Write, products: &[ProductDrift]) -> io::Result<()> {
    let series =
        || products.iter().flat_map(|product| product.series.iter().map(move |series| (product, series)));
    let mut text = match Verdict::worst(series().map(|(_, series)| series.verdict)) {
        Some(verdict) => format!("## Margins over builds: {}\n\n", phrase(verdict)),
        None => "## Margins over builds: no series was judged\n\n".to_owned(),
    };
    let of = |verdict| series().filter(|(_, series)| series.verdict == verdict).count();
    let all = series().count();
    let (fail, undecided, pass) = (of(Verdict::Fail), of(Verdict::Undecided), of(Verdict::Pass));
    text.push_str(&format!("Series: {all}, of which {fail} fail, {undecided} undecided, {pass} pass.\n"));
    text.push_str(&movements(products));
    let room = (MOST - FRAME).saturating_sub(text.len());
    let mut shelf = Shelf::new(room);
    for (product, series) in series() {
        let kind = match series.verdict {
            Verdict::Fail => 0,
            Verdict::Undecided => 1,
            _ => continue,
        };
        shelf.add(Rank::new(kind, None), row(product, series));
    }
    let shown = shelf.take(room);
    if shown.all > 0 {
        text.push_str(&format!("\n{HEAD}{}", shown.text));
    }
    if shown.shown < shown.all {
        let cut = shown.all - shown.shown;
        text.push_str(&format!(
            "\n**Cut:** {cut} more left out, the worst are shown; the JSON result has them all.\n"
        ));
    }
    text.push_str(&format!("\nWritten by {TOOL}.\n"));
    sink.write_all(text.as_bytes())?;
    sink.flush()
}

/// Movements that are told one by one.
const MOVEMENTS: usize = 20;

/// What moved and is worth an action, product by product, in a list.
fn movements(products: &[ProductDrift]) -> String {
    let all = || {
        products.iter().flat_map(|product| {
            let relevant = product.movements.iter().filter(|joint| joint.relevant);
            relevant.map(move |joint| (product, joint))
        })
    };
    let count = all().count();
    if count == 0 {
        return String::new();
    }
    let mut text = format!("\nMovements, {ORDER}:\n\n");
    for (product, joint) in all().take(MOVEMENTS) {
        let told = told(product, joint);
        let rest = [
            Some(told.which),
            told.part.map(|part| format!("circuit: {part}")),
            Some(told.worst),
            told.next,
            told.to_do.map(|advice| format!("to do: {advice}")),
        ];
        let rest: Vec<String> = rest.into_iter().flatten().collect();
        text.push_str(&format!(
            "1. {}: **{}**: {}\n",
            line(&product.product, NAME),
            line(&told.head, SENTENCE),
            line(&rest.join("; "), 2 * SENTENCE)
        ));
    }
    if count > MOVEMENTS {
        text.push_str(&format!("\n{} more movements are in the JSON result.\n", count - MOVEMENTS));
    }
    text
}

fn row(product: &ProductDrift, series: &SeriesOutcome) -> String {
    let advice = series
        .rules
        .iter()
        .find(|rule| rule.verdict == series.verdict)
        .and_then(|rule| to_do(product, series, rule));
    row_of(&[
        line(&product.product, NAME),
        line(&series.corner, NAME),
        line(&quantity(series), NAME),
        phrase(series.verdict).to_owned(),
        newest_text(series).map_or_else(|| "-".to_owned(), |newest| line(&newest, NAME)),
        line(&limit_text(&series.limit, series.unit), NAME),
        line(&series.message, SENTENCE),
        line(&advice.unwrap_or_default(), SENTENCE),
    ])
}
