//! Two curves over each other, gain and angle, and below each part of their difference with its uncertainty.

use super::axis::{frequency_ticks, round_step, widened};
use super::gain_and_angle::{angle_strip, gain_strip};
use super::plot_panel::{Across, Strip};
use super::svg_path::{Place, across, area, down, line};
use crate::check::PlotPoint;
use crate::compare::{CurvePair, DifferencePoint};
use crate::quantity::number;
use maud::{Markup, html};

/// Gains, dB, and angles, deg, beyond these are not drawn.
const GAIN_RANGE: (f64, f64) = (-120.0, 160.0);
const ANGLE_RANGE: (f64, f64) = (-540.0, 540.0);
/// Units of the lines of a difference in a dB or a degree: it may be a hundredth of the curves.
const FINE: f64 = 1000.0;
/// A difference is drawn on this scale at least, dB or deg: below it lies what no chain shows.
const LEAST: f64 = 0.02;

/// Gain or angle of a difference with its expanded uncertainty.
type Part = fn(&DifferencePoint) -> (f64, Option<f64>);

/// The figure; empty where there is nothing to draw.
pub(super) fn figure(pair: &CurvePair, coverage: f64) -> Markup {
    let points = || pair.sides.iter().flatten();
    let low = points().map(|p| p.hz).fold(f64::INFINITY, f64::min);
    let high = points().map(|p| p.hz).fold(0.0, f64::max);
    let ticks = frequency_ticks(low, high).into_iter().map(|t| (across(t.at), t.label)).collect();
    let axis = Across { from: across(low), to: across(high), ticks };
    if axis.to <= axis.from {
        return html! {};
    }
    let of_gain: Part = |p| (p.gain_db, p.uncertainty.map(|[u, _]| u));
    let of_angle: Part = |p| (p.angle_deg, p.uncertainty.map(|[_, u]| u));
    let has_band = pair.difference.iter().any(|p| p.uncertainty.is_some());
    html! {
        div.plots.pair {
            figure.bode {
                div.strips {
                    (gain(pair, &axis).markup(&axis, "gain"))
                    (difference(pair, of_gain, ("Δ gain, dB", "gain in dB"), &axis).markup(&axis, "gain-difference"))
                    (angle(pair, &axis).markup(&axis, "angle"))
                    (difference(pair, of_angle, ("Δ angle, deg", "angle in deg"), &axis).markup(&axis, "angle-difference"))
                    span {}
                    (axis.labels("frequency"))
                }
                figcaption { "Gain of the loop, and its phase as angle above the critical point’s direction, on both sides. Δ: B less A where both were judged."
                    @if has_band { " Its band is the expanded uncertainty at one frequency, coverage factor " (number(coverage, 5)) "; of many frequencies some lie outside by chance." } }
            }
            ul.legend {
                li { svg width="34" height="10" aria-hidden="true" { path.curve.judged d="M1 5h32" {} } "A, and Δ" }
                li { svg width="34" height="10" aria-hidden="true" { path.curve.confirms d="M1 5h32" {} } "B" }
                @if has_band { li { svg width="34" height="10" aria-hidden="true" { rect.band x="1" width="32" height="10" {} } "expanded uncertainty of Δ" } }
            }
            p.readout { output {} }
        }
    }
}

fn range(pair: &CurvePair, of: fn(&PlotPoint) -> f64, most: (f64, f64)) -> (f64, f64) {
    let values = || pair.sides.iter().flatten().map(of);
    let (low, high) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
    (low.clamp(most.0, most.1), high.clamp(most.0, most.1))
}

fn gain(pair: &CurvePair, axis: &Across) -> Strip {
    let mut strip = gain_strip(axis, 220, range(pair, |p| p.gain_db, GAIN_RANGE), "gain in dB on both sides");
    draw(&mut strip, pair, |p| p.gain_db);
    strip
}

fn angle(pair: &CurvePair, axis: &Across) -> Strip {
    let what = "angle above the critical point's direction in deg on both sides";
    let mut strip = angle_strip(axis, 190, range(pair, |p| p.angle_deg, ANGLE_RANGE), what);
    draw(&mut strip, pair, |p| p.angle_deg);
    strip.say(0.0, false, "critical point’s direction");
    strip
}

fn draw(strip: &mut Strip, pair: &CurvePair, of: fn(&PlotPoint) -> f64) {
    for (class, points) in ["curve judged", "curve confirms"].into_iter().zip(&pair.sides) {
        strip.draw(class, &line(points.iter().map(|p| (across(p.hz), down(of(p))))));
    }
}

fn difference(pair: &CurvePair, of: Part, (title, what): (&'static str, &str), axis: &Across) -> Strip {
    let ends = || pair.difference.iter().map(of).map(|(value, u)| (value, u.unwrap_or(0.0)));
    let low = ends().map(|(value, u)| value - u).fold(-LEAST, f64::min);
    let high = ends().map(|(value, u)| value + u).fold(LEAST, f64::max);
    let step = round_step(high - low, 4.0);
    let what = format!("difference of the {what}, B less A, with its expanded uncertainty");
    let mut strip = Strip::new(110, widened(low, high, 0.5 * step), step, title, what);
    strip.per_one = FINE;
    let zero = strip.down(0.0);
    strip.draw("zero", &line([(axis.from, zero), (axis.to, zero)]));
    let edge = |strip: &Strip, sign: f64| -> Vec<Place> {
        let known = pair.difference.iter().filter_map(|p| Some((p.hz, of(p).0, of(p).1?)));
        known.map(|(hz, value, u)| (across(hz), strip.down(value + sign * u))).collect()
    };
    let band = area(&edge(&strip, 1.0), &edge(&strip, -1.0));
    strip.draw("band", &band);
    let places: Vec<Place> = pair.difference.iter().map(|p| (across(p.hz), strip.down(of(p).0))).collect();
    strip.draw("curve judged", &line(places));
    strip
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_curves_and_their_difference_are_drawn() {
        let side = |gain: f64| {
            let point = |hz: f64| PlotPoint { hz, gain_db: gain - 20.0 * hz.log10(), angle_deg: 60.0 };
            vec![point(100.0), point(1e4)]
        };
        let point = |hz| DifferencePoint { hz, gain_db: 0.5, angle_deg: -2.0, uncertainty: Some([0.1, 0.4]) };
        let mut pair =
            CurvePair { sides: [side(60.0), side(60.5)], difference: vec![point(100.0), point(1e4)] };
        let text = figure(&pair, 2.0).into_string();
        for (part, count) in
            [("curve confirms\" d=", 3), ("class=\"band\" d=", 2), ("data-units=\"1000\"", 2)]
        {
            assert_eq!(text.matches(part).count(), count, "{part} in {text}");
        }
        // 0.5 dB above zero, in thousandths.
        assert!(text.contains("M8000 -500l8000 0"), "{text}");
        pair.sides = [Vec::new(), Vec::new()];
        assert!(figure(&pair, 2.0).into_string().is_empty());
    }
}
