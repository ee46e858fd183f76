//! A phase without its sign: a column that holds its size alone turns back at 0 deg, or at 180 deg, where the phase of the loop passes on.
//!
//! All of such a phase lies on one side of the line through 0 and 180 deg, and at the place it has a kink: turned over beyond it, the curve
//! is smooth, and as it stands no smooth curve fits. A phase that only touches the line fits as it stands.

use super::{Refusal, Subject};
use crate::curve::{Curve, wrap};
use crate::quantity::with_unit;
use crate::spec::CriticalPoint;
use std::f64::consts::PI;

/// Samples on each side of the kink, at most and at least.
const SIDE: usize = 6;
const LEAST_SIDE: usize = 4;
/// Degree of the polynomial through all of them.
const DEGREE: usize = 3;
/// What it leaves of the phase as it stands, as a multiple of what it leaves of the phase turned over beyond the kink
/// (noise alone makes so much of 12 samples at one of 3 000 places, F(8, 8) of 16).
const TIMES: f64 = 4.0;
/// Bend from step to step of the turned phase about the kink, as a part of the largest step there: a phase that goes straight through
/// bends by the 0.26 that ten points per decade make of a delay, one that touches the line as a parabola does by 0.5 to 0.67.
const STRAIGHT: f64 = 0.38;
/// What it may leave of the turned phase, as a part of the largest step about the kink, or rad where noise is more than that: at ten points per
/// decade a sharp valley that stays 5 deg away leaves 0.065, the crossing of a loop 0.056 (simulated).
const SMOOTH: f64 = 0.06;
const MOST_NOISE: f64 = 0.005;
/// What is left of the turned phase is none where it is less than this, rad: rounding.
const ROUNDING: f64 = 1e-6;
/// Slack of the side on which all samples lie, rad: rounding of 180 deg to 0.1 deg.
const SLACK: f64 = 1e-3;

/// A phase that turns back at 0 or 180 deg with a kink, and is nowhere beyond.
#[must_use]
pub fn folded(subject: &Subject<'_>) -> Option<Refusal> {
    let raw = &subject.sweep.raw;
    let angle = raw.angle();
    let (low, high) =
        angle.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(*p), h.max(*p)));
    let line = PI * ((0.5 * (low + high)) / PI).floor();
    if low < line - SLACK || high > line + PI + SLACK {
        return None;
    }
    let (line, i) = [line, line + PI].into_iter().find_map(|line| {
        let is_kink = |i: &usize| turns_back(raw, line, *i);
        (LEAST_SIDE..angle.len().saturating_sub(LEAST_SIDE)).find(is_kink).map(|i| (line, i))
    })?;
    let offset = match subject.critical_point {
        CriticalPoint::PlusOne => 0.0,
        CriticalPoint::MinusOne => PI,
    };
    let at = if wrap(line + offset).abs() < 1.0 { "0" } else { "180" };
    Some(Refusal {
        message: format!(
            "near {} the phase turns back at {at} deg with a kink and is nowhere beyond it: its sign is missing",
            with_unit(raw.frequency_hz().get(i).copied().unwrap_or(0.0), "Hz")
        ),
        remedy:
            "export the phase with its sign, -180 to 180 deg or without turns left out, not its size alone"
                .to_owned(),
    })
}

/// Whether the phase has a kink at sample `i`, which is the nearest to the line, and none when it is turned over beyond.
fn turns_back(raw: &Curve, line: f64, i: usize) -> bool {
    let own = SIDE.min(i);
    let part = i - own..(i + SIDE + 1).min(raw.len());
    let (Some(x), Some(angle)) = (raw.ln_f().get(part.clone()), raw.angle().get(part)) else { return false };
    let away = |k: usize| angle.get(k).map_or(0.0, |p| (p - line).abs());
    let step = (away(own) - away(own - 1)).abs().max((away(own + 1) - away(own)).abs());
    if away(own) > step || angle.iter().any(|p| (p - line).abs() < away(own)) {
        return false;
    }
    let off: Vec<f64> = angle.iter().map(|p| p - line).collect();
    let as_it_stands = left_over(x, &off);
    // The sample itself may lie on either side of the place.
    [own, own + 1].into_iter().any(|first| {
        let turned: Vec<f64> = off.iter().enumerate().map(|(k, p)| if k < first { *p } else { -p }).collect();
        let left = left_over(x, &turned).max(ROUNDING);
        let near = turned.get(own.saturating_sub(2)..(own + 3).min(turned.len())).unwrap_or(&[]);
        let largest = |sizes: &mut dyn Iterator<Item = f64>| sizes.fold(0.0, f64::max);
        let pairs = near.iter().zip(near.iter().skip(1));
        let step = largest(&mut pairs.clone().map(|(a, b)| (b - a).abs()));
        let bend = largest(&mut pairs.zip(near.iter().skip(2)).map(|((a, b), c)| (a - 2.0 * b + c).abs()));
        as_it_stands > TIMES * left && left < MOST_NOISE.max(SMOOTH * step) && bend < STRAIGHT * step
    })
}

