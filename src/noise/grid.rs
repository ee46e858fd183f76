//! What the noise estimate and the local fit need of a frequency grid. Sweeps of a line share their grid, so this is
//! computed once and kept.

use super::lanes::f64x4;
use super::residuals::BLOCK;
use std::sync::{Arc, OnceLock};

/// Points that are handled side by side.
const LANES: usize = 4;
/// Half widths, in samples, of the windows that are tried, each about twice the one before, so that the bias grows by 16.
pub(crate) const TRIED: [usize; 4] = [4, 8, 16, 32];
/// Half widths of the windows that are used, one for each that was tried: a quarter less, so that what bias was too small to
/// be seen falls to a third.
pub(crate) const USED: [usize; 4] = [3, 6, 12, 24];
/// Every how many samples a window is tried: its fits hardly change from one to the next.
pub(crate) const STRIDE: [usize; 4] = [1, 2, 4, 8];
/// Points of a noise residual: the sixth difference, which no polynomial of degree 5 reaches.
pub(crate) const DIFFERENCE: usize = 7;
/// Points of a residual of what two sweeps do not share, which is smoother than either: the third difference.
pub(crate) const SHORT: usize = 4;

/// The local fits with windows of one width: the weights of the samples in the window of every sample, or of every few. Made in pieces when
/// they are first asked for, since a sweep uses one width here and another there.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fits {
    half: usize,
    /// The stride is 2 to this power.
    shift: u32,
    ln_f: Arc<[f64]>,
    pieces: Vec<OnceLock<Piece>>,
}

/// Some neighbouring rows.
#[derive(Debug, Clone, Default)]
struct Piece {
    /// One row for each window, filled up with zeros to a multiple of four.
    weights: Vec<[f64; LANES]>,
    /// Sum of the squared weights of each row: variance of the fit per variance of a sample. It is also the sample's
    /// own weight, as for every fit by least squares.
    norm2: [f64; PIECE],
}

/// Rows in a piece: those of a block of residuals.
const PIECE: usize = BLOCK;

/// The fits at the samples of a block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rows<'a> {
    weights: &'a [[f64; LANES]],
    norm2: &'a [f64; PIECE],
    half: usize,
    width: usize,
    shift: u32,
    n: usize,
}

impl<'a> Rows<'a> {
    /// As [`Fits::row`], of a sample of the block.
    pub(crate) fn row(&self, i: usize) -> (usize, &'a [f64]) {
        let k = (i >> self.shift) % PIECE;
        let row = self.weights.get(k * self.width..(k + 1) * self.width).unwrap_or(&[]);
        (window_start(i, self.half, self.n), row.as_flattened())
    }

    /// Variance of the fit at a sample of the block per variance of a sample.
    pub(crate) fn norm2(&self, i: usize) -> f64 {
        self.norm2.get((i >> self.shift) % PIECE).copied().unwrap_or(1.0)
    }
}

impl Fits {
    /// The cubic fits by least squares over windows of half width `half`, about every sample that is a multiple of `stride`, a power of 2.
    fn new(ln_f: Arc<[f64]>, half: usize, stride: usize) -> Self {
        let pieces = ln_f.len().div_ceil(stride).div_ceil(PIECE);
        Self { half, shift: stride.trailing_zeros(), ln_f, pieces: vec![OnceLock::new(); pieces] }
    }

    /// First sample of the window of sample `i`, a multiple of the stride, and the weights from there on.
    pub(crate) fn row(&self, i: usize) -> (usize, &[f64]) {
        self.rows(i).row(i)
    }

