//! The corner table: per product a row a corner with what was measured, the unit nearest to its limit in front.

use super::table::head;
use super::text::{class, mark, safe};
use crate::check::{Unit, Verdict};
use crate::measurand::Measurand;
use crate::report::Tally;
use crate::report::corner_table::{Cell, CornerRow, ProductTable, Worst, room, rounded};
use maud::{Markup, html};

/// Most products that have a table.
const PRODUCTS: usize = 200;

/// All tables.
pub(super) fn tables(tally: &Tally) -> Markup {
    html! {
        @if tally.table.products().next().is_some() {
            section aria-labelledby="corners" {
                h2 #corners { "Corners, by room to their limits" }
                p.small { "Value with its expanded uncertainty, and the room to its limit or how far it lies beyond. The least room of each column is set bold. Of several units the one with the least room stands here, beside the median of all." }
                @for (product, table) in tally.table.products().take(PRODUCTS) { (one(product, table)) }
            }
        }
    }
}

fn one(product: &str, table: &ProductTable) -> Markup {
    let (columns, units) = (table.columns(), table.units());
    let name = if units > 1 { format!("{product}, {units} units") } else { product.to_owned() };
    let titles =
        ["corner", "verdict"].map(str::to_owned).into_iter().chain(columns.iter().map(|own| own.title()));
    html! {
        div.sheet.wide tabindex="0" role="group" aria-label=(format!("corners of {}", safe(product))) {
            table.room.stack {
                caption { (safe(&name)) }
                (head(titles))
                tbody {
                    @for (index, row) in table.rows().iter().enumerate() {
                        tr {
                            th scope="row" { (safe(&row.corner)) }
                            td data-l="verdict" { (verdicts(row)) }
                            @for measurand in &columns {
                                (cell(*measurand, row.cell(*measurand), table.is_least(index, *measurand)))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The worst verdict, and of how many units.
fn verdicts(row: &CornerRow) -> Markup {
    let all = row.verdicts.total();
    html! {
        @if let Some(worst) = row.verdicts.worst() {
            (mark(worst))
            @if all > 1 { small { " " (row.verdicts.get(worst)) " of " (all) } }
        }
    }
}

fn cell(measurand: Measurand, cell: Option<&Cell>, is_least: bool) -> Markup {
    let Some((cell, worst)) = cell.and_then(|cell| Some((cell, cell.worst.as_ref()?))) else {
        return html! { td.none data-l=(measurand.title()) { "-" } };
    };
    let unit = measurand.unit();
    html! {
        td.least[is_least] data-l=(measurand.title()) {
            span.number { (worst.text(unit)) }
            @if let Some(text) = room(worst, unit) {
                @if worst.verdict == Verdict::Pass { small.number { (text) } } @else { small.number { span.(class(worst.verdict)) { (text) } } }
            }
            @if cell.units > 1 { small { (several(cell, worst, unit)) } }
        }
    }
}

/// Whose value it is, the median, and how many fail.
fn several(cell: &Cell, worst: &Worst, unit: Unit) -> String {
    let mut text = safe(&worst.serial);
    if let Some(median) = cell.median() {
        text.push_str(&format!("; median {}", rounded(median, unit)));
    }
    if let Some((count, range)) = cell.failing_text(unit) {
        text.push_str(&format!("; {count} of {} fail, {range}", cell.units));
    }
    text
}
