//! Where the level of a series shifted, if it did.
//!
//! One shift is looked for at the most likely place (D. V. Hinkley, Biometrika 1970, from memory): the split with the largest
//! difference of the means of both sides over its standard error. The scatter about the two levels sets the scale, so a spread
//! that was taken from few groups makes no step. How often chance alone gives as large a one at its best place is found by
//! simulation.

use super::chart::Point;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Groups on each side, at least: a single last group that is off cannot be told from one bad lot.
pub const FEWEST_ON_A_SIDE: usize = 2;
/// Groups in all, at least: with one of them left out there are still two degrees of freedom.
pub const FEWEST_GROUPS: usize = 5;
/// A step less probable by chance than this is named.
pub const SIGNIFICANCE: f64 = 0.05;

/// Simulated series: they tell 5 % to 0.5 %.
const TRIALS: usize = 2_000;
const SEED: u64 = 5;
/// Scatter about the two levels, as a part of the points' sigma, below which it is rounding: without it the means of a
/// made-up series would divide by 0.
const LEAST_SCATTER: f64 = 1e-6;

/// A shift of the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The first group after it, by its place among the points.
    pub index: usize,
    /// Level before it: mean of the groups, weighted by 1/sigma^2; in the quantity's unit, as all that follows.
    pub before: f64,
    /// Level from it on.
    pub after: f64,
    /// `after` less `before`.
    pub size: f64,
    /// Standard error of `size`, from the scatter about the two levels.
    pub error: f64,
    /// Chance in (0, 1] of as large a step somewhere in a series without one; at most [`SIGNIFICANCE`].
    pub chance: f64,
    /// Root mean square scatter about the two levels, in the points' sigma: far above 1, or above that about a straight line,
    /// a step is not what happened.
    pub scatter: f64,
}

/// Finds the most likely single shift of the level of a series, setup groups included.
///
/// `None` when a series without one shows as large a one in more than 5 % of cases, when it does not survive that any one group is left out
/// (one bad lot is no step), or with fewer than [`FEWEST_GROUPS`] groups. Only the ratio of the points' sigmas matters. A slow
/// trend is found as a step, too: hold it against a straight line's scatter.
#[must_use]
pub fn step(points: &[Point]) -> Option<Step> {
    if points.len() < FEWEST_GROUPS {
        return None;
    }
    let (index, split) = best(points)?;
    if !survives(points, index, split.size) {
        return None;
    }
    let chance = chance(points, split.ratio());
    (chance <= SIGNIFICANCE).then_some(Step {
        index,
        before: split.before,
        after: split.before + split.size,
        size: split.size,
        error: split.error * split.scatter,
        chance,
        scatter: split.scatter,
    })
}

/// Two levels.
#[derive(Debug, Clone, Copy)]
struct Split {
    before: f64,
    size: f64,
    /// Standard error of the size if the points' sigmas are right.
    error: f64,
    scatter: f64,
}

impl Split {
    fn ratio(&self) -> f64 {
        self.size.abs() / (self.error * self.scatter)
    }
}

/// Sums of weights, of weighted values and of their squares.
#[derive(Debug, Clone, Copy, Default)]
struct Sums([f64; 3]);

impl Sums {
    /// `origin` lies among the values, so that their squares lose no digits.
    fn with(self, point: &Point, origin: f64) -> Self {
        let (weight, value) = (point.sigma.powi(-2), point.value - origin);
        let Self([a, b, c]) = self;
        Self([a + weight, b + weight * value, c + weight * value * value])
    }

    fn mean(self) -> f64 {
        let Self([weight, sum, _]) = self;
        sum / weight
    }

    /// Weighted squares about the mean.
    fn about(self) -> f64 {
        let Self([weight, sum, squares]) = self;
        squares - sum * sum / weight
    }
}

fn split(left: Sums, right: Sums, count: usize, origin: f64) -> Split {
    let (Sums([a, ..]), Sums([b, ..])) = (left, right);
    let squares = (left.about() + right.about()).max(0.0);
    let degrees = count.saturating_sub(2).max(1) as f64;
    Split {
        before: left.mean() + origin,
        size: right.mean() - left.mean(),
        error: (a.recip() + b.recip()).sqrt(),
        scatter: (squares / degrees).sqrt().max(LEAST_SCATTER),
    }
}

