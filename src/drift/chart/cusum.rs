//! Tabular cumulative sums.

use super::individuals::Reach;
use super::run::{Plot, PlotSums, Standard};
use super::{Cusum, Rule, Setup, Side, Signal};

/// The chart over standardised points. `widening` is on the allowance as well as on the decision interval, as if the spread were
/// so much larger: a centre that is off adds to a sum at every group, and no interval would hold such a sum for long.
///
/// Sums go on after a signal, so a lasting shift signals group after group. A group signals when its sum is beyond the interval
/// and has just risen: one that falls back tells of groups that are over.
pub(super) fn run(setup: &Setup, z: &[Standard], parameters: &Cusum, widening: f64) -> (Plot, Vec<Signal>) {
    let [allowance, interval] = [parameters.allowance, parameters.interval].map(|k| k * widening);
    let limit = interval * setup.sigma;
    let (mut points, mut signals) = (Vec::with_capacity(z.len()), Vec::new());
    let mut sums = [(0.0, 0); 2];
    for (index, z) in z.iter().enumerate() {
        for (side, (sum, since)) in Side::BOTH.into_iter().zip(&mut sums) {
            if *sum == 0.0 {
                *since = index;
            }
            let step = side.sign() * z - allowance;
            *sum = f64::max(*sum + step, 0.0);
            if *sum > interval && step > 0.0 {
                let value = *sum * setup.sigma;
                signals.push(Signal { index, rule: Rule::Cusum, side, since: *since, value, limit });
            }
        }
        let [upper, lower] = sums.map(|(sum, _)| sum * setup.sigma);
        points.push(PlotSums { upper, lower });
    }
    (Plot::Sums { points, interval: limit }, signals)
}

/// The reach of the points: a sum is the largest one, over all stretches that end at its group, of the deviations less the
/// allowances, so with both widened it signals exactly if some stretch's deviations exceed w (allowances + interval).
pub(super) fn reach(z: &[Standard], parameters: &Cusum) -> Reach {
    let mut scaled = 0.0_f64;
    for from in 0..z.len() {
        let (mut sum, mut room) = (0.0, parameters.interval);
        for z in z.iter().skip(from) {
            sum += z;
            room += parameters.allowance;
            scaled = scaled.max(f64::abs(sum) / room);
        }
    }
    Reach { scaled, shifted: 0.0 }
}
