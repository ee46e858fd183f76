//! The page of `drift`: every product, its groups, and series by series what it came to.

use super::drift_plot::{series_plot, spark};
use super::text::{mark, safe};
use super::{page_frame, table, text};
use crate::check::{Unit, Verdict, limit_text, value_text};
use crate::drift::{GroupHead, GroupStats, JointMovement, Kind, ProductDrift, SeriesOutcome};
use crate::quantity::number;
use crate::report::drift::{ORDER, facts, to_do, told, value_text as value_in_series};
use crate::report::statement::{count_of, rank};
use maud::{Markup, PreEscaped, html};
use std::borrow::Cow;
use std::io::{self, Write};

/// Details of series are shown up to this, bytes, the worst first: a browser opens them in a moment.
const DETAILS: usize = 5_000_000;
/// Groups that a table lists, the newest.
const LISTED: usize = 200;
/// Groups that a plot shows, the newest: more than a screen has pixels.
const DRAWN: usize = 2000;
/// Units, notes, movements and reference units that a product lists.
const NAMED: usize = 200;
/// Series that the table of all products lists, the worst of each.
const ROWS: usize = 2000;
/// Revisions, firmware versions or stations that a group names.
const LABELS: usize = 12;

/// Writes the page.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_drift_html(mut sink: impl Write, products: &[ProductDrift]) -> io::Result<()> {
    let verdict = Verdict::worst(products.iter().filter_map(|product| product.verdict));
    let title = format!("{}: drift of stability margins", verdict.map_or("no verdict", Verdict::word));
    page_frame::write_begin(&mut sink, &title, &top(verdict, products))?;
    let mut room = Room { details: DETAILS, rows: ROWS };
    for (index, product) in products.iter().enumerate() {
        sink.write_all(self::product(index, product, &mut room).into_string().as_bytes())?;
    }
    page_frame::write_end(&mut sink, &page_frame::end())
}

