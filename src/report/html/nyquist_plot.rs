//! The complex plane about the critical point, where the spec puts it.

use super::bode_plot::main_level;
use super::svg_path::{Place, line, whole};
use crate::check::{CornerOutcome, CornerPlot, Measured, PlotPoint, Unit, value_text};
use crate::measurand::Measurand;
use crate::spec::CriticalPoint;
use maud::{Markup, html};

/// Units of a distance of 1.
const PER_ONE: f64 = 1000.0;
/// Half of the width that is shown, units: the unit circle and as much again.
pub(crate) const EDGE: i32 = 2200;
/// Largest turn between two drawn points, rad: a chord then leaves its arc by 0.14 % of the radius.
const LARGEST_TURN: f64 = 0.1;

/// The figure of a corner; nothing without a level.
pub(crate) fn plane(corner: &CornerOutcome, plot: &CornerPlot) -> Option<Markup> {
    let level = main_level(plot)?;
    let side = f64::from(sign(plot.critical_point));
    let at = whole(side * PER_ONE);
    let nearest = corner.measured.and_then(|m| m.get(Measurand::StabilityMargin));
    let closest = nearest.and_then(|found| closest(&level.curve, found.at_hz)).map(|p| place(&p, side));
    let limit = corner.checks.iter().find(|c| c.check == "stability_margin");
    let limit = limit.and_then(|c| c.limit).and_then(|l| l.min);
    let name = if side > 0.0 { "+1" } else { "\u{2212}1" };
    Some(html! {
        figure.plane {
            svg.map viewBox=(format!("-{EDGE} -{EDGE} {0} {0}", 2 * EDGE)) role="img" data-sign=(sign(plot.critical_point)) {
                title { "loop gain in the complex plane near the critical point " (name) }
                (frame(plot.critical_point, limit))
                @for run in lines(&level.curve, plot.critical_point) { path.curve.judged d=(line(run)) {} }
                @if let Some((x, y)) = closest {
                    path.span d=(format!("M{at} 0L{x} {y}")) {}
                    circle.ring cx=(x) cy=(y) r="60" {}
                }
                circle.cursor r="70" {}
            }
            figcaption { "Complex plane. " (caption(nearest, limit)) }
        }
    })
}

/// Where the critical point is.
pub(crate) const fn sign(point: CriticalPoint) -> i32 {
    match point {
        CriticalPoint::PlusOne => 1,
        CriticalPoint::MinusOne => -1,
    }
}

/// Axes, circles, the critical point, and the disc that nothing may enter.
pub(crate) fn frame(point: CriticalPoint, keep_off: Option<f64>) -> Markup {
    let at = 1000 * sign(point);
    let name = if sign(point) > 0 { "+1" } else { "\u{2212}1" };
    html! {
        path.grid d=(format!("M-{EDGE} 0H{EDGE}M0 -{EDGE}V{EDGE}")) {}
        circle.grid r="1000" {}
        circle.grid.lesser r="2000" {}
        @if let Some(limit) = keep_off { circle.keep-off cx=(at) r=(whole(limit * PER_ONE)) {} }
        path.critical d=(format!("M{} 0h200M{at} -100v200", at - 100)) {}
        circle.critical cx=(at) r="60" {}
        // Below the disc, which curves keep off.
        text x=(at) y=(whole(keep_off.unwrap_or(0.1) * PER_ONE).clamp(100, 1000) + 190) text-anchor="middle" { "critical " (name) }
        text x="0" y="-1040" text-anchor="middle" { "|T| = 1" }
    }
}

/// The stretches of a curve that are in the picture.
pub(crate) fn lines(curve: &[PlotPoint], point: CriticalPoint) -> Vec<Vec<Place>> {
    let side = f64::from(sign(point));
    let places: Vec<Place> = curve.windows(2).flat_map(between).map(|p| place(&p, side)).collect();
    visible(&places, EDGE).into_iter().map(<[Place]>::to_vec).collect()
}

