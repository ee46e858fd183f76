//! The page of `drift`: every product, its groups, and series by series what it came to.

use super::drift_plot::{series_plot, spark};
use super::page_frame;
use super::text::{mark, safe};
use crate::check::{Unit, Verdict, limit_text, value_text};
use crate::drift::{GroupHead, GroupStats, JointMovement, ProductDrift, SeriesOutcome};
use crate::quantity::number;
use crate::report::drift::{ORDER, facts, to_do, told, value_text as value_in_series};
use crate::report::statement::rank;
use maud::{Markup, PreEscaped, html};
use std::io::{self, Write};

/// Details of series are shown up to this, bytes, the worst first: a browser opens them in a moment.
const DETAILS: usize = 5_000_000;
/// Groups that a table lists, the newest.
const LISTED: usize = 200;

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
    let mut room = DETAILS;
    for (index, product) in products.iter().enumerate() {
        sink.write_all(self::product(index, product, &mut room).into_string().as_bytes())?;
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

/// The details that have room, by series, the worst chosen first.
fn details(index: usize, product: &ProductDrift, room: &mut usize) -> Vec<Option<String>> {
    let mut all = vec![None; product.series.len()];
    for (number, series) in worst_first(product) {
        let text = detail(&format!("p{index}s{number}"), product, series).into_string();
        let Some(rest) = room.checked_sub(text.len()) else { break };
        *room = rest;
        if let Some(place) = all.get_mut(number) {
            *place = Some(text);
        }
    }
    all
}

/// Series with their numbers, the worst first; of equal ones in the order of the spec.
fn worst_first(product: &ProductDrift) -> Vec<(usize, &SeriesOutcome)> {
    let mut order: Vec<(usize, &SeriesOutcome)> = product.series.iter().enumerate().collect();
    order.sort_by_key(|(_, series)| rank(series.verdict));
    order
}

fn product(index: usize, product: &ProductDrift, room: &mut usize) -> Markup {
    let id = format!("p{index}");
    let details = details(index, product, room);
    let is_shown = |number: usize| details.get(number).is_some_and(Option::is_some);
    let left = details.iter().filter(|detail| detail.is_none()).count();
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (safe(&product.product)) " over " (product.over.name()) @if let Some(verdict) = product.verdict { " " (mark(verdict)) } }
            (movements(index, product, &is_shown))
            @for note in &product.notes { p.note { (safe(note)) } }
            @if let Some(alarms) = &product.false_alarms {
                p.small {
                    (alarms.charts) " charts watch. Without any cause one of them sounds within twenty groups with a probability of at most "
                    (number(100.0 * alarms.one_chart, 2)) " %, any of them with at most " (number(100.0 * alarms.any_chart, 2)) " %"
                    "."
                }
            }
            (overview(index, product, &is_shown))
            (groups(&product.groups))
            @if !product.retested.is_empty() {
                h3.group { "Measured again until it passed" }
                div.sheet { ul.boards { @for unit in &product.retested { li { strong { (safe(&unit.serial)) } " in " (safe(&unit.group)) ": " @for verdict in &unit.verdicts { (mark(*verdict)) " " } } } } }
            }
            @for detail in details.iter().flatten() { (PreEscaped(detail)) }
            @if left > 0 { p.note { (left) " more series stand in the table alone: there are too many for one page. The JSON result has their groups." } }
        }
    }
}

/// What moved, the one that ate most of the distance to its limit first; those that do not matter folded.
fn movements(index: usize, product: &ProductDrift, is_shown: &dyn Fn(usize) -> bool) -> Markup {
    let (relevant, harmless): (Vec<_>, Vec<_>) = product.movements.iter().partition(|joint| joint.relevant);
    html! {
        @if !relevant.is_empty() {
            h3.group { "Movements" }
            p.small { "Listed is " (ORDER) "." }
            ol.moves { @for joint in relevant { li { (moved(index, product, joint, is_shown)) } } }
        }
        @if !harmless.is_empty() {
            details.sheet {
                summary { (harmless.len()) " more moved, and not by what matters" }
                ol.moves { @for joint in harmless { li { (moved(index, product, joint, is_shown)) } } }
            }
        }
    }
}

