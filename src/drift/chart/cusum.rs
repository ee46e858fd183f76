//! Tabular cumulative sums.

use super::plot::{Plot, PlotSums, Reach, Standard};
use super::{Cusum, Rule, Setup, Side, Signal};

/// The chart over standardised points. `widening` is on the decision interval alone. On the allowance as well it would hold as
/// many false alarms with a smaller factor, but small shifts, which these sums are for, would be found later: after eight setup
/// groups with 5 % of false alarms, a shift of one sigma after 40 instead of 26 groups (median), while one of two sigma gains a
/// single group.
///
/// Sums go on after a signal, so a lasting shift signals group after group. A group signals when its sum is beyond the interval
/// and has just risen: one that falls back tells of groups that are over.
pub(super) fn run(
    setup: &Setup,
    z: &[Standard],
    parameters: &Cusum,
    widening: &[f64],
) -> (Plot, Vec<Signal>) {
    let (mut points, mut signals) = (Vec::with_capacity(z.len()), Vec::new());
    let mut sums = [(0.0, 0); 2];
    for (index, (z, widening)) in z.iter().zip(widening).enumerate() {
        let interval = parameters.interval * widening;
        let limit = interval * setup.sigma;
        for (side, (sum, since)) in Side::BOTH.into_iter().zip(&mut sums) {
            if *sum == 0.0 {
                *since = index;
            }
            let step = side.sign() * z - parameters.allowance;
            *sum = f64::max(*sum + step, 0.0);
            if *sum > interval && step > 0.0 {
                let value = *sum * setup.sigma;
                signals.push(Signal { index, rule: Rule::Cusum, side, since: *since, value, limit });
            }
        }
        let [upper, lower] = sums.map(|(sum, _)| sum * setup.sigma);
        points.push(PlotSums { upper, lower, interval: limit });
    }
    (Plot::Sums(points), signals)
}

/// What the points reach. They are less the centre, in true standard deviations. A sum is the largest one, over all stretches
/// that end at its group, of the deviations less the allowances. Of the stretches of one length the one of the largest deviation
/// matters, and only if it is larger than those of all shorter ones.
pub(super) fn reach(z: &[Standard], parameters: &Cusum) -> Vec<Reach> {
    let totals: Vec<f64> = std::iter::once(0.0)
        .chain(z.iter().scan(0.0, |total, z| {
            *total += z;
            Some(*total)
        }))
        .collect();
    let mut reach = Vec::new();
    let mut largest = 0.0;
    for length in 1..=z.len() {
        let sums = totals.iter().zip(totals.iter().skip(length)).map(|(a, b)| f64::abs(b - a));
        let deviation = sums.fold(0.0, f64::max);
        if deviation > largest {
            largest = deviation;
            let fixed = length as f64 * parameters.allowance;
            reach.push(Reach { deviation, fixed, widened: parameters.interval });
        }
    }
    reach
}
