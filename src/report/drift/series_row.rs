//! Series in brief: a row each, under their corner.

use super::common_prefix::Scale;
use super::layout::push_words;
use super::sentences;
use crate::check::{Verdict, limit_text};
use crate::drift::{Reach, SeriesOutcome, Slope};
use crate::report::escape::terminal;
use crate::report::statement::by_reason;
use crate::report::terminal::Style;
use crate::report::terminal::palette::{self, paint};
use crate::report::terminal::{Side, columns};

/// The table of these series, each line with its line end; empty without one.
pub(super) fn table(series: &[&SeriesOutcome], style: Style) -> String {
    if series.is_empty() {
        return String::new();
    }
    let titles = ["", "newest", "sd", "limit", "trend per group", "forecast", "Ppk"];
    let mut rows = vec![titles.map(str::to_owned)];
    rows.extend(series.iter().map(|series| row(series)));
    use Side::{Left, Right};
    let mut lines = columns(&rows, [Left, Right, Right, Left, Left, Left, Left]).into_iter();
    let mut text = format!("    {}\n", lines.next().unwrap_or_default());
    let mut corner = None;
    for (series, line) in series.iter().zip(lines) {
        if corner.replace(&series.corner) != Some(&series.corner) {
            let name = paint(&terminal(&series.corner), palette::STRONG, style);
            text.push_str(&format!("  {name}\n"));
        }
        text.push_str(&format!("    {line}\n"));
    }
    text
}

fn row(series: &SeriesOutcome) -> [String; 7] {
    let scale = Scale::of(series);
    let none = || "-".to_owned();
    let newest = series.groups.iter().rev().find(|group| group.mean.is_some());
    [
        terminal(&sentences::quantity(series)).into_owned(),
        newest.and_then(|group| group.mean).map_or_else(none, |mean| scale.text(mean)),
        newest.and_then(|group| group.sd).map_or_else(none, |sd| scale.number(sd)),
        limit_text(&series.limit, series.unit),
        series.trend.as_ref().map_or_else(none, |slope| trend(scale, slope)),
        series.forecast.as_ref().map_or_else(none, forecast),
        series.capability.map_or_else(none, |ability| format!("{:.2} ({:.2})", ability.ppk, ability.low)),
    ]
}

/// `-0.21 (-0.29, -0.13)`, in the prefix of the mean.
fn trend(scale: Scale, slope: &Slope) -> String {
    // One digit of the interval's half width: the two of a sentence make the rows too long.
    let scale = scale.resolving((slope.high - slope.low) * 5.0);
    let [per_group, low, high] = [slope.per_group, slope.low, slope.high].map(|value| scale.number(value));
    format!("{per_group} ({low}, {high})")
}

/// `9.1 (6.4, 16)` in groups; `240 (31+)` where it may never be reached.
fn forecast(reach: &Reach) -> String {
    let interval = match (reach.low.map(sentences::groups_ahead), reach.high.map(sentences::groups_ahead)) {
        (Some(low), Some(high)) => format!("{low}, {high}"),
        (Some(low), None) => format!("{low}+"),
        (None, _) => "never".to_owned(),
    };
    format!("{} ({interval})", sentences::groups_ahead(reach.in_groups))
}

/// Why series are not judged: the reasons in the order they appear, with the series each holds for.
pub(super) fn reasons(series: &[&SeriesOutcome], style: Style) -> String {
    let named = series.iter().filter(|series| series.verdict == Verdict::NotJudged);
    let named = named.map(|s| (s.message.as_str(), format!("{} {}", s.corner, sentences::quantity(s))));
    let all = series.len();
    let mut text = String::new();
    for (reason, names) in by_reason(named) {
        // One reason for all needs no names.
        let line =
            if names.len() == all { reason.to_owned() } else { format!("{}: {reason}", names.join(", ")) };
        push_words(&mut text, 4, palette::of(Verdict::NotJudged), &terminal(&line), style);
    }
    text
}
