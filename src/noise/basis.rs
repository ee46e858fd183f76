//! Polynomials of degree 0 to 3 that are orthogonal over the points of a window, four points side by side: the exact way to the weights of a
//! fit, however uneven the points are.
//!
//! Each follows from the two before it: p(k+1) = (t - a) p(k) - b p(k-1), with a and b from sums over the points (T. J. Stieltjes' procedure:
//! W. Gautschi, Orthogonal Polynomials: Computation and Approximation, 2004, 2.2.3: from memory).

use super::lanes::f64x4;

/// Points that are handled side by side.
pub(crate) const LANES: usize = 4;

/// The polynomials of a window.
#[derive(Debug)]
pub(crate) struct Basis {
    /// How many fours of points there are; nothing beyond counts.
    fours: usize,
    t: Fours,
    /// Degree by degree; 0 beyond the last point.
    p: [Fours; 4],
    /// One over the sum of the squares of each; 0 for a degree that the points do not carry.
    per_norm2: [f64; 4],
}

/// Numbers of the points of a window, the longest of which has 65.
type Fours = [f64x4; 17];

/// Mean square of a polynomial (leading coefficient 1, points from -1 to 1) below which rounding calls for making it orthogonal once more.
/// Even points give 0.02 for degree 3.
const ONCE_MORE: f64 = 1e-6;
/// Mean square that is rounding alone.
const NOTHING: f64 = 1e-28;

impl Basis {
    pub(crate) fn new() -> Self {
        let none = [f64x4::ZERO; 17];
        Self { fours: 0, t: none, p: [none; 4], per_norm2: [0.0; 4] }
    }

    /// The polynomials of the points `x`.
    pub(crate) fn fill(&mut self, x: &[f64]) {
        let (first, last) = (x.first().copied().unwrap_or(0.0), x.last().copied().unwrap_or(1.0));
        let (middle, per_half) = (0.5 * (first + last), 2.0 / (last - first));
        self.fours = x.len().div_ceil(LANES);
        let [constant, ..] = &mut self.p;
        for ((points, to), constant) in x.chunks(LANES).zip(&mut self.t).zip(constant) {
            let (mut t, mut one) = ([0.0; LANES], [0.0; LANES]);
            for ((t, one), x) in t.iter_mut().zip(&mut one).zip(points) {
                (*t, *one) = ((x - middle) * per_half, 1.0);
            }
            (*to, *constant) = (f64x4::new(t), f64x4::new(one));
        }
        let count = x.len().max(1) as f64;
        let sum = self.t.iter().take(self.fours).fold(f64x4::ZERO, |sum, t| sum + *t).reduce_add();
        let (mut norm2, mut a, mut b) = (count, sum / count, 0.0);
        self.per_norm2 = [1.0 / count, 0.0, 0.0, 0.0];
        for degree in 1..4 {
            let before2 = norm2;
            let moment;
            (norm2, moment) = self.raise(degree, a, b);
            if norm2 < ONCE_MORE * count {
                for _ in 0..2 {
                    self.clear_of_lower(degree);
                }
                norm2 = self.norm2(degree);
            }
            if norm2 < NOTHING * count {
                // No more degrees than the points carry.
                return;
            }
            (a, b) = (moment / norm2, norm2 / before2);
            if let Some(place) = self.per_norm2.get_mut(degree) {
                *place = 1.0 / norm2;
            }
        }
    }

    /// The polynomial of a degree from the two below it; gives the sums of its squares and of t times them.
    fn raise(&mut self, degree: usize, a: f64, b: f64) -> (f64, f64) {
        let (below, own) = self.p.split_at_mut(degree);
        let below: &[Fours] = below;
        let (Some(own), Some(one)) = (own.first_mut(), below.last()) else { return (0.0, 0.0) };
        // Of degree 1 there is but one below, and b is 0.
        let two = degree.checked_sub(2).and_then(|two| below.get(two)).unwrap_or(one);
        let (a, b) = (f64x4::splat(a), f64x4::splat(b));
        let (mut squares, mut moments) = (f64x4::ZERO, f64x4::ZERO);
        for (((own, t), one), two) in own.iter_mut().zip(&self.t).zip(one).zip(two).take(self.fours) {
            *own = (*t - a) * *one - b * *two;
            let square = *own * *own;
            squares += square;
            moments += *t * square;
        }
        (squares.reduce_add(), moments.reduce_add())
    }

    fn norm2(&self, degree: usize) -> f64 {
        let Some(p) = self.p.get(degree) else { return 0.0 };
        p.iter().take(self.fours).fold(f64x4::ZERO, |sum, p| sum + *p * *p).reduce_add()
    }

    /// Takes off what a polynomial has in common with lower ones.
    fn clear_of_lower(&mut self, degree: usize) {
        let (below, own) = self.p.split_at_mut(degree);
        let Some(own) = own.first_mut() else { return };
        for (lower, per_norm2) in below.iter().zip(self.per_norm2) {
            let pairs = own.iter().zip(lower).take(self.fours);
            let dot = pairs.fold(f64x4::ZERO, |sum, (a, b)| sum + *a * *b).reduce_add();
            let part = f64x4::splat(dot * per_norm2);
            own.iter_mut().zip(lower).take(self.fours).for_each(|(own, p)| *own -= part * *p);
        }
    }

    /// Writes the row of weights of the fit at point `i` of the window; gives the sum of their squares.
    pub(crate) fn row(&self, i: usize, weights: &mut [[f64; LANES]]) -> f64 {
        let at =
            |p: &Fours| p.get(i / LANES).and_then(|p| p.as_array().get(i % LANES)).copied().unwrap_or(0.0);
        let own = self.p.each_ref().map(at);
        let [c0, c1, c2, c3] = [0, 1, 2, 3].map(|k: usize| {
            own.get(k).zip(self.per_norm2.get(k)).map_or(0.0, |(own, per_norm2)| own * per_norm2)
        });
        let [p0, p1, p2, p3] = &self.p;
        let points = p0.iter().zip(p1).zip(p2).zip(p3).take(self.fours);
        let sum = points.map(|(((p0, p1), p2), p3)| *p0 * c0 + *p1 * c1 + *p2 * c2 + *p3 * c3);
        weights.iter_mut().zip(sum).for_each(|(weights, sum)| *weights = sum.to_array());
        c0 * own[0] + c1 * own[1] + c2 * own[2] + c3 * own[3]
    }
}
