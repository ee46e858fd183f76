//! The loop gain as a curve over log frequency, referred to its critical point, and its local interpolation.
//!
//! The curve is kept as natural logarithm of the magnitude and as the *angle*: the unwrapped phase, in radians,
//! counted from the direction of the critical point. In this frame the critical point is always +1, a loop gain on
//! the ray through it has an angle of a multiple of 2 pi, and both sign conventions read alike. The textbook loop
//! gain is minus the curve.
//!
//! Between samples both parts follow the cubic through the four nearest samples (Lagrange's interpolation over
//! ln f; any numerical handbook, e.g. NIST Digital Library of Mathematical Functions 3.3). It stays local, so that
//! a sharp resonance disturbs only its neighbourhood.
//!
//! **Why a local cubic, and not a spline or a rational fit?** A spline spreads a sharp resonance over the whole
//! sweep, and a rational fit needs an order that somebody must choose. Four points see only their neighbourhood, meet
//! smooth loops to far below the accuracy of any chain, and say how wrong they may be (the two neighbouring cubics).
//! Against noise the samples are replaced by local fits first; without noise they stay as they are.
//!
//! **Why ln gain and phase, and not real and imaginary part?** Over ln frequency both are nearly straight for real
//! loops, and every margin is a statement about one of them.
//!
//! **Why is everything referred to the critical point?** Both sign conventions become one at the entrance of `Curve`,
//! so that no formula after it has a case for each, and a test can hold that they give the same numbers.

use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use std::f64::consts::{PI, TAU};

/// Loop gain over log frequency. At least 3 samples, finite, frequencies rising.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Curve {
    frequency_hz: Vec<f64>,
    ln_f: Vec<f64>,
    ln_mag: Vec<f64>,
    angle: Vec<f64>,
    uneven: bool,
}

/// A range of ln(f/Hz), its ends inside the sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Lower end, ln(f/Hz).
    pub from: f64,
    /// Upper end, ln(f/Hz).
    pub to: f64,
}

impl Span {
    /// Whether a point lies inside, ends included, with a part in 1e12 of slack for rounding.
    #[must_use]
    pub fn holds(&self, ln_f: f64) -> bool {
        ln_f >= self.from - 1e-12 && ln_f <= self.to + 1e-12
    }
}

/// Value and slope of the curve at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// ln(f/Hz).
    pub ln_f: f64,
    /// ln of the magnitude.
    pub ln_mag: f64,
    /// Angle from the critical point's direction, rad, unwrapped.
    pub angle: f64,
    /// d ln|T| / d ln f: -1 is -20 dB per decade.
    pub mag_slope: f64,
    /// d angle / d ln f, rad.
    pub angle_slope: f64,
}

impl Point {
    /// Frequency, Hz.
    #[must_use]
    pub fn hz(&self) -> f64 {
        self.ln_f.exp()
    }

    /// Magnitude, dB.
    #[must_use]
    pub fn db(&self) -> f64 {
        db(self.ln_mag)
    }

    /// Distance from the critical point.
    #[must_use]
    pub fn distance(&self) -> f64 {
        distance(self.ln_mag, self.angle)
    }
}

/// Error of the interpolation at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LocalError {
    /// Of ln of the magnitude, neper.
    pub ln_mag: f64,
    /// Of the angle, rad.
    pub angle: f64,
}

/// dB of a natural logarithm of a magnitude.
#[must_use]
pub fn db(ln_mag: f64) -> f64 {
    ln_mag * (20.0 / std::f64::consts::LN_10)
}

/// |T - c| with T of magnitude exp(`ln_mag`) at `angle` from the critical point c of magnitude 1.
///
/// Written as sqrt((|T| - 1)^2 + 4 |T| sin^2(angle/2)), which loses no digits close to the point.
#[must_use]
pub fn distance(ln_mag: f64, angle: f64) -> f64 {
    let half = (0.5 * angle).sin();
    let radial = ln_mag.exp_m1();
    let across = 4.0 * ln_mag.exp() * half * half;
    (radial * radial + across).sqrt()
}

