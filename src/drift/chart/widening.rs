//! How much wider limits must be that stand on a few setup groups.
//!
//! Limits at 3 sigma are meant for a centre and a spread that are known. Taken from eight groups, the centre is off by a third of
//! sigma and the spread by a fifth to a third, and a chart in control signals far more often (C. P. Quesenberry, J. Quality
//! Technology 1993, from memory). Here all limits are multiplied by one factor so that the chance of any signal in control comes
//! out as asked.
//!
//! It comes from simulated charts, with as much of the chance as possible taken exactly. For normal means the centre, the
//! root sum of squares R about it, and the pattern of the setup groups (their moving ranges over R) are independent of each
//! other, and R is chi distributed. A chart signals exactly if its spread, R times the pattern, is below a bound that the other
//! draws set; so each trial counts with the exact chance of such an R instead of yes or no. This is what makes chances of one in
//! thousands come out with few trials where they come from spreads that are far too small.
//!
//! **Why are a chart's limits widened by simulation?** With a centre and a spread from eight groups a 3-sigma chart
//! in control sounds in a third of all series within 20 groups. Published factors are for the single mean; one
//! simulation of the very chart gives them for all three, for run rules and for a family held together, and it
//! repeats itself.

use super::plot::Reach;
use super::{D2, HORIZON, LEAST_TARGET, Parameters, cusum, ewma, individuals, setup::mean_moving_range};
use crate::spec::Chart;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use statrs::function::gamma::checked_gamma_lr;

/// Smallest share that can be asked of a chart.
#[must_use]
pub const fn least_target(kind: Chart) -> f64 {
    match kind {
        Chart::ChangePoint => super::limits::LEAST_CHANCE,
        Chart::Individuals | Chart::Ewma | Chart::Cusum => LEAST_TARGET,
    }
}

/// Share above which limits say nothing.
const LARGEST_TARGET: f64 = 0.5;
/// Trials: another seed changes the factor by 0.6 % at most at 5 %, and by some 1 % at 0.1 % (standard deviations).
const TRIALS: usize = 50_000;
const SEED: u64 = 20;
/// Setup groups from which on more of them change the factor by less than its own repeatability.
const MANY: usize = 200;
/// A factor that no chart comes to: two setup groups at the smallest target need some 10^4.
const LARGEST_FACTOR: f64 = 1e9;
/// From rung to rung of a ladder the share falls by so much, at most.
const RUNG: f64 = 2.0;
/// Steps of halving a bracket of a factor of two: to 1e-4.
const HALVINGS: usize = 13;

/// How much wider, and what that holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Widening {
    /// Factor on all limits, at least 1.
    pub factor: f64,
    /// Chance of any signal within [`HORIZON`] groups in control, at most: what was asked for, or [`LEAST_TARGET`] if that is
    /// larger.
    pub target: f64,
}

/// The factor on all limits of a chart whose centre and spread come from `setup_groups` groups (at least 2) as in
/// [`super::Setup::new`], such that at most a share `target` of charts in control signals within [`HORIZON`] groups. Group means are
/// normal and independent.
///
/// Of a [`Chart::ChangePoint`], which has limits of its own, the factor is 1. Targets below [`LEAST_TARGET`] are not met, which the result says. With very few setup groups the factor is large (two
/// of them, 5 %: above 10), because the spread may by chance be very small: such a chart sees only gross shifts.
#[must_use]
pub fn widening(kind: Chart, setup_groups: usize, target: f64, parameters: &Parameters) -> Widening {
    with_seed(kind, setup_groups, target, parameters, SEED)
}

fn with_seed(kind: Chart, setup_groups: usize, target: f64, parameters: &Parameters, seed: u64) -> Widening {
    Calm::new(kind, setup_groups, parameters, seed).widening(target, 1.0)
}

/// A factor and what it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rung {
    /// Chance of any signal within [`HORIZON`] groups in control, at most.
    pub chance: f64,
    /// Factor on all limits.
    pub factor: f64,
}

/// Factors for chances from `most` down to `least`, each half of the one before or nearer: how rare a signal is can be told by the
/// last one at which it still is one. See [`widening()`].
#[must_use]
pub fn ladder(kind: Chart, setup_groups: usize, most: f64, least: f64, parameters: &Parameters) -> Vec<Rung> {
    let calm = Calm::new(kind, setup_groups, parameters, SEED);
    let [most, least] = [most, least].map(|target| target.clamp(LEAST_TARGET, LARGEST_TARGET));
    let steps = (most / least).max(1.0).log(RUNG).ceil().max(0.0);
    let mut factor = 1.0;
    let rungs = (0..=steps as u32).map(|step| {
        let chance = most * (least / most).powf(if steps > 0.0 { f64::from(step) / steps } else { 0.0 });
        factor = calm.widening(chance, factor).factor;
        Rung { chance, factor }
    });
    rungs.collect()
}

