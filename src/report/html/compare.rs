//! The page of `compare`: what is common to the corners of a product, the difference of every value, and corner by corner both curves
//! over each other with their difference below.

use super::compare_plot::figure;
use super::page_frame;
use super::table;
use super::text::{fitting, minus, safe};
use crate::compare::{CornerComparison, ProductComparison, ValueChange};
use crate::measurand::Measurand;
use crate::report::compare::{alone_text, common_facts, common_of, curves_text, row, serials, signed_text};
use crate::report::statement::count_of;
use maud::{Markup, html};
use std::io::{self, Write};

/// Details up to this have curves, bytes, the worst first: a browser opens them in a moment.
const CURVES: usize = 3_000_000;
/// Details without curves have this beside, bytes.
const TABLES: usize = 1_000_000;
/// Rows of the tables of all products, bytes.
const ROWS: usize = 700_000;
/// Entries of a product that one side alone has.
const ALONE: usize = 200;
/// Corners that differ the most, open from the start.
const OPENED: usize = 3;

/// Writes the page; `sides` are the two arguments.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_compare_html(
    mut sink: impl Write,
    sides: [&str; 2],
    products: &[ProductComparison],
) -> io::Result<()> {
    page_frame::write_begin(&mut sink, "two sides: loop stability compared", &top(sides, products))?;
    let mut room = Room { curves: CURVES, tables: TABLES, rows: ROWS };
    for (index, own) in products.iter().enumerate() {
        sink.write_all(product(index, own, &mut room).into_string().as_bytes())?;
    }
    page_frame::write_end(&mut sink, &page_frame::end_without_verdicts())
}

/// What is left of the page, bytes.
struct Room {
    curves: usize,
    tables: usize,
    rows: usize,
}

fn top([a, b]: [&str; 2], products: &[ProductComparison]) -> Markup {
    let corners: usize = products.iter().map(|own| own.corners.len()).sum();
    html! {
        header {
            p.kicker { "Loop stability, two sides by side" }
            h1 #matrix { "What B does differently from A" }
            p.sum { (count_of(corners as u64, "corner")) " of " (count_of(products.len() as u64, "product")) ". Differences are B less A; nothing is judged." }
            dl.labels { div { dt { "A" } dd { (safe(a)) } } div { dt { "B" } dd { (safe(b)) } } }
        }
    }
}

/// Corners with their numbers, those that differ the most first.
fn worst_first(product: &ProductComparison) -> Vec<(usize, &CornerComparison)> {
    let mut order: Vec<(usize, &CornerComparison)> = product.corners.iter().enumerate().collect();
    order.sort_by(|(_, one), (_, other)| other.most().total_cmp(&one.most()));
    order
}

fn product(index: usize, product: &ProductComparison, room: &mut Room) -> Markup {
    let id = format!("p{index}");
    let order = worst_first(product);
    let mut details = Vec::new();
    for (place, (number, corner)) in order.iter().enumerate() {
        let link = format!("p{index}c{number}");
        let Some(text) = detail_with_room(&link, corner, product.coverage, place < OPENED, room) else {
            break;
        };
        details.push(text);
    }
    let left = order.len() - details.len();
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (safe(&product.product)) }
            @if let Some(common) = &product.common {
                div.sheet {
                    h3 { "What is " (common_of(common)) }
                    dl.labels.several-facts { @for (name, said) in common_facts(common) { div { dt { (name.trim_end().trim_end_matches(':')) } dd { (said) } } } }
                }
            }
            (differences(&format!("p{index}c"), product, &order, details.len(), &mut room.rows))
            @for alone in product.alone.iter().take(ALONE) { p.note { (safe(&alone_text(alone))) } }
            @if product.alone.len() > ALONE { p.small { (product.alone.len() - ALONE) " more that one side alone has are left out." } }
            @for detail in details { (maud::PreEscaped(detail)) }
            @if left > 0 { p.note { (count_of(left as u64, "corner")) " that differ less have no detail: there are too many for one page. The JSON result has them all." } }
        }
    }
}

/// The detail as far as there is room for it.
fn detail_with_room(
    id: &str,
    corner: &CornerComparison,
    coverage: f64,
    is_open: bool,
    room: &mut Room,
) -> Option<String> {
    if room.curves > 0 {
        let text = detail(id, corner, coverage, is_open, true).into_string();
        if let Some(left) = room.curves.checked_sub(text.len()) {
            room.curves = left;
            return Some(text);
        }
        // What comes later differs less: it does not overtake.
        room.curves = 0;
    }
    let text = detail(id, corner, coverage, false, false).into_string();
    room.tables = room.tables.checked_sub(text.len())?;
    Some(text)
}