/// An angle brought into (-pi, pi].
#[must_use]
pub fn wrap(angle: f64) -> f64 {
    // Most are inside already.
    if angle.abs() < 3.0 {
        return angle;
    }
    let wrapped = angle - TAU * (angle / TAU).round();
    if wrapped <= -PI { wrapped + TAU } else { wrapped }
}

/// The cubic through four samples (fewer on a shorter curve), in s = ln f - `origin`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cubic {
    pub(crate) c: [f64; 4],
}

impl Cubic {
    pub(crate) fn value(&self, s: f64) -> f64 {
        let [c0, c1, c2, c3] = self.c;
        c0 + s * (c1 + s * (c2 + s * c3))
    }

    pub(crate) fn slope(&self, s: f64) -> f64 {
        let [_, c1, c2, c3] = self.c;
        c1 + s * (2.0 * c2 + s * (3.0 * c3))
    }

    /// Where the slope is 0 inside (0, `h`), rising; up to two places.
    pub(crate) fn extrema(&self, h: f64) -> [Option<f64>; 2] {
        let [_, c1, c2, c3] = self.c;
        // 3 c3 s^2 + 2 c2 s + c1 = 0, by the form that does not cancel.
        let inside = |s: f64| (s > 0.0 && s < h && s.is_finite()).then_some(s);
        let discriminant = c2 * c2 - 3.0 * c3 * c1;
        if discriminant < 0.0 {
            return [None, None];
        }
        let q = -(c2 + discriminant.sqrt().copysign(c2));
        let (a, b) = (inside(q / (3.0 * c3)), inside(c1 / q));
        match (a, b) {
            (Some(x), Some(y)) if x > y => [Some(y), Some(x)],
            (Some(x), Some(y)) if x == y => [Some(x), None],
            (None, y) => [y, None],
            pair => [pair.0, pair.1],
        }
    }
}

/// The cubics of both parts over one interval between neighbouring samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Piece {
    /// ln f at the left sample.
    pub(crate) origin: f64,
    /// Width in ln f.
    pub(crate) width: f64,
    pub(crate) ln_mag: Cubic,
    pub(crate) angle: Cubic,
}

impl Piece {
    pub(crate) fn at(&self, s: f64) -> Point {
        Point {
            ln_f: self.origin + s,
            ln_mag: self.ln_mag.value(s),
            angle: self.angle.value(s),
            mag_slope: self.ln_mag.slope(s),
            angle_slope: self.angle.slope(s),
        }
    }
}

/// Newton's divided differences through up to four nodes, expanded about `origin`.
fn newton(x: &[f64], y: &[f64], origin: f64) -> Cubic {
    let mut c = [0.0; 4];
    match (x, y) {
        ([x0, x1, x2, x3], [y0, y1, y2, y3]) => {
            let (d01, d12, d23) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1), (y3 - y2) / (x3 - x2));
            let (d012, d123) = ((d12 - d01) / (x2 - x0), (d23 - d12) / (x3 - x1));
            let d0123 = (d123 - d012) / (x3 - x0);
            let (e0, e1, e2) = (origin - x0, origin - x1, origin - x2);
            c[0] = y0 + e0 * (d01 + e1 * (d012 + e2 * d0123));
            c[1] = d01 + (e0 + e1) * d012 + (e0 * e1 + e0 * e2 + e1 * e2) * d0123;
            c[2] = d012 + (e0 + e1 + e2) * d0123;
            c[3] = d0123;
        }
        ([x0, x1, x2], [y0, y1, y2]) => {
            let (d01, d12) = ((y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1));
            let d012 = (d12 - d01) / (x2 - x0);
            let (e0, e1) = (origin - x0, origin - x1);
            c[0] = y0 + e0 * (d01 + e1 * d012);
            c[1] = d01 + (e0 + e1) * d012;
            c[2] = d012;
        }
        _ => {}
    }
    Cubic { c }
}