/// What is left of the page.
struct Room {
    /// Details, bytes.
    details: usize,
    /// Rows of series.
    rows: usize,
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
    let order = worst_first(product);
    let texts = order
        .iter()
        .map(|(number, series)| detail(&format!("p{index}s{number}"), product, series).into_string());
    for ((number, _), text) in order.iter().zip(text::fitting(texts, room)) {
        if let Some(place) = all.get_mut(*number) {
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

fn product(index: usize, product: &ProductDrift, room: &mut Room) -> Markup {
    let id = format!("p{index}");
    let details = details(index, product, &mut room.details);
    let is_shown = |number: usize| details.get(number).is_some_and(Option::is_some);
    let rows = room.rows;
    room.rows = rows.saturating_sub(product.series.len());
    let left = details.iter().filter(|detail| detail.is_none()).count();
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (safe(&product.product)) " over " (product.over.name()) @if let Some(verdict) = product.verdict { " " (mark(verdict)) } }
            (movements(index, product, &is_shown))
            @for note in product.notes.iter().take(NAMED) { p.note { (safe(note)) } }
            (more(product.notes.len(), "note"))
            @if let Some(alarms) = &product.false_alarms {
                p.small {
                    (alarms.charts) " charts watch. Without any cause one of them sounds within twenty groups with a probability of at most "
                    (number(100.0 * alarms.one_chart, 2)) " %, any of them with at most " (number(100.0 * alarms.any_chart, 2)) " %"
                    "."
                }
            }
            (overview(index, product, rows, &is_shown))
            @if product.series.len() > rows { p.note { (product.series.len() - rows) " more series have no row here: there are too many for one page. The JSON result has them all." } }
            (groups(&product.groups))
            @if !product.retested.is_empty() {
                h3.group { "Measured again until it passed" }
                div.sheet { ul.boards { @for unit in product.retested.iter().take(NAMED) { li { strong { (safe(&unit.serial)) } " in " (safe(&unit.group)) ": " @for verdict in unit.verdicts.iter().take(LABELS) { (mark(*verdict)) " " } @if unit.verdicts.len() > LABELS { "and " (unit.verdicts.len() - LABELS) " more" } } } } (more(product.retested.len(), "unit")) }
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
            ol.moves { @for joint in relevant.iter().take(NAMED) { li { (moved(index, product, joint, is_shown)) } } }
            (more(relevant.len(), "movement"))
        }
        @if !harmless.is_empty() {
            details.sheet {
                summary { (harmless.len()) " more moved, and not by what matters" }
                ol.moves { @for joint in harmless.iter().take(NAMED) { li { (moved(index, product, joint, is_shown)) } } }
                (more(harmless.len(), "movement"))
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
        @for (name, text) in told.named() { p { (text::capital(name)) ": " (safe(text)) "." } }
        @if let Some(advice) = &told.to_do { (text::to_do(advice)) }
    }
}

fn overview(index: usize, product: &ProductDrift, rows: usize, is_shown: &dyn Fn(usize) -> bool) -> Markup {
    html! {
        (table::sheet("series", "files several-series stack", ["corner", "quantity", "verdict", "means", "newest mean", "limit", "what was seen"], &html! {
            @for (number, series) in worst_first(product).into_iter().take(rows) {
                @let newest = series.groups.iter().rev().find_map(|group| Some((group.mean?, group.uncertainty)));
                tr {
                    th scope="row" { (safe(&series.corner)) }
                    td data-l="quantity" { @if is_shown(number) { a href={ "#p" (index) "s" (number) } { (safe(&quantity(series))) } } @else { (safe(&quantity(series))) } }
                    td data-l="verdict" { (mark(series.verdict)) }
                    td data-l="means" { (spark(series)) }
                    td.number data-l="newest mean" { @if let Some((mean, u)) = newest { (value_text(mean, u, series.unit, false)) } }
                    td.number data-l="limit" { (limit_text(&series.limit, series.unit)) }
                    td data-l="seen" { (safe(&series.message)) }
                }
            }
        }))
    }
}

/// `phase_margin_deg` reads `phase margin`.
fn quantity(series: &SeriesOutcome) -> String {
    let name = &series.quantity;
    let name = ["_deg", "_hz", "_db", "_s"].iter().find_map(|end| name.strip_suffix(end)).unwrap_or(name);
    name.replace('_', " ")
}

/// The first of several names, and how many more there are.
fn listed(mut all: impl Iterator<Item = String>) -> String {
    let mut names: Vec<String> = all.by_ref().take(LABELS).collect();
    let left = all.count();
    names.extend((left > 0).then(|| format!("and {left} more")));
    names.join(", ")
}

fn groups(groups: &[GroupHead]) -> Markup {
    let known = |all: &[Option<String>]| {
        listed(all.iter().map(|one| one.as_deref().map_or_else(|| "not said".to_owned(), safe)))
    };
    let earlier = groups.len().saturating_sub(LISTED);
    html! {
        h3.group { "Groups" }
        @if earlier > 0 { p.small { (not_listed(earlier)) } }
        (table::sheet("groups", "files flow f-groups", ["group", "units", "records", "revisions", "firmware", "stations"], &html! {
            @for group in groups.iter().skip(earlier) {
                tr { th scope="row" { (safe(&group.label)) } td { (group.units) } td { (group.records) } td { (listed(group.revisions.iter().map(|name| safe(name)))) } td { (known(&group.firmwares)) } td { (known(&group.stations)) } }
            }
        }))
    }
}

/// What a list leaves out.
fn more(count: usize, of: &str) -> Markup {
    let left = count.saturating_sub(NAMED) as u64;
    html! { @if left > 0 { p.note { (count_of(left, &format!("more {of}"))) " left out here: there are too many for one page. The JSON result has them all." } } }
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
                    @let (shown_heads, shown) = newest(heads, series);
                    @if let Some(plot) = series_plot(shown_heads, &shown, LISTED) { (plot) }
                    @if shown_heads.len() < heads.len() { p.small { "Drawn are the newest " (DRAWN) " of " (heads.len()) " groups." } }
                    (stats(heads, series))
                    (references(series))
                }
            }
        }
    }
}

/// The newest groups of a series, as many as a plot shows, with what is told of them.
fn newest<'a>(
    heads: &'a [GroupHead],
    series: &'a SeriesOutcome,
) -> (&'a [GroupHead], Cow<'a, SeriesOutcome>) {
    let cut = heads.len().saturating_sub(DRAWN);
    let (Some(heads), true) = (heads.get(cut..), cut > 0) else { return (heads, Cow::Borrowed(series)) };
    let mut few = SeriesOutcome { references: Vec::new(), ..series.clone() };
    few.groups.drain(..cut.min(few.groups.len()));
    if let Some(chart) = &mut few.chart {
        chart.points.retain(|point| point.group >= cut);
        chart.points.iter_mut().for_each(|point| point.group -= cut);
    }
    few.signals.retain(|signal| signal.group >= cut);
    few.signals.iter_mut().for_each(|signal| signal.group -= cut);
    if let Some(since) = few.movement.as_mut().and_then(|movement| movement.since.as_mut()) {
        for group in [&mut since.group, &mut since.low, &mut since.high] {
            *group = group.saturating_sub(cut);
        }
    }
    (heads, Cow::Owned(few))
}

