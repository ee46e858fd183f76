//! A product as a whole: the curves of all its corners over each other, the one nearest to its limit in front, and what each
//! condition does to the margins.

use super::axis::frequency_ticks;
use super::gain_and_angle::{angle_strip, gain_strip};
use super::nyquist_plot::{EDGE, frame, lines, sign};
use super::plot_panel::{Across, Strip};
use super::svg_path::{Place, across, down, line};
use super::table;
use super::text::{mark, safe};
use crate::check::{CornerOutcome, CornerPlot, PlotPoint, RunOutcome, Verdict};
use crate::measurand::Measurand;
use crate::quantity::number;
use crate::report::Tally;
use crate::report::compare::signed_text as signed;
use crate::report::condition_steps::Step;
use crate::report::corner_table::COLUMNS;
use crate::report::html::bode_plot::main_level;
use crate::report::statement::{CheckStatement, count_of, nearest};
use crate::spec::CriticalPoint;
use maud::{Markup, html};

/// Most points that are kept of a curve.
const POINTS: usize = 120;
/// How far a kept curve may leave the drawn one: half a pixel where 100 dB and 270 deg are 200 pixels high.
const SLACK: (f64, f64) = (0.25, 0.7);
/// All pictures together, bytes.
const PICTURES: usize = 600_000;
/// Steps that are listed of a product.
const STEPS: usize = 40;
/// Gains, dB, and angles, deg, beyond these are not drawn.
const GAIN_RANGE: (f64, f64) = (-80.0, 100.0);
const ANGLE_RANGE: (f64, f64) = (-360.0, 360.0);

/// The judged curve of one unit at a corner, as much of it as a picture of all corners shows.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CornerCurve {
    serial: String,
    verdict: Verdict,
    /// What lies nearest to its limit, in words.
    told: String,
    point: CriticalPoint,
    /// Radius of the disc about the critical point that nothing may enter.
    keep_off: Option<f64>,
    band_hz: Option<(f64, f64)>,
    crossover_hz: Option<f64>,
    points: Vec<PlotPoint>,
}

impl CornerCurve {
    /// That of a judged corner with a curve and a limit.
    pub(super) fn of(run: &RunOutcome, corner: &CornerOutcome) -> Option<Self> {
        let plot: &CornerPlot = corner.plot.as_ref()?;
        let level = main_level(plot)?;
        let (_, check) = nearest(corner)?;
        let keep_off = corner.checks.iter().find(|check| check.check == Measurand::StabilityMargin.name());
        let crossover = corner.measured.and_then(|measured| measured.get(Measurand::Crossover));
        Some(Self {
            serial: run.serial.clone(),
            verdict: corner.verdict,
            told: CheckStatement::of(corner, check).against_limit(),
            point: plot.critical_point,
            keep_off: keep_off.and_then(|check| check.limit).and_then(|limit| limit.min),
            band_hz: plot.band_hz,
            crossover_hz: crossover.map(|found| found.value),
            points: thinned(&level.curve),
        })
    }

    fn shown(&self) -> impl Iterator<Item = &PlotPoint> {
        let inside =
            |p: &&PlotPoint| self.band_hz.is_none_or(|(from, to)| p.hz >= from * 0.999 && p.hz <= to * 1.001);
        self.points.iter().filter(inside)
    }

    fn range(&self, of: fn(&PlotPoint) -> f64) -> (f64, f64) {
        self.shown()
            .map(of)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    }
}

/// The points that a line needs to stay within [`SLACK`], at most [`POINTS`].
fn thinned(curve: &[PlotPoint]) -> Vec<PlotPoint> {
    let mut kept: Vec<PlotPoint> = Vec::new();
    let mut from = 0;
    for (k, p) in curve.iter().enumerate() {
        let start = curve.get(from);
        let between = curve.get(from + 1..k).unwrap_or(&[]);
        let fits = start.is_some_and(|start| between.iter().all(|q| is_near(start, p, q)));
        if !fits && let Some(before) = k.checked_sub(1).and_then(|at| curve.get(at)) {
            kept.push(*before);
            from = k - 1;
        }
        if k == 0 {
            kept.push(*p);
        }
    }
    kept.extend(curve.last());
    let every = kept.len().div_ceil(POINTS - 1).max(1);
    let last = kept.last().copied();
    let mut kept: Vec<PlotPoint> = kept.into_iter().step_by(every).collect();
    kept.extend(last);
    kept.dedup();
    kept
}

/// Whether a point lies on the line between two others.
fn is_near(a: &PlotPoint, b: &PlotPoint, p: &PlotPoint) -> bool {
    let share = (p.hz / a.hz).ln() / (b.hz / a.hz).ln();
    let off = |of: fn(&PlotPoint) -> f64| (of(a) + share * (of(b) - of(a)) - of(p)).abs();
    off(|p| p.gain_db) <= SLACK.0 && off(|p| p.angle_deg) <= SLACK.1
}

