//! Slope of the group means over the groups, from all pairs of groups: one bad lot does not pull it.
//!
//! Slope: the median of the slopes of all pairs (H. Theil 1950; P. K. Sen, *Estimates of the regression coefficient
//! based on Kendall's tau*, J. American Statistical Association 63, 1968; from memory). Interval: the slopes that
//! Kendall's test of the detrended means does not reject (Sen 1968; M. Hollander and D. A. Wolfe, *Nonparametric
//! Statistical Methods*, chapter 9; from memory), which are those between two order statistics of the pairs' slopes.
//! Without a trend all orders of the means are equally probable, whatever their distribution: the number of pairs out
//! of order then follows the counts of inversions of permutations (exact up to `EXACT_GROUPS` groups, normal beyond).
//!
//! That number is whole, so no two order statistics have 95 % exactly; the place between them is interpolated, here
//! linear in probability (the idea, for the median: T. P. Hettmansperger and S. J. Sheather, *Statistics & Probability
//! Letters* 4, 1986; from memory). Simulated coverage with normal noise (`examples/simulate`, mode `trend`): 97 % of 5 groups, 96 %
//! of 6 and 7, 95 to 96 % of 8 and more. Of 4 groups even the outermost slopes hold 91.7 % (1 - 2/4!) only: no
//! interval, hence no trend.
//!
//! Groups count alike, whatever their number of units: lots vary by more than their units explain. Where they do not,
//! and the number of units rises from 2 to 20 over the history, the interval holds 93 %; with a bad lot (10 standard
//! deviations) anywhere 95 %, with one in the newest place, which no method can tell from a turn, 90 to 94 %. Equal
//! means are in order both ways, and the interval includes its ends: it then errs towards the wide side.

use super::least_squares::Line;
use statrs::function::erf::erfc_inv;

/// Fewest groups with a value that a trend is taken from.
pub const FEWEST_GROUPS: usize = 5;
/// Most groups that a trend is taken from: of more, the newest. Their two million pairs take some 0.1 s.
pub const MOST_GROUPS: usize = 2_000;
/// Beyond so many groups the normal approximation takes over: it moves the ends by less than 1/100 of the interval.
const EXACT_GROUPS: usize = 60;
/// Probability beyond each end of the interval.
const TAIL: f64 = 0.025;

/// Trend of the group means, in the quantity's unit per group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Groups that it is taken from.
    pub groups: usize,
    /// Change per group.
    pub per_group: f64,
    /// Lower end of its two-sided 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Height of the fitted line at the newest group, in the quantity's unit.
    pub level_at_newest: f64,
    /// The slope by least squares beside it, for information: a bad lot pulls it.
    pub least_squares: LeastSquares,
    /// Groups between the middle of the groups, where slope and height are independent, and the newest.
    pub(super) from_middle: f64,
    /// Half width of the 95 % interval of the height there.
    pub(super) level_half_width: f64,
}