fn findings(product: &ProductDrift, series: &SeriesOutcome) -> Markup {
    html! {
        @if !series.rules.is_empty() {
            @for good in [false, true] {
                @let rules: Vec<_> = series.rules.iter().filter(|rule| rule.verdict.is_good() == good).collect();
                @if !rules.is_empty() {
                    ul class=(if good { "noticed" } else { "wrong" }) { @for rule in rules { li { (mark(rule.verdict)) " " strong { (rule.rule) } " " (safe(&rule.message)) @if let Some(advice) = to_do(product, series, rule) { (text::to_do(&advice)) } } } }
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
        (table::inner("groups of the series", "checks flow f-stats", ["group", "units", "mean", "spread between units", "lowest", "highest", "bounds"], &html! {
            @for (head, group) in heads.iter().zip(&series.groups).skip(earlier) { (stats_row(head, group, series.unit, &one)) }
        }))
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
            (table::inner("reference units", "checks flow f-refs", ["reference unit", "station", "records", "mean", "spread", "change from record to record, 95 %"], &html! {
                @for unit in series.references.iter().take(NAMED) {
                    tr {
                        th scope="row" { (safe(&unit.serial)) } td { (unit.station.as_deref().map_or_else(|| "not said".to_owned(), safe)) } td { (unit.records) }
                        td.number { (with(unit.mean)) } td.number { (unit.sd.map(with).unwrap_or_default()) }
                        td.number { @if let Some(trend) = &unit.trend { (with(trend.per_group)) " (" (with(trend.low)) " to " (with(trend.high)) ")" }
                            @if let Some(moved) = unit.moved.filter(|moved| unit.moves() && moved.kind == Kind::Step) { ", stepped by " (with(moved.size.value)) " at record " (moved.since.unwrap_or(0)) } }
                    }
                }
            }))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::Retested;
    use crate::report::drift::sample_drift::{creeping, long};

    fn page(products: &[ProductDrift]) -> String {
        let mut bytes = Vec::new();
        write_drift_html(&mut bytes, products).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn of_too_many_series_the_worst_have_details_and_rows() {
        let mut many = creeping();
        let one = many.series.clone();
        many.series = (0..3000).map(|k| one[(k + 1) % one.len()].clone()).collect();
        let text = page(&[many]);
        assert!((4_000_000..8_000_000).contains(&text.len()), "{}", text.len());
        assert!(text.contains("more series stand in the table alone"));
        let shown = text.matches("<article").count();
        assert_eq!(text.matches("<td data-l=\"quantity\"><a href=\"#p0s").count(), shown);
        assert!(shown > 100);
        assert!(text.contains("1000 more series have no row here"));
        assert!(!page(&[creeping()]).contains("in the table alone"));
    }

    /// Every list that grows with the number of units.
    #[test]
    fn a_hundred_thousand_units_make_a_page_that_a_browser_bears() {
        let mut product = long();
        let unit = Retested {
            serial: "RG-00001".to_owned(),
            group: "2026-W10".to_owned(),
            verdicts: vec![Verdict::Fail, Verdict::Pass],
        };
        product.retested = vec![unit; 100_000];
        product.notes = vec!["1 record has no build".to_owned(); 100_000];
        let (head, group) = (product.groups[0].clone(), product.series[0].groups[0]);
        product.groups = vec![GroupHead { revisions: vec!["C".to_owned(); 1000], ..head }; 100_000];
        for series in &mut product.series {
            series.groups = vec![group; 100_000];
        }
        let text = page(&[product]);
        assert!(text.len() < 6_000_000, "{}", text.len());
        assert!(text.contains("99800 more units left out here") && text.contains("and 988 more"));
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
        assert!(text.contains("Drawn are the newest 2000 of 5000 groups"));
        assert!(text.len() < 1_500_000, "{}", text.len());
    }
}
