//! The text: verdict and counts first, then product by product what does not pass, worst first, then the rest in brief.

use super::dot_plot::LEGEND;
use super::layout::push_words;
use super::{movements, sentences, series_detail, series_row};
use crate::check::Verdict;
use crate::drift::{GroupHead, ProductDrift, ReferenceSeries, SeriesOutcome};
use crate::report::Counts;
use crate::report::escape::terminal;
use crate::report::statement::{count_of, phrase};
use crate::report::terminal::palette::{self, paint};
use crate::report::terminal::{Style, write_table};
use std::collections::HashSet;

/// Series of movements up to which each is told in full all the same.
const MOST_IN_FULL: usize = 3;
/// Series of a product up to which those that pass have a row each.
const MOST_ROWS: usize = 24;

/// The text of any number of products. Text from the data is shown harmless. With [`Style::every_check`] all series are
/// written in full.
#[must_use]
pub fn render_drift(products: &[ProductDrift], style: Style) -> String {
    let mut text = counts(products, style);
    if style.verdict_only {
        return text;
    }
    let mut legend = Some(LEGEND);
    for product in products {
        push_product(&mut text, product, &mut legend, style);
    }
    text
}

fn counts(products: &[ProductDrift], style: Style) -> String {
    let series = || products.iter().flat_map(|product| &product.series);
    let mut text = match Verdict::worst(series().map(|series| series.verdict)) {
        Some(verdict) => format!("The verdict is {}.\n", paint(verdict.word(), palette::of(verdict), style)),
        None => "There is no verdict: no series was judged.\n".to_owned(),
    };
    if products.is_empty() || style.verdict_only {
        return text;
    }
    text.push('\n');
    let rows = [
        ("products", Counts::of(products.iter().map(|p| p.verdict.unwrap_or(Verdict::NotJudged)))),
        ("series", Counts::of(series().map(|series| series.verdict))),
        ("rules", Counts::of(series().flat_map(|series| &series.rules).map(|rule| rule.verdict))),
    ];
    let mut table = Vec::new();
    // Writing to memory does not fail.
    let _ = write_table(&mut table, &rows.each_ref().map(|(name, counts)| (*name, counts)), style);
    text.push_str(&String::from_utf8_lossy(&table));
    text
}

fn push_product(
    text: &mut String,
    product: &ProductDrift,
    legend: &mut Option<[&'static str; 2]>,
    style: Style,
) {
    text.push_str(&format!("\n{}\n", head(product, style)));
    for line in groups(product) {
        push_words(text, 2, anstyle::Style::new(), &terminal(&line), style);
    }
    movements::push(text, product, style);
    let mut folded = if style.every_check { HashSet::new() } else { movements::folded(product) };
    folded.retain(|place| product.series.get(*place).is_some_and(|series| !is_quiet(series.verdict)));
    if folded.len() <= MOST_IN_FULL {
        folded.clear();
    }
    let is_full = |(place, series): &(usize, &SeriesOutcome)| {
        style.every_check || !is_quiet(series.verdict) && !folded.contains(place)
    };
    let full = || product.series.iter().enumerate().filter(is_full).map(|(_, series)| series);
    for verdict in Verdict::ALL {
        for series in full().filter(|series| series.verdict == verdict) {
            text.push('\n');
            text.push_str(&series_detail::series(product, series, legend.take(), style));
        }
    }
    let is_short = product.series.len() > MOST_ROWS && !style.every_check;
    push_folded(text, product, &folded, is_short);
    if !style.every_check && !is_short {
        push_brief(text, product, style);
    }
    push_remarks(text, product, style);
}

/// `river-gauge-5v over build: fail`
fn head(product: &ProductDrift, style: Style) -> String {
    let name = paint(&terminal(&product.product), palette::STRONG, style);
    let verdict = product.verdict.unwrap_or(Verdict::NotJudged);
    format!("{name} over {}: {}", product.over.name(), paint(phrase(verdict), palette::of(verdict), style))
}

/// What the groups are.
fn groups(product: &ProductDrift) -> Vec<String> {
    let units: u64 = product.groups.iter().map(|group| group.units).sum();
    let records: u64 = product.groups.iter().map(|group| group.records).sum();
    let (Some(first), Some(last)) = (product.groups.first(), product.groups.last()) else {
        return vec!["no group is recorded".to_owned()];
    };
    let span = if product.groups.len() == 1 {
        format!("1 group, {}", first.label)
    } else {
        format!("{} groups from {} to {}", product.groups.len(), first.label, last.label)
    };
    let all = |what: &str, pick: fn(&GroupHead) -> Vec<String>| {
        let mut seen: Vec<String> = Vec::new();
        for name in product.groups.iter().flat_map(pick) {
            if !seen.contains(&name) {
                seen.push(name);
            }
        }
        format!("{what}{} {}", if seen.len() == 1 { "" } else { "s" }, sentences::and(&seen))
    };
    let parts = [
        all("revision", |group| group.revisions.clone()),
        all("firmware", |group| named(&group.firmwares)),
        all("station", |group| named(&group.stations)),
    ];
    vec![format!("{span}: {} in {}", count_of(units, "unit"), count_of(records, "record")), parts.join("; ")]
}

/// Names, `unnamed` for none.
fn named(names: &[Option<String>]) -> Vec<String> {
    names.iter().map(|name| name.clone().unwrap_or_else(|| "unnamed".to_owned())).collect()
}

/// How many series stand behind the movements, and in short how many others there are.
fn push_folded(text: &mut String, product: &ProductDrift, folded: &HashSet<usize>, is_short: bool) {
    let mut counts: Vec<String> = Vec::new();
    for verdict in Verdict::ALL {
        let series = product.series.iter().enumerate().filter(|(_, series)| series.verdict == verdict);
        let hidden = |place: &usize| if is_quiet(verdict) { is_short } else { folded.contains(place) };
        let count = series.filter(|(place, _)| hidden(place)).count();
        if count > 0 {
            counts.push(format!("{count} {}", phrase(verdict)));
        }
    }
    if !counts.is_empty() {
        let behind = match (folded.is_empty(), is_short) {
            (true, _) => "Series",
            (false, true) => "Series behind the movements and others",
            (false, false) => "Series behind the movements",
        };
        text.push_str(&format!("  {behind}: {}; -v shows each\n", counts.join(", ")));
    }
}

/// Whether a series of this verdict is told in brief.
const fn is_quiet(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Pass | Verdict::Waived | Verdict::NotJudged)
}

