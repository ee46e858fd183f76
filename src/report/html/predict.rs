//! The page of `predict`: what all corners come to, what decides, and corner by corner curve, spread and parts.

use super::axis::{ANGLE_STEPS, GAIN_STEPS, frequency_ticks, step_of, widened};
use super::page_frame;
use super::plot_panel::{Across, Strip};
use super::svg_path::{Place, across, area, down, line};
use super::table;
use super::text::{capital, check_name, fitting, minus, safe, to_do};
use crate::check::frequency_text;
use crate::circuit::predict::{CornerOutcome, Fan, FanPoint, Quantity};
use crate::decision::Limit;
use crate::measurand::Measurand;
use crate::quantity::number;
use crate::report::predict::{
    Predicted, advice, corner_line, deciding_lines, effects, headline, limit_words, missed_words,
    nominal_words, notes, range_words, title_of,
};
use maud::{Markup, html};
use std::io::{self, Write};

/// Details of corners are shown up to this, bytes, the worst first: a browser opens them in a moment.
const DETAILS: usize = 5_000_000;
/// Corners that the table of all lists.
const ROWS: usize = 2_000;
/// Gains and angles beyond these are not drawn.
const GAIN_RANGE: (f64, f64) = (-120.0, 160.0);
const ANGLE_RANGE: (f64, f64) = (-540.0, 540.0);

/// Writes the page.
///
/// # Errors
/// When the sink cannot be written.
pub fn write_predict_html(mut sink: impl Write, predicted: &Predicted<'_>) -> io::Result<()> {
    let name = predicted.product.unwrap_or(&predicted.prediction.title);
    let title = format!("{}: loop stability predicted", safe(name));
    page_frame::write_begin(&mut sink, &title, &top(name, predicted))?;
    let corners = predicted.worst_first();
    let details = details(predicted, &corners);
    sink.write_all(overview(predicted, &corners, details.len()).into_string().as_bytes())?;
    sink.write_all(b"<h3 class=\"group\">Corner by corner</h3>\n")?;
    for detail in &details {
        sink.write_all(detail.as_bytes())?;
    }
    if details.len() < corners.len() {
        let left = corners.len() - details.len();
        let note = html! { p.note { (left) " more corners stand in the table alone: there are too many for one page. The JSON result has them all." } };
        sink.write_all(note.into_string().as_bytes())?;
    }
    page_frame::write_end(&mut sink, &page_frame::end())
}

fn top(name: &str, predicted: &Predicted<'_>) -> Markup {
    let prediction = predicted.prediction;
    html! {
        header {
            p.kicker { "Loop stability as the netlist predicts it" }
            h1 #matrix { (safe(name)) }
            p.sum { (capital(&headline(predicted))) "." }
            p.small {
                "From " (safe(predicted.netlist))
                @if prediction.units > 0 {
                    ", " (prediction.units) " units drawn, the same at every corner: "
                    @for (k, part) in prediction.parts.iter().enumerate() {
                        @if k > 0 { ", " } (safe(&part.name)) " ±" (number(100.0 * part.tolerance, 4)) " %"
                    }
                    ", evenly inside and independent of each other"
                }
                ". Nothing was measured, and nothing is judged."
            }
            @for line in deciding_lines(predicted) { p.lead { (safe(&capital(&line))) "." } }
        }
    }
}

fn overview(predicted: &Predicted<'_>, corners: &[&CornerOutcome], detailed: usize) -> Markup {
    html! {
        section aria-labelledby="corners" {
            h2 #corners { "Corners, the worst first" }
            (table::sheet("corners", "files several-series stack", ["corner", "comes to", "nearest limit", "nominal", "95 % of the units"], &html! {
                @for (k, corner) in corners.iter().take(ROWS).enumerate() {
                    tr {
                        th scope="row" { @if k < detailed { a href={ "#c" (k) } { (safe(&corner.corner)) } } @else { (safe(&corner.corner)) } }
                        td data-l="comes to" { (safe(&corner_line(predicted, corner))) }
                        @match &corner.nearest {
                            Some(nearest) => {
                                td data-l="nearest limit" { (check_name(&nearest.check)) " " (limit_words(corner, nearest.quantity)) }
                                td.number data-l="nominal" { (nominal_words(corner, nearest.quantity)) }
                                td.number data-l="95 %" { (range_words(corner, nearest.quantity)) }
                            },
                            None => { td data-l="nearest limit" {} td data-l="nominal" {} td data-l="95 %" {} },
                        }
                    }
                }
            }))
            @if corners.len() > ROWS { p.note { (corners.len() - ROWS) " more corners have no row here: there are too many for one page. The JSON result has them all." } }
        }
    }
}