    /// What belongs to sample `i` and to all others of its block.
    pub(crate) fn rows(&self, i: usize) -> Rows<'_> {
        let n = self.ln_f.len();
        let (weights, norm2) =
            self.piece(i).map_or((&[][..], &[1.0; PIECE]), |piece| (&piece.weights, &piece.norm2));
        Rows { weights, norm2, half: self.half, width: padded(self.half) / LANES, shift: self.shift, n }
    }

    fn piece(&self, i: usize) -> Option<&Piece> {
        let place = (i >> self.shift) / PIECE;
        Some(self.pieces.get(place)?.get_or_init(|| self.made(place)))
    }

    /// The weight of sample j in the fit at sample i is the sum over the orthonormal polynomials q of the window of
    /// q(x_i) q(x_j) (any text on least squares).
    fn made(&self, place: usize) -> Piece {
        let (x, width) = (&self.ln_f, 2 * self.half + 1);
        let rows = (place * PIECE..(place + 1) * PIECE).map(|k| k << self.shift).take_while(|i| *i < x.len());
        let mut piece = Piece::default();
        piece.weights.reserve(PIECE * padded(self.half) / LANES);
        let (mut basis, mut known) = (Basis::new(), usize::MAX);
        for (i, norm2) in rows.zip(&mut piece.norm2) {
            let from = window_start(i, self.half, x.len());
            if from != known {
                known = from;
                basis.fill(x.get(from..from + width).unwrap_or(&[]));
            }
            *norm2 = basis.row(i - from, &mut piece.weights);
        }
        piece
    }
}

/// Weights in a row.
fn padded(half: usize) -> usize {
    (2 * half + 1).next_multiple_of(LANES)
}

/// First sample of the window of half width `half` about `i`, shifted inwards at the ends.
fn window_start(i: usize, half: usize, n: usize) -> usize {
    i.saturating_sub(half).min(n.saturating_sub(2 * half + 1))
}

/// Weights that belong to a frequency grid. A set is made when it is first asked for: a sweep without noise asks for hardly any, and one with
/// frequencies of its own pays for no more than it uses.
#[derive(Debug, Clone, Default)]
pub(crate) struct Grid {
    frequency_hz: Vec<f64>,
    ln_f: Arc<[f64]>,
    /// Unit-norm weights of the noise residuals, one row for each start; the last weight is no sample's.
    difference: Vec<[f64; DIFFERENCE + 1]>,
    /// The same for the third difference.
    short: OnceLock<Vec<[f64; SHORT]>>,
    /// Windows that are tried, and that are used.
    tried: [OnceLock<Fits>; TRIED.len()],
    used: [OnceLock<Fits>; USED.len()],
}

impl Grid {
    /// The weights for these samples.
    pub(crate) fn new(frequency_hz: &[f64], ln_f: &[f64]) -> Self {
        let difference = ln_f.windows(DIFFERENCE).map(difference_weights).collect();
        let (frequency_hz, ln_f) = (frequency_hz.to_vec(), ln_f.into());
        Self { frequency_hz, ln_f, difference, ..Self::default() }
    }

    /// Number of samples.
    pub(crate) fn len(&self) -> usize {
        self.ln_f.len()
    }

    pub(crate) fn is_of(&self, frequency_hz: &[f64]) -> bool {
        self.frequency_hz == frequency_hz
    }

    pub(crate) fn difference(&self) -> &[[f64; DIFFERENCE + 1]] {
        &self.difference
    }

    /// Weights of the third differences.
    pub(crate) fn short(&self) -> &[[f64; SHORT]] {
        self.short.get_or_init(|| self.ln_f.windows(SHORT).map(difference_weights).collect())
    }

    /// The windows that are tried at a step, the narrowest at 0; `None` where the grid has too few points.
    pub(crate) fn tried(&self, step: usize) -> Option<&Fits> {
        self.made(self.tried.get(step)?, step, *TRIED.get(step)?, *STRIDE.get(step)?)
    }

    /// The local fits of a rung: 1 for the narrowest window. `None` for 0, which keeps the samples.
    pub(crate) fn fits(&self, rung: u8) -> Option<&Fits> {
        let step = usize::from(rung).checked_sub(1)?;
        self.made(self.used.get(step)?, step, *USED.get(step)?, 1)
    }