fn differences(
    link: &str,
    product: &ProductComparison,
    order: &[(usize, &CornerComparison)],
    linked: usize,
    room: &mut usize,
) -> Markup {
    let has = |m: &Measurand| product.corners.iter().any(|own| own.changes.iter().any(|c| c.quantity == *m));
    let columns: Vec<Measurand> = Measurand::ALL.into_iter().filter(has).collect();
    let rows = order.iter().enumerate().map(|(place, (number, corner))| {
        let to = (place < linked).then(|| format!("#{link}{number}"));
        table_row(corner, &columns, to.as_deref()).into_string()
    });
    let rows: Vec<String> = fitting(rows, room).collect();
    let left = order.len() - rows.len();
    let titles = std::iter::once("corner".to_owned()).chain(columns.iter().map(|own| own.title()));
    html! {
        @if !rows.is_empty() {
            div.sheet.wide tabindex="0" role="group" aria-label=(format!("differences, {}", safe(&product.product))) {
                table.room.stack {
                    caption { "Differences of the values, those in most uncertainties first" }
                    (table::head(titles))
                    tbody { @for row in rows { (maud::PreEscaped(row)) } }
                }
                @if left > 0 { p.small { (count_of(left as u64, "more corner")) " in the JSON result." } }
            }
        }
    }
}

fn table_row(corner: &CornerComparison, columns: &[Measurand], link: Option<&str>) -> Markup {
    let name = html! { (safe(&corner.corner)) };
    html! {
        tr {
            th scope="row" {
                @if let Some(link) = link { a href=(link) { (name) } } @else { (name) }
                small { (safe(&serials(corner))) }
            }
            @for measurand in columns {
                @match corner.changes.iter().find(|change| change.quantity == *measurand) {
                    Some(change) => td data-l=(measurand.title()) { (difference(change)) },
                    None => td.none data-l=(measurand.title()) { "-" },
                }
            }
        }
    }
}

fn difference(change: &ValueChange) -> Markup {
    // A crossover changes by a ratio; here in its unit.
    let scale = if change.quantity.is_relative() { change.a } else { 1.0 };
    html! {
        @match change.change {
            Some(own) => {
                span.number { (signed_text(own * scale, change.uncertainty.map(|u| u * scale), change.quantity.unit())) }
                @if change.uncertainty.is_none() { small { "uncertainty not known" } }
                @else if !change.counts() { small { "no more than its uncertainty" } }
            }
            None => small { "a lower bound tells none" },
        }
    }
}

fn detail(id: &str, corner: &CornerComparison, coverage: f64, is_open: bool, is_drawn: bool) -> Markup {
    let differs = corner.gain_db.is_some() || corner.phase_deg.is_some();
    html! {
        article.corner.bad[is_open] {
            details open[is_open] {
                summary {
                    span.v.plain { @if differs { "differs" } @else { "alike" } }
                    h4 { (safe(&corner.corner)) " " span.at { (safe(&serials(corner))) } }
                    p.lead { "the curves differ most by: " (minus(&curves_text(corner))) }
                }
                div.body id=(id) {
                    p { "The curves differ most by: " (minus(&curves_text(corner))) }
                    @if !corner.same_station { p.small { "Not known to be one station: both chains count." } }
                    @if let Some(pair) = corner.curves.as_ref().filter(|_| is_drawn) { (figure(pair, coverage)) }
                    @if !is_drawn { p.note { "Its curves are left out: there are too many for one page." } }
                    (values(corner))
                    @for only in &corner.only { p.small { (safe(only)) } }
                }
            }
        }
    }
}

fn values(corner: &CornerComparison) -> Markup {
    html! {
        (table::inner("values on both sides", "values stack", ["value", "A", "B", "B less A"], &html! {
            @for change in &corner.changes {
                @let [name, a, b, change, said] = row(change);
                tr {
                    th scope="row" { (name) }
                    td.number data-l="A" { (minus(&a)) }
                    td.number data-l="B" { (minus(&b)) }
                    td data-l="B less A" { span.number { (minus(&change)) } @if !said.is_empty() { " " small { (said) } } }
                }
            }
        }))
    }
}