/// The details that have room, the worst first.
fn details(predicted: &Predicted<'_>, corners: &[&CornerOutcome]) -> Vec<String> {
    let all = corners.iter().enumerate().map(|(k, corner)| detail(k, predicted, corner).into_string());
    fitting(all, &mut { DETAILS }).collect()
}

fn detail(k: usize, predicted: &Predicted<'_>, corner: &CornerOutcome) -> Markup {
    let prediction = predicted.prediction;
    let is_bad = corner.failing > 0 || !corner.nominal.misses.is_empty();
    html! {
        article.corner.bad[is_bad] {
            details open[is_bad || k == 0] {
                summary { h4 { (safe(&corner.corner)) } p.lead { (safe(&corner_line(predicted, corner))) } }
                div.body id={ "c" (k) } {
                    @if let Some(advice) = advice(corner, &prediction.parts) { (to_do(&advice)) }
                    ul.noticed { @for note in notes(corner, prediction.units) { li { (safe(&note)) } } }
                    @if let Some(fan) = &corner.fan { @if let Some(plot) = bode(corner, fan, prediction.units) { div.plots { (plot) (legend(prediction.units)) p.readout { output {} } } } }
                    (values(predicted, corner))
                    (sensitivity(predicted, corner))
                }
            }
        }
    }
}

fn legend(units: usize) -> Markup {
    html! {
        ul.legend {
            li { svg width="34" height="10" aria-hidden="true" { path class="curve judged" d="M1 5h32" {} } "nominal" }
            @if units > 0 { li { svg width="34" height="10" aria-hidden="true" { rect.band x="1" width="32" height="10" {} } "95 % of the units" } }
        }
    }
}

/// Whether a row of a quantity tells anything.
fn is_told(corner: &CornerOutcome, k: usize) -> bool {
    let has_value = corner.nominal.values().nth(k).flatten().is_some();
    has_value || corner.limits.get(k).copied().flatten().is_some()
}

fn values(predicted: &Predicted<'_>, corner: &CornerOutcome) -> Markup {
    let prediction = predicted.prediction;
    html! {
        (table::inner("values of the corner", "files stack", ["quantity", "nominal", "95 % of the units", "limit", "units that miss", "what the tolerances do"], &html! {
            @for (k, quantity) in corner.quantities.iter().enumerate().filter(|(k, _)| is_told(corner, *k)) {
                tr {
                    th scope="row" { (safe(&title_of(quantity))) }
                    td.number data-l="nominal" { (nominal_words(corner, k)) }
                    td.number data-l="95 %" { (range_words(corner, k)) }
                    td.number data-l="limit" { (limit_words(corner, k)) }
                    td.number data-l="miss" { (missed_words(corner, quantity.check(), prediction.units)) }
                    td data-l="tolerances" { (safe(&effects(corner, k, &prediction.parts).join(", "))) }
                }
            }
        }))
    }
}

/// Change of each quantity per 1 % of each part.
fn sensitivity(predicted: &Predicted<'_>, corner: &CornerOutcome) -> Markup {
    let parts = &predicted.prediction.parts;
    let rows = || {
        corner
            .quantities
            .iter()
            .enumerate()
            .filter(|(k, _)| corner.nominal.values().nth(*k).flatten().is_some())
    };
    let names = parts.iter().map(|part| safe(&part.name));
    let titles = std::iter::once("change per +1 % of".to_owned()).chain(names);
    html! {
        @if !parts.is_empty() {
            (table::inner("change per 1 % of a part", "files flow", titles, &html! {
                @for (k, quantity) in rows() {
                    tr {
                        th scope="row" { (safe(&title_of(quantity))) @let unit = quantity.unit().symbol(); @if !unit.is_empty() { ", " (unit) } }
                        @for slope in corner.sensitivity.get(k).map_or(&[][..], Vec::as_slice) {
                            td.number { @if let Some(slope) = slope { (minus(&number(*slope, 3))) } }
                        }
                    }
                }
            }))
        }
    }
}

/// The curves of a corner: nominal, with the middle 95 % of the units.
fn bode(corner: &CornerOutcome, fan: &Fan, units: usize) -> Option<Markup> {
    let (first, last) = (fan.points.first()?.frequency_hz, fan.points.last()?.frequency_hz);
    let ticks = frequency_ticks(first, last).into_iter().map(|tick| (across(tick.at), tick.label)).collect();
    let axis = Across { from: across(first), to: across(last), ticks };
    if axis.to <= axis.from {
        return None;
    }
    let (gain, angle) = (gain(corner, fan, &axis), angle(corner, fan, &axis));
    Some(html! {
        figure.bode {
            div.strips {
                (gain.markup(&axis, "gain"))
                (angle.markup(&axis, "angle"))
                span {}
                (axis.labels("frequency"))
            }
            figcaption { "Gain of the nominal loop, and its phase as angle above the critical point’s direction"
                @if units > 0 { "; the band holds 95 % of the units at each frequency" } "." }
        }
    })
}