/// A slope with its two-sided 95 % interval, per group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeastSquares {
    /// Change per group.
    pub per_group: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Trend {
    /// Of the means of all groups in their order, `None` where a group has no value. No trend of fewer than
    /// [`FEWEST_GROUPS`] values; of more than [`MOST_GROUPS`] the newest count.
    ///
    /// ```
    /// let means = [52.4, 52.5, 52.0, 51.9, 51.8, 51.4].map(Some);
    /// let trend = loopgauge::drift::Trend::of(&means).ok_or("too few groups")?;
    /// assert!((trend.per_group + 0.2).abs() < 0.01);
    /// assert!(trend.excludes_zero());
    /// # Ok::<(), &'static str>(())
    /// ```
    #[must_use]
    pub fn of(means: &[Option<f64>]) -> Option<Self> {
        let mut points: Vec<(f64, f64)> =
            means.iter().enumerate().filter_map(|(x, mean)| mean.map(|y| (x as f64, y))).collect();
        points.drain(..points.len().saturating_sub(MOST_GROUPS));
        let groups = points.len();
        if groups < FEWEST_GROUPS {
            return None;
        }
        let line = Line::of(&points)?;
        let (low, high) = line.slope_interval()?;
        let least_squares = LeastSquares { per_group: line.slope, low, high };

        let mut slopes = pairs(&points, |(x, y), (later_x, later_y)| (later_y - y) / (later_x - x));
        let last = slopes.len() as f64 - 1.0;
        let place = outer_place(groups);
        let per_group = order_statistic(&mut slopes, 0.5 * last)?;
        let low = order_statistic(&mut slopes, place)?;
        let high = order_statistic(&mut slopes, last - place)?;

        let middle = line.mean_x;
        let mut levels: Vec<f64> = points.iter().map(|(x, y)| y - per_group * (x - middle)).collect();
        let level = centre(&mut levels)?;
        let spread_x: f64 = points.iter().map(|(x, _)| (x - middle).powi(2)).sum();
        let from_middle = means.len() as f64 - 1.0 - middle;
        let trend = Self {
            groups,
            per_group,
            low,
            high,
            level_at_newest: level + per_group * from_middle,
            least_squares,
            from_middle,
            level_half_width: 0.5 * (high - low) * (spread_x / groups as f64).sqrt(),
        };
        (low.is_finite() && high.is_finite() && trend.level_at_newest.is_finite()).then_some(trend)
    }

    /// Whether the interval lies on one side of 0: there is a trend.
    #[must_use]
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }
}

/// Centre of values: the median of the means of all pairs and of the values themselves (J. L. Hodges and E. L. Lehmann 1963;
/// from memory). It bears as many bad lots as the median of the slopes, 29 %, and belongs to the same kind of rank
/// test: their standard errors stand to each other as those of least squares do, s / sqrt(n) to s / sqrt(sum (x - mean)²).
fn centre(values: &mut [f64]) -> Option<f64> {
    let mut means = pairs(values, |a, b| 0.5 * (a + b));
    means.extend_from_slice(values);
    let last = means.len() as f64 - 1.0;
    order_statistic(&mut means, 0.5 * last)
}

/// A value of each pair of items, the earlier first.
fn pairs<T: Copy>(items: &[T], value: impl Fn(T, T) -> f64) -> Vec<f64> {
    let mut values = Vec::with_capacity(items.len() * items.len().saturating_sub(1) / 2);
    for (k, &item) in items.iter().enumerate() {
        values.extend(items.iter().skip(k + 1).map(|&later| value(item, later)));
    }
    values
}

/// The value at a place in the order, counted from 0; between two places by linear interpolation.
fn order_statistic(values: &mut [f64], place: f64) -> Option<f64> {
    let lower = place.max(0.0).floor();
    if lower as usize >= values.len() {
        return None;
    }
    let (_, &mut at, above) = values.select_nth_unstable_by(lower as usize, f64::total_cmp);
    let next = above.iter().copied().min_by(f64::total_cmp).unwrap_or(at);
    // Equal neighbours stay exactly themselves.
    Some(if next == at { at } else { at + (place - lower).max(0.0) * (next - at) })
}

/// Place of the interval's lower end among the ordered slopes, counted from 0 from the outside.
fn outer_place(groups: usize) -> f64 {
    let n = groups as f64;
    if groups > EXACT_GROUPS {
        let sd = (n * (n - 1.0) * (2.0 * n + 5.0) / 72.0).sqrt();
        let normal = std::f64::consts::SQRT_2 * erfc_inv(2.0 * TAIL);
        return 0.25 * n * (n - 1.0) - 0.5 - normal * sd;
    }
    let (mut beyond, mut place) = (0.0, 0.0);
    for (k, probability) in inversions(groups).iter().enumerate() {
        if beyond + probability > TAIL {
            // Outside slope k lie the true slopes with at most k - 1 pairs out of order, of which `beyond` is the
            // probability.
            place = k as f64 + (TAIL - beyond) / probability - 1.0;
            break;
        }
        beyond += probability;
    }
    place.max(0.0)
}