/// The split with the largest ratio, and its first group after it. All have the same degrees of freedom, so the largest ratio has
/// the least scatter, which is the largest likelihood.
fn best(points: &[Point]) -> Option<(usize, Split)> {
    let origin = points.iter().map(|point| point.value).sum::<f64>() / points.len() as f64;
    let all = |points: &[Point]| points.iter().fold(Sums::default(), |sums, point| sums.with(point, origin));
    let (mut left, mut best) = (Sums::default(), None);
    let Sums(total) = all(points);
    for (index, point) in (1..).zip(points) {
        left = left.with(point, origin);
        if index < FEWEST_ON_A_SIDE || index + FEWEST_ON_A_SIDE > points.len() {
            continue;
        }
        let Sums(part) = left;
        let [t, p] = [total, part];
        let right = Sums(std::array::from_fn(|k| t.get(k).zip(p.get(k)).map_or(0.0, |(t, p)| t - p)));
        let split = split(left, right, points.len(), origin);
        if best.is_none_or(|(_, old): (usize, Split)| split.ratio() > old.ratio()) {
            best = Some((index, split));
        }
    }
    best
}

/// Whether the step stays, with its sign and at its place, whichever one group is left out: the test of a single difference of
/// means, two-sided at [`SIGNIFICANCE`], as the place is given.
fn survives(points: &[Point], index: usize, size: f64) -> bool {
    let origin = points.iter().map(|point| point.value).sum::<f64>() / points.len() as f64;
    let left_over = points.len() - 1;
    let degrees = left_over.saturating_sub(2).max(1) as f64;
    let Ok(student) = StudentsT::new(0.0, 1.0, degrees) else { return false };
    let needed = student.inverse_cdf(1.0 - 0.5 * SIGNIFICANCE);
    (0..points.len()).all(|out| {
        let side = |after: bool| {
            let kept = points.iter().enumerate().filter(|(k, _)| *k != out && (*k >= index) == after);
            kept.fold(Sums::default(), |sums, (_, point)| sums.with(point, origin))
        };
        let split = split(side(false), side(true), left_over, origin);
        split.size * size > 0.0 && split.ratio() >= needed
    })
}

