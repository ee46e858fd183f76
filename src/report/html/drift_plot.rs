//! One series over its groups: means with their scatter, spread, extremes, limits, chart, movement and forecast.

use super::axis::{round_step, widened};
use super::plot_panel::{Across, Strip};
use super::svg_path::{Place, area, line, whole};
use super::text::safe;
use crate::check::{Unit, value_text};
use crate::drift::{GroupHead, GroupStats, Kind, Movement, SeriesOutcome, Since};
use crate::quantity::si;
use crate::report::escape::clip;
use maud::{Escaper, Markup, html};
use std::fmt::Write;

/// Units from group to group.
const PER_GROUP: f64 = 1000.0;
/// Units of the height of the plot.
const TALL: f64 = 100_000.0;
/// Most groups that are drawn ahead of the newest one.
const AHEAD: f64 = 12.0;
/// Most labels below the plot; the others are in the table.
const LABELS: usize = 8;
/// A limit farther away than so many heights of what was measured is named in the text alone.
const NEAR: f64 = 3.0;

/// The figure; nothing when no group has a mean. The newest `listed` groups are in the table below it, from which the script reads.
pub(crate) fn series_plot(heads: &[GroupHead], series: &SeriesOutcome, listed: usize) -> Option<Markup> {
    let largest = series.groups.iter().filter_map(|g| g.mean).map(f64::abs).reduce(f64::max)?;
    let (scale, prefix) = match series.unit {
        Unit::Hz | Unit::S => si(largest),
        _ => (1.0, ""),
    };
    let axis = axis(heads, series);
    let plot = Plot { series, scale, axis: &axis };
    let strip = plot.strip()?;
    let unit = format!("{prefix}{}", series.unit.symbol());
    Some(html! {
        div.plots.drift data-first=(heads.len().saturating_sub(listed)) {
            figure {
                div.strips { (strip.markup(&axis, "series")) span {} (axis.labels("group")) }
                figcaption {
                    "In " (if unit.is_empty() { "units of one" } else { unit.as_str() })
                    ". Dot: mean of a group, with two standard errors of what scatters from unit to unit; shade: one spread between units; thin line: lowest to highest. Triangle: signal of the chart."
                    @if let Some(chain) = common_error(series) { " All means may be off together by " (value_text(chain, None, series.unit, false)) ", the measuring chain's own accuracy." }
                }
            }
            (legend(series))
            p.readout { output {} }
        }
    })
}

fn legend(series: &SeriesOutcome) -> Markup {
    let entry = |class: &str, words: &str| {
        html! { li { svg width="34" height="10" aria-hidden="true" { path class=(class) d="M1 5h32" {} } (words) } }
    };
    html! {
        ul.legend {
            (entry("limit", "limit"))
            @if series.chart.is_some() { (entry("centre", "centre line")) (entry("chart", "limits of the chart")) }
            @if series.movement.is_some() { (entry("trend", "level, and what it did")) }
            @if series.moved().is_some() { (entry("step", "beginning, with its 95 % interval")) }
            @if series.forecast.is_some() { (entry("ahead", "forecast, 95 %")) }
        }
    }
}

/// Largest error that all means of a series share, expanded; `None` where none is declared.
fn common_error(series: &SeriesOutcome) -> Option<f64> {
    series.groups.iter().filter_map(|group| group.chain).reduce(f64::max).filter(|chain| *chain > 0.0)
}

/// Two standard errors of a mean from its units, without what the chain does to all alike.
fn scatter(group: &GroupStats) -> f64 {
    // Groups are small enough for an f64.
    2.0 * group.sd.unwrap_or(0.0) / (group.units.max(1) as f64).sqrt()
}

/// Size of a small plot.
const SPARK: (f64, f64) = (96.0, 22.0);

/// The means of a series as a line in a line of text, and where it moved.
pub(crate) fn spark(series: &SeriesOutcome) -> Markup {
    // More points than pixels draw the same line.
    let every = series.groups.len().div_ceil(SPARK.0 as usize).max(1);
    let means: Vec<(usize, f64)> = series
        .groups
        .iter()
        .enumerate()
        .filter_map(|(i, group)| Some((i, group.mean?)))
        .step_by(every)
        .collect();
    let low = means.iter().map(|(_, mean)| *mean).fold(f64::INFINITY, f64::min);
    let high = means.iter().map(|(_, mean)| *mean).fold(f64::NEG_INFINITY, f64::max);
    let across = SPARK.0 / series.groups.len().max(2) as f64;
    let x = |group: f64| (group + 0.5) * across;
    let down = |mean: f64| {
        if high > low { 2.0 + (SPARK.1 - 4.0) * (high - mean) / (high - low) } else { 0.5 * SPARK.1 }
    };
    let mut d = String::new();
    for (k, (i, mean)) in means.iter().enumerate() {
        // Writing to a string does not fail.
        let _ = write!(d, "{}{:.1} {:.1}", if k == 0 { 'M' } else { 'L' }, x(*i as f64), down(*mean));
    }
    html! {
        svg.spark width=(SPARK.0) height=(SPARK.1) aria-hidden="true" {
            @if let Some((_, since)) = series.moved() { path.step d={ "M" (format!("{:.1}", x(since.group as f64 - 0.5))) " 0V" (SPARK.1) } {} }
            path.curve d=(d) {}
        }
    }
}

