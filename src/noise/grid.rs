//! What the noise estimate and the local fit need of a frequency grid. Sweeps of a line share their grid, so this is
//! computed once and kept.

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

/// The local fits with windows of one width: the weights of the samples in the window of every sample, or of every few.
#[derive(Debug, Clone, Default)]
pub(crate) struct Fits {
    half: usize,
    /// The stride is 2 to this power.
    shift: u32,
    n: usize,
    /// One row for each window, filled up with zeros to a multiple of four.
    weights: Vec<f64>,
    /// Sum of the squared weights of each row: variance of the fit per variance of a sample. It is also the sample's
    /// own weight, as for every fit by least squares.
    norm2: Vec<f64>,
}

impl Fits {
    /// First sample of the window of sample `i`, a multiple of the stride, and the weights from there on.
    pub(crate) fn row(&self, i: usize) -> (usize, &[f64]) {
        let width = padded(self.half);
        let k = i >> self.shift;
        let row = self.weights.get(k * width..(k + 1) * width).unwrap_or(&[]);
        (window_start(i, self.half, self.n), row)
    }

    /// Variance of the fit at sample `i` per variance of a sample.
    pub(crate) fn norm2(&self, i: usize) -> f64 {
        self.norm2.get(i >> self.shift).copied().unwrap_or(1.0)
    }
}

/// Weights in a row.
fn padded(half: usize) -> usize {
    (2 * half + 1).next_multiple_of(4)
}

/// First sample of the window of half width `half` about `i`, shifted inwards at the ends.
fn window_start(i: usize, half: usize, n: usize) -> usize {
    i.saturating_sub(half).min(n.saturating_sub(2 * half + 1))
}

/// Weights that belong to a frequency grid.
#[derive(Debug, Clone, Default)]
pub(crate) struct Grid {
    frequency_hz: Vec<f64>,
    /// Unit-norm weights of the noise residuals, one row for each start; the last weight is no sample's.
    difference: Vec<[f64; DIFFERENCE + 1]>,
    /// The same for the third difference.
    short: Vec<[f64; SHORT]>,
    /// Windows that are tried, and that are used, as far as the grid has the points.
    tried: Vec<Fits>,
    used: Vec<Fits>,
}

impl Grid {
    /// The weights for these samples.
    pub(crate) fn new(frequency_hz: &[f64], ln_f: &[f64]) -> Self {
        let difference = ln_f.windows(DIFFERENCE).map(difference_weights).collect();
        let short = ln_f.windows(SHORT).map(difference_weights).collect();
        let fitting = TRIED.iter().take_while(|&&half| 2 * half < ln_f.len()).count();
        let tried =
            TRIED.iter().zip(STRIDE).take(fitting).map(|(half, stride)| fits(ln_f, *half, stride)).collect();
        let used = USED.iter().take(fitting).map(|half| fits(ln_f, *half, 1)).collect();
        Self { frequency_hz: frequency_hz.to_vec(), difference, short, tried, used }
    }

    pub(crate) fn is_of(&self, frequency_hz: &[f64]) -> bool {
        self.frequency_hz == frequency_hz
    }

    pub(crate) fn difference(&self) -> &[[f64; DIFFERENCE + 1]] {
        &self.difference
    }

    /// Weights of the third differences.
    pub(crate) fn short(&self) -> &[[f64; SHORT]] {
        &self.short
    }

    /// The windows that are tried, narrowest first.
    pub(crate) fn tried(&self) -> &[Fits] {
        &self.tried
    }

    /// The local fits of a rung: 1 for the narrowest window. `None` for 0, which keeps the samples.
    pub(crate) fn fits(&self, rung: u8) -> Option<&Fits> {
        self.used.get(usize::from(rung).checked_sub(1)?)
    }
}

/// Weights of the divided difference, brought to norm 1: white noise of variance v gives a residual of variance v.
fn difference_weights<const N: usize>(t: &[f64]) -> [f64; N] {
    let mut weights = [0.0; N];
    let scale = t.last().unwrap_or(&1.0) - t.first().unwrap_or(&0.0);
    for (weight, own) in weights.iter_mut().zip(t) {
        let product: f64 =
            t.iter().filter(|other| *other != own).map(|other| (own - other) / scale).product();
        *weight = 1.0 / product;
    }
    let norm = weights.iter().map(|w| w * w).sum::<f64>().sqrt();
    weights.map(|w| w / norm)
}

/// The cubic fits by least squares over windows of half width `half`, about every sample that is a multiple of `stride`, a power of 2.
///
/// The weight of sample j in the fit at sample i is the sum over the orthonormal polynomials q of the window of
/// q(x_i) q(x_j) (any text on least squares; discrete orthogonal polynomials by Gram-Schmidt).
fn fits(x: &[f64], half: usize, stride: usize) -> Fits {
    let (n, width) = (x.len(), 2 * half + 1);
    let rows = n.div_ceil(stride);
    let mut weights = Vec::with_capacity(padded(half) * rows);
    let mut norm2 = Vec::with_capacity(rows);
    let mut basis: [Vec<f64>; 4] = Default::default();
    let mut known = usize::MAX;
    for i in (0..n).step_by(stride) {
        let from = window_start(i, half, n);
        if from != known {
            known = from;
            orthonormal(x.get(from..from + width).unwrap_or(&[]), &mut basis);
        }
        let own = basis.each_ref().map(|q| q.get(i - from).copied().unwrap_or(0.0));
        norm2.push(own.iter().map(|q| q * q).sum());
        let [q0, q1, q2, q3] = &basis;
        let columns = q0.iter().zip(q1).zip(q2).zip(q3);
        weights.extend(columns.map(|(((a, b), c), d)| own[0] * a + own[1] * b + own[2] * c + own[3] * d));
        weights.resize(weights.len().next_multiple_of(4), 0.0);
    }
    Fits { half, shift: stride.trailing_zeros(), n, weights, norm2 }
}

/// Polynomials of degree 0 to 3 that are orthonormal over the points.
fn orthonormal(x: &[f64], basis: &mut [Vec<f64>; 4]) {
    let (first, last) = (x.first().copied().unwrap_or(0.0), x.last().copied().unwrap_or(1.0));
    let (middle, half) = (0.5 * (first + last), 0.5 * (last - first));
    for degree in 0..4 {
        let (done, rest) = basis.split_at_mut(degree);
        let Some(q) = rest.first_mut() else { return };
        q.clear();
        q.extend(x.iter().map(|x| ((x - middle) / half).powi(degree as i32)));
        // Twice, against rounding.
        for _ in 0..2 {
            for other in done.iter() {
                let dot: f64 = q.iter().zip(other).map(|(a, b)| a * b).sum();
                q.iter_mut().zip(other).for_each(|(a, b)| *a -= dot * b);
            }
        }
        let norm = q.iter().map(|a| a * a).sum::<f64>().sqrt();
        q.iter_mut().for_each(|a| *a /= norm);
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
                assert!((norm2 - fits.norm2(i)).abs() < 1e-12);
                assert!((row[i - from] - norm2).abs() < 1e-12);
            }
        }
        // Seven even points: A. Savitzky and M. J. E. Golay, Analytical Chemistry 1964 (from memory): 7/21 in the middle.
        let (_, even) = self::grid(30, 0.0);
        assert!((even.fits(1).unwrap().norm2(12) - 7.0 / 21.0).abs() < 1e-12);
    }
}
