//! The flat gain and the delay that the difference of two curves shows, and their mean over corners.
//!
//! At a corner both are weighted means over places. What noise makes of them is one part of their uncertainty, or what the scatter of the
//! places says where that is more. It grows by (1 + r)/(1 - r) where neighbours are alike with the correlation r, as windows of noise make
//! them, and everything that is neither flat nor a delay (the variance of the mean of a first-order process; textbook, from memory). What
//! the impedance ratio may do to all places at once is the other part. Over corners the mean is weighted again, with the larger of inner
//! and outer uncertainty (R. T. Birge, "The calculation of errors by the method of least squares", Phys. Rev. 40, 1932: from memory).

use super::curves::{Curves, Place};
use std::f64::consts::TAU;

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    pub(super) value: f64,
    pub(super) u: f64,
    /// Root mean square of what it leaves, as the difference is told: neper or rad.
    pub(super) left: f64,
}

/// One place: how the difference answers to the value there, the difference, its standard uncertainty from noise, and the error that all
/// places of the corner share.
type Row = (f64, f64, f64, f64);

/// Fits `off = value * shape` by weighted least squares.
fn fitted(rows: &[Row]) -> Option<Found> {
    let sum = |of: &dyn Fn(&Row) -> f64| rows.iter().map(of).sum::<f64>();
    let weight = |own: &Row| 1.0 / (own.2 * own.2 + own.3 * own.3);
    let information = sum(&|own| own.0 * own.0 * weight(own));
    if rows.len() < 3 || !information.is_normal() {
        return None;
    }
    let value = sum(&|own| own.0 * own.1 * weight(own)) / information;
    // Its sign is not known: it acts at all places in the worst sense.
    let shared = sum(&|own| own.0.abs() * own.3 * weight(own)) / information;
    let rest: Vec<f64> = rows.iter().map(|own| (own.1 - value * own.0) * weight(own).sqrt()).collect();
    let square = rest.iter().map(|r| r * r).sum::<f64>();
    let along: f64 = rest.iter().zip(rest.iter().skip(1)).map(|(a, b)| a * b).sum();
    let alike = if square > 0.0 { (along / square).clamp(0.0, 0.9) } else { 0.0 };
    let scatter = (square / (rows.len() - 1) as f64).max(1.0);
    let own = (scatter * (1.0 + alike) / (1.0 - alike) / information).sqrt();
    let left = sum(&|own| (own.1 - value * own.0).powi(2)) / rows.len() as f64;
    Some(Found { value, u: own.hypot(shared), left: left.sqrt() })
}

/// The flat gain at a corner, neper.
pub(super) fn gain(curves: &Curves) -> Option<Found> {
    // The chains of two stations come once, over all corners.
    let [offset, ..] = curves.stations;
    let row =
        |place: &Place| (1.0, first(place.off), first(place.noise), without(first(place.chains), offset));
    fitted(&curves.places.iter().map(row).collect::<Vec<_>>())
}

/// The added delay at a corner, s.
pub(super) fn delay(curves: &Curves) -> Option<Found> {
    let [_, phase, late] = curves.stations;
    let row = |place: &Place| {
        let omega = TAU * place.hz;
        (
            -omega,
            second(place.off),
            second(place.noise),
            without(second(place.chains), phase.hypot(omega * late)),
        )
    };
    fitted(&curves.places.iter().map(row).collect::<Vec<_>>())
}

/// What is left of a whole uncertainty without one part of it.
fn without(whole: f64, part: f64) -> f64 {
    (whole * whole - part * part).max(0.0).sqrt()
}

pub(super) const fn first([value, _]: [f64; 2]) -> f64 {
    value
}

pub(super) const fn second([_, value]: [f64; 2]) -> f64 {
    value
}

/// The mean over corners with its standard uncertainty, and the standard deviation of the corners where there are several.
pub(super) fn mean(all: &[Found]) -> Option<(Found, Option<f64>)> {
    let weight = |found: &Found| 1.0 / found.u.powi(2).max(f64::MIN_POSITIVE);
    let whole: f64 = all.iter().map(weight).sum();
    if all.is_empty() || !whole.is_finite() {
        return None;
    }
    let value = all.iter().map(|found| weight(found) * found.value).sum::<f64>() / whole;
    let degrees = all.len().saturating_sub(1) as f64;
    let outer: f64 = all.iter().map(|found| weight(found) * (found.value - value).powi(2)).sum();
    let birge = if degrees > 0.0 { (outer / degrees).max(1.0) } else { 1.0 };
    let plain = all.iter().map(|found| found.value).sum::<f64>() / all.len() as f64;
    let spread = all.iter().map(|found| (found.value - plain).powi(2)).sum::<f64>();
    let spread = (degrees > 0.0).then(|| (spread / degrees).sqrt());
    let left = all.iter().map(|found| found.left).fold(0.0, f64::max);
    Some((Found { value, u: (birge / whole).sqrt(), left }, spread))
}
