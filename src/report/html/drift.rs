//! The page of `drift`: every product, its groups, and series by series what it came to.

use super::drift_plot::{series_plot, spark};
use super::page_frame;
use super::text::{mark, safe};
use crate::check::{Unit, Verdict, limit_text, value_text};
use crate::drift::{GroupHead, GroupStats, JointMovement, ProductDrift, SeriesOutcome};
use crate::quantity::number;
use crate::report::drift::{ORDER, facts, to_do, told, value_text as value_in_series};
use crate::report::statement::rank;
use maud::{Markup, html};
use std::io::{self, Write};

/// Writes the page.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_html(mut sink: impl Write, products: &[ProductDrift]) -> io::Result<()> {
    let verdict = Verdict::worst(products.iter().filter_map(|product| product.verdict));
    let title = format!("{}: drift of stability margins", verdict.map_or("no verdict", Verdict::word));
    sink.write_all(page_frame::begin(&title).as_bytes())?;
    sink.write_all(top(verdict, products).into_string().as_bytes())?;
    sink.write_all(b"<main>\n")?;
    for (index, product) in products.iter().enumerate() {
        sink.write_all(self::product(index, product).into_string().as_bytes())?;
    }
    sink.write_all(b"</main>\n")?;
    sink.write_all(page_frame::end().as_bytes())?;
    sink.flush()
}

fn top(verdict: Option<Verdict>, products: &[ProductDrift]) -> Markup {
    let series: usize = products.iter().map(|product| product.series.len()).sum();
    html! {
        header {
            p.kicker { "Stability margins from group to group" }
            h1 #matrix {
                @match verdict {
                    Some(verdict) => { "The verdict is " (mark(verdict)) },
                    None => { "There is no verdict: nothing was judged" },
                }
            }
            p.sum { (series) " series of " (products.len()) @if products.len() == 1 { " product." } @else { " products." } }
        }
    }
}

fn product(index: usize, product: &ProductDrift) -> Markup {
    let id = format!("p{index}");
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (safe(&product.product)) " over " (product.over.name()) @if let Some(verdict) = product.verdict { " " (mark(verdict)) } }
            (movements(index, product))
            @for note in &product.notes { p.note { (safe(note)) } }
            @if let Some(alarms) = &product.false_alarms {
                p.small {
                    (alarms.charts) " charts watch. Without any cause one of them sounds within twenty groups with a probability of at most "
                    (number(100.0 * alarms.one_chart, 2)) " %, any of them with at most " (number(100.0 * alarms.any_chart, 2)) " %"
                    "."
                }
            }
            (overview(index, product))
            (groups(&product.groups))
            @if !product.retested.is_empty() {
                h3.group { "Measured again until it passed" }
                div.sheet { ul.boards { @for unit in &product.retested { li { strong { (safe(&unit.serial)) } " in " (safe(&unit.group)) ": " @for verdict in &unit.verdicts { (mark(*verdict)) " " } } } } }
            }
            @for (number, series) in product.series.iter().enumerate() { (detail(&format!("p{index}s{number}"), product, series)) }
        }
    }
}

/// What moved, the one that ate most of the distance to its limit first; those that do not matter folded.
fn movements(index: usize, product: &ProductDrift) -> Markup {
    let (relevant, harmless): (Vec<_>, Vec<_>) = product.movements.iter().partition(|joint| joint.relevant);
    html! {
        @if !relevant.is_empty() {
            h3.group { "Movements" }
            p.small { "Listed is " (ORDER) "." }
            ol.moves { @for joint in relevant { li { (moved(index, product, joint)) } } }
        }
        @if !harmless.is_empty() {
            details.sheet {
                summary { (harmless.len()) " more moved, and not by what matters" }
                ol.moves { @for joint in harmless { li { (moved(index, product, joint)) } } }
            }
        }
    }
}

fn moved(index: usize, product: &ProductDrift, joint: &JointMovement) -> Markup {
    let told = told(product, joint);
    let verdicts =
        joint.series.iter().filter_map(|moved| product.series.get(moved.series)).map(|s| s.verdict);
    let worst =
        joint.series.first().and_then(|moved| Some((moved.series, product.series.get(moved.series)?)));
    html! {
        p.lead { @if let Some(verdict) = Verdict::worst(verdicts) { (mark(verdict)) " " } strong { (safe(&told.head)) } }
        @if let Some((place, series)) = worst { a.spark href={ "#p" (index) "s" (place) } title="the series that ate most" { (spark(series)) } }
        p { (safe(&told.which)) }
        p { "Worst: " (safe(&told.worst)) "." }
        @if let Some(next) = &told.next { p { "Ahead: " (safe(next)) "." } }
        @if !told.rules.is_empty() { p { "Rules: " (told.rules) "." } }
        @if let Some(advice) = &told.to_do { p.todo { b { "To do: " } (safe(advice)) } }
    }
}

fn overview(index: usize, product: &ProductDrift) -> Markup {
    // The worst first; of equal ones in the order of the spec.
    let mut order: Vec<(usize, &SeriesOutcome)> = product.series.iter().enumerate().collect();
    order.sort_by_key(|(_, series)| rank(series.verdict));
    html! {
        div.sheet.wide tabindex="0" role="group" aria-label="series" {
            table.files.several-series {
                thead { tr { th scope="col" { "corner" } th scope="col" { "quantity" } th scope="col" { "verdict" } th scope="col" { "means" } th scope="col" { "newest mean" } th scope="col" { "limit" } th scope="col" { "what was seen" } } }
                tbody {
                    @for (number, series) in order {
                        @let newest = series.groups.iter().rev().find_map(|group| Some((group.mean?, group.uncertainty)));
                        tr {
                            th scope="row" { (safe(&series.corner)) }
                            td { a href={ "#p" (index) "s" (number) } { (safe(&quantity(series))) } }
                            td { (mark(series.verdict)) }
                            td { (spark(series)) }
                            td.number { @if let Some((mean, u)) = newest { (value_text(mean, u, series.unit, false)) } }
                            td.number { (limit_text(&series.limit, series.unit)) }
                            td { (safe(&series.message)) }
                        }
                    }
                }
            }
        }
    }
}