fn push_brief(text: &mut String, product: &ProductDrift, style: Style) {
    for (verdict, title) in
        [(Verdict::Waived, "Waived"), (Verdict::Pass, "Pass"), (Verdict::NotJudged, "Not judged")]
    {
        let series: Vec<&SeriesOutcome> =
            product.series.iter().filter(|series| series.verdict == verdict).collect();
        if series.is_empty() {
            continue;
        }
        let title = paint(title, palette::of(verdict), style);
        let has_intervals = series.iter().any(|series| series.trend.is_some() || series.capability.is_some());
        let note = if has_intervals {
            ": the newest mean; forecast in groups; in brackets 95 % intervals, of Ppk the lower bound"
        } else {
            ""
        };
        text.push_str(&format!("\n  {title}{note}\n"));
        text.push_str(&series_row::reasons(&series, style));
        text.push_str(&series_row::table(&series, style));
        for series in &series {
            let name = format!("{} {}", series.corner, sentences::quantity(series));
            let moves = |unit: &&ReferenceSeries| unit.trend.as_ref().is_some_and(sentences::is_shown);
            for unit in series.references.iter().filter(moves) {
                let line = format!("reference unit, {name}: {}", sentences::reference(series, unit));
                push_words(text, 4, anstyle::Style::new(), &terminal(&line), style);
            }
        }
    }
}

/// What is to be said of the product as a whole.
fn push_remarks(text: &mut String, product: &ProductDrift, style: Style) {
    let mut lines: Vec<String> = Vec::new();
    lines.extend(references(product));
    lines.extend(sentences::retested(&product.retested));
    lines.extend(product.notes.iter().map(|note| format!("note: {note}")));
    lines.extend(product.false_alarms.as_ref().map(sentences::false_alarms));
    if !lines.is_empty() {
        text.push('\n');
    }
    for line in lines {
        push_words(text, 2, anstyle::Style::new(), &terminal(&line), style);
    }
}

/// `2 reference units watch station bench-1 and bench-3; no trend is shown on any of them`
fn references(product: &ProductDrift) -> Option<String> {
    let (mut serials, mut stations, mut moving) = (Vec::new(), Vec::new(), 0);
    for unit in product.series.iter().flat_map(|series| &series.references) {
        if !serials.contains(&&unit.serial) {
            serials.push(&unit.serial);
        }
        let station = sentences::station(unit.station.as_deref());
        if !stations.contains(&station) {
            stations.push(station);
        }
        moving += usize::from(unit.moves());
    }
    let count = serials.len();
    let (units, watch) = if count == 1 { ("unit", "watches") } else { ("units", "watch") };
    let shows = match moving {
        0 => "neither a trend nor a step is shown".to_owned(),
        1 => "1 series of them moves, and so does its station".to_owned(),
        _ => format!("{moving} series of them move, and so do their stations"),
    };
    (count > 0).then(|| format!("{count} reference {units} {watch} {}; {shows}", sentences::and(&stations)))
}