fn moved(
    index: usize,
    product: &ProductDrift,
    joint: &JointMovement,
    is_shown: &dyn Fn(usize) -> bool,
) -> Markup {
    let told = told(product, joint);
    let verdicts =
        joint.series.iter().filter_map(|moved| product.series.get(moved.series)).map(|s| s.verdict);
    let worst =
        joint.series.first().and_then(|moved| Some((moved.series, product.series.get(moved.series)?)));
    html! {
        p.lead { @if let Some(verdict) = Verdict::worst(verdicts) { (mark(verdict)) " " } strong { (safe(&told.head)) } }
        @if let Some((place, series)) = worst {
            @if is_shown(place) { a.spark href={ "#p" (index) "s" (place) } title="the series that ate most" { (spark(series)) } } @else { (spark(series)) }
        }
        p { (safe(&told.which)) }
        p { "Worst: " (safe(&told.worst)) "." }
        @if let Some(next) = &told.next { p { "Ahead: " (safe(next)) "." } }
        @if !told.rules.is_empty() { p { "Rules: " (told.rules) "." } }
        @if let Some(advice) = &told.to_do { p.todo { b { "To do: " } (safe(advice)) } }
    }
}

fn overview(index: usize, product: &ProductDrift, is_shown: &dyn Fn(usize) -> bool) -> Markup {
    html! {
        div.sheet.wide tabindex="0" role="group" aria-label="series" {
            table.files.several-series {
                thead { tr { th scope="col" { "corner" } th scope="col" { "quantity" } th scope="col" { "verdict" } th scope="col" { "means" } th scope="col" { "newest mean" } th scope="col" { "limit" } th scope="col" { "what was seen" } } }
                tbody {
                    @for (number, series) in worst_first(product) {
                        @let newest = series.groups.iter().rev().find_map(|group| Some((group.mean?, group.uncertainty)));
                        tr {
                            th scope="row" { (safe(&series.corner)) }
                            td { @if is_shown(number) { a href={ "#p" (index) "s" (number) } { (safe(&quantity(series))) } } @else { (safe(&quantity(series))) } }
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
    let earlier = groups.len().saturating_sub(LISTED);
    html! {
        h3.group { "Groups" }
        @if earlier > 0 { p.small { (not_listed(earlier)) } }
        div.sheet.wide tabindex="0" role="group" aria-label="groups" {
            table.files {
                thead { tr { th scope="col" { "group" } th scope="col" { "units" } th scope="col" { "records" } th scope="col" { "revisions" } th scope="col" { "firmware" } th scope="col" { "stations" } } }
                tbody {
                    @for group in groups.iter().skip(earlier) {
                        tr { th scope="row" { (safe(&group.label)) } td { (group.units) } td { (group.records) } td { (safe(&group.revisions.join(", "))) } td { (known(&group.firmwares)) } td { (known(&group.stations)) } }
                    }
                }
            }
        }
    }
}

fn not_listed(earlier: usize) -> String {
    format!("The newest {LISTED} are listed; {earlier} earlier ones stand in the JSON result.")
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
    let earlier = heads.len().saturating_sub(LISTED);
    html! {
        @if earlier > 0 { p.small { (not_listed(earlier)) } }
        div.wide tabindex="0" role="group" aria-label="groups of the series" {
            table.checks {
                thead { tr { th scope="col" { "group" } th scope="col" { "units" } th scope="col" { "mean" } th scope="col" { "spread between units" } th scope="col" { "lowest" } th scope="col" { "highest" } th scope="col" { "bounds" } } }
                tbody {
                    @for (head, group) in heads.iter().zip(&series.groups).skip(earlier) { (stats_row(head, group, series.unit, &one)) }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::drift::sample_drift::{creeping, long};

    fn page(products: &[ProductDrift]) -> String {
        let mut bytes = Vec::new();
        write_drift_html(&mut bytes, products).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn of_too_many_series_the_worst_have_details_and_all_a_row() {
        let mut many = creeping();
        let one = many.series.clone();
        many.series = (0..3000).map(|k| one[(k + 1) % one.len()].clone()).collect();
        let text = page(&[many]);
        assert!((4_000_000..8_000_000).contains(&text.len()), "{}", text.len());
        assert!(text.contains("more series stand in the table alone"));
        let shown = text.matches("<article").count();
        assert_eq!(text.matches("<td><a href=\"#p0s").count(), shown);
        assert!(shown > 100);
        assert!(!page(&[creeping()]).contains("in the table alone"));
    }

    #[test]
    fn of_too_many_groups_the_newest_are_listed() {
        let mut product = long();
        let (head, group) = (product.groups[0].clone(), product.series[0].groups[0]);
        product.groups = vec![head; 5000];
        product.series[0].groups = vec![group; 5000];
        (product.series[0].chart, product.series[0].signals) = (None, Vec::new());
        let text = page(&[product]);
        assert!(text.contains("The newest 200 are listed; 4800 earlier ones"), "{}", text.len());
        assert!(text.len() < 1_500_000, "{}", text.len());
    }
}
