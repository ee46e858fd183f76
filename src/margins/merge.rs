//! Crossings that noise cannot tell apart are one crossing.
//!
//! Between two neighbouring crossings the curve must leave the line by more than its noise (coverage factor 2); else the
//! two are of one place. An odd number of them is one crossing, read from the straight line between the nearest samples on
//! both sides that do leave the line. An even number leads back to where it came from: no crossing is shown there.

use super::crossings::{Crossing, Crossings, Direction, Merged};
use crate::curve::{Curve, Point, wrap};
use crate::noise::Noise;

/// Coverage factor of the noise that a crossing must stand out of.
const COVERAGE: f64 = 2.0;

impl Crossings {
    /// Merges what the noise of the curve cannot tell apart.
    pub fn merge(&mut self, curve: &Curve, noise: &Noise) {
        self.merged.clear();
        let [gain, phase] = noise.shares();
        let ln_mag = |i: usize| curve.ln_mag().get(i).copied();
        merge(
            &mut self.gain,
            curve,
            noise,
            &mut self.merged,
            &Line { of_gain: true, share: gain, value: &ln_mag },
        );
        let angle = |i: usize| curve.angle().get(i).map(|angle| wrap(*angle));
        merge(
            &mut self.phase,
            curve,
            noise,
            &mut self.merged,
            &Line { of_gain: false, share: phase, value: &angle },
        );
    }
}

struct Line<'a> {
    of_gain: bool,
    share: f64,
    /// Signed distance of a sample from the line, neper or rad.
    value: &'a dyn Fn(usize) -> Option<f64>,
}

impl Line<'_> {
    /// Whether a sample lies off the line by more than the noise.
    fn is_off(&self, noise: &Noise, i: usize) -> bool {
        let fit = noise.fit().get(i).copied().unwrap_or(0.0);
        (self.value)(i).is_none_or(|value| value.abs() > COVERAGE * fit * self.share)
    }
}

fn merge(found: &mut Vec<Crossing>, curve: &Curve, noise: &Noise, merged: &mut Vec<Merged>, line: &Line<'_>) {
    if found.len() < 2 {
        return;
    }
    let mut kept: Vec<Crossing> = Vec::with_capacity(found.len());
    for group in found.chunk_by(|a, b| !told_apart(a, b, curve, noise, line)) {
        match group {
            [] => {}
            [one] => kept.push(*one),
            [first, .., last] => {
                merged.push(Merged {
                    ln_f: (first.point.ln_f, last.point.ln_f),
                    count: group.len(),
                    of_gain: line.of_gain,
                });
                if group.len() % 2 == 1 {
                    kept.push(straight(first, last, curve, noise, line));
                }
            }
        }
    }
    *found = kept;
}

/// Whether the curve leaves the line between two crossings by more than its noise.
fn told_apart(a: &Crossing, b: &Crossing, curve: &Curve, noise: &Noise, line: &Line<'_>) -> bool {
    if a.direction == Direction::Touching || b.direction == Direction::Touching {
        return true;
    }
    let (first, last) = (curve.interval(a.point.ln_f) + 1, curve.interval(b.point.ln_f));
    if first > last {
        // No sample between the two: the curve half way.
        let point = curve.at(0.5 * (a.point.ln_f + b.point.ln_f));
        let value = if line.of_gain { point.ln_mag } else { wrap(point.angle) };
        let fit = noise.fit().get(last).copied().unwrap_or(0.0);
        return value.abs() > COVERAGE * fit * line.share;
    }
    (first..=last).any(|i| line.is_off(noise, i))
}