/// Simulated charts in control.
struct Calm {
    trials: Vec<Vec<Reach>>,
    spread: Chi,
}

impl Calm {
    fn new(kind: Chart, setup_groups: usize, parameters: &Parameters, seed: u64) -> Self {
        let groups = setup_groups.clamp(2, MANY);
        Self { trials: simulate(kind, groups, parameters, seed), spread: Chi::new(groups - 1) }
    }

    fn share(&self, factor: f64) -> f64 {
        let signals = self.trials.iter().map(|trial| self.spread.below(bound(trial, factor)));
        signals.sum::<f64>() / self.trials.len() as f64
    }

    /// At least as wide as `low`.
    fn widening(&self, target: f64, mut low: f64) -> Widening {
        let target = target.clamp(LEAST_TARGET, LARGEST_TARGET);
        if self.share(low) <= target {
            return Widening { factor: low, target };
        }
        let mut high = 2.0 * low;
        while self.share(high) > target && high < LARGEST_FACTOR {
            low = high;
            high *= 2.0;
        }
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if self.share(middle) > target { low = middle } else { high = middle }
        }
        Widening { factor: high, target }
    }
}

/// Whether limits so wide are passed depends on the spread alone: it is if R is below what this gives, as a natural logarithm.
fn bound(trial: &[Reach], factor: f64) -> f64 {
    let bounds = trial.iter().map(|reach| {
        let limit = reach.fixed + reach.widened * factor;
        if limit > 0.0 { reach.deviation / limit } else { f64::MAX }
    });
    bounds.fold(f64::MIN_POSITIVE, f64::max).ln()
}

/// Simulated charts: what their points reach, over the pattern of their setup groups.
fn simulate(kind: Chart, groups: usize, parameters: &Parameters, seed: u64) -> Vec<Vec<Reach>> {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut means = vec![0.0; groups];
    let mut z = [0.0; HORIZON];
    let trial = |_| {
        means.iter_mut().for_each(|mean| *mean = StandardNormal.sample(&mut random));
        let center = means.iter().sum::<f64>() / groups as f64;
        let root = means.iter().map(|mean| (mean - center).powi(2)).sum::<f64>().sqrt();
        let pattern = mean_moving_range(&means) / D2 / root;
        for z in &mut z {
            let value: f64 = StandardNormal.sample(&mut random);
            *z = value - center;
        }
        let mut reach = match kind {
            Chart::Individuals => individuals::reach(&z, &parameters.individuals),
            Chart::Ewma => ewma::reach(&z, &parameters.ewma),
            Chart::Cusum => cusum::reach(&z, &parameters.cusum),
            Chart::ChangePoint => Vec::new(),
        };
        reach.iter_mut().for_each(|reach| reach.deviation /= pattern);
        reach
    };
    (0..TRIALS).map(trial).collect()
}

/// Table of the chi distribution over the logarithm of its argument.
struct Chi {
    degrees: f64,
    from: f64,
    shares: Vec<f64>,
}

impl Chi {
    /// Step of the logarithm: for seven degrees of freedom the largest relative error of interpolation is
    /// (7 x 0.005)^2/8 = 0.02 %.
    const STEP: f64 = 0.005;
    /// The table begins e^8 below its end. Below, the share is a power of the argument; that is off by 1e-5 there.
    const LENGTH: f64 = 8.0;
    /// The table ends so far above the root of the degrees of freedom, where the share is 1 - 1e-9 at most; standard deviation
    /// of a chi variable: below 0.71.
    const BEYOND: f64 = 6.0;

    fn new(degrees: usize) -> Self {
        let degrees = degrees as f64;
        let from = (degrees.sqrt() + Self::BEYOND).ln() - Self::LENGTH;
        let count = (Self::LENGTH / Self::STEP) as usize;
        // The arguments are above 0, so the error arm is never taken.
        let share = |k: usize| {
            let square = (2.0 * (from + k as f64 * Self::STEP)).exp();
            checked_gamma_lr(0.5 * degrees, 0.5 * square).unwrap_or(1.0)
        };
        Self { degrees, from, shares: (0..=count).map(share).collect() }
    }