/// `phase_margin_deg` reads `phase margin`.
fn quantity(series: &SeriesOutcome) -> String {
    let name = &series.quantity;
    let name = ["_deg", "_hz", "_db", "_s"].iter().find_map(|end| name.strip_suffix(end)).unwrap_or(name);
    name.replace('_', " ")
}

fn groups(groups: &[GroupHead]) -> Markup {
    let known = |all: &[Option<String>]| -> String {
        all.iter()
            .map(|one| one.as_deref().map_or_else(|| "not said".to_owned(), safe))
            .collect::<Vec<_>>()
            .join(", ")
    };
    html! {
        h3.group { "Groups" }
        div.sheet.wide tabindex="0" role="group" aria-label="groups" {
            table.files {
                thead { tr { th scope="col" { "group" } th scope="col" { "units" } th scope="col" { "records" } th scope="col" { "revisions" } th scope="col" { "firmware" } th scope="col" { "stations" } } }
                tbody {
                    @for group in groups {
                        tr { th scope="row" { (safe(&group.label)) } td { (group.units) } td { (group.records) } td { (safe(&group.revisions.join(", "))) } td { (known(&group.firmwares)) } td { (known(&group.stations)) } }
                    }
                }
            }
        }
    }
}

fn detail(id: &str, product: &ProductDrift, series: &SeriesOutcome) -> Markup {
    let heads = &product.groups;
    let is_good = matches!(series.verdict, Verdict::Pass | Verdict::NotJudged);
    html! {
        article.corner.bad[!is_good] {
            details open[!is_good] {
                summary {
                    (mark(series.verdict))
                    h4 { (safe(&series.corner)) " " (safe(&quantity(series))) }
                    p.lead { (safe(&series.message)) }
                }
                div.body id=(id) {
                    (findings(product, series))
                    @if let Some(plot) = series_plot(heads, series) { (plot) }
                    (stats(heads, series))
                    (references(series))
                }
            }
        }
    }
}

fn findings(product: &ProductDrift, series: &SeriesOutcome) -> Markup {
    html! {
        @if !series.rules.is_empty() {
            @for good in [false, true] {
                @let rules: Vec<_> = series.rules.iter().filter(|rule| rule.verdict.is_good() == good).collect();
                @if !rules.is_empty() {
                    ul class=(if good { "noticed" } else { "wrong" }) { @for rule in rules { li { (mark(rule.verdict)) " " strong { (rule.rule) } " " (safe(&rule.message)) @if let Some(advice) = to_do(product, series, rule) { p.todo { b { "To do: " } (safe(&advice)) } } } } }
                }
            }
        }
        ul.noticed { @for (name, line) in facts(product, series).into_iter().filter(|(name, _)| *name != "reference unit") { li { b { (name) ": " } (safe(&line)) } } }
    }
}

fn stats(heads: &[GroupHead], series: &SeriesOutcome) -> Markup {
    let one = |value: Option<f64>| value.map(|v| value_in_series(series, v)).unwrap_or_default();
    html! {
        div.wide tabindex="0" role="group" aria-label="groups of the series" {
            table.checks {
                thead { tr { th scope="col" { "group" } th scope="col" { "units" } th scope="col" { "mean" } th scope="col" { "spread between units" } th scope="col" { "lowest" } th scope="col" { "highest" } th scope="col" { "bounds" } } }
                tbody {
                    @for (head, group) in heads.iter().zip(&series.groups) { (stats_row(head, group, series.unit, &one)) }
                }
            }
        }
    }
}

fn stats_row(
    head: &GroupHead,
    group: &GroupStats,
    unit: Unit,
    one: &dyn Fn(Option<f64>) -> String,
) -> Markup {
    html! {
        tr {
            th scope="row" { (safe(&head.label)) } td { (group.units) }
            td.number { @if let Some(mean) = group.mean { (value_text(mean, group.uncertainty, unit, false)) } }
            td.number { (one(group.sd)) } td.number { (one(group.min)) } td.number { (one(group.max)) }
            td { @if group.bounds > 0 { (group.bounds) " only at least" } }
        }
    }
}

fn references(series: &SeriesOutcome) -> Markup {
    let with = |value: f64| value_text(value, None, series.unit, false);
    html! {
        @if !series.references.is_empty() {
            div.wide tabindex="0" role="group" aria-label="reference units" {
                table.checks {
                    thead { tr { th scope="col" { "reference unit" } th scope="col" { "station" } th scope="col" { "records" } th scope="col" { "mean" } th scope="col" { "spread" } th scope="col" { "change from record to record, 95 %" } } }
                    tbody {
                        @for unit in &series.references {
                            tr {
                                th scope="row" { (safe(&unit.serial)) } td { (unit.station.as_deref().map_or_else(|| "not said".to_owned(), safe)) } td { (unit.records) }
                                td.number { (with(unit.mean)) } td.number { (unit.sd.map(with).unwrap_or_default()) }
                                td.number { @if let Some(trend) = &unit.trend { (with(trend.per_group)) " (" (with(trend.low)) " to " (with(trend.high)) ")" } }
                            }
                        }
                    }
                }
            }
        }
    }
}
