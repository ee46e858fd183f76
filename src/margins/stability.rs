//! Stability margin (modulus margin): the smallest distance from the loop gain to the critical point; its inverse is the
//! peak of the sensitivity function Ms (K. J. Astrom and R. M. Murray, Feedback Systems, section on stability margins;
//! S. Skogestad and I. Postlethwaite, Multivariable Feedback Control, 2nd ed., 2.4.3: from memory).

use super::crossings::{Crossing, Crossings};
use super::method::{Everywhere, Method, Place, Value};
use super::{Located, Sensitivity};
use crate::curve::{Cubic, Curve, Piece, Point, Span, distance, wrap};
use std::f64::consts::TAU;

/// How the stability margin is read.
pub(super) const STABILITY_MARGIN: Method = Method {
    scale: 1.0,
    read: |curve, crossings, span| Some(Value::At(stability_margin(curve, crossings, span))),
    place: Place::Worst(&DISTANCE),
};

/// The smallest distance over a span, between samples and at both ends too; a bare number.
#[must_use]
pub fn stability_margin(curve: &Curve, crossings: &Crossings, span: Span) -> Located {
    // Crossings and ends give a first bound: only stretches whose magnitude can come closer are looked at.
    let ends = [curve.at(span.from), curve.at(span.to)];
    let known = crossings.gain_in(span).chain(crossings.phase_in(span)).map(|c: &Crossing| c.point);
    let mut best = ends.into_iter().chain(known).fold(None, closer);
    let (first, last) = (curve.interval(span.from), curve.interval(span.to));
    let mut reach = Reach::new(best);
    let mut right = None;
    let (ln_mag, angle) = (curve.ln_mag(), curve.angle());
    // Some samples first: with a close bound few stretches are left to be searched.
    let some = ln_mag.iter().zip(angle).enumerate().take(last + 1).skip(first + 1).step_by(4);
    let nearest = some
        .filter(|(_, (a, _))| !reach.misses(**a, **a))
        .map(|(i, (a, p))| (i, distance(*a, *p)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((i, _)) = nearest {
        best = closer(best, curve.sample(i));
        reach = Reach::new(best);
    }
    for i in first..=last {
        if reach.misses_interval(curve, i) || nearest_possible(curve, i, &mut right) > reach.bound {
            continue;
        }
        // On a very uneven grid the cubic loses digits at its far end, where the sample itself does not.
        let samples = [i, i + 1].map(|k| curve.sample(k)).into_iter().filter(|p| span.holds(p.ln_f));
        best = samples.chain(closest_in(&curve.piece(i), span)).fold(best, closer);
        reach = Reach::new(best);
    }
    let point = best.map_or_else(|| curve.at(span.from), |(_, point)| point);
    located(point)
}

/// The distance to the critical point as a value of every point.
static DISTANCE: Everywhere = Everywhere {
    value: distance,
    // |T| alone tells that a point is too far away.
    range: |value| [(1.0 - value).max(0.0).ln(), value.ln_1p()],
    below: |ln_mag| Some(1.0 - ln_mag.exp()),
    beyond: |ln_mag| Some(ln_mag.exp_m1()),
};

/// Magnitudes that can lie closer than the closest point known: ||T| - 1| alone is a lower bound of the distance.
struct Reach {
    bound: f64,
    /// ln(1 - bound) and ln(1 + bound).
    ln_mag: (f64, f64),
}

impl Reach {
    fn new(best: Option<(f64, Point)>) -> Self {
        let bound = best.map_or(f64::INFINITY, |(d, _)| d);
        let low = if bound < 1.0 { (-bound).ln_1p() } else { f64::NEG_INFINITY };
        Self { bound, ln_mag: (low, bound.ln_1p()) }
    }

    /// Whether magnitudes, ln from `low` to `high`, stay out of reach.
    fn misses(&self, low: f64, high: f64) -> bool {
        low > self.ln_mag.1 || high < self.ln_mag.0
    }

    /// Whether the curve stays out of reach over interval `i`, by its magnitude alone.
    fn misses_interval(&self, curve: &Curve, i: usize) -> bool {
        let a = curve.ln_mag();
        let (Some(&left), Some(&right)) = (a.get(i), a.get(i + 1)) else { return true };
        if curve.is_uneven() {
            let (width, cubic) = curve.cubic(i, a);
            let (low, high) = range(&cubic, width);
            return self.misses(low, high);
        }
        // The larger of two second differences is at most twice the largest of three changes.
        let nodes = a.get(curve.first_node(i)..).unwrap_or(&[]).windows(2).take(3);
        let most = nodes.fold(0.0_f64, |most, w| match w {
            [u, v] => most.max((v - u).abs()),
            _ => most,
        });
        let slack = 2.0 * most * bulge(curve, i);
        self.misses(left.min(right) - slack, left.max(right) + slack)
    }
}

/// How far the curve may leave its chord in interval `i`, as a share of the larger second difference of its four samples: an
/// eighth where the interval lies between the others, with a factor of 2 for steps that are not quite even. In the first and
/// the last interval the second derivative is extrapolated, to at most three times the larger one.
fn bulge(curve: &Curve, i: usize) -> f64 {
    if i == curve.first_node(i) + 1 { 0.25 } else { 0.75 }
}

/// Smallest and largest value of a cubic over an interval of this width.
fn range(cubic: &Cubic, width: f64) -> (f64, f64) {
    let inner = cubic.extrema(width).into_iter().flatten();
    let values = inner.chain([0.0, width]).map(|s| cubic.value(s));
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

/// A sample in the complex plane.
#[derive(Debug, Clone, Copy)]
struct PlanePoint {
    size: f64,
    re: f64,
    im: f64,
}

impl PlanePoint {
    fn of(ln_mag: f64, angle: f64) -> Self {
        let (size, (sin, cos)) = (ln_mag.exp(), angle.sin_cos());
        Self { size, re: size * cos, im: size * sin }
    }
}

/// A lower bound of the distance inside interval `i`: that of the chord between its samples, less what the curve may leave
/// the chord by.
///
/// `right` is the right sample of the last interval that was looked at: it is the left one of the next.
fn nearest_possible(curve: &Curve, i: usize, right: &mut Option<(usize, PlanePoint)>) -> f64 {
    let (a, p) = (curve.ln_mag(), curve.angle());
    let first = curve.first_node(i);
    let (Some(&[a0, a1]), Some(&[p0, p1])) =
        (a.get(i..i + 2).and_then(|w| w.first_chunk()), p.get(i..i + 2).and_then(|w| w.first_chunk()))
    else {
        return 0.0;
    };
    let bend = |v: &[f64]| {
        v.get(first..).unwrap_or(&[]).windows(3).take(2).fold(0.0_f64, |most, w| match w {
            [u, v, w] => most.max((u - 2.0 * v + w).abs()),
            _ => most,
        })
    };
    let turn = (a1 - a0).abs() + (p1 - p0).abs();
    if curve.is_uneven() || turn > 0.5 {
        // Second differences tell little here.
        return nearest_in_range(&curve.piece(i));
    }
    let from = right.filter(|(k, _)| *k == i).map_or_else(|| PlanePoint::of(a0, p0), |(_, place)| place);
    let to = PlanePoint::of(a1, p1);
    *right = Some((i + 1, to));
    let leave = bulge(curve, i) * from.size.max(to.size) * (bend(a) + bend(p) + turn * turn);
    // The critical point is +1.
    let (x, y) = (from.re - 1.0, from.im);
    let (dx, dy) = (to.re - from.re, to.im - from.im);
    let along = (-(x * dx + y * dy) / (dx * dx + dy * dy).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    let (nx, ny) = (x + along * dx, y + along * dy);
    (nx * nx + ny * ny).sqrt() - leave
}

/// The smallest distance that magnitudes and angles in the ranges of one interval can have.
fn nearest_in_range(piece: &Piece) -> f64 {
    let ((low, high), (from, to)) = (range(&piece.ln_mag, piece.width), range(&piece.angle, piece.width));
    let meets_the_ray = (from / TAU).ceil() * TAU <= to;
    let off = if meets_the_ray { 0.0 } else { wrap(from).abs().min(wrap(to).abs()) };
    // On a ray the nearest point is the foot of the perpendicular.
    let size = off.cos().max(low.exp()).min(high.exp());
    distance(size.ln(), off)
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

/// The closest point of one interval: a coarse scan, then the root of the slope of the squared distance about each station
/// that is closer than its neighbours.
fn closest_in(piece: &Piece, span: Span) -> Option<Point> {
    const STATIONS: usize = 8;
    let from = (span.from - piece.origin).max(0.0);
    let to = (span.to - piece.origin).min(piece.width);
    if from > to {
        return None;
    }
    let at = |k: usize| from + (to - from) * k as f64 / STATIONS as f64;
    let mut squared = [0.0; STATIONS + 1];
    for (k, squared) in squared.iter_mut().enumerate() {
        let (m, half) = (piece.ln_mag.value(at(k)).exp(), (0.5 * piece.angle.value(at(k))).sin());
        *squared = (m - 1.0) * (m - 1.0) + 4.0 * m * half * half;
    }
    let is_farther = |k: Option<usize>, than: f64| k.and_then(|k| squared.get(k)).is_none_or(|d| *d >= than);
    let valleys = squared
        .iter()
        .enumerate()
        .filter(|(k, d)| is_farther(k.checked_sub(1), **d) && is_farther(Some(k + 1), **d));
    let places = valleys.flat_map(|(k, _)| {
        let (low, high) = (at(k.saturating_sub(1)), at((k + 1).min(STATIONS)));
        [piece.at(flat(piece, low, high)), piece.at(at(k))]
    });
    places.fold(None, closer).map(|(_, point)| point)
}

/// Where the slope of the squared distance is 0 between two places, by false position with the Illinois correction (any
/// numerical handbook); the place with the smaller slope when it does not change sign.
fn flat(piece: &Piece, mut low: f64, mut high: f64) -> f64 {
    // Half of d(d^2)/ds = m (a' (m - cos angle) + angle' sin angle), from d^2 = 1 + m^2 - 2 m cos(angle).
    let slope = |s: f64| {
        let p = piece.at(s);
        let (m, (sin, cos)) = (p.ln_mag.exp(), p.angle.sin_cos());
        m * (p.mag_slope * (m - cos) + p.angle_slope * sin)
    };
    let (mut below, mut above) = (slope(low), slope(high));
    if below >= 0.0 || above <= 0.0 {
        return if below.abs() < above.abs() { low } else { high };
    }
    let mut kept = 0;
    for _ in 0..60 {
        let s = (low * above - high * below) / (above - below);
        let value = slope(s);
        // A minimum is flat: its value has all its digits when its place has half of them.
        if value == 0.0 || high - low < 1e-9 * piece.width {
            return s;
        }
        if value < 0.0 {
            (low, below) = (s, value);
            if kept == -1 {
                above *= 0.5;
            }
            kept = -1;
        } else {
            (high, above) = (s, value);
            if kept == 1 {
                below *= 0.5;
            }
            kept = 1;
        }
        if value.abs() < 1e-12 {
            return s;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::margins::rough_curves::{Steps, rough_curve};

    /// The smallest distance of a close scan of the interpolated curve.
    fn scanned(curve: &Curve, span: Span) -> f64 {
        let piece = |i: usize| curve.piece(i);
        let places = (0..curve.len() - 1).flat_map(|i| (0..=400).map(move |k| (i, f64::from(k) / 400.0)));
        places
            .map(|(i, share)| (piece(i), share))
            .filter(|(piece, share)| span.holds(piece.origin + share * piece.width))
            .map(|(piece, share)| piece.at(share * piece.width).distance())
            .fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn no_closer_place_of_a_rough_curve_is_overlooked() {
        let mut crossings = Crossings::default();
        for seed in 0..400 {
            let curve = rough_curve(seed, if seed % 2 == 0 { Steps::Alike } else { Steps::Uneven }, 0.5);
            crossings.find(&curve);
            let whole = curve.span();
            let width = whole.to - whole.from;
            let part = Span { from: whole.from + 0.21 * width, to: whole.to - 0.17 * width };
            for span in [whole, part] {
                let own = stability_margin(&curve, &crossings, span);
                let scanned = scanned(&curve, span);
                assert!(own.value <= scanned + 1e-9, "{seed}: {} {scanned}", own.value);
                assert!(span.holds(own.point.ln_f), "{seed}");
                assert!((curve.at(own.point.ln_f).distance() - own.value).abs() < 1e-9, "{seed}: {own:?}");
            }
        }
    }
}