/// The crossing of the straight line between the samples on both sides that are off the line.
fn straight(first: &Crossing, last: &Crossing, curve: &Curve, noise: &Noise, line: &Line<'_>) -> Crossing {
    let mut from = curve.interval(first.point.ln_f);
    while from > 0 && !line.is_off(noise, from) {
        from -= 1;
    }
    let top = curve.len().saturating_sub(1);
    let mut to = (curve.interval(last.point.ln_f) + 1).min(top);
    while to < top && !line.is_off(noise, to) {
        to += 1;
    }
    let at = |i: usize| {
        let part = |values: &[f64]| values.get(i).copied().unwrap_or(0.0);
        (part(curve.ln_f()), part(curve.ln_mag()), part(curve.angle()))
    };
    let ((x0, a0, p0), (x1, a1, p1)) = (at(from), at(to));
    let (y0, y1) = ((line.value)(from).unwrap_or(-1.0), (line.value)(to).unwrap_or(1.0));
    let share = if y0 * y1 < 0.0 { y0 / (y0 - y1) } else { 0.5 };
    let width = (x1 - x0).max(f64::MIN_POSITIVE);
    let (ln_mag, angle) = (a0 + share * (a1 - a0), p0 + share * (p1 - p0));
    let point = Point {
        // Not beyond the crossings that it stands for.
        ln_f: (x0 + share * (x1 - x0)).clamp(first.point.ln_f, last.point.ln_f),
        // On the line itself.
        ln_mag: if line.of_gain { 0.0 } else { ln_mag },
        angle: if line.of_gain { angle } else { angle - wrap(angle) },
        mag_slope: (a1 - a0) / width,
        angle_slope: (p1 - p0) / width,
    };
    Crossing { point, direction: first.direction }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysed::Analysed;
    use crate::noise::simulated_noise::{grid, line, sweep};
    use std::f64::consts::TAU;

    /// Crossings of a hand-drawn ln magnitude over x = ln(f / 1 kHz), with the noise of a noisy line (0.01 for a sample).
    fn merged(ln_mag: &dyn Fn(f64) -> f64) -> Crossings {
        let hz = grid(50);
        let own = noisy_line(&hz);
        let values: Vec<f64> = hz.iter().map(|f| ln_mag((f / 1e3).ln())).collect();
        let mut curve = Curve::new();
        curve.follow(&own.raw, &values, own.curve.angle());
        let mut crossings = Crossings::default();
        crossings.find(&curve);
        let found = crossings.gain.len();
        crossings.merge(&curve, &own.noise);
        let gone: usize = crossings.merged.iter().filter(|m| m.of_gain).map(|m| m.count).sum();
        let kept = crossings.merged.iter().filter(|m| m.of_gain && m.is_one()).count();
        assert_eq!(crossings.gain.len(), found - gone + kept);
        crossings
    }

    fn noisy_line(hz: &[f64]) -> Analysed {
        sweep(hz, &line, &|_| [0.01; 2], 1)
    }

    /// Three crossings at -0.3, 0 and 0.3 with extrema of 0.0104 times the scale between them.
    fn three(x: f64, scale: f64) -> f64 {
        -scale * x * (x - 0.3) * (x + 0.3)
    }

    #[test]
    fn three_crossings_within_noise_are_one() {
        // Steeper on one side, so that the straight line does not meet 0 dB half way.
        let shape = |x: f64| three(x, 0.1) * (0.4 * x).exp();
        let own = merged(&shape);
        let [crossing] = own.gain.as_slice() else { panic!("{:?}", own.gain) };
        assert!((crossing.point.ln_f - 1e3_f64.ln()).abs() < 0.05);
        assert_eq!((crossing.point.ln_mag, crossing.direction), (0.0, Direction::Falling));
        // The straight line between the nearest samples on both sides that stand out of twice the noise.
        let hz = grid(50);
        let (noise, angle) = (noisy_line(&hz).noise, noisy_line(&hz).curve.angle().to_vec());
        let x = |i: usize| (hz[i] / 1e3).ln();
        let is_off = |i: &usize| shape(x(*i)).abs() > 2.0 * noise.shares()[0] * noise.fit()[*i];
        let from = (0..hz.len()).rev().filter(|i| x(*i) < -0.3).find(is_off).unwrap();
        let to = (0..hz.len()).filter(|i| x(*i) > 0.3).find(is_off).unwrap();
        let (y0, y1) = (shape(x(from)), shape(x(to)));
        let (width, share) = (x(to) - x(from), y0 / (y0 - y1));
        let close = |got: f64, wanted: f64| assert!((got - wanted).abs() < 1e-9, "{got} {wanted}");
        close(crossing.point.ln_f, 1e3_f64.ln() + x(from) + share * width);
        close(crossing.point.mag_slope, (y1 - y0) / width);
        close(crossing.point.angle, angle[from] + share * (angle[to] - angle[from]));
        close(crossing.point.angle_slope, (angle[to] - angle[from]) / width);
        let [merged] = own.merged.as_slice() else { panic!("{:?}", own.merged) };
        assert!(merged.is_one() && merged.count == 3 && merged.of_gain);
        assert!((merged.ln_f.0 - merged.ln_f.1 + 0.6).abs() < 1e-3);
    }

    #[test]
    fn two_crossings_within_noise_are_none() {
        // From below, and back: the largest value is 0.001.
        let own = merged(&|x| 0.001 - 0.1 * x * x);
        assert!(own.gain.is_empty());
        assert!(own.merged.len() == 1 && !own.merged[0].is_one() && own.merged[0].count == 2);
    }

    #[test]
    fn clear_crossings_stay() {
        let own = merged(&|x| three(x, 10.0));
        assert_eq!((own.gain.len(), own.merged.len()), (3, 0));
        let own = merged(&|x| 0.1 - x * x);
        assert_eq!((own.gain.len(), own.merged.len()), (2, 0));
    }

    #[test]
    fn one_clear_crossing_beside_two_in_noise_stays() {
        // A clear crossing at 0, then a touch at x = 2 that just reaches over the line.
        let own = merged(&|x| if x < 1.0 { -x } else { 0.001 - (x - 2.0).powi(2) });
        assert_eq!(own.gain.len(), 1, "{:?}", own.gain);
        assert!((own.gain[0].point.ln_f - 1e3_f64.ln()).abs() < 1e-6);
        assert_eq!(own.merged.iter().map(|m| m.count).collect::<Vec<_>>(), [2]);
    }

    /// Between two samples of 0.01 the cubic through them and their neighbours at 1 dips to 9/16 of both, less 1/16 of the
    /// neighbours: -0.11.
    #[test]
    fn two_crossings_between_two_samples_merge_by_the_dip_between_them() {
        let step = std::f64::consts::LN_10 / 50.0;
        let dip = |scale: f64| {
            let of = move |x: f64| scale * if (x - 0.5 * step).abs() < step { 0.01 } else { 1.0 };
            let own = merged(&of);
            (own.gain.len(), own.merged.len())
        };
        assert_eq!((dip(1.0), dip(0.01)), ((2, 0), (0, 1)));
    }

    #[test]
    fn a_touch_is_never_one_with_a_crossing() {
        // Touches at the sample at x = 0, falls through 0 at 0.3; far below the noise between.
        let own = merged(&|x| -0.01 * x * x * (x - 0.3));
        let directions: Vec<Direction> = own.gain.iter().map(|c| c.direction).collect();
        assert_eq!((directions, own.merged.len()), (vec![Direction::Touching, Direction::Falling], 0));
    }

    #[test]
    fn without_noise_nothing_merges() {
        let hz = grid(50);
        let own = sweep(&hz, &|x| [three(x, 1e-3), 1.0], &|_| [0.0; 2], 1);
        assert_eq!((own.crossings.gain.len(), own.crossings.merged.len()), (3, 0));
    }

    /// The same shape of the angle, one turn further on, beside a straight line of the gain.
    #[test]
    fn three_phase_crossings_within_noise_are_one() {
        let hz = grid(50);
        let own = noisy_line(&hz);
        let x = |hz: &f64| (hz / 1e3).ln();
        let ln_mag: Vec<f64> = hz.iter().map(|hz| -1.0 - x(hz)).collect();
        let angle: Vec<f64> =
            hz.iter().map(|hz| TAU + three(x(hz).clamp(-1.0, 1.0), 0.1) * (0.4 * x(hz)).exp()).collect();
        let mut curve = Curve::new();
        curve.follow(&own.raw, &ln_mag, &angle);
        let mut crossings = Crossings::default();
        crossings.find(&curve);
        assert_eq!(crossings.phase.len(), 3, "{:?}", crossings.phase);
        crossings.merge(&curve, &own.noise);
        let [Crossing { point, direction }] = crossings.phase[..] else { panic!("{:?}", crossings.phase) };
        let close = |got: f64, wanted: f64| assert!((got - wanted).abs() < 1e-9, "{got} {wanted}: {point:?}");
        close(point.angle, TAU);
        close(point.ln_mag, -1.0 - (point.ln_f - 1e3f64.ln()));
        close(point.mag_slope, -1.0);
        assert!(direction == Direction::Falling && (-0.1..0.0).contains(&point.angle_slope), "{point:?}");
    }

    #[test]
    fn phase_crossings_merge_too() {
        let hz = grid(50);
        let mut counts = Vec::new();
        for scale in [0.05, 5.0] {
            // Less than a turn at both ends: no other ray is met.
            let angle = |x: f64| three(x, scale) / (1.0 + x * x).powf(1.5);
            // One turn further on: the same ray.
            let own = sweep(&hz, &|x| [-1.0 - x, TAU + angle(x)], &|_| [0.01; 2], 2);
            assert!(own.crossings.merged.iter().all(|m| !m.of_gain));
            for Crossing { point, .. } in &own.crossings.phase {
                assert!((point.angle - TAU).abs() < 1e-9, "{point:?}");
                let wanted = -1.0 - (point.ln_f - 1e3f64.ln());
                assert!((point.ln_mag - wanted).abs() < 0.02, "{point:?}");
            }
            counts.push(own.crossings.phase.len());
        }
        assert_eq!(counts, [1, 3]);
    }
}
