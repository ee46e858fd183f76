//! What the noise estimate and the local fit need of a frequency grid. Sweeps of a line share their grid, so this is
//! computed once and kept.

use super::basis::{Basis, LANES};
use super::near_cubic::NearCubic;
use super::residuals::BLOCK;
use std::sync::{Arc, OnceLock};

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

/// Rows whose weights are made together.
const TOGETHER: usize = 4;
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

    /// The weights of a piece: quickly where the samples are as even as they mostly are, else by polynomials that are orthogonal over each
    /// window.
    fn made(&self, place: usize) -> Piece {
        let mut exact: Option<Basis> = None;
        let (x, n, width, fours) =
            (&self.ln_f, self.ln_f.len(), 2 * self.half + 1, padded(self.half) / LANES);
        let count = (n.div_ceil(1 << self.shift) - place * PIECE).min(PIECE);
        let mut piece = Piece { weights: vec![[0.0; LANES]; count * fours], ..Piece::default() };
        let groups = piece.weights.chunks_mut(TOGETHER * fours).zip(piece.norm2.chunks_mut(TOGETHER));
        for (group, (rows, norms)) in groups.enumerate() {
            let first = (place * PIECE + group * TOGETHER) << self.shift;
            let last = (first + ((TOGETHER - 1) << self.shift)).min(n - 1);
            let from = window_start(first, self.half, n);
            let all = x.get(from..window_start(last, self.half, n) + width).unwrap_or(&[]);
            let mut near = NearCubic::new(all, width);
            for ((k, row), norm2) in rows.chunks_mut(fours).enumerate().zip(norms) {
                let i = first + (k << self.shift);
                let start = window_start(i, self.half, n);
                let quick = near.as_mut().and_then(|near| {
                    near.slide_to(start - from);
                    near.row(i - from, row.as_flattened_mut())
                });
                *norm2 = quick.unwrap_or_else(|| {
                    let basis = exact.get_or_insert_with(Basis::new);
                    basis.fill(x.get(start..start + width).unwrap_or(&[]));
                    basis.row(i - start, row)
                });
            }
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
            let used = (0..4).map(|step| (grid.fits(step as u8 + 1).unwrap(), USED[step], 1));
            let tried = (0..4).map(|step| (grid.tried(step).unwrap(), TRIED[step], STRIDE[step]));
            for (fits, half, stride) in used.chain(tried) {
                let width = 2 * half + 1;
                for i in (0..x.len()).step_by(stride) {
                    let (from, row) = fits.row(i);
                    let expected = by_powers(&x[from..from + width], x[i]);
                    for (w, e) in row.iter().zip(&expected) {
                        assert!((w - e).abs() < tolerance, "{half} {i}: {w} {e}");
                    }
                    assert!(row[width..].iter().all(|w| *w == 0.0));
                    assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-11, "a constant stays, {half} {i}");
                    let norm2: f64 = row.iter().map(|w| w * w).sum();
                    assert!((norm2 - fits.rows(i).norm2(i)).abs() < tolerance, "{half} {i}");
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
