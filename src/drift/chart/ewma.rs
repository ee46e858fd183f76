//! Exponentially weighted moving average.

use super::plot::{Plot, PlotLine, Reach, Standard};
use super::{Ewma, Rule, Setup, Side, Signal};

/// The average after each point and its standard deviation, both in sigma: e = w z + (1 - w) e, from 0;
/// s^2 = w/(2 - w) (1 - (1 - w)^(2 i)) (NIST/SEMATECH e-Handbook, 6.3.2.4).
fn averages<'a>(z: &'a [Standard], parameters: &'a Ewma) -> impl Iterator<Item = [f64; 2]> + 'a {
    let Ewma { weight, steady_state, .. } = *parameters;
    let keep = 1.0 - weight;
    z.iter().scan((0.0, 1.0), move |(average, old), z| {
        *average = weight * z + keep * *average;
        *old *= keep * keep;
        let share = if steady_state { 1.0 } else { 1.0 - *old };
        Some([*average, (weight / (2.0 - weight) * share).sqrt()])
    })
}

/// The chart over standardised points.
pub(super) fn run(setup: &Setup, z: &[Standard], parameters: &Ewma, widening: &[f64]) -> (Plot, Vec<Signal>) {
    let (mut lines, mut signals) = (Vec::with_capacity(z.len()), Vec::new());
    let (mut since, mut before) = (0, 0.0);
    for (index, ([average, deviation], widening)) in averages(z, parameters).zip(widening).enumerate() {
        let width = parameters.limit * widening * deviation;
        let value = setup.center + average * setup.sigma;
        let [lower, upper] = [-1.0, 1.0].map(|sign| setup.center + sign * width * setup.sigma);
        lines.push(PlotLine { statistic: value, lower, upper });
        if average * before <= 0.0 {
            since = index;
        }
        before = average;
        for (side, limit) in Side::BOTH.into_iter().zip([upper, lower]) {
            if side.sign() * average > width {
                signals.push(Signal { index, rule: Rule::Ewma, side, since, value, limit });
            }
        }
    }
    (Plot::Lines(lines), signals)
}

/// What the points reach. They are less the centre, in true standard deviations.
pub(super) fn reach(z: &[Standard], parameters: &Ewma) -> Vec<Reach> {
    let beyond = averages(z, parameters).map(|[average, deviation]| average.abs() / deviation);
    vec![Reach { deviation: beyond.fold(0.0, f64::max), fixed: 0.0, widened: parameters.limit }]
}
