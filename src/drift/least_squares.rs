//! Mean and standard deviation, and the straight line by least squares.
//!
//! Formulas: any textbook, e.g. JCGM 100:2008 (GUM), 4.2 and H.3.2. Sums are taken about the mean, in two passes, and
//! carry what rounding drops (A. Neumaier, ZAMM 54, 1974; from memory), so that a large common offset costs no digits
//! beyond those that the data themselves have lost.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Mean, spread and range of values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// How many values; at least 1.
    pub count: usize,
    /// Arithmetic mean, in the values' unit.
    pub mean: f64,
    /// Standard deviation with n - 1, in the values' unit; `None` of one value.
    pub sd: Option<f64>,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
}

impl Moments {
    /// Of values; `None` when there are none, or when they are not finite or too large to sum.
    ///
    /// ```
    /// let moments = loopgauge::drift::Moments::of(&[50.9, 52.3, 53.6]).ok_or("no values")?;
    /// assert_eq!(moments.count, 3);
    /// assert!((moments.mean - 52.2667).abs() < 1e-4);
    /// # Ok::<(), &'static str>(())
    /// ```
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let count = values.len();
        let mean = mean(values)?;
        let squares = sum(values.iter().map(|v| (v - mean).powi(2)));
        let sd = (count > 1).then(|| (squares / (count as f64 - 1.0)).sqrt());
        let min = values.iter().copied().fold(f64::INFINITY, f64::min);
        let max = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        squares.is_finite().then_some(Self { count, mean, sd, min, max })
    }

    /// Whether all values are the same but for rounding: such a spread says nothing about the population.
    #[must_use]
    pub fn all_alike(&self) -> bool {
        // A few units in the last place: what converting units and averaging add.
        self.max - self.min <= 4.0 * f64::EPSILON * self.max.abs().max(self.min.abs())
    }
}

/// A straight line y = a + b x by least squares, with the spread about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// How many points; at least 3.
    pub count: usize,
    /// Mean of x.
    pub mean_x: f64,
    /// Height of the line at the mean of x: the mean of y.
    pub mean_y: f64,
    /// Slope b.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard deviation of the points about the line, with n - 2.
    pub residual_sd: f64,
    /// Share of the variance of y that the line accounts for, 0 to 1; `None` when y is constant.
    pub r_squared: Option<f64>,
    /// Sum of the squared distances of x from its mean.
    spread_x: f64,
}

impl Line {
    /// Through points `(x, y)`; `None` of fewer than 3 points, when all x are the same or when numbers overflow.
    #[must_use]
    pub fn of(points: &[(f64, f64)]) -> Option<Self> {
        let count = points.len();
        if count < 3 {
            return None;
        }
        let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
        let (mean_x, mean_y) = (mean(&xs)?, mean(&ys)?);
        let spread_x = sum(xs.iter().map(|x| (x - mean_x).powi(2)));
        let slope = sum(points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y))) / spread_x;
        let squares = sum(points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)));
        let spread_y = sum(ys.iter().map(|y| (y - mean_y).powi(2)));
        let residual_sd = (squares / (count as f64 - 2.0)).sqrt();
        let line = Self {
            count,
            mean_x,
            mean_y,
            slope,
            slope_error: residual_sd / spread_x.sqrt(),
            residual_sd,
            r_squared: (spread_y > 0.0).then(|| (1.0 - squares / spread_y).max(0.0)),
            spread_x,
        };
        (line.slope.is_finite() && line.slope_error.is_finite()).then_some(line)
    }

    /// Height of the line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Standard error of the height at `x`; at 0 that of the intercept.
    #[must_use]
    pub fn error_at(&self, x: f64) -> f64 {
        let from_mean = (x - self.mean_x).powi(2) / self.spread_x;
        self.residual_sd * (1.0 / self.count as f64 + from_mean).sqrt()
    }

    /// Ends of the two-sided 95 % interval of the slope, by Student's t with n - 2 degrees of freedom.
    #[must_use]
    pub fn slope_interval(&self) -> Option<(f64, f64)> {
        let half = student(0.975, self.count as f64 - 2.0)? * self.slope_error;
        Some((self.slope - half, self.slope + half))
    }
}

/// Quantile of Student's t; `None` for a probability outside (0, 1) or degrees of freedom of 0 or less.
#[must_use]
pub fn student(probability: f64, freedom: f64) -> Option<f64> {
    if !(probability > 0.0 && probability < 1.0) {
        return None;
    }
    Some(StudentsT::new(0.0, 1.0, freedom).ok()?.inverse_cdf(probability))
}

fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let rough = sum(values.iter().copied()) / n;
    // The second pass takes out what rounding of the large sum has left.
    let mean = rough + sum(values.iter().map(|v| v - rough)) / n;
    mean.is_finite().then_some(mean)
}

/// A sum that carries along what rounding drops.
fn sum(terms: impl Iterator<Item = f64>) -> f64 {
    let (mut total, mut dropped) = (0.0_f64, 0.0_f64);
    for term in terms {
        let next = total + term;
        dropped += if total.abs() >= term.abs() { (total - next) + term } else { (term - next) + total };
        total = next;
    }
    total + dropped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_spread_says_so() {
        assert_eq!(Moments::of(&[]), None);
        assert_eq!(Moments::of(&[f64::MAX, -f64::MAX]), None);
        let one = Moments::of(&[3.0]).unwrap();
        assert_eq!((one.mean, one.sd, one.min, one.max), (3.0, None, 3.0, 3.0));
        assert!(Moments::of(&[52.3; 7]).unwrap().all_alike());
        assert!(Moments::of(&[0.1 + 0.2, 0.3]).unwrap().all_alike());
        assert!(!Moments::of(&[52.3, 52.300001]).unwrap().all_alike());
    }

    #[test]
    fn a_sum_keeps_what_a_plain_one_drops() {
        assert_eq!(sum([1.0, 1e100, 1.0, -1e100].into_iter()), 2.0);
    }

    #[test]
    fn no_line_without_three_places() {
        assert_eq!(Line::of(&[(0.0, 1.0), (1.0, 2.0)]), None);
        assert_eq!(Line::of(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
        let level = Line::of(&[(0.0, 5.0), (1.0, 5.0), (2.0, 5.0)]).unwrap();
        assert_eq!((level.slope, level.slope_error, level.r_squared), (0.0, 0.0, None));
    }
}
