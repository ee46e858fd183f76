//! A resonance that moved: it is named only where it explains what gain and delay leave.
//!
//! A pair of poles 1/(1 + s/(Q w0) + (s/w0)²) whose frequency rises by a small part d multiplies the loop gain by exp(d P), with
//! P = x (j/Q - 2x) / (1 + jx/Q - x²) and x = f/f0: the derivative of its logarithm by ln f0 (by hand). A pair of zeros does the opposite. Gain,
//! delay and d follow from least squares for each f0 and Q of a grid, and the best one is taken.

use super::curves::{Curves, Place};
use crate::sweep::Complex64;
use serde::Serialize;
use std::f64::consts::{LN_2, TAU};

/// A resonance that moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Moved {
    /// About where, Hz.
    pub at_hz: f64,
    /// By which part of its frequency; above 0 upwards.
    pub by: f64,
    #[serde(skip)]
    q: f64,
    #[serde(skip)]
    shift: f64,
}

const FREQUENCIES: usize = 120;
const QS: [f64; 12] = [0.4, 0.6, 0.8, 1.1, 1.6, 2.3, 3.3, 4.7, 7.0, 10.0, 15.0, 25.0];
/// Corners that the search looks at, at most; they are spread over all.
const SEARCHED: usize = 12;
/// Share of the squares that may be left by what explains them.
const EXPLAINED: f64 = 0.1;
/// Largest move that the derivative tells well.
const MOST: f64 = 0.2;

fn shape(hz: f64, f0: f64, q: f64) -> Complex64 {
    let x = hz / f0;
    let below = Complex64::new(1.0 - x * x, x / q);
    Complex64::new(-2.0 * x * x, x / q) / below
}

/// Gain, delay and move by least squares, with the squares that are left; without `with` the move is 0.
fn solve(places: &[Place], with: Option<(f64, f64)>) -> Option<(f64, f64)> {
    let (mut m, mut v, mut all) = ([[0.0; 3]; 3], [0.0; 3], 0.0);
    for place in places {
        let p = with.map_or(Complex64::new(0.0, 0.0), |(f0, q)| shape(place.hz, f0, q));
        let ([gain, phase], [a, b], [c, d]) = (place.off, place.noise, place.chains);
        let (a, b) = (a.hypot(c), b.hypot(d));
        for (row, y, s) in [([1.0, 0.0, p.re], gain, a), ([0.0, -TAU * place.hz, p.im], phase, b)] {
            all += (y / s).powi(2);
            for (line, (sum, r)) in m.iter_mut().zip(v.iter_mut().zip(row)) {
                *sum += r * y / (s * s);
                line.iter_mut().zip(row).for_each(|(cell, c)| *cell += r * c / (s * s));
            }
        }
    }
    // Gain and delay meet in no row: both go out, and the move is left.
    let [[gg, _, gp], [_, dd, dp], [_, _, pp]] = m;
    let [g, d, p] = v;
    if gg <= 0.0 || dd <= 0.0 {
        return None;
    }
    let left = all - g * g / gg - d * d / dd;
    let (own, along) = (pp - gp * gp / gg - dp * dp / dd, p - gp * g / gg - dp * d / dd);
    if with.is_none() || own <= 1e-9 * pp {
        return Some((0.0, left));
    }
    Some((along / own, left - along * along / own))
}

/// The resonance that explains the differences, if one does.
pub(super) fn moved(curves: &[Curves]) -> Option<Moved> {
    let step = curves.len().div_ceil(SEARCHED).max(1);
    let places: Vec<Place> = curves.iter().step_by(step).flat_map(|own| own.places.iter().copied()).collect();
    let low = places.iter().map(|place| place.hz).fold(f64::MAX, f64::min).ln();
    let high = places.iter().map(|place| place.hz).fold(f64::MIN_POSITIVE, f64::max).ln();
    let (_, before) = solve(&places, None)?;
    let mut best: Option<(f64, Moved)> = None;
    for k in 1..FREQUENCIES {
        let f0 = (low + (high - low) * k as f64 / FREQUENCIES as f64).exp();
        for q in QS {
            let Some((shift, left)) = solve(&places, Some((f0, q))) else { continue };
            if best.is_none_or(|(least, _)| left < least) {
                best = Some((left, Moved { at_hz: f0, by: shift, q, shift }));
            }
        }
    }
    let (left, found) = best?;
    if left > EXPLAINED * before || found.shift.abs() > MOST {
        return None;
    }
    // Poles turn the phase back over their two octaves, zeros turn it on.
    let curve = &curves.first()?.first;
    let turned = curve.at(found.at_hz.ln() + LN_2).angle - curve.at(found.at_hz.ln() - LN_2).angle;
    Some(Moved { by: if turned > 0.0 { -found.shift } else { found.shift }, ..found })
}

impl Moved {
    /// The differences without what it explains.
    pub(super) fn taken_off(&self, curves: &[Curves]) -> Vec<Curves> {
        let mut all = curves.to_vec();
        for place in all.iter_mut().flat_map(|own| own.places.iter_mut()) {
            let part = shape(place.hz, self.at_hz, self.q) * self.shift;
            let [gain, phase] = place.off;
            place.off = [gain - part.re, phase - part.im];
        }
        all
    }
}
