//! The text of `predict`: what all corners come to, what decides, then the corners, the worst first.

use super::subject::Predicted;
use super::words::{
    advice, corner_line, deciding_lines, effects, headline, limit_words, missed_words, nominal_words, notes,
    range_words, title_of,
};
use crate::circuit::predict::CornerOutcome;
use crate::quantity::number;
use crate::report::escape::terminal;
use crate::report::terminal::palette::{self, paint};
use crate::report::terminal::{Side, Style, columns, wrap};
use std::fmt::Write as _;

/// Corners that are shown in full at most: the worst one, and others that come near to a limit. The rest have a line each.
const IN_FULL: usize = 8;

/// The text of a prediction. Text from files is shown harmless.
#[must_use]
pub fn render_predict(predicted: &Predicted<'_>, style: Style) -> String {
    let prediction = predicted.prediction;
    let mut text = String::new();
    let name = predicted.product.unwrap_or(&prediction.title);
    let name = paint(&terminal(name), palette::STRONG, style);
    let _ = writeln!(text, "{name}, {}", terminal(predicted.netlist));
    let _ = writeln!(text, "  {}", headline(predicted));
    if prediction.units > 0 {
        let parts = prediction
            .parts
            .iter()
            .map(|part| format!("{} \u{b1}{} %", terminal(&part.name), number(100.0 * part.tolerance, 4)));
        let _ = writeln!(
            text,
            "  {} units drawn, the same at every corner: {}",
            prediction.units,
            parts.collect::<Vec<_>>().join(", ")
        );
    }
    for line in deciding_lines(predicted) {
        let _ = writeln!(text, "  {}", terminal(&line));
    }
    let corners = predicted.worst_first();
    let is_near = |corner: &&CornerOutcome| advice(corner, &prediction.parts).is_some();
    let in_full = corners.iter().take_while(|corner| is_near(corner)).count().clamp(1, IN_FULL);
    for corner in corners.iter().take(in_full) {
        add_corner(&mut text, predicted, corner, style);
    }
    if corners.len() > in_full {
        text.push('\n');
    }
    for corner in corners.iter().skip(in_full) {
        let line = format!("{}: {}", corner.corner, corner_line(predicted, corner));
        let _ = writeln!(text, "{}{}", terminal(&line), terminal(&nearest_words(corner)));
    }
    wrap(&text, style.width).into_owned()
}

/// The limit that a corner comes nearest to.
fn nearest_words(corner: &CornerOutcome) -> String {
    corner.nearest.as_ref().map_or_else(String::new, |nearest| {
        let title = corner.quantities.get(nearest.quantity).map(title_of).unwrap_or_default();
        let spread = range_words(corner, nearest.quantity);
        let spread = if spread.is_empty() { nominal_words(corner, nearest.quantity) } else { spread };
        format!("; nearest is the {title}: {spread}, {}", limit_words(corner, nearest.quantity))
    })
}

fn add_corner(text: &mut String, predicted: &Predicted<'_>, corner: &CornerOutcome, style: Style) {
    let prediction = predicted.prediction;
    let name = paint(&terminal(&corner.corner), palette::STRONG, style);
    let _ = writeln!(text, "\n{name}: {}", terminal(&corner_line(predicted, corner)));
    for line in columns(&rows(predicted, corner), [Side::Left; 6]) {
        let _ = writeln!(text, "  {}", terminal(&line));
    }
    for note in notes(corner, prediction.units) {
        let _ = writeln!(text, "  noticed: {}", terminal(&note));
    }
    if let Some(advice) = advice(corner, &prediction.parts) {
        let line = format!("to do: {}", terminal(&advice));
        let _ = writeln!(text, "  {}", paint(&line, palette::REMEDY, style));
    }
}

/// The values of a corner, those that exist.
fn rows(predicted: &Predicted<'_>, corner: &CornerOutcome) -> Vec<[String; 6]> {
    let prediction = predicted.prediction;
    let head = ["", "nominal", "95 % of the units", "limit", "units that miss", "tolerances do"];
    let mut rows = vec![head.map(str::to_owned)];
    for (k, quantity) in corner.quantities.iter().enumerate() {
        let is_there = corner.nominal.values().nth(k).flatten().is_some();
        let limit = limit_words(corner, k);
        if !is_there && limit.is_empty() {
            continue;
        }
        rows.push([
            title_of(quantity),
            nominal_words(corner, k),
            range_words(corner, k),
            limit,
            missed_words(corner, quantity.check(), prediction.units),
            effects(corner, k, &prediction.parts).join(", "),
        ]);
    }
    let crossings = corner.checks.iter().any(|check| check.check == "crossings");
    if crossings || corner.nominal.crossings != 1 {
        let missed = missed_words(corner, "crossings", prediction.units);
        let count = corner.nominal.crossings.to_string();
        rows.push(["crossovers".to_owned(), count, String::new(), String::new(), missed, String::new()]);
    }
    rows
}