    fn made<'a>(
        &self,
        fits: &'a OnceLock<Fits>,
        step: usize,
        half: usize,
        stride: usize,
    ) -> Option<&'a Fits> {
        // A window is used where the one that is tried for it fits.
        let is_short = TRIED.get(step).is_none_or(|tried| 2 * tried >= self.len());
        (!is_short).then(|| fits.get_or_init(|| Fits::new(self.ln_f.clone(), half, stride)))
    }
}

/// Weights of the divided difference, brought to norm 1: white noise of variance v gives a residual of variance v.
fn difference_weights<const N: usize>(t: &[f64]) -> [f64; N] {
    let per_scale = 1.0 / (t.last().unwrap_or(&1.0) - t.first().unwrap_or(&0.0));
    let mut weights = [1.0; N];
    for (j, other) in t.iter().enumerate() {
        for (i, (product, own)) in weights.iter_mut().zip(t).enumerate() {
            *product *= if i == j { 1.0 } else { (own - other) * per_scale };
        }
    }
    weights = weights.map(|product| 1.0 / product);
    weights.iter_mut().skip(t.len()).for_each(|weight| *weight = 0.0);
    let per_norm = 1.0 / weights.iter().map(|w| w * w).sum::<f64>().sqrt();
    weights.map(|w| w * per_norm)
}

/// Polynomials of degree 0 to 3 that are orthogonal over the points of a window, four points side by side.
///
/// Each follows from the two before it: p(k+1) = (t - a) p(k) - b p(k-1), with a and b from sums over the points (T. J. Stieltjes' procedure:
/// W. Gautschi, Orthogonal Polynomials: Computation and Approximation, 2004, 2.2.3: from memory).
#[derive(Debug)]
struct Basis {
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
    fn new() -> Self {
        let none = [f64x4::ZERO; 17];
        Self { fours: 0, t: none, p: [none; 4], per_norm2: [0.0; 4] }
    }