impl Curve {
    /// An empty curve to be filled by [`Curve::fill`].
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes over samples, refers them to the critical point and unwraps the phase: each step is taken the short way
    /// round. Memory of the curve is reused, and logarithms are not taken again when the frequencies are the same.
    pub fn fill(&mut self, samples: &Samples, critical_point: CriticalPoint) {
        if self.frequency_hz != samples.frequency_hz() {
            self.frequency_hz.clear();
            self.frequency_hz.extend_from_slice(samples.frequency_hz());
            self.ln_f.clear();
            self.ln_f.extend(samples.frequency_hz().iter().map(|f| f.ln()));
            // Beyond a factor of 3 between neighbouring steps the short cut of the crossing search does not hold.
            self.uneven = self.ln_f.windows(3).any(|w| match w {
                [a, b, c] => (c - b) > 3.0 * (b - a) || (b - a) > 3.0 * (c - b),
                _ => false,
            });
        }
        self.ln_mag.clear();
        self.ln_mag.extend_from_slice(samples.ln_magnitude());
        let offset = match critical_point {
            CriticalPoint::PlusOne => 0.0,
            CriticalPoint::MinusOne => -PI,
        };
        self.angle.clear();
        // Whole turns are counted and multiplied once, so that rounding does not add up along the sweep.
        let mut turns = 0.0;
        let mut previous = samples.phase_rad().first().copied().unwrap_or(0.0);
        self.angle.extend(samples.phase_rad().iter().map(|&phase| {
            let step = phase - previous;
            if step.abs() > PI {
                turns -= (step / TAU).round();
            }
            previous = phase;
            phase + turns * TAU + offset
        }));
    }

    /// Takes over the grid of another curve with other values.
    pub(crate) fn follow(&mut self, other: &Self, ln_mag: &[f64], angle: &[f64]) {
        self.take_grid(other);
        self.ln_mag.clear();
        self.ln_mag.extend_from_slice(ln_mag);
        self.angle.clear();
        self.angle.extend_from_slice(angle);
    }

    /// Becomes `strong` less `weak`, which have the same frequencies; the angle in (-pi, pi].
    pub(crate) fn difference(&mut self, weak: &Self, strong: &Self) {
        self.take_grid(weak);
        self.ln_mag.clear();
        self.ln_mag.extend(strong.ln_mag.iter().zip(&weak.ln_mag).map(|(b, a)| b - a));
        self.angle.clear();
        self.angle.extend(strong.angle.iter().zip(&weak.angle).map(|(q, p)| wrap(q - p)));
    }

    fn take_grid(&mut self, other: &Self) {
        if self.frequency_hz != other.frequency_hz {
            self.frequency_hz.clone_from(&other.frequency_hz);
            self.ln_f.clone_from(&other.ln_f);
            self.uneven = other.uneven;
        }
    }

    /// Takes over the frequencies of a part of another curve; [`Self::set`] is next.
    pub(crate) fn take_part(&mut self, other: &Self, part: std::ops::Range<usize>) {
        self.frequency_hz.clear();
        self.frequency_hz.extend_from_slice(other.frequency_hz.get(part.clone()).unwrap_or(&[]));
        self.ln_f.clear();
        self.ln_f.extend_from_slice(other.ln_f.get(part).unwrap_or(&[]));
        self.uneven = other.uneven;
    }

    /// Takes over values, ln of the magnitude and angle, on the frequencies that it has.
    pub(crate) fn set(&mut self, values: &[[f64; 2]]) {
        self.ln_mag.clear();
        self.ln_mag.extend(values.iter().map(|y| y[0]));
        self.angle.clear();
        self.angle.extend(values.iter().map(|y| y[1]));
    }