/// One of the two strips: its range, its lines.
struct Side {
    height: u32,
    title: &'static str,
    what: &'static str,
    column: usize,
    ends: fn(&FanPoint) -> [f64; 2],
    cut: (f64, f64),
    least: (f64, f64),
    steps: &'static [f64],
}

fn strip(side: &Side, fan: &Fan, axis: &Across) -> Strip {
    let own = |point: &FanPoint| point.nominal.get(side.column).copied().unwrap_or(0.0);
    let values = || fan.points.iter().flat_map(|point| (side.ends)(point).into_iter().chain([own(point)]));
    let low = (values().fold(f64::INFINITY, f64::min) - 4.0).clamp(side.cut.0, side.least.0);
    let high = (values().fold(f64::NEG_INFINITY, f64::max) + 4.0).clamp(side.least.1, side.cut.1);
    let step = step_of(side.steps, high - low, 7.0);
    let ends = fan.points.first().zip(fan.points.last());
    let ends = ends.map_or_else(String::new, |(a, b)| {
        format!("from {} to {}", frequency_text(a.frequency_hz), frequency_text(b.frequency_hz))
    });
    let what = format!("{} {ends}, nominal and 95 % of the units", side.what);
    let mut strip = Strip::new(side.height, widened(low, high, step.min(45.0)), step, side.title, what);
    let base = if side.column == 0 { "zero" } else { "ray" };
    strip.draw(base, &line([(axis.from, 0), (axis.to, 0)]));
    let place = |point: &FanPoint, value: f64| -> Place { (across(point.frequency_hz), down(value)) };
    let edge = |end: usize| -> Vec<Place> {
        let at = |point: &FanPoint| place(point, (side.ends)(point).get(end).copied().unwrap_or(0.0));
        fan.points.iter().map(at).collect()
    };
    strip.draw("band", &area(&edge(1), &edge(0)));
    strip.draw("curve judged", &line(fan.points.iter().map(|point| place(point, own(point)))));
    let points: Vec<(i32, f64)> =
        fan.points.iter().map(|point| (across(point.frequency_hz), own(point))).collect();
    strip.take(&points);
    strip
}

fn gain(corner: &CornerOutcome, fan: &Fan, axis: &Across) -> Strip {
    let side = Side {
        height: 236,
        title: "gain, dB",
        what: "gain in dB",
        column: 0,
        ends: |point| point.gain_db,
        cut: GAIN_RANGE,
        least: (-10.0, 10.0),
        steps: &GAIN_STEPS,
    };
    let mut strip = strip(&side, fan, axis);
    if let Some(window) = limit_of(corner, Measurand::Crossover) {
        let ends = [window.min.map_or(axis.from, across), window.max.map_or(axis.to, across)];
        strip.draw("window", &line(ends.map(|x| (x.clamp(axis.from, axis.to), 0))));
    }
    if let Some(found) = corner.nominal.measured.get(Measurand::Crossover) {
        strip.ring(axis, across(found.value), 0.0);
    }
    if let Some(found) = corner.nominal.measured.get(Measurand::GainMargin).filter(|found| !found.at_least) {
        let words = format!("gain margin {} dB", number(found.value, 3));
        strip.bracket(axis, across(found.at_hz), (0.0, -found.value), &words);
    }
    strip
}

fn angle(corner: &CornerOutcome, fan: &Fan, axis: &Across) -> Strip {
    let side = Side {
        height: 196,
        title: "angle, deg",
        what: "angle above the critical point's direction in deg",
        column: 1,
        ends: |point| point.angle_deg,
        cut: ANGLE_RANGE,
        least: (-10.0, 30.0),
        steps: &ANGLE_STEPS,
    };
    let mut strip = strip(&side, fan, axis);
    strip.say(0.0, false, "critical point’s direction");
    if let Some(found) = corner.nominal.measured.get(Measurand::PhaseMargin) {
        let off = |point: &&FanPoint| (point.frequency_hz / found.at_hz).ln().abs();
        let nearest = fan.points.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
        // The margin counts from the nearest whole turn.
        let base = nearest.map_or(0.0, |point| ((point.nominal[1] - found.value) / 360.0).round() * 360.0);
        let words = format!("phase margin {} deg", number(found.value, 3));
        strip.bracket(axis, across(found.at_hz), (base, base + found.value), &words);
        strip.ring(axis, across(found.at_hz), base + found.value);
    }
    strip
}

fn limit_of(corner: &CornerOutcome, measurand: Measurand) -> Option<Limit> {
    let at = corner.quantities.iter().position(|own| *own == Quantity::Measurand(measurand))?;
    corner.limits.get(at).copied().flatten()
}