fn place(group: f64) -> i32 {
    whole(PER_GROUP * group)
}

fn axis(heads: &[GroupHead], series: &SeriesOutcome) -> Across {
    // Groups are few enough for an f64.
    let newest = heads.len().saturating_sub(1) as f64;
    let ahead = series.forecast.map_or(0.0, |reach| reach.in_groups.clamp(0.0, AHEAD));
    let every = heads.len().div_ceil(LABELS).max(1);
    let label = |index: usize, head: &GroupHead| {
        if index.is_multiple_of(every) { clip(&safe(&head.label), 14).into_owned() } else { String::new() }
    };
    let ticks = heads.iter().enumerate().map(|(i, head)| (place(i as f64), label(i, head))).collect();
    Across { from: place(-0.6), to: place(newest + ahead + 0.6), ticks }
}

/// Corners of the line that a movement draws through the means: group and value.
fn fitted(movement: &Movement, since: Since, newest: f64) -> [(f64, f64); 4] {
    let after = movement.level.value;
    let before = after - movement.size.value;
    let first = since.group as f64;
    let begins = if movement.kind == Kind::Step { first - 0.5 } else { (first - 1.0).max(0.0) };
    let ends = if movement.kind == Kind::Step { begins } else { newest };
    [(0.0, before), (begins, before), (ends, after), (newest, after)]
}

struct Plot<'a> {
    series: &'a SeriesOutcome,
    scale: f64,
    axis: &'a Across,
}

