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

mod cubic;
mod interpolation_error;
mod one_pole;
mod point;

pub(crate) use cubic::{Cubic, Piece};
pub use interpolation_error::LocalError;
pub(crate) use one_pole::OnePole;
pub use point::{Point, db, distance, wrap};

use crate::spec::CriticalPoint;
use crate::sweep::Samples;
use cubic::newton;
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

    /// The first of the four samples that the interpolation over an interval hangs on.
    pub(crate) fn first_node(&self, interval: usize) -> usize {
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

    /// A gain and a phase of no simple form at rising places, ln f.
    fn bent(at: &[f64]) -> Curve {
        let points: Vec<_> =
            at.iter().map(|x| (x.exp(), (0.4 * x.sin()).exp(), 30.0 * (1.3 * x).cos())).collect();
        curve(&points, CriticalPoint::PlusOne)
    }

    #[test]
    fn the_angle_is_counted_from_minus_one_where_that_is_critical() {
        let own =
            curve(&[(1.0, 1.0, -170.0), (2.0, 1.0, -175.0), (3.0, 1.0, 185.0)], CriticalPoint::MinusOne);
        for (angle, degrees) in own.angle().iter().zip([-350.0, -355.0, -355.0_f64]) {
            assert!((angle - degrees.to_radians()).abs() < 1e-12, "{angle}");
        }
    }

    /// Weights that sum the samples up to the interpolation, at each end and in the middle.
    #[test]
    fn nodes_carry_what_lies_between_them() {
        let own = bent(&[0.0, 0.7, 1.1, 2.0, 2.1, 3.5, 4.0]);
        for (x, first) in [(0.1, 0), (0.9, 0), (1.7, 1), (2.05, 2), (3.3, 3), (3.9, 3)] {
            let nodes: Vec<_> = own.nodes(x).collect();
            assert_eq!(
                nodes.iter().map(|(k, _)| *k).collect::<Vec<_>>(),
                [first, first + 1, first + 2, first + 3]
            );
            let sum = |values: &[f64]| nodes.iter().map(|(k, w)| w * values[*k]).sum::<f64>();
            let point = own.at(x);
            assert!((sum(own.ln_mag()) - point.ln_mag).abs() < 1e-12, "{x}");
            assert!((sum(own.angle()) - point.angle).abs() < 1e-12, "{x}");
        }
    }

    #[test]
    fn three_samples_are_joined_by_a_parabola() {
        let own = bent(&[0.0, 0.7, 1.1]);
        let sum = |x: f64| own.nodes(x).map(|(k, w)| w * own.ln_mag()[k]).sum::<f64>();
        for x in [0.1, 0.8] {
            assert!((own.at(x).ln_mag - sum(x)).abs() < 1e-12);
            let slope = (sum(x + 1e-6) - sum(x - 1e-6)) / 2e-6;
            assert!((own.at(x).mag_slope - slope).abs() < 1e-8);
        }
    }

    /// At a sample two cubics meet, each with a slope of its own.
    #[test]
    fn a_sample_has_the_mean_slope_of_both_sides() {
        let own = bent(&[0.0, 0.7, 1.1, 2.0, 2.1, 3.5, 4.0]);
        for k in 1..6 {
            let x = own.ln_f()[k];
            let (left, right, at) = (own.at(x - 1e-9), own.at(x + 1e-9), own.sample(k));
            assert_eq!((at.ln_f, at.ln_mag, at.angle), (x, own.ln_mag()[k], own.angle()[k]));
            assert!((at.mag_slope - 0.5 * (left.mag_slope + right.mag_slope)).abs() < 1e-6, "{k}");
            assert!((at.angle_slope - 0.5 * (left.angle_slope + right.angle_slope)).abs() < 1e-6, "{k}");
        }
        let (first, last) = (own.sample(0), own.sample(6));
        assert!((first.mag_slope - own.at(1e-9).mag_slope).abs() < 1e-6);
        assert!((last.mag_slope - own.at(4.0 - 1e-9).mag_slope).abs() < 1e-6);
    }

    #[test]
    fn steps_are_uneven_beyond_a_factor_of_3() {
        for (at, uneven) in [
            ([0.0, 1.0, 2.0, 3.0], false),
            ([0.0, 1.0, 3.9, 6.0], false),
            ([0.0, 2.9, 3.9, 5.0], false),
            ([0.0, 1.0, 4.1, 6.0], true),
            ([0.0, 3.1, 4.1, 5.0], true),
            ([5.0, 6.0, 7.0, 10.2], true),
        ] {
            let own = bent(&at);
            assert_eq!(own.is_uneven(), uneven, "{at:?}");
            let mut other = Curve::new();
            other.follow(&own, own.ln_mag(), own.angle());
            assert_eq!(other, own);
        }
    }

    #[test]
    fn a_part_has_its_own_samples_only() {
        let own = bent(&[0.0, 0.7, 1.1, 2.0, 2.1, 3.5]);
        let mut part = bent(&[0.5, 0.6, 0.7]);
        part.take_part(&own, 1..5);
        part.set(&[[1.0, -1.0], [2.0, -2.0], [3.0, -3.0], [4.0, -4.0]]);
        assert_eq!((part.frequency_hz(), part.ln_f()), (&own.frequency_hz()[1..5], &own.ln_f()[1..5]));
        assert_eq!((part.ln_mag(), part.angle()), (&[1.0, 2.0, 3.0, 4.0][..], &[-1.0, -2.0, -3.0, -4.0][..]));
        assert!(part.is_uneven() && !part.is_empty() && Curve::new().is_empty());
    }

    #[test]
    fn a_span_is_clipped_to_the_sweep_and_holds_its_ends() {
        let own = bent(&[1.0, 2.0, 3.0]);
        let clip = |from: f64, to: f64| own.clip(Span { from, to }).map(|span| (span.from, span.to));
        assert_eq!(clip(0.0, 2.5), Some((1.0, 2.5)));
        assert_eq!(clip(1.5, 9.0), Some((1.5, 3.0)));
        assert_eq!((clip(3.0, 4.0), clip(3.5, 4.0), clip(0.0, 0.5)), (None, None, None));
        let span = Span { from: 1.0, to: 2.0 };
        for (x, inside) in
            [(1.0, true), (1.0 - 5e-13, true), (2.0 + 5e-13, true), (0.999, false), (2.001, false)]
        {
            assert_eq!(span.holds(x), inside, "{x}");
        }
    }
}