/// rms that a polynomial leaves of values, by least squares.
fn left_over(x: &[f64], values: &[f64]) -> f64 {
    let mut left = values.to_vec();
    let (first, last) = (x.first().copied().unwrap_or(0.0), x.last().copied().unwrap_or(1.0));
    // Orthonormal columns by Gram-Schmidt, twice against rounding.
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(DEGREE + 1);
    for power in 0..=DEGREE {
        let mut column: Vec<f64> =
            x.iter().map(|x| ((2.0 * x - first - last) / (last - first)).powi(power as i32)).collect();
        for _ in 0..2 {
            for other in &columns {
                take_off(&mut column, other);
            }
        }
        let length = column.iter().map(|a| a * a).sum::<f64>().sqrt();
        column.iter_mut().for_each(|a| *a /= length);
        take_off(&mut left, &column);
        columns.push(column);
    }
    let free = x.len().saturating_sub(DEGREE + 1).max(1);
    (left.iter().map(|a| a * a).sum::<f64>() / free as f64).sqrt()
}

/// Takes off a column what it has of another one, of length 1.
fn take_off(column: &mut [f64], other: &[f64]) {
    let dot: f64 = column.iter().zip(other).map(|(a, b)| a * b).sum();
    column.iter_mut().zip(other).for_each(|(a, b)| *a -= dot * b);
}

#[cfg(test)]
mod tests {
    use super::super::testing::{hiss, subject, sweep};
    use super::*;

    /// Textbook phase of an integrator with poles at 30 kHz and 90 kHz and a delay of 2 us: passes -180 deg near 45 kHz.
    fn phase(hz: f64) -> f64 {
        -PI / 2.0 - (hz / 3e4).atan() - (hz / 9e4).atan() - std::f64::consts::TAU * hz * 2e-6
    }

    fn refused(per_decade: f64, noise: f64, of: impl Fn(f64) -> f64) -> Option<Refusal> {
        let sweep = sweep(per_decade, |hz| {
            // Below a turn, as the sweep ends: the file's column is wrapped.
            let (gain, angle) = (-(hz / 1e4).ln() - (hz / 3e4).hypot(1.0).ln(), of(hz));
            [gain + noise * hiss(), angle]
        });
        folded(&subject(&sweep))
    }

    #[test]
    fn a_phase_without_its_sign_is_refused() {
        for per_decade in [12.0, 20.0, 40.0, 100.0] {
            for noise in [0.0, 1e-4, 3e-3] {
                let own = |hz: f64| phase(hz.min(1.2e5)) + noise * hiss();
                // The size of the angle in -180 to 180 deg, and that of the distance from the critical point's direction.
                let size = refused(per_decade, noise, |hz| wrap(own(hz)).abs()).unwrap();
                assert!(size.message.contains("at 180 deg"), "{}", size.message);
                let turned = refused(per_decade, noise, |hz| wrap(own(hz) + PI).abs()).unwrap();
                assert!(turned.message.contains("at 0 deg"), "{}", turned.message);
                assert_eq!(refused(per_decade, noise, own), None, "{per_decade} {noise}");
            }
        }
    }

    /// Rises to the line, or to somewhat below it, and falls again, in a smooth bump of several widths.
    #[test]
    fn a_phase_that_touches_or_stays_away_is_none() {
        for per_decade in [10.0, 20.0, 40.0, 100.0] {
            for width in [0.3, 0.6, 1.2] {
                for noise in [0.0, 1e-4, 3e-3] {
                    for away_deg in [0.0_f64, 0.2, 1.0, 5.0] {
                        for at in [2e4, 2.05e4, 2.1e4, 2.17e4] {
                            let bump = |hz: f64| {
                                let u = (hz / at).ln() / width;
                                let touch = away_deg.to_radians() + 1.2 * u * u / (1.0 + u * u);
                                -PI + (touch + noise * hiss()).max(-3.0)
                            };
                            assert_eq!(
                                refused(per_decade, noise, bump),
                                None,
                                "{per_decade} {width} {noise} {away_deg}"
                            );
                        }
                    }
                }
            }
        }
    }

    /// A kink that lies 4 deg away from the line is no fold.
    #[test]
    fn a_kink_away_from_the_line_is_none() {
        let kink = |hz: f64| -PI + 4f64.to_radians() + 0.5 * (hz / 2e4).ln().abs();
        assert_eq!(refused(40.0, 0.0, kink), None);
        let fold = |hz: f64| -PI + 0.5 * (hz / 2e4).ln().abs();
        assert!(refused(40.0, 0.0, fold).is_some());
    }
}