/// What is near the critical point, and what must not be.
fn caption(nearest: Option<Measured>, limit: Option<f64>) -> Markup {
    html! {
        @if let Some(found) = nearest {
            "Smallest distance to the critical point: " (value_text(found.value, found.uncertainty, Unit::One, false)) ". "
        }
        @if let Some(limit) = limit {
            "Nothing may enter the ringed disc of radius " (crate::quantity::number(limit, 6)) "."
        }
    }
}

/// The point on the curve nearest to a frequency, between its drawn points.
fn closest(curve: &[PlotPoint], hz: f64) -> Option<PlotPoint> {
    let pair =
        curve.windows(2).find(|pair| pair.iter().any(|p| p.hz >= hz) && pair.iter().any(|p| p.hz <= hz));
    match pair {
        Some([a, b]) => Some(mix(a, b, (hz / a.hz).ln() / (b.hz / a.hz).ln())),
        _ => curve.last().copied(),
    }
}

fn mix(a: &PlotPoint, b: &PlotPoint, share: f64) -> PlotPoint {
    PlotPoint {
        hz: a.hz * (b.hz / a.hz).powf(share),
        gain_db: a.gain_db + share * (b.gain_db - a.gain_db),
        angle_deg: a.angle_deg + share * (b.angle_deg - a.angle_deg),
    }
}

/// The stretch between two points, in steps so small that it looks round, without its last point.
fn between(pair: &[PlotPoint]) -> Vec<PlotPoint> {
    let [a, b] = pair else { return Vec::new() };
    let turn = (b.angle_deg - a.angle_deg).to_radians().abs();
    // Also along the radius: 0.1 neper is 0.87 dB. Between 1 and 64 by the clamp.
    let steps = (turn / LARGEST_TURN).max((b.gain_db - a.gain_db).abs() / 2.0).ceil().clamp(1.0, 64.0) as u32;
    (0..steps).map(|k| mix(a, b, f64::from(k) / f64::from(steps))).collect()
}

fn place(p: &PlotPoint, sign: f64) -> Place {
    let size = PER_ONE * sign * 10f64.powf(p.gain_db / 20.0);
    let (sin, cos) = p.angle_deg.to_radians().sin_cos();
    (whole(size * cos), whole(-size * sin))
}

/// The runs of places inside the picture, each with the neighbours that lie just outside.
fn visible(places: &[Place], edge: i32) -> Vec<&[Place]> {
    let inside = |(x, y): &Place| x.abs() <= edge && y.abs() <= edge;
    let mut runs = Vec::new();
    let mut from: Option<usize> = None;
    for (i, pair) in places.windows(2).enumerate() {
        let shows = pair.iter().any(inside);
        match (shows, from) {
            (true, None) => from = Some(i),
            (false, Some(start)) => {
                runs.extend(places.get(start..=i));
                from = None;
            }
            _ => {}
        }
    }
    if let Some(start) = from {
        runs.extend(places.get(start..));
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_in_the_picture_is_drawn() {
        let places = [(9000, 0), (3000, 0), (1000, 0), (500, 0), (3000, 3000), (9000, 0), (9000, 9), (0, 0)];
        let runs = visible(&places, 2200);
        assert_eq!(runs, [&places[1..5], &places[6..8]]);
        assert!(visible(&[(9000, 0), (9000, 1)], 2200).is_empty());
    }

    /// A loop gain of 1 at a phase margin of 60 deg, in both conventions: textbook -120 deg, measured around the loop +60 deg.
    #[test]
    fn the_curve_lies_where_the_convention_has_it() {
        let p = PlotPoint { hz: 1e4, gain_db: 0.0, angle_deg: 60.0 };
        assert_eq!(place(&p, 1.0), (500, -866));
        assert_eq!(place(&p, -1.0), (-500, 866));
    }
}
