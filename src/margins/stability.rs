//! Stability margin (modulus margin): the smallest distance from the loop gain to the critical point; its inverse is the
//! peak of the sensitivity function Ms (K. J. Astrom and R. M. Murray, Feedback Systems, section on stability margins;
//! S. Skogestad and I. Postlethwaite, Multivariable Feedback Control, 2nd ed., 2.4.3: from memory).

use super::crossings::{Crossing, Crossings};
use super::{Located, Sensitivity};
use crate::curve::{Curve, Piece, Point, Span, distance};

/// The smallest distance over a span, between samples and at both ends too; a bare number.
#[must_use]
pub fn stability_margin(curve: &Curve, crossings: &Crossings, span: Span) -> Located {
    // Crossings and ends give a first bound: only stretches whose magnitude can come closer are looked at.
    let ends = [curve.at(span.from), curve.at(span.to)];
    let known = crossings.gain_in(span).chain(crossings.phase_in(span)).map(|c: &Crossing| c.point);
    let mut best = ends.into_iter().chain(known).fold(None, closer);
    let (first, last) = (curve.interval(span.from), curve.interval(span.to));
    let (ln_mag, angle) = (curve.ln_mag(), curve.angle());
    for i in first..=last {
        let (Some(&[a0, a1]), Some(&[p0, p1])) = (
            ln_mag.get(i..i + 2).and_then(|w| w.first_chunk()),
            angle.get(i..i + 2).and_then(|w| w.first_chunk()),
        ) else {
            break;
        };
        let bound = best.map_or(f64::INFINITY, |(d, _)| d);
        // |T| - 1 alone is a lower bound of the distance; half a step of slack for the bend between the samples.
        let slack = 0.5 * (a1 - a0).abs();
        let (low, high) = (a0.min(a1) - slack, a0.max(a1) + slack);
        if low.exp_m1() > bound || -high.exp_m1() > bound {
            continue;
        }
        // The curve cannot come closer than half of what the two distances exceed its length by.
        let length = 1.5 * high.exp() * ((a1 - a0).abs() + (p1 - p0).abs());
        if distance(a0, p0) + distance(a1, p1) - length > 2.0 * bound {
            continue;
        }
        if let Some(point) = closest_in(&curve.piece(i), span) {
            best = closer(best, point);
        }
    }
    let point = best.map_or_else(|| curve.at(span.from), |(_, point)| point);
    located(point)
}

fn closer(best: Option<(f64, Point)>, point: Point) -> Option<(f64, Point)> {
    let d = point.distance();
    match best {
        Some((known, _)) if known <= d => best,
        _ => Some((d, point)),
    }
}

fn located(point: Point) -> Located {
    // d|T-c| = Re(conj(T-c) dT)/|T-c| with dT = T (e + j p): from |T-c|^2 = 1 + m^2 - 2 m cos(angle).
    let m = point.ln_mag.exp();
    let d = point.distance();
    let sensitivity = if d > 0.0 {
        Sensitivity { ln_gain: m * (m - point.angle.cos()) / d, phase: m * point.angle.sin() / d }
    } else {
        Sensitivity { ln_gain: 1.0, phase: 1.0 }
    };
    Located { value: d, point, sensitivity }
}

/// The closest point of one interval, by a coarse scan and golden section about its best station.
fn closest_in(piece: &Piece, span: Span) -> Option<Point> {
    const STATIONS: u32 = 8;
    let from = (span.from - piece.origin).max(0.0);
    let to = (span.to - piece.origin).min(piece.width);
    if from > to {
        return None;
    }
    let d = |s: f64| distance(piece.ln_mag.value(s), piece.angle.value(s));
    let at = |k: u32| from + (to - from) * f64::from(k) / f64::from(STATIONS);
    let best = (0..=STATIONS).min_by(|&a, &b| d(at(a)).total_cmp(&d(at(b))))?;
    let (mut low, mut high) = (at(best.saturating_sub(1)), at((best + 1).min(STATIONS)));
    // A minimum is flat: half of the digits of its place are all that the value can show.
    const RATIO: f64 = 0.618_033_988_749_894_8;
    let (mut a, mut b) = (high - RATIO * (high - low), low + RATIO * (high - low));
    let (mut da, mut db) = (d(a), d(b));
    while high - low > 1e-9 * piece.width {
        if da < db {
            (high, b, db) = (b, a, da);
            a = high - RATIO * (high - low);
            da = d(a);
        } else {
            (low, a, da) = (a, b, db);
            b = low + RATIO * (high - low);
            db = d(b);
        }
    }
    let inner = piece.at(0.5 * (low + high));
    let edge = piece.at(at(best));
    Some(if edge.distance() < inner.distance() { edge } else { inner })
}
