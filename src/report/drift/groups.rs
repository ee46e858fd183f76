//! The groups of a series, a row each.

use super::common_prefix::Scale;
use super::dot_plot::Strip;
use crate::drift::{ChartPoint, GroupStats, ProductDrift, SeriesOutcome};
use crate::report::escape::clip;
use crate::report::statement::count_of;
use crate::report::terminal::{Side, columns};
use std::borrow::Cow;

/// Newest groups that are always shown; older ones only where something was seen.
const NEWEST: usize = 30;
/// Older ones at most, so that a table stays one.
const OLDER: usize = 20;
/// Longest label of a group in a table, characters.
const LONGEST_LABEL: usize = 24;

/// What a line of the table is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Column titles, or how many groups are left out.
    Title,
    /// A group that sets the chart's centre and spread.
    Setup,
    /// A group without a signal.
    Quiet,
    /// A group with a signal.
    Signal,
}

/// Text from the data made harmless.
type Clean = fn(&str) -> Cow<'_, str>;

/// Places of the groups that are shown: the newest, and of the older ones the first that have a signal or a step.
fn shown(series: &SeriesOutcome) -> Vec<usize> {
    let from = series.groups.len().saturating_sub(NEWEST);
    let step = series.moved().map(|(_, since)| since.group);
    let mut older: Vec<usize> = series.signals.iter().map(|signal| signal.group).chain(step).collect();
    older.retain(|place| *place < from);
    older.sort_unstable();
    older.dedup();
    older.truncate(OLDER);
    older.into_iter().chain(from..series.groups.len()).collect()
}

/// What is marked at the end of a group's row: signals, a step, setup, lower bounds.
fn marks(series: &SeriesOutcome, place: usize, group: &GroupStats) -> (Kind, String) {
    let mut words: Vec<Cow<'static, str>> = Vec::new();
    for signal in series.signals.iter().filter(|signal| signal.group == place) {
        words.push(if signal.explained_by_station {
            format!("{} (station)", signal.rule).into()
        } else {
            signal.rule.into()
        });
    }
    let has_signal = !words.is_empty();
    if let Some((movement, _)) = series.moved().filter(|(_, since)| since.group == place) {
        words.push(movement.kind.name().into());
    }
    let first = series.chart.as_ref().and_then(|chart| chart.points.first());
    let is_setup = group.mean.is_some() && first.is_some_and(|first| place < first.group);
    if is_setup {
        words.push("setup".into());
    }
    if group.bounds > 0 {
        words.push(count_of(group.bounds, "lower bound").into());
    }
    let kind = match (has_signal, is_setup) {
        (true, _) => Kind::Signal,
        (false, true) => Kind::Setup,
        (false, false) => Kind::Quiet,
    };
    (kind, words.join(", "))
}

/// A cell of a number that may not exist.
fn cell(scale: Scale, value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| scale.number(value))
}

fn numbers(scale: Scale, group: &GroupStats) -> [String; 6] {
    [
        group.units.to_string(),
        cell(scale, group.mean),
        cell(scale, group.uncertainty),
        cell(scale, group.sd),
        cell(scale, group.min),
        cell(scale, group.max),
    ]
}

/// Rows of cells with what they are, and gaps between them as rows of their own.
fn with_gaps<const N: usize>(
    product: &ProductDrift,
    series: &SeriesOutcome,
    clean: Clean,
    title: [String; N],
    row: impl Fn(usize, &GroupStats, String, String) -> [String; N],
    sides: [Side; N],
) -> Vec<(Kind, String)> {
    let mut rows = vec![title];
    let mut kinds = vec![(Kind::Title, 0)];
    let mut next = 0;
    for place in shown(series) {
        let (Some(head), Some(group)) = (product.groups.get(place), series.groups.get(place)) else {
            continue;
        };
        let (kind, words) = marks(series, place, group);
        rows.push(row(place, group, clip(&clean(&head.label), LONGEST_LABEL).into_owned(), words));
        kinds.push((kind, place - next));
        next = place + 1;
    }
    let mut lines = Vec::with_capacity(rows.len());
    for (line, (kind, left_out)) in columns(&rows, sides).into_iter().zip(kinds) {
        if left_out > 0 {
            let groups = count_of(left_out as u64, "group");
            lines.push((Kind::Title, format!("({groups} left out)")));
        }
        lines.push((kind, line));
    }
    lines
}

