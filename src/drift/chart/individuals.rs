//! Chart of the single means, with run rules.

use super::plot::{Plot, PlotLine, Point, Reach, Standard};
use super::{Individuals, Rule, Setup, Side, Signal};

/// A rule as "so many of the last so many beyond this line on one side".
struct Zone {
    rule: Rule,
    /// `of`, or one less.
    needed: usize,
    of: usize,
    /// Distance of the line from the centre in standard deviations, before widening.
    line: f64,
}

impl Zone {
    /// The line with limits widened. The centre line itself cannot be multiplied, so a run on one side is counted beyond a
    /// band about it of one sigma for each unit of widening above 1: in a chart whose lines stand at 0, 1, 2 and 3 sigma
    /// the centre is as uncertain as the spread, and a centre that is off by less than the band makes no run.
    fn widened(&self, widening: f64) -> f64 {
        if self.line > 0.0 { self.line * widening } else { widening - 1.0 }
    }
}

fn zones(parameters: &Individuals) -> Vec<Zone> {
    let zone = |rule, needed, of, line| Zone { rule, needed, of, line };
    let single = zone(Rule::Individuals, 1, 1, parameters.single);
    let more = [
        parameters.two_of_three.map(|line| zone(Rule::TwoOfThree, 2, 3, line)),
        parameters.four_of_five.map(|line| zone(Rule::FourOfFive, 4, 5, line)),
        parameters.in_a_row.map(|n| zone(Rule::EightInARow, n, n, 0.0)),
    ];
    std::iter::once(single).chain(more.into_iter().flatten()).collect()
}

/// The chart over standardised points.
pub(super) fn run(
    setup: &Setup,
    points: &[Point],
    z: &[Standard],
    parameters: &Individuals,
    widening: &[f64],
) -> (Plot, Vec<Signal>) {
    let lines = points.iter().zip(widening).map(|(point, widening)| {
        let width = parameters.single * widening * point.sigma;
        PlotLine { statistic: point.value, lower: setup.center - width, upper: setup.center + width }
    });
    let mut signals = Vec::new();
    let zones = zones(parameters);
    for (index, (point, widening)) in points.iter().zip(widening).enumerate() {
        for zone in &zones {
            let line = zone.widened(*widening);
            for side in Side::BOTH {
                let Some(since) = met(zone, z, index, line, side) else { continue };
                let limit = setup.center + side.sign() * line * point.sigma;
                signals.push(Signal { index, rule: zone.rule, side, since, value: point.value, limit });
            }
        }
    }
    (Plot::Lines(lines.collect()), signals)
}

/// The first of the means that meet a rule at a group. That group's own mean must be among them, or a run that is over would
/// signal again.
fn met(zone: &Zone, z: &[Standard], index: usize, line: f64, side: Side) -> Option<usize> {
    let from = (index + 1).saturating_sub(zone.of);
    let beyond = |z: &Standard| side.sign() * z > line;
    let window = z.get(from..=index)?;
    let first = window.iter().position(beyond)?;
    let enough = window.iter().filter(|z| beyond(z)).count() >= zone.needed;
    (enough && window.last().is_some_and(beyond)).then_some(from + first)
}

/// What the points reach. They are less the centre, in true standard deviations.
pub(super) fn reach(z: &[Standard], parameters: &Individuals) -> Vec<Reach> {
    let mut lines = Reach { deviation: 0.0, fixed: 0.0, widened: 1.0 };
    let mut runs = Reach { deviation: 0.0, fixed: -1.0, widened: 1.0 };
    for zone in &zones(parameters) {
        let size = zone.of.min(z.len());
        let spared = size.saturating_sub(zone.needed);
        for window in z.windows(size.max(1)).filter(|_| zone.needed <= size) {
            for side in Side::BOTH {
                if zone.line > 0.0 {
                    lines.deviation = lines
                        .deviation
                        .max(least(window, side, spared, lines.deviation * zone.line) / zone.line);
                } else {
                    runs.deviation = least(window, side, spared, runs.deviation);
                }
            }
        }
    }
    vec![lines, runs]
}

/// Smallest deviation to a side, or the second smallest if one may be spared, which is all that a rule here ever spares; `floor` if
/// that is larger. Most windows are seen to be below it after a few values.
fn least(window: &[Standard], side: Side, spared: usize, floor: f64) -> f64 {
    let [mut first, mut second] = [f64::MAX; 2];
    for z in window {
        let z = side.sign() * z;
        second = second.min(first.max(z));
        first = first.min(z);
        if (if spared == 0 { first } else { second }) <= floor {
            return floor;
        }
    }
    if spared == 0 { first } else { second }
}