/// Probability of 0, 1, 2, … pairs out of order among all orders of `groups` values: an item put into an ordered row of k
/// others is out of order with 0 to k of them, all equally probable (M. G. Kendall 1938; from memory).
fn inversions(groups: usize) -> Vec<f64> {
    let mut probabilities: Vec<f64> = vec![1.0];
    for k in 1..groups {
        let share = 1.0 / (k as f64 + 1.0);
        let entering = probabilities.iter().copied().chain(std::iter::repeat_n(0.0, k));
        let leaving = std::iter::repeat_n(0.0, k + 1).chain(probabilities.iter().copied());
        let mut window = 0.0;
        let next = entering.zip(leaving).map(|(enters, leaves)| {
            window += enters - leaves;
            window * share
        });
        probabilities = next.collect();
    }
    probabilities
}

#[cfg(test)]
mod tests {
    use super::*;

    /// M. G. Kendall, *Rank Correlation Methods*, table of the exact distribution of S for n = 4 and 5 (from memory; counts
    /// of permutations by inversions, any text on combinatorics).
    #[test]
    fn inversions_of_few_groups() {
        for (groups, counts) in
            [(4, vec![1., 3., 5., 6., 5., 3., 1.]), (5, vec![1., 4., 9., 15., 20., 22., 20.])]
        {
            let all: f64 = (1..=groups).map(|k| k as f64).product();
            let probabilities = inversions(groups);
            assert_eq!(probabilities.len(), groups * (groups - 1) / 2 + 1);
            for (probability, count) in probabilities.iter().zip(counts) {
                assert!((probability - count / all).abs() < 1e-15);
            }
            assert!((probabilities.iter().sum::<f64>() - 1.0).abs() < 1e-14);
        }
    }

    /// Critical values of K = S at 2.5 % in each tail, M. Hollander and D. A. Wolfe, table A.30 (from memory): n 8: 16 has
    /// 3.1 %, 18 has 1.6 %; n 10: 21 has 3.6 %, 23 has 2.3 %.
    #[test]
    fn tails_of_kendalls_distribution() {
        for (groups, s, tail) in [(8, 16, 0.031), (8, 18, 0.016), (10, 21, 0.036), (10, 23, 0.023)] {
            let pairs = groups * (groups - 1) / 2;
            let beyond: f64 = inversions(groups).iter().take((pairs - s) / 2 + 1).sum();
            assert!((beyond - tail).abs() < 6e-4, "{groups} {s}: {beyond}");
        }
    }

    #[test]
    fn exact_and_normal_ends_meet() {
        let (n, pairs) = (60.0_f64, 60.0 * 59.0 / 2.0);
        let normal = 0.5 * pairs - 0.5 - 1.959_964 * (n * 59.0 * 125.0 / 72.0).sqrt();
        let width = pairs - 1.0 - 2.0 * normal;
        assert!((outer_place(60) - normal).abs() < 0.01 * width, "{} {normal}", outer_place(60));
        assert!(outer_place(61) > outer_place(60));
    }

    /// By hand: eight groups on a line of -2 per group, one of them moved by 100.
    #[test]
    fn one_bad_lot_does_not_pull_the_slope() {
        let means = [20.0, 18.0, 16.0, 114.0, 12.0, 10.0, 8.0, 6.0].map(Some);
        let trend = Trend::of(&means).unwrap();
        assert_eq!((trend.per_group, trend.level_at_newest), (-2.0, 6.0));
        assert!(trend.excludes_zero());
        let least_squares = trend.least_squares;
        assert!(
            least_squares.low < 0.0
                && least_squares.high > 0.0
                && (least_squares.per_group + 2.0).abs() > 1.0
        );
    }