/// The table with a strip in each row, for a terminal.
pub(super) fn with_strips(
    product: &ProductDrift,
    series: &SeriesOutcome,
    clean: Clean,
) -> (Vec<(Kind, String)>, Option<&'static str>) {
    let scale = Scale::of(series);
    let strip = Strip::new(series, &shown(series));
    let ends = strip.map_or_else(String::new, |strip| strip.ends(scale));
    let titles = ["group", "units", "mean", "±", "sd", "lowest", "highest", &ends, ""].map(str::to_owned);
    let row = |place: usize, group: &GroupStats, label: String, words: String| {
        let [units, mean, uncertainty, sd, min, max] = numbers(scale, group);
        let drawn = strip.map_or_else(String::new, |strip| strip.draw(place, group));
        [label, units, mean, uncertainty, sd, min, max, drawn, words]
    };
    use Side::{Left, Right};
    let sides = [Left, Right, Right, Right, Right, Right, Right, Left, Left];
    (with_gaps(product, series, clean, titles, row, sides), strip.and_then(|strip| strip.beyond()))
}

/// The table with the chart's numbers in each row, for a dashboard.
pub(super) fn with_numbers(product: &ProductDrift, series: &SeriesOutcome, clean: Clean) -> Vec<String> {
    let scale = Scale::of(series);
    let points = series.chart.as_ref().map_or(&[][..], |chart| &chart.points);
    let titles = ["group", "units", "mean", "±", "sd", "lowest", "highest", "chart", "from", "to", ""]
        .map(str::to_owned);
    let row = |place: usize, group: &GroupStats, label: String, words: String| {
        let point = points.iter().find(|point| point.group == place);
        let of = |pick: fn(&ChartPoint) -> f64| cell(scale, point.map(pick));
        let [units, mean, uncertainty, sd, min, max] = numbers(scale, group);
        [
            label,
            units,
            mean,
            uncertainty,
            sd,
            min,
            max,
            of(|p| p.statistic),
            of(|p| p.low),
            of(|p| p.high),
            words,
        ]
    };
    use Side::{Left, Right};
    let sides = [Left, Right, Right, Right, Right, Right, Right, Right, Right, Right, Left];
    let lines = with_gaps(product, series, clean, titles, row, sides);
    lines.into_iter().map(|(_, line)| line).collect()
}

/// What the numbers of a table are in; `None` for bare numbers.
pub(super) fn unit(series: &SeriesOutcome) -> Option<String> {
    Some(Scale::of(series).symbol()).filter(|symbol| !symbol.is_empty())
}

#[cfg(test)]
mod tests {
    use super::super::sample_drift;
    use super::*;
    use crate::drift::Signal;
    use crate::report::escape::terminal;

    #[test]
    fn long_histories_show_the_newest_and_the_signals() {
        let product = sample_drift::long();
        let series = &product.series[0];
        assert_eq!(series.groups.len(), 40);
        let shown = shown(series);
        assert_eq!(shown.first(), Some(&8));
        assert_eq!(&shown[1..], (10..40).collect::<Vec<usize>>());
        let (lines, _) = with_strips(&product, series, terminal);
        let gaps: Vec<&str> =
            lines.iter().map(|(_, line)| line.as_str()).filter(|line| line.starts_with('(')).collect();
        assert_eq!(gaps, ["(8 groups left out)", "(1 group left out)"]);
        assert_eq!(lines.len(), 1 + 31 + 2);
    }

    #[test]
    fn a_table_stays_one_however_many_signals_there_are() {
        let mut product = sample_drift::long();
        let signal = product.series[0].signals[0].clone();
        let group = product.series[0].groups[0];
        let head = product.groups[0].clone();
        product.groups = vec![head; 1000];
        product.series[0].groups = vec![group; 1000];
        product.series[0].signals = (5..1000).map(|group| Signal { group, ..signal.clone() }).collect();
        let lines = with_numbers(&product, &product.series[0], terminal);
        assert_eq!(lines.len(), 1 + OLDER + NEWEST + 2);
        assert_eq!(lines.iter().filter(|line| line.ends_with("left out)")).count(), 2);
    }
}