    /// Chance of a chi variable whose logarithm is below this.
    fn below(&self, ln: f64) -> f64 {
        let place = (ln - self.from) / Self::STEP;
        if place < 0.0 {
            let first = self.shares.first().copied().unwrap_or(0.0);
            return first * (self.degrees * (ln - self.from)).exp();
        }
        let k = place as usize;
        match (self.shares.get(k), self.shares.get(k.saturating_add(1))) {
            (Some(a), Some(b)) => a + (b - a) * (place - k as f64),
            _ => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::chart::{Point, Setup, run_chart};

    const KINDS: [Chart; 3] = [Chart::Individuals, Chart::Ewma, Chart::Cusum];

    /// Share of charts, run in full, that signal.
    fn signalling(kind: Chart, groups: usize, factor: f64, tries: usize) -> f64 {
        let mut random = Pcg64::seed_from_u64(7 + groups as u64);
        let parameters = Parameters::default();
        let hits = (0..tries).filter(|_| {
            let mut draw = |n: usize| (0..n).map(|_| 50.0 + 3.0 * normal(&mut random)).collect::<Vec<f64>>();
            let setup = Setup::new(&draw(groups)).unwrap();
            let points: Vec<Point> =
                draw(HORIZON).into_iter().map(|value| Point { value, sigma: setup.sigma }).collect();
            run_chart(kind, &setup, &points, &parameters, factor).first().is_some()
        });
        hits.count() as f64 / tries as f64
    }

    fn normal(random: &mut Pcg64) -> f64 {
        StandardNormal.sample(random)
    }

    #[test]
    fn false_alarms_come_out_as_asked() {
        let parameters = Parameters::default();
        for kind in KINDS {
            for groups in [2, 3, 5, 8, 25, 100] {
                for target in [0.05, 0.01] {
                    let factor = widening(kind, groups, target, &parameters).factor;
                    let tries = 20_000;
                    let share = signalling(kind, groups, factor, tries);
                    let error = (target / tries as f64).sqrt();
                    println!("{kind:?} {groups} {target}: {factor:.3} gives {share:.4}");
                    assert!(share <= target + 3.5 * error, "{kind:?} {groups} {target}: {share}");
                    // Where 1 is enough it may be less.
                    assert!(
                        factor == 1.0 || share >= target - 3.5 * error,
                        "{kind:?} {groups} {target}: {share}"
                    );
                }
            }
        }
    }

    #[test]
    fn another_seed_gives_the_same_factor() {
        let parameters = Parameters::default();
        for kind in KINDS {
            for groups in [2, 8, 25, 200] {
                // Standard deviation from seed to seed, relative.
                for (target, most) in [(0.05, 0.01), (0.001, 0.02)] {
                    let factors: Vec<f64> = (0..6)
                        .map(|s| with_seed(kind, groups, target, &parameters, 100 + s).factor)
                        .collect();
                    let mean = factors.iter().sum::<f64>() / 6.0;
                    let squares = factors.iter().map(|factor| (factor / mean - 1.0).powi(2)).sum::<f64>();
                    let deviation = (squares / 5.0).sqrt();
                    println!("{kind:?} {groups} {target}: {mean:.3}, {:.2} %", 100.0 * deviation);
                    assert!(deviation < most, "{kind:?} {groups} {target}: {factors:?}");
                }
            }
        }
    }

    #[test]
    fn more_setup_groups_and_more_false_alarms_narrow_the_limits() {
        let parameters = Parameters::default();
        for kind in KINDS {
            for target in [LEAST_TARGET, 0.001, 0.05] {
                let factors: Vec<f64> = [2, 3, 4, 8, 15, 40]
                    .iter()
                    .map(|n| widening(kind, *n, target, &parameters).factor)
                    .collect();
                println!("{kind:?} {target}: {factors:.3?}");
                assert!(factors.windows(2).all(|pair| pair[0] >= pair[1]), "{kind:?} {target}: {factors:?}");
                assert!(factors.iter().all(|factor| *factor >= 1.0));
            }
            let at = |target| widening(kind, 8, target, &parameters);
            assert!(at(0.001).factor > at(0.05).factor);
            // What cannot be told is not promised.
            assert_eq!(at(1e-9), at(LEAST_TARGET));
            assert_eq!(at(1e-9).target, LEAST_TARGET);
        }
    }

    /// The quantiles are those of any table of chi-squared: 0.95 at 3.841 for 1, 14.067 for 7 degrees of freedom.
    #[test]
    fn the_table_is_that_of_chi_squared() {
        for (degrees, square, share) in
            [(1, 3.841, 0.95), (7, 14.067, 0.95), (7, 2.167, 0.05), (24, 13.848, 0.05)]
        {
            let own = Chi::new(degrees).below(0.5 * f64::ln(square));
            assert!((own - share).abs() < 1e-4, "{degrees}: {own}");
        }
        // Far below: 2 phi(0) x for one degree.
        let own = Chi::new(1).below(1e-6_f64.ln());
        assert!((own / (1e-6 * (2.0 / std::f64::consts::PI).sqrt()) - 1.0).abs() < 1e-4, "{own}");
        assert_eq!(Chi::new(7).below(50.0), 1.0);
    }
}