/// Share of simulated series without a step whose best split has at least this ratio; the series itself counts as one, so that it is
/// never 0 (B. Phipson and G. K. Smyth 2010, from memory).
fn chance(points: &[Point], ratio: f64) -> f64 {
    let mut random = Pcg64::seed_from_u64(SEED);
    let mut series = points.to_vec();
    let mut as_large = 1;
    for _ in 0..TRIALS {
        for point in &mut series {
            let normal: f64 = StandardNormal.sample(&mut random);
            point.value = point.sigma * normal;
        }
        as_large += usize::from(best(&series).is_some_and(|(_, split)| split.ratio() >= ratio));
    }
    as_large as f64 / (TRIALS + 1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(values: &[f64]) -> Vec<Point> {
        values.iter().map(|value| Point { value: *value, sigma: 1.0 }).collect()
    }

    fn normals(count: usize, seed: u64) -> Vec<f64> {
        let mut random = Pcg64::seed_from_u64(seed);
        (0..count).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    const SCATTER: [f64; 14] = [0.3, -0.8, 1.1, -0.2, 0.5, -1.2, 0.1, 0.9, -0.6, -0.4, 0.7, -0.9, 0.2, 0.4];

    #[test]
    fn a_step_is_found_where_it_is() {
        for place in 2..=12 {
            let mut values = SCATTER;
            values.iter_mut().skip(place).for_each(|value| *value -= 6.0);
            let step = step(&points(&values)).unwrap();
            assert_eq!(step.index, place);
            assert!((step.size + 6.0).abs() < 3.0 * step.error, "{step:?}");
            assert!(step.chance < 0.01 && step.error < 1.0, "{step:?}");
            assert!((step.after - step.before - step.size).abs() < 1e-12);
        }
    }

    /// Before: 0, 2 (mean 1); after: 9, 11, 10 (mean 10); by hand: squares 2 + 2 over 3 degrees of freedom.
    #[test]
    fn size_and_error_are_those_of_two_means() {
        let found = step(&points(&[0.0, 2.0, 9.0, 11.0, 10.0]));
        let (index, split) = best(&points(&[0.0, 2.0, 9.0, 11.0, 10.0])).unwrap();
        assert_eq!((index, split.before, split.size), (2, 1.0, 9.0));
        assert!((split.scatter - (4.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!((split.error - (0.5_f64 + 1.0 / 3.0).sqrt()).abs() < 1e-12);
        assert!(found.is_none_or(|step| step.index == 2));
    }

    /// As rarely as without it: what is left when it is left out is a series without a step.
    #[test]
    fn one_bad_lot_is_no_step_wherever_it_is() {
        for count in [8, 20, 60, 150] {
            for size in [5.0, -20.0, 1e3] {
                let tries = 300;
                let hits = (0..tries).filter(|k| {
                    let mut values = normals(count, 5000 + k);
                    values[*k as usize % count] += size;
                    step(&points(&values)).is_some()
                });
                let hits = hits.count();
                println!("{size} among {count}: {hits} of {tries}");
                // 5 % and three standard errors.
                assert!(hits <= 26, "{size} among {count}: {hits}");
            }
        }
    }

    #[test]
    fn a_single_bad_lot_in_a_quiet_series_is_no_step() {
        for place in 0..SCATTER.len() {
            for size in [5.0, -20.0, 1e3] {
                let mut values = SCATTER;
                values[place] += size;
                assert_eq!(step(&points(&values)), None, "{size} at {place}");
            }
        }
    }

    #[test]
    fn a_bad_lot_beside_a_step_does_not_move_it() {
        let mut values = normals(24, 9);
        values.iter_mut().skip(14).for_each(|value| *value += 4.0);
        values[5] += 6.0;
        let step = step(&points(&values)).unwrap();
        assert_eq!(step.index, 14);
    }

    #[test]
    fn chance_alone_makes_a_step_in_one_of_twenty_at_most() {
        for count in [5, 10, 28] {
            let tries = 400;
            let hits = (0..tries).filter(|k| step(&points(&normals(count, 1000 + k))).is_some()).count();
            println!("{count}: {hits} of {tries}");
            // 5 % and three standard errors.
            assert!(hits <= 33, "{count}: {hits}");
            // Far below would be blind.
            assert!(count == 5 || hits >= 4, "{count}: {hits}");
        }
    }

    #[test]
    fn neither_unit_nor_scale_of_sigma_matters_but_its_ratio_does() {
        let mut values = SCATTER;
        values.iter_mut().skip(9).for_each(|value| *value += 3.0);
        let plain = step(&points(&values)).unwrap();
        let other: Vec<Point> =
            values.iter().map(|v| Point { value: 1e-6 * v + 52.0, sigma: 7e-6 }).collect();
        let scaled = step(&other).unwrap();
        assert_eq!((scaled.index, scaled.chance), (plain.index, plain.chance));
        assert!((scaled.size / plain.size / 1e-6 - 1.0).abs() < 1e-6);
        // A group that says little is weighed little.
        let mut unequal = points(&values);
        unequal[12] = Point { value: 300.0, sigma: 1e3 };
        let weighed = step(&unequal).unwrap();
        assert_eq!(weighed.index, 9);
        assert!((weighed.size - plain.size).abs() < 1.0);
    }

    #[test]
    fn levels_without_scatter_divide_by_nothing() {
        let made_up = step(&points(&[5.0, 5.0, 5.0, 5.0, 6.0, 6.0, 6.0])).unwrap();
        assert_eq!((made_up.index, made_up.size), (4, 1.0));
        assert!(made_up.error.is_finite() && made_up.error > 0.0);
        assert_eq!(step(&points(&[5.0; 9])), None);
        assert_eq!(step(&points(&[1.0, 1.0, 9.0, 9.0])), None);
    }
}