    /// The samples that the interpolation at a frequency hangs on, with their weights.
    pub(crate) fn nodes(&self, ln_f: f64) -> impl Iterator<Item = (usize, f64)> + Clone + '_ {
        let first = self.first_node(self.interval(ln_f));
        let nodes = self.ln_f.get(first..(first + 4).min(self.len())).unwrap_or(&[]);
        nodes.iter().enumerate().map(move |(k, own)| {
            let others = nodes.iter().enumerate().filter(|(other, _)| *other != k);
            (first + k, others.map(|(_, x)| (ln_f - x) / (own - x)).product())
        })
    }

    fn first_node(&self, interval: usize) -> usize {
        interval.saturating_sub(1).min(self.len().saturating_sub(4))
    }

    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.ln_f.len()
    }

    /// Whether it holds no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.ln_f.is_empty()
    }

    /// Sample frequencies, Hz.
    #[must_use]
    pub fn frequency_hz(&self) -> &[f64] {
        &self.frequency_hz
    }

    /// ln(f/Hz) of the samples.
    #[must_use]
    pub fn ln_f(&self) -> &[f64] {
        &self.ln_f
    }

    /// ln of the magnitude of the samples.
    #[must_use]
    pub fn ln_mag(&self) -> &[f64] {
        &self.ln_mag
    }

    /// Angle of the samples from the critical point's direction, rad, unwrapped.
    #[must_use]
    pub fn angle(&self) -> &[f64] {
        &self.angle
    }

    /// Whether steps between neighbouring samples change by more than a factor of 3 anywhere.
    pub(crate) fn is_uneven(&self) -> bool {
        self.uneven
    }

    /// The whole sweep.
    #[must_use]
    pub fn span(&self) -> Span {
        Span { from: self.ln_f.first().copied().unwrap_or(0.0), to: self.ln_f.last().copied().unwrap_or(0.0) }
    }

    /// The part of `span` that the sweep covers; `None` when they do not meet.
    #[must_use]
    pub fn clip(&self, span: Span) -> Option<Span> {
        let own = self.span();
        let clipped = Span { from: span.from.max(own.from), to: span.to.min(own.to) };
        (clipped.from < clipped.to).then_some(clipped)
    }

    /// Index of the interval that holds `ln_f`; the first or last one beyond the ends.
    pub(crate) fn interval(&self, ln_f: f64) -> usize {
        self.ln_f.partition_point(|&x| x <= ln_f).saturating_sub(1).min(self.len().saturating_sub(2))
    }

    /// The interpolation over interval `i` (from sample `i` to the next).
    pub(crate) fn piece(&self, i: usize) -> Piece {
        let n = self.len();
        let first = self.first_node(i);
        let nodes = first..(first + 4).min(n);
        let (x, a, p) = (self.ln_f.get(nodes.clone()), self.ln_mag.get(nodes.clone()), self.angle.get(nodes));
        let (x, a, p) = (x.unwrap_or(&[]), a.unwrap_or(&[]), p.unwrap_or(&[]));
        let origin = self.ln_f.get(i).copied().unwrap_or(0.0);
        let width = self.ln_f.get(i + 1).map_or(0.0, |next| next - origin);
        Piece { origin, width, ln_mag: newton(x, a, origin), angle: newton(x, p, origin) }
    }

    /// Width of interval `i`, ln f, and the interpolation of one column of the curve over it, counted from its left sample.
    pub(crate) fn cubic(&self, i: usize, values: &[f64]) -> (f64, Cubic) {
        let first = self.first_node(i);
        let nodes = first..(first + 4).min(self.len());
        let (x, y) = (self.ln_f.get(nodes.clone()).unwrap_or(&[]), values.get(nodes).unwrap_or(&[]));
        let origin = self.ln_f.get(i).copied().unwrap_or(0.0);
        let width = self.ln_f.get(i + 1).map_or(0.0, |next| next - origin);
        (width, newton(x, y, origin))
    }

    /// The curve at a sample: its own numbers, and as slopes the mean of the two neighbouring cubics'.
    pub(crate) fn sample(&self, i: usize) -> Point {
        let right = self.piece(i.min(self.len().saturating_sub(2)));
        let left = self.piece(i.saturating_sub(1));
        let ln_f = self.ln_f.get(i).copied().unwrap_or(right.origin);
        let (a, b) = (left.at(ln_f - left.origin), right.at(ln_f - right.origin));
        Point {
            ln_f,
            ln_mag: self.ln_mag.get(i).copied().unwrap_or(b.ln_mag),
            angle: self.angle.get(i).copied().unwrap_or(b.angle),
            mag_slope: 0.5 * (a.mag_slope + b.mag_slope),
            angle_slope: 0.5 * (a.angle_slope + b.angle_slope),
        }
    }

    /// How far sample `k` lies from the cubic through the four samples that are one and two times `step` away, without it; `None` near the
    /// ends.
    pub(crate) fn left_out(&self, k: usize, step: usize) -> Option<LocalError> {
        let nodes = [k.checked_sub(2 * step)?, k - step, k + step, k + 2 * step];
        let own = *self.ln_f.get(k)?;
        let at = |values: &[f64]| {
            let mut found = [0.0; 4];
            for (slot, i) in found.iter_mut().zip(nodes) {
                *slot = *values.get(i)?;
            }
            Some(found)
        };
        let (x, a, p) = (at(&self.ln_f)?, at(&self.ln_mag)?, at(&self.angle)?);
        let miss = |y: &[f64; 4], own_y: f64| (newton(&x, y, own).value(0.0) - own_y).abs();
        Some(LocalError { ln_mag: miss(&a, *self.ln_mag.get(k)?), angle: miss(&p, *self.angle.get(k)?) })
    }

    /// What a sample that was left out says of the interpolation beside it. A smooth curve is missed by h^4/6 times its fourth derivative
    /// where samples lie h apart and by 16 times as much where they lie 2 h apart, and in the middle between samples its interpolation is off
    /// by 9/64 of the former. The slower the misses fall with h, the more of them may be left between the samples: all of
    /// it when they do not fall.
    ///
    /// `noise` is what the samples have of their own, independent of each other: the misses hold it too, and it is taken off their squares.
    fn told_by_sample(&self, k: usize, noise: LocalError) -> LocalError {
        // Variance of a miss per variance of a sample: 1 for the sample, squares of -1/6, 4/6, 4/6, -1/6 for its neighbours.
        const OF_A_MISS: f64 = 1.0 + 34.0 / 36.0;
        let without = |miss: f64, noise: f64| (miss * miss - OF_A_MISS * noise * noise).max(0.0).sqrt();
        let clear = |miss: LocalError| LocalError {
            ln_mag: without(miss.ln_mag, noise.ln_mag),
            angle: without(miss.angle, noise.angle),
        };
        let Some(near) = self.left_out(k, 1).map(clear) else { return LocalError::default() };
        let far = self.left_out(k, 2).map(clear);
        let part = |near: f64, far: Option<f64>| {
            // Near the ends nothing is known of how the misses fall: as h^2.
            let ratio = far.map_or(4.0, |far| far / near.max(f64::MIN_POSITIVE));
            let order = ratio.max(1.0).log2().min(4.0);
            near * (9.0_f64 / 64.0).powf(order / 4.0)
        };
        LocalError {
            ln_mag: part(near.ln_mag, far.map(|far| far.ln_mag)),
            angle: part(near.angle, far.map(|far| far.angle)),
        }
    }

    /// How far the interpolation at a frequency may be off, from how much the cubics through the four samples one step to
    /// the left and one to the right differ from it; at an end of the sweep the one further inside alone.
    ///
    /// The two samples beside it, each left out, tell as well; the largest counts.
    ///
    /// In the middle of an even grid the error term of the middle cubic is 9/24 of its difference to either neighbour
    /// (remainder of the interpolation: fourth derivative / 4! times the product of the distances to the nodes).
    #[must_use]
    pub fn interpolation_error(&self, ln_f: f64) -> LocalError {
        self.interpolation_error_beside(ln_f, |_| LocalError::default())
    }

    /// The same, with the noise that each sample has of its own.
    #[must_use]
    pub fn interpolation_error_beside(&self, ln_f: f64, noise: impl Fn(usize) -> LocalError) -> LocalError {
        let i = self.interval(ln_f);
        let n = self.len();
        let point = self.at(ln_f);
        let mut error = LocalError::default();
        let own = self.first_node(i);
        for first in [own.checked_sub(1), Some(own + 1)].into_iter().flatten().filter(|first| first + 4 <= n)
        {
            let nodes = first..first + 4;
            let (x, a, p) =
                (self.ln_f.get(nodes.clone()), self.ln_mag.get(nodes.clone()), self.angle.get(nodes));
            let (Some(x), Some(a), Some(p)) = (x, a, p) else { continue };
            let other = |y: &[f64]| newton(x, y, ln_f).value(0.0);
            error.ln_mag = error.ln_mag.max(9.0 / 24.0 * (other(a) - point.ln_mag).abs());
            error.angle = error.angle.max(9.0 / 24.0 * (other(p) - point.angle).abs());
        }
        for told in [i, i + 1].map(|k| self.told_by_sample(k, noise(k))) {
            error.ln_mag = error.ln_mag.max(told.ln_mag);
            error.angle = error.angle.max(told.angle);
        }
        error
    }

    /// The curve at a frequency inside the sweep, interpolated.
    #[must_use]
    pub fn at(&self, ln_f: f64) -> Point {
        let piece = self.piece(self.interval(ln_f));
        piece.at(ln_f - piece.origin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(points: &[(f64, f64, f64)], critical_point: CriticalPoint) -> Curve {
        let mut samples = Samples::default();
        for &(hz, ratio, degrees) in points {
            samples.push(hz, ratio.ln(), degrees.to_radians());
        }
        let mut curve = Curve::new();
        curve.fill(&samples, critical_point);
        curve
    }

    #[test]
    fn unwraps_the_short_way_and_refers_to_the_critical_point() {
        let textbook =
            curve(&[(1.0, 1.0, -170.0), (2.0, 1.0, 175.0), (3.0, 1.0, 160.0)], CriticalPoint::MinusOne);
        let closed = curve(&[(1.0, 1.0, 10.0), (2.0, 1.0, -5.0), (3.0, 1.0, 340.0)], CriticalPoint::PlusOne);
        for (t, c) in textbook.angle().iter().zip(closed.angle()) {
            assert!((wrap(t - c)).abs() < 1e-12);
        }
        let steps: Vec<f64> = textbook.angle().windows(2).map(|w| (w[1] - w[0]).to_degrees()).collect();
        assert!(steps.iter().all(|s| (s + 15.0).abs() < 1e-9), "{steps:?}");
    }

    #[test]
    fn a_cubic_is_met_exactly_between_uneven_samples() {
        let f = |x: f64| 0.3 * x * x * x - x * x + 2.0 * x - 1.0;
        let xs = [0.0, 0.7, 1.1, 2.0, 2.1, 3.5];
        let points: Vec<_> = xs.iter().map(|&x| (f64::exp(x), f64::exp(f(x)), 0.0)).collect();
        let curve = curve(&points, CriticalPoint::PlusOne);
        for x in [0.1, 0.9, 1.7, 2.05, 3.3] {
            let p = curve.at(x);
            assert!((p.ln_mag - f(x)).abs() < 1e-12);
            assert!((p.mag_slope - (0.9 * x * x - 2.0 * x + 2.0)).abs() < 1e-10);
        }
    }

    #[test]
    fn distances_keep_their_digits_near_the_point() {
        assert!((distance(1e-9, 0.0) - 1e-9).abs() < 1e-17);
        assert!((distance(0.0, PI) - 2.0).abs() < 1e-15);
        assert!((distance(0.0, 1e-9) - 1e-9).abs() < 1e-17);
        assert_eq!(wrap(PI), PI);
        assert_eq!(wrap(-PI), PI);
    }

    #[test]
    fn extrema_are_found_in_order() {
        // (s-1)(s-2) as slope.
        let cubic = Cubic { c: [0.0, 2.0, -1.5, 1.0 / 3.0] };
        let [a, b] = cubic.extrema(3.0);
        assert!((a.unwrap() - 1.0).abs() < 1e-12 && (b.unwrap() - 2.0).abs() < 1e-12);
        assert_eq!(Cubic { c: [0.0, 1.0, 0.0, 0.0] }.extrema(3.0), [None, None]);
        let parabola = Cubic { c: [0.0, -2.0, 1.0, 0.0] };
        assert_eq!(parabola.extrema(3.0)[0], Some(1.0));
    }
}