impl Plot<'_> {
    fn means(&self) -> impl Iterator<Item = (f64, f64, &GroupStats)> {
        let scale = self.scale;
        let groups = self.series.groups.iter().enumerate();
        groups.filter_map(move |(i, group)| Some((i as f64, group.mean? / scale, group)))
    }

    /// Lowest and highest of what is drawn, limits included where they are near.
    fn range(&self) -> Option<(f64, f64)> {
        let mut all: Vec<f64> = Vec::new();
        for (_, mean, group) in self.means() {
            let u = scatter(group) / self.scale;
            all.extend([mean - u, mean + u]);
            all.extend([group.min, group.max].into_iter().flatten().map(|v| v / self.scale));
        }
        if let Some(chart) = &self.series.chart {
            all.extend(
                chart.points.iter().flat_map(|p| [p.low, p.high, p.statistic]).map(|v| v / self.scale),
            );
        }
        let ends = |all: &[f64]| {
            Some((all.iter().copied().reduce(f64::min)?, all.iter().copied().reduce(f64::max)?))
        };
        let (low, high) = ends(&all)?;
        let reach = NEAR * (high - low).max(1e-6 * high.abs());
        let limits =
            [self.series.limit.min, self.series.limit.max].into_iter().flatten().map(|v| v / self.scale);
        all.extend(limits.filter(|v| (low - reach..=high + reach).contains(v)));
        ends(&all)
    }

    fn strip(&self) -> Option<Strip> {
        let (low, high) = self.range()?;
        let width = (high - low).max(1e-6 * high.abs()).max(1e-12);
        let step = round_step(1.2 * width, 6.0);
        let (low, high) = widened(low - 0.08 * width, high + 0.08 * width, 0.5 * step);
        let what = "means of the groups with uncertainty, spread and limits; the table below has the numbers";
        let mut strip = Strip {
            per_one: TALL / (high - low),
            // So that a small range far from 0 keeps its digits.
            origin: high,
            ..Strip::new(280, (low, high), step, "mean of a group", what.to_owned())
        };
        self.limits(&mut strip);
        self.spread(&mut strip);
        self.chart(&mut strip);
        self.trend(&mut strip);
        self.marks(&mut strip);
        Some(strip)
    }

    fn limits(&self, strip: &mut Strip) {
        let (from, to, low, high) = (self.axis.from, self.axis.to, strip.low, strip.high);
        for (bound, is_min) in [(self.series.limit.min, true), (self.series.limit.max, false)] {
            let Some(bound) = bound.map(|b| b / self.scale) else { continue };
            let (a, b) = if is_min { (low, bound) } else { (bound, high) };
            strip.fill("forbidden", from, to, a.min(high), b.max(low));
            let y = strip.down(bound);
            strip.draw("limit", &line([(from, y), (to, y)]));
        }
    }

    fn spread(&self, strip: &mut Strip) {
        let places = |strip: &Strip, sign: f64| -> Vec<Place> {
            let edge = |(i, mean, group): (f64, f64, &GroupStats)| {
                Some((place(i), strip.down(mean + sign * group.sd? / self.scale)))
            };
            self.means().filter_map(edge).collect()
        };
        let d = area(&places(strip, 1.0), &places(strip, -1.0));
        strip.draw("band", &d);
        let mut d = String::new();
        for (i, _, group) in self.means() {
            if let (Some(min), Some(max)) = (group.min, group.max) {
                d += &line([
                    (place(i), strip.down(min / self.scale)),
                    (place(i), strip.down(max / self.scale)),
                ]);
            }
        }
        strip.draw("ends", &d);
    }

    fn chart(&self, strip: &mut Strip) {
        let Some(chart) = &self.series.chart else { return };
        let y = strip.down(chart.center / self.scale);
        strip.draw("centre", &line([(self.axis.from, y), (self.axis.to, y)]));
        for of in [|p: &crate::drift::ChartPoint| p.low, |p: &crate::drift::ChartPoint| p.high] {
            // Each limit holds for its group: steps.
            let steps = chart.points.iter().flat_map(|p| {
                let (at, y) = (p.group as f64, strip.down(of(p) / self.scale));
                [(place(at - 0.5), y), (place(at + 0.5), y)]
            });
            let d = line(steps);
            strip.draw("chart", &d);
        }
        let d =
            line(chart.points.iter().map(|p| (place(p.group as f64), strip.down(p.statistic / self.scale))));
        strip.draw("curve other", &d);
    }

    /// The most probable movement as it is drawn through the means, and the fan of the forecast.
    fn trend(&self, strip: &mut Strip) {
        let Some(movement) = &self.series.movement else { return };
        let newest = self.series.groups.iter().rposition(|group| group.mean.is_some()).unwrap_or(0) as f64;
        let level = movement.level.value;
        let at = |group: f64, value: f64| (place(group), strip.down(value / self.scale));
        let fitted = match self.series.moved() {
            Some((movement, since)) => {
                fitted(movement, since, newest).map(|(group, value)| at(group, value)).to_vec()
            }
            None => vec![at(0.0, level), at(newest, level)],
        };
        let fitted = line(fitted);
        let fan = self.series.forecast.map(|reach| {
            let ahead = reach.in_groups.clamp(0.0, AHEAD);
            let end = |slope: f64, level: f64| [at(newest, level), at(newest + ahead, level + slope * ahead)];
            let upper = end(movement.slope.high, movement.level.high);
            let lower = end(movement.slope.low, movement.level.low);
            (area(&upper, &lower), line(end(movement.slope.value, level)))
        });
        strip.draw("trend", &fitted);
        if let Some((cone, ahead)) = fan {
            strip.draw("cone", &cone);
            strip.draw("ahead", &ahead);
        }
    }

    fn marks(&self, strip: &mut Strip) {
        if let Some((_, since)) = self.series.moved() {
            let (from, to) = (place(since.low as f64 - 0.5), place(since.high as f64 - 0.5));
            let (low, high) = (strip.low, strip.high);
            if to > from {
                strip.fill("begins", from, to, low, high);
            }
            let at = place(since.group as f64 - 0.5);
            let d = line([(at, strip.down(high)), (at, strip.down(low))]);
            strip.draw("step", &d);
        }
        let mut d = String::new();
        for (i, mean, group) in self.means() {
            let u = scatter(group) / self.scale;
            d += &line([(place(i), strip.down(mean - u)), (place(i), strip.down(mean + u))]);
        }
        strip.draw("span", &d);
        let means: Vec<(f64, f64)> = self.means().map(|(i, mean, _)| (i, mean)).collect();
        for (i, mean) in means {
            strip.ring(self.axis, place(i), mean);
        }
        for signal in &self.series.signals {
            let percent = super::plot_panel::round(self.axis.percent(place(signal.group as f64)));
            let mut words = String::new();
            // Writing to a string does not fail.
            let _ = Escaper::new(&mut words).write_str(&safe(&signal.message));
            let _ = write!(
                strip.notes,
                "<svg class=\"foot\" x=\"{percent}%\" y=\"12\"><path class=\"signal\" d=\"M-6-6h12l-6 10z\"><title>{words}</title></path></svg>"
            );
        }
    }
}