    /// The polynomials of the points `x`.
    fn fill(&mut self, x: &[f64]) {
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

    /// Adds the row of weights of the fit at point `i` of the window; gives the sum of their squares.
    fn row(&self, i: usize, weights: &mut Vec<[f64; LANES]>) -> f64 {
        let at =
            |p: &Fours| p.get(i / LANES).and_then(|p| p.as_array().get(i % LANES)).copied().unwrap_or(0.0);
        let own = self.p.each_ref().map(at);
        let [c0, c1, c2, c3] = [0, 1, 2, 3].map(|k: usize| {
            own.get(k).zip(self.per_norm2.get(k)).map_or(0.0, |(own, per_norm2)| own * per_norm2)
        });
        let [p0, p1, p2, p3] = &self.p;
        let points = p0.iter().zip(p1).zip(p2).zip(p3).take(self.fours);
        let sum = points.map(|(((p0, p1), p2), p3)| *p0 * c0 + *p1 * c1 + *p2 * c2 + *p3 * c3);
        weights.extend(sum.map(|weights| weights.to_array()));
        c0 * own[0] + c1 * own[1] + c2 * own[2] + c3 * own[3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(n: usize, wobble: f64) -> (Vec<f64>, Grid) {
        let ln_f: Vec<f64> =
            (0..n).map(|k| 5.0 + 0.08 * (k as f64 + wobble * (k as f64 * 2.4).sin())).collect();
        let hz: Vec<f64> = ln_f.iter().map(|x| x.exp()).collect();
        let grid = Grid::new(&hz, &ln_f);
        (ln_f, grid)
    }

    /// The fit's weights by Gram and Schmidt on powers, twice against rounding: another way to the same.
    fn by_powers(x: &[f64], at: f64) -> Vec<f64> {
        let (middle, half) = (0.5 * (x[0] + x[x.len() - 1]), 0.5 * (x[x.len() - 1] - x[0]));
        let own = x.iter().position(|x| *x == at).unwrap();
        let mut basis: Vec<Vec<f64>> = Vec::new();
        for degree in 0..4 {
            let mut q: Vec<f64> = x.iter().map(|x| ((x - middle) / half).powi(degree)).collect();
            for _ in 0..2 {
                for other in &basis {
                    let dot: f64 = q.iter().zip(other).map(|(a, b)| a * b).sum();
                    q.iter_mut().zip(other).for_each(|(a, b)| *a -= dot * b);
                }
            }
            let norm = q.iter().map(|a| a * a).sum::<f64>().sqrt();
            basis.push(q.iter().map(|a| a / norm).collect());
        }
        (0..x.len()).map(|j| basis.iter().map(|q| q[own] * q[j]).sum()).collect()
    }

    #[test]
    fn weights_are_those_of_gram_and_schmidt_on_even_and_on_very_uneven_points() {
        let linear: Vec<f64> = (1..200).map(|k| f64::from(k).ln()).collect();
        let clustered: Vec<f64> = (0..200).map(|k| f64::from(k / 5) + 1e-4 * f64::from(k % 5)).collect();
        let lonely: Vec<f64> = (0..200).map(|k| f64::from(k / 40) + 1e-3 * f64::from(k % 40)).collect();
        for (x, tolerance) in [(grid(200, 0.3).0, 1e-12), (linear, 1e-11), (clustered, 1e-9), (lonely, 1e-9)]
        {
            let grid = Grid::new(&x, &x);
            for rung in 1..=4 {
                let fits = grid.fits(rung).unwrap();
                let width = 2 * USED[usize::from(rung) - 1] + 1;
                for i in 0..x.len() {
                    let (from, row) = fits.row(i);
                    let expected = by_powers(&x[from..from + width], x[i]);
                    for (w, e) in row.iter().zip(&expected) {
                        assert!((w - e).abs() < tolerance, "{rung} {i}: {w} {e}");
                    }
                    assert!(row[width..].iter().all(|w| *w == 0.0));
                    assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-11, "a constant stays, {rung} {i}");
                }
            }
        }
    }

    #[test]
    fn residuals_do_not_see_a_quintic_and_have_unit_norm() {
        let (x, grid) = grid(60, 0.3);
        for (start, weights) in grid.difference().iter().enumerate() {
            let y = |x: f64| 1.0 + x - 0.3 * x.powi(3) + 0.02 * x.powi(5);
            let residual: f64 = weights.iter().zip(&x[start..]).map(|(w, x)| w * y(*x)).sum();
            assert!(residual.abs() < 1e-8, "{residual}");
            assert!((weights.iter().map(|w| w * w).sum::<f64>() - 1.0).abs() < 1e-12);
        }
        // Even steps: the binomial coefficients over sqrt 924.
        let (_, even) = self::grid(20, 0.0);
        let expected = [1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0, 0.0].map(|c: f64| c / 924f64.sqrt());
        for (w, e) in even.difference()[3].iter().zip(expected) {
            assert!((w - e).abs() < 1e-9);
        }
    }

    #[test]
    fn local_fits_keep_a_cubic_and_know_their_variance() {
        let (x, grid) = grid(80, 0.3);
        let y = |x: f64| 2.0 - x + 0.4 * x * x - 0.03 * x * x * x;
        for rung in 1..=4 {
            let fits = grid.fits(rung).unwrap();
            for i in [0, 1, 20, 40, 78, 79] {
                let (from, row) = fits.row(i);
                let value: f64 = row.iter().zip(&x[from..]).map(|(w, x)| w * y(*x)).sum();
                assert!((value - y(x[i])).abs() < 1e-11, "{rung} {i}");
                let norm2: f64 = row.iter().map(|w| w * w).sum();
                assert!((norm2 - fits.rows(i).norm2(i)).abs() < 1e-12);
                assert!((row[i - from] - norm2).abs() < 1e-12);
            }
        }
        // Seven even points: A. Savitzky and M. J. E. Golay, Analytical Chemistry 1964 (from memory): 7/21 in the middle.
        let (_, even) = self::grid(30, 0.0);
        assert!((even.fits(1).unwrap().rows(12).norm2(12) - 7.0 / 21.0).abs() < 1e-12);
    }
}