/// A corner's curve with its name and headroom, thousandths.
pub(super) type Named<'a> = (&'a str, i32, &'a CornerCurve);

/// The section of all products; nothing where there is nothing to draw.
pub(super) fn section<'a>(tally: &Tally, curves: &dyn Fn(&str) -> Vec<Named<'a>>) -> Markup {
    let (mut parts, mut size, mut left) = (Vec::new(), 0, 0_u64);
    for (product, _) in tally.table.products() {
        let Some(part) = one(product, &curves(product), tally.steps.of(product)) else { continue };
        let part = part.into_string();
        size += part.len();
        if size <= PICTURES { parts.push(maud::PreEscaped(part)) } else { left += 1 }
    }
    html! {
        @if !parts.is_empty() {
            section aria-labelledby="whole" {
                h2 #whole { "All corners together" }
                p.small { "Of every corner the curve of the unit with the least room to a limit, relative to that limit." }
                @for part in parts { (part) }
                @if left > 0 { p.note { "The pictures of " (count_of(left, "more product")) " are left out: there are too many for one page. --only makes a report of a part." } }
            }
        }
    }
}

fn one(product: &str, curves: &[Named<'_>], steps: &[Step]) -> Option<Markup> {
    let picture = picture(curves);
    if picture.is_none() && steps.is_empty() {
        return None;
    }
    Some(html! {
        div.sheet.whole {
            h3 { (safe(product)) }
            @if let Some(picture) = picture { (picture) }
            (steps_table(product, steps))
        }
    })
}

fn picture(curves: &[Named<'_>]) -> Option<Markup> {
    let (front, _, worst) = curves.iter().min_by_key(|(_, room, _)| *room)?;
    let all = || curves.iter().map(|(_, _, curve)| *curve);
    let ends = all().filter_map(|curve| Some((curve.points.first()?.hz, curve.points.last()?.hz)));
    let (first, last) = ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
    let ticks = frequency_ticks(first, last).into_iter().map(|t| (across(t.at), t.label)).collect();
    let axis = Across { from: across(first), to: across(last), ticks };
    if axis.to <= axis.from {
        return None;
    }
    // The front one is drawn last.
    let mut order: Vec<&CornerCurve> = all().filter(|curve| !std::ptr::eq(*curve, *worst)).collect();
    order.push(worst);
    let others = (curves.len() - 1) as u64;
    Some(html! {
        div.plots {
            figure.bode {
                div.strips {
                    (gain(&order, &axis).markup(&axis, "gain"))
                    (angle(&order, &axis).markup(&axis, "angle"))
                    span {}
                    (axis.labels("frequency"))
                }
                figcaption { "Gain of the loop, and its phase as angle above the critical point’s direction. Rings: crossovers." }
            }
            (plane(&order, worst))
            ul.legend {
                li { svg width="34" height="10" aria-hidden="true" { path.curve.judged d="M1 5h32" {} } span { (mark(worst.verdict)) " " strong { (safe(front)) } ", " (safe(&worst.serial)) ", nearest to its limit: " (safe(&worst.told)) } }
                @if others > 0 { li { svg width="34" height="10" aria-hidden="true" { path.curve.also d="M1 5h32" {} } (count_of(others, "other corner")) } }
            }
            p.readout { output {} }
        }
    })
}

fn gain(curves: &[&CornerCurve], axis: &Across) -> Strip {
    let mut strip =
        gain_strip(axis, 236, range(curves, |p| p.gain_db, GAIN_RANGE), "gain in dB of all corners");
    draw(&mut strip, curves, |p| p.gain_db);
    for hz in curves.iter().filter_map(|curve| curve.crossover_hz) {
        strip.ring(axis, across(hz), 0.0);
    }
    strip
}

fn angle(curves: &[&CornerCurve], axis: &Across) -> Strip {
    let what = "angle above the critical point's direction in deg of all corners";
    let mut strip = angle_strip(axis, 196, range(curves, |p| p.angle_deg, ANGLE_RANGE), what);
    draw(&mut strip, curves, |p| p.angle_deg);
    strip.say(0.0, false, "critical point’s direction");
    strip
}

fn range(curves: &[&CornerCurve], of: fn(&PlotPoint) -> f64, most: (f64, f64)) -> (f64, f64) {
    let all = curves.iter().map(|curve| curve.range(of)).filter(|(low, high)| low <= high);
    let (low, high) = all.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).unwrap_or((-1.0, 1.0));
    (low.clamp(most.0, most.1), high.clamp(most.0, most.1))
}

fn draw(strip: &mut Strip, curves: &[&CornerCurve], of: fn(&PlotPoint) -> f64) {
    for (k, curve) in curves.iter().enumerate() {
        let class = if k + 1 == curves.len() { "curve judged" } else { "curve also" };
        strip.draw(class, &line(curve.points.iter().map(|p| (across(p.hz), down(of(p))))));
    }
}

fn plane(curves: &[&CornerCurve], worst: &CornerCurve) -> Markup {
    let drawn = |curve: &CornerCurve| -> Vec<Vec<Place>> { lines(&curve.points, curve.point) };
    html! {
        figure.plane {
            svg.map viewBox=(format!("-{EDGE} -{EDGE} {0} {0}", 2 * EDGE)) role="img" data-sign=(sign(worst.point)) {
                title { "loop gain of all corners in the complex plane near the critical point" }
                (frame(worst.point, worst.keep_off))
                @for (k, curve) in curves.iter().enumerate() {
                    @for run in drawn(curve) { path class=(if k + 1 == curves.len() { "curve judged" } else { "curve also" }) d=(line(run)) {} }
                }
                circle.cursor r="70" {}
            }
            figcaption {
                "Complex plane."
                @if let Some(limit) = worst.keep_off { " Nothing may enter the ringed disc of radius " (number(limit, 6)) ", the limit of the stability margin." }
            }
        }
    }
}

fn steps_table(product: &str, steps: &[Step]) -> Markup {
    let columns: Vec<Measurand> = COLUMNS
        .into_iter()
        .filter(|measurand| steps.iter().any(|step| step.mean(*measurand).is_some()))
        .collect();
    let titles =
        std::iter::once("from one to the other".to_owned()).chain(columns.iter().map(|own| own.title()));
    html! {
        @if !columns.is_empty() {
            div.wide tabindex="0" role="group" aria-label=(format!("effect of each condition, {}", safe(product))) {
                table.steps.stack {
                    caption { "What each condition does" }
                    (table::head(titles))
                    tbody {
                        @for step in steps.iter().take(STEPS) {
                            tr {
                                th scope="row" { (safe(&step.condition)) " " (safe(&step.from)) " → " (safe(&step.to)) " " small { "(" (count_of(step.pairs() as u64, "pair")) ")" } }
                                @for measurand in &columns { td.number data-l=(measurand.title()) { (step.mean(*measurand).map_or_else(|| "-".to_owned(), |mean| signed(mean.value, mean.uncertainty, measurand.unit()))) } }
                            }
                        }
                    }
                }
            }
            p.small { "Mean change of a margin, over all units, between corners that differ in that condition alone, with its expanded uncertainty."
                @if steps.len() > STEPS { " " (steps.len() - STEPS) " more are left out." } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(points: usize) -> Vec<PlotPoint> {
        let point = |k: usize| {
            let x = k as f64 / points as f64;
            PlotPoint {
                hz: 10f64.powf(2.0 + 3.0 * x),
                gain_db: 40.0 - 80.0 * x + 5.0 * (9.0 * x).sin(),
                angle_deg: 90.0 - 120.0 * x * x,
            }
        };
        (0..points).map(point).collect()
    }

    #[test]
    fn a_thinned_curve_stays_on_the_whole_one() {
        let whole = curve(360);
        let few = thinned(&whole);
        assert!(few.len() <= POINTS && few.len() > 5, "{}", few.len());
        assert_eq!((few.first(), few.last()), (whole.first(), whole.last()));
        for p in &whole {
            let at = few.partition_point(|q| q.hz < p.hz).max(1);
            assert!(is_near(&few[at - 1], &few[at], p), "{p:?}");
        }
        assert!(thinned(&[]).is_empty() && thinned(&whole[..1]).len() == 1);
        let wild: Vec<PlotPoint> = (0..360)
            .map(|k| PlotPoint { hz: 1.0 + f64::from(k), gain_db: f64::from(k % 2) * 9.0, angle_deg: 0.0 })
            .collect();
        assert!(thinned(&wild).len() <= POINTS);
    }

    #[test]
    fn the_corner_nearest_to_its_limit_is_in_front_and_named() {
        let of = |serial: &str, keep_off| CornerCurve {
            serial: serial.to_owned(),
            verdict: Verdict::Fail,
            told: "phase margin 44 deg, limit at least 50 deg".to_owned(),
            point: CriticalPoint::PlusOne,
            keep_off,
            band_hz: None,
            crossover_hz: Some(1e4),
            points: curve(50),
        };
        let (a, b) = (of("RG-1", None), of("RG-2", Some(0.5)));
        let text = picture(&[("24V", 80, &a), ("10V", -118, &b)]).unwrap().into_string();
        assert!(
            text.contains("<strong>10V</strong>, RG-2, nearest to its limit: phase margin 44 deg"),
            "{text}"
        );
        assert_eq!(text.matches("class=\"curve also\"").count(), 4);
        assert!(text.contains("keep-off") && text.contains("1 other corner"));
        assert!(picture(&[]).is_none());
    }
}