    /// M. Hollander and D. A. Wolfe, example 9.1 (from memory): rainfall of seeded over unseeded clouds in five years;
    /// slope -0.056, 8 of 10 pairs fall. Interval by hand: P(no pair out of order) = 1/120, P(at most one) = 5/120, so
    /// that 0.025 lies halfway.
    #[test]
    fn the_slope_of_five_years() {
        let trend = Trend::of(&[1.26, 1.27, 1.12, 1.16, 1.03].map(Some)).unwrap();
        assert!((trend.per_group + 0.056_25).abs() < 1e-12);
        assert!((trend.low + 0.5 * (0.15 + 0.13)).abs() < 1e-12);
        assert!((trend.high - 0.5 * (0.01 + 0.04)).abs() < 1e-12);
    }

    #[test]
    fn a_line_added_is_added_to_the_slope() {
        let means = [3.1, 2.7, 3.9, 2.2, 3.3, 2.8, 3.0];
        let plain = Trend::of(&means.map(Some)).unwrap();
        let mut k = 0.0;
        let tilted = means.map(|mean| {
            k += 1.0;
            Some(10.0 - 2.0 * (mean + 0.5 * k))
        });
        let tilted = Trend::of(&tilted).unwrap();
        for (found, wanted) in [
            (tilted.per_group, -2.0 * (plain.per_group + 0.5)),
            (tilted.low, -2.0 * (plain.high + 0.5)),
            (tilted.high, -2.0 * (plain.low + 0.5)),
            (tilted.level_at_newest, 10.0 - 2.0 * (plain.level_at_newest + 3.5)),
            (tilted.level_half_width, 2.0 * plain.level_half_width),
        ] {
            assert!((found - wanted).abs() < 1e-12, "{found}, {wanted}");
        }
    }

    #[test]
    fn groups_without_a_value_keep_their_place() {
        let means = [Some(10.0), None, Some(8.0), Some(7.0), None, Some(5.0), Some(4.0), None];
        let trend = Trend::of(&means).unwrap();
        assert_eq!((trend.groups, trend.per_group, trend.low, trend.high), (5, -1.0, -1.0, -1.0));
        assert_eq!(trend.level_at_newest, 3.0);
    }

    #[test]
    fn equal_means_are_no_trend() {
        let trend = Trend::of(&[Some(5.0); 9]).unwrap();
        assert_eq!((trend.per_group, trend.low, trend.high), (0.0, 0.0, 0.0));
        assert!(!trend.excludes_zero());
        assert_eq!(Trend::of(&[Some(1.0), Some(2.0), Some(3.0), Some(4.0), None]), None);
    }

    #[test]
    fn of_many_groups_the_newest_count() {
        let means: Vec<_> = (0..MOST_GROUPS + 500).map(|k| Some((k as f64 - 500.0).max(0.0))).collect();
        let trend = Trend::of(&means).unwrap();
        assert_eq!((trend.groups, trend.per_group), (MOST_GROUPS, 1.0));
        assert_eq!(trend.level_at_newest, MOST_GROUPS as f64 - 1.0);
    }

    /// Beyond 60 groups the ends go on where they were: from 60 to 61 as from 59 to 60, and as the normal approximation says at 200.
    #[test]
    fn ends_go_on_beyond_the_exact_distribution() {
        let step = outer_place(60) - outer_place(59);
        assert!((outer_place(61) - outer_place(60) - step).abs() < 0.1 * step, "{}", outer_place(61));
        // Pairs 19 900; sd of half of Kendall's S: sqrt(200 x 199 x 405 / 72).
        let exact = 0.25 * 200.0 * 199.0 - 0.5 - 1.959_964 * (200.0_f64 * 199.0 * 405.0 / 72.0).sqrt();
        assert!((outer_place(200) - exact).abs() < 1e-3, "{}", outer_place(200));
    }

    /// On a line each half width is known from the slopes' interval: times the root of the mean squared distance to the middle.
    #[test]
    fn the_height_in_the_middle_has_the_interval_of_the_slope() {
        let trend = Trend::of(&[3.1, 2.7, 3.9, 2.2, 3.3, 2.8, 3.0].map(Some)).unwrap();
        // Places 0 to 6 lie 2 from their middle, in root mean square.
        assert!((trend.level_half_width - (trend.high - trend.low)).abs() < 1e-12);
        assert_eq!(trend.from_middle, 3.0);
    }
}
