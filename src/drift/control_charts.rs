//! The control charts of a product, from groups to signals in words, and how rarely they may signal without a cause.
//!
//! **Why is a shift from another station undecided?** Its accuracy is one unknown offset for all its sweeps: nobody
//! can tell it from a change of the product. A reference unit measured on both stations can.

use super::chart::{
    self, ChangePointRun, Mean, Parameters, Plot, Point, Rule, Rung, Setup, Side, run_chart, run_widened,
};
use super::facts::Filled;
use super::stations::Stations;
use super::wording;
use super::{ChartPoint, ChartRun, GroupStats, Population, Series, Signal, Trend};
use crate::check::Unit;
use crate::spec::Chart;
use statrs::function::erf::erfc;

/// Relative rounding of what stands in sweep files, five digits (common practice, no source): means that lie closer together were
/// rounded to it.
const FILE_ROUNDING: f64 = 1e-5;

/// Coverage factor of the scatter of a deviation beside what stations leave open, which is expanded likewise.
const EXPANDED: f64 = 2.0;

/// How rarely the charts of a product may signal without a cause within twenty groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Rate {
    /// Each of them by itself.
    Each(f64),
    /// Any of them; at a new group they are judged together ([`Watch::hold`]).
    Any(f64),
}

/// Charts of a product.
pub(super) struct Watch<'a> {
    /// The chart that is judged; `None`: centre and spread alone are told.
    kind: Option<Chart>,
    setup: usize,
    rate: Rate,
    population: &'a Population,
    /// Factors on the limits of charts that stand on the setup groups, the narrowest first.
    rungs: Vec<Rung>,
    /// For each group of the population, the chance that a chart is held at.
    levels: Vec<f64>,
    /// The charts, in the order of the series.
    measured: std::vec::IntoIter<Option<Measured>>,
}

/// A chart before it is known how rare its signals must be.
enum Measured {
    /// Centre and spread from the setup groups; for each point how rare it is in control, 1 where nothing signals.
    Standing { setup: Setup, points: Vec<Point>, chances: Vec<f64> },
    /// Learns from all groups.
    Learning { points: Vec<Point>, run: ChangePointRun },
}

impl<'a> Watch<'a> {
    /// Series are run in the order that they are given in here.
    pub(super) fn new<'s>(
        kind: Option<Chart>,
        setup: usize,
        rate: Rate,
        population: &'a Population,
        series: impl Iterator<Item = &'s Series> + Clone,
    ) -> Self {
        let mut watch = Self {
            kind,
            setup,
            rate,
            population,
            rungs: Vec::new(),
            levels: Vec::new(),
            measured: Vec::new().into_iter(),
        };
        let compared: Vec<Option<Vec<GroupStats>>> = series.clone().map(Series::compared).collect();
        let filled: Vec<Vec<Filled<'_>>> = series
            .zip(&compared)
            .map(|(series, own)| filled(own.as_deref().unwrap_or(&series.groups)))
            .collect();
        let charts = filled.iter().filter(|filled| filled.len() > setup).count();
        if let Some(kind) = kind.filter(|kind| *kind != Chart::ChangePoint && charts > 0) {
            let least = match rate {
                Rate::Each(target) => target,
                Rate::Any(target) => target / charts as f64,
            };
            watch.rungs = chart::ladder(kind, setup, watch.target(), least, &Parameters::default());
        }
        let measured: Vec<Option<Measured>> = filled.iter().map(|filled| watch.measure(filled)).collect();
        watch.levels = watch.hold(&filled, &measured);
        watch.measured = measured.into_iter();
        watch
    }

    /// Chance of a signal of one chart alone, at most.
    const fn target(&self) -> f64 {
        match self.rate {
            Rate::Each(target) | Rate::Any(target) => target,
        }
    }

    /// `None` while there are no more groups than the setup takes.
    fn measure(&self, filled: &[Filled<'_>]) -> Option<Measured> {
        let kind = self.kind?;
        let (setup, first, monitored) = self.start(filled)?;
        let (within, units) = (spread_of_units(first), harmonic_units(first));
        let points: Vec<Point> = monitored
            .iter()
            .map(|(_, mean, group)| {
                let size = usize::try_from(group.units).unwrap_or(usize::MAX);
                // Few setup groups may by chance lie closer together than the scatter of their units lets any means lie.
                let least = within / (group.units.max(1) as f64).sqrt();
                Point { value: *mean, sigma: setup.sigma_of_group(within, size, units).max(least) }
            })
            .collect();
        if kind == Chart::ChangePoint {
            let run = self.learn(filled, &setup)?;
            return Some(Measured::Learning { points, run });
        }
        let mut chances = vec![1.0; points.len()];
        for rung in &self.rungs {
            let done = run_chart(kind, &setup, &points, &Parameters::default(), rung.factor);
            for signal in done.signals {
                if let Some(chance) = chances.get_mut(signal.index) {
                    *chance = rung.chance;
                }
            }
        }
        Some(Measured::Standing { setup, points, chances })
    }

    fn start<'f, 'g>(&self, filled: &'f [Filled<'g>]) -> Option<(Setup, &'f [Filled<'g>], &'f [Filled<'g>])> {
        let (first, monitored) = filled.split_at_checked(self.setup).filter(|(_, rest)| !rest.is_empty())?;
        let means: Vec<f64> = first.iter().map(|(_, mean, _)| *mean).collect();
        let mut setup = Setup::new(&means)?;
        setup.sigma = setup.sigma.max(FILE_ROUNDING * setup.center.abs());
        Some((setup, first, monitored))
    }

    /// Lots scatter by what their means do beyond their units, from neighbour to neighbour, which a change of the level adds little
    /// to. That is known badly from few groups, and groups of many units would count for too much where chance leaves nothing of it: what
    /// counts is its mean over all that it may be, 0 and more.
    fn learn(&self, filled: &[Filled<'_>], setup: &Setup) -> Option<ChangePointRun> {
        let within = spread_of_units(filled).powi(2);
        let of_units = |group: &GroupStats| within / group.units.max(1) as f64;
        let pairs = || filled.iter().zip(filled.iter().skip(1));
        let differences: Vec<[f64; 2]> =
            pairs().map(|((_, a, of_a), (_, b, of_b))| [a - b, of_units(of_a) + of_units(of_b)]).collect();
        let usual_units = within / harmonic_units(filled);
        let lots = variance_of_lots(&differences);
        let usual = lots + usual_units;
        let groups: Vec<Mean> = filled
            .iter()
            .map(|(_, value, group)| Mean {
                value: *value,
                variance: if usual > 0.0 { (lots + of_units(group)) / usual } else { 1.0 },
            })
            .collect();
        // The spread is learnt from the means alone, as the limits suppose: means that lie closer together by chance than their units
        // let them is part of the rate that they hold.
        let floor = (FILE_ROUNDING * setup.center.abs()).max(f64::MIN_POSITIVE.sqrt());
        chart::changepoint(&groups, self.setup, floor, self.target())
    }

    /// The chance that the charts are held at, for each group. Where the product as a whole is held, the charts of a group are judged
    /// together: of m charts the k rarest signal where each of them comes as far by itself with a chance of at most k/m of the
    /// rate (Y. Benjamini and Y. Hochberg, J. Royal Statistical Society B 57, 1995). While nothing moves, any of them signals at
    /// the rate at most, independent or moving together (Y. Benjamini and D. Yekutieli, Annals of Statistics 29, 2001; both
    /// from memory), and no correlation need be known. What one cause moves in many series needs to be no rarer in each than
    /// in a chart alone.
    fn hold(&self, filled: &[Vec<Filled<'_>>], measured: &[Option<Measured>]) -> Vec<f64> {
        let groups = self.population.groups.len();
        let rate = match self.rate {
            Rate::Each(target) => return vec![target; groups],
            Rate::Any(rate) => rate,
        };
        let mut chances: Vec<Vec<f64>> = vec![Vec::new(); groups];
        for (filled, measured) in filled.iter().zip(measured) {
            let Some(measured) = measured else { continue };
            for ((group, ..), chance) in filled.iter().skip(self.setup).zip(measured.chances()) {
                if let Some(list) = chances.get_mut(*group) {
                    list.push(chance);
                }
            }
        }
        chances.into_iter().map(|list| step_up(list, rate)).collect()
    }

    /// `None` while there are no more groups than the setup takes.
    pub(super) fn run(
        &mut self,
        filled: &[Filled<'_>],
        stations: &Stations,
        unit: Unit,
    ) -> Option<(ChartRun, Vec<Signal>)> {
        let measured = self.measured.next().flatten();
        let (setup, first, monitored) = self.start(filled)?;
        let mut run = ChartRun {
            kind: self.kind.unwrap_or(Chart::ChangePoint),
            setup: self.setup,
            center: setup.center,
            sigma: setup.sigma,
            widening: 1.0,
            correlation: None,
            points: Vec::new(),
        };
        let tell = Telling { first, monitored, stations, setup: &setup, unit, population: self.population };
        let signals = match measured {
            None => Vec::new(),
            Some(Measured::Standing { setup, points, .. }) => {
                let widening = self.widening(monitored);
                run.widening = widening.last().copied().unwrap_or(1.0);
                let done = run_widened(run.kind, &setup, &points, &Parameters::default(), &widening);
                run.points = drawn(&done.plot, &setup, &points, monitored);
                done.signals.iter().filter_map(|signal| tell.signal(signal, setup.center)).collect()
            }
            Some(Measured::Learning { points, run: learnt, .. }) => {
                run.correlation = learnt.correlation;
                run.points = self.learnt(&learnt, &points, monitored);
                self.signals(&learnt, monitored, &tell)
            }
        };
        Some((run, signals))
    }

    /// Chance of a signal without a cause that a chart is held at in a group.
    pub(super) fn level(&self, group: usize) -> f64 {
        self.levels.get(group).copied().unwrap_or(self.target())
    }

    /// The factor for each monitored group: the narrowest that holds its level.
    fn widening(&self, monitored: &[Filled<'_>]) -> Vec<f64> {
        let of = |group: usize| {
            let held = self.rungs.iter().find(|rung| is_at_most(rung.chance, self.level(group)));
            held.or(self.rungs.last()).map_or(1.0, |rung| rung.factor)
        };
        monitored.iter().map(|(group, ..)| of(*group)).collect()
    }

    fn learnt(&self, run: &ChangePointRun, points: &[Point], monitored: &[Filled<'_>]) -> Vec<ChartPoint> {
        let groups = monitored.iter().zip(points).zip(&run.steps);
        groups
            .map(|(((group, ..), point), step)| {
                let [low, high] = run.lines(step, self.level(*group));
                ChartPoint { group: *group, statistic: step.level, low, high, sigma: point.sigma }
            })
            .collect()
    }

    fn signals(&self, run: &ChangePointRun, monitored: &[Filled<'_>], tell: &Telling<'_>) -> Vec<Signal> {
        let steps = monitored.iter().zip(&run.steps).enumerate();
        let shown = steps
            .filter(|(_, ((group, ..), step))| step.is_signal && is_at_most(step.chance, self.level(*group)));
        shown
            .filter_map(|(index, ((group, ..), step))| {
                let [low, high] = run.lines(step, self.level(*group));
                let is_up = step.level > step.before;
                let (side, limit) = if is_up { (Side::High, high) } else { (Side::Low, low) };
                let (rule, since, value) = (Rule::ChangePoint, step.since.min(index), step.level);
                tell.signal(&chart::Signal { index, rule, side, since, value, limit }, step.before)
            })
            .collect()
    }
}

impl Measured {
    fn chances(&self) -> Vec<f64> {
        match self {
            Self::Standing { chances, .. } => chances.clone(),
            Self::Learning { run, .. } => {
                run.steps.iter().map(|step| if step.is_signal { step.chance } else { 1.0 }).collect()
            }
        }
    }
}

/// Whether a chance is held, but for rounding.
fn is_at_most(chance: f64, level: f64) -> bool {
    chance <= level * (1.0 + 1e-9)
}

/// The level that the step-up procedure ends at, for the chances of one group.
fn step_up(mut chances: Vec<f64>, rate: f64) -> f64 {
    chances.sort_by(f64::total_cmp);
    let count = chances.len().max(1) as f64;
    let share = |rank: usize| rate * (rank + 1) as f64 / count;
    let most = chances.iter().enumerate().rev().find(|(rank, chance)| is_at_most(**chance, share(*rank)));
    share(most.map_or(0, |(rank, _)| rank))
}

/// The groups that have a mean.
pub(super) fn filled(groups: &[GroupStats]) -> Vec<Filled<'_>> {
    let groups = groups.iter().enumerate();
    groups.filter_map(|(index, group)| Some((index, group.mean?, group))).collect()
}

/// Standard deviation from unit to unit inside a group, pooled over groups; 0 where no group has two units.
pub(super) fn spread_of_units(groups: &[Filled<'_>]) -> f64 {
    let (squares, freedom) = groups
        .iter()
        .filter_map(|(_, _, group)| Some((group.sd?, group.units.saturating_sub(1) as f64)))
        .fold((0.0, 0.0), |(squares, freedom), (sd, more)| (squares + sd * sd * more, freedom + more));
    if freedom > 0.0 { (squares / freedom).sqrt() } else { 0.0 }
}

/// Rounds of the weights of [`variance_of_lots`]: the first one weighs all alike.
const ROUNDS: usize = 3;

/// The variance from lot to lot by the differences of neighbouring group means, each with what its units make of its square on average:
/// of a lot variance that is normally distributed about its estimate the mean over all that it may be, 0 and more.
///
/// Each square tells of twice the lot variance and of that of the units, with a standard deviation of sqrt 2 times their sum; it is weighed by the
/// inverse square of that, so that groups of many units tell the most. That neighbours share a mean makes the variance of the sum 1.5 times
/// as large (J. von Neumann et al., Annals of Mathematical Statistics 12, 1941, of n equal ones (3 n - 4)/(2 n - 2): from memory).
fn variance_of_lots(differences: &[[f64; 2]]) -> f64 {
    let mut lots = None;
    for _ in 0..ROUNDS {
        let weight = |of_units: f64| lots.map_or(1.0, |lots: f64| (2.0 * lots + of_units).powi(-2));
        let total: f64 = differences.iter().map(|[_, of_units]| weight(*of_units)).sum();
        let sum: f64 =
            differences.iter().map(|[d, of_units]| 0.5 * weight(*of_units) * (d * d - of_units)).sum();
        let estimate = sum / total;
        let deviation = |of_units: f64| weight(of_units) * (2.0 * estimate.max(0.0) + of_units);
        let squares: f64 = differences.iter().map(|[_, of_units]| deviation(*of_units).powi(2)).sum();
        let held = mean_above_zero(estimate, (1.5 * 0.5 * squares).sqrt() / total);
        // Without any scatter the weights have no end.
        if !(held > 0.0 && held.is_finite()) {
            break;
        }
        lots = Some(held);
    }
    lots.unwrap_or(0.0)
}

/// The mean of a normal distribution of which what lies below 0 counts as 0.
fn mean_above_zero(mean: f64, deviation: f64) -> f64 {
    if deviation <= 0.0 {
        return mean.max(0.0);
    }
    let ratio = mean / deviation;
    let density = (-0.5 * ratio * ratio).exp() / std::f64::consts::TAU.sqrt();
    let above = 0.5 * erfc(-ratio / std::f64::consts::SQRT_2);
    (mean * above + deviation * density).max(0.0)
}

/// Harmonic mean of the units of groups.
pub(super) fn harmonic_units(groups: &[Filled<'_>]) -> f64 {
    let sum: f64 = groups.iter().map(|(_, _, group)| 1.0 / group.units.max(1) as f64).sum();
    groups.len() as f64 / sum
}

fn drawn(plot: &Plot, setup: &Setup, points: &[Point], monitored: &[Filled<'_>]) -> Vec<ChartPoint> {
    let statistics: Vec<[f64; 3]> = match plot {
        Plot::Lines(lines) => lines.iter().map(|line| [line.statistic, line.lower, line.upper]).collect(),
        Plot::Sums(points) => points
            .iter()
            .map(|sums| {
                let larger = if sums.upper >= sums.lower { sums.upper } else { -sums.lower };
                [setup.center + larger, setup.center - sums.interval, setup.center + sums.interval]
            })
            .collect(),
    };
    let groups = monitored.iter().zip(points).zip(statistics);
    groups
        .map(|(((group, ..), point), [statistic, low, high])| ChartPoint {
            group: *group,
            statistic,
            low,
            high,
            sigma: point.sigma,
        })
        .collect()
}

/// What signals are told with.
struct Telling<'a> {
    first: &'a [Filled<'a>],
    monitored: &'a [Filled<'a>],
    stations: &'a Stations,
    setup: &'a Setup,
    unit: Unit,
    population: &'a Population,
}

impl Telling<'_> {
    /// `center`: the level that the signal's groups are off from.
    fn signal(&self, signal: &chart::Signal, center: f64) -> Option<Signal> {
        let (group, ..) = self.monitored.get(signal.index)?;
        Some(Signal {
            group: *group,
            rule: signal.rule.name(),
            message: self.message(signal, center),
            explained_by_station: self.is_explained(signal, center),
            wanders: false,
        })
    }

    fn message(&self, signal: &chart::Signal, center: f64) -> String {
        let show = |value: f64| wording::value(value, self.setup.sigma, self.unit);
        let (value, limit, center) = (show(signal.value), show(signal.limit), show(center));
        let (side, end) = match signal.side {
            Side::High => ("above", "upper"),
            Side::Low => ("below", "lower"),
        };
        let since = self.label(signal.since);
        match signal.rule {
            Rule::Individuals => format!("mean {value} is {side} the {end} limit {limit}, centre {center}"),
            Rule::TwoOfThree => {
                format!("two of three means since {since} lie {side} {limit}, centre {center}")
            }
            Rule::FourOfFive => {
                format!("four of five means since {since} lie {side} {limit}, centre {center}")
            }
            Rule::EightInARow => {
                format!("eight means in a row since {since} lie {side} {limit}, centre {center}")
            }
            Rule::Ewma => format!(
                "moving average {value} is {side} its {end} limit {limit}, centre {center}, {side} the centre since {since}"
            ),
            Rule::ChangePoint => {
                format!(
                    "the level since {since}, {value}, is {side} its {end} limit {limit}, {center} before"
                )
            }
            Rule::Cusum => format!(
                "means since {since} lie {side} the centre {center} by {value} in sum, more than the decision interval {limit}"
            ),
        }
    }

    /// Label of a monitored group.
    fn label(&self, index: usize) -> &str {
        let group = self.monitored.get(index).and_then(|(group, ..)| self.population.groups.get(*group));
        group.map_or("", |group| &group.label)
    }

    /// Whether the deviation is no larger than what stations and the scatter of the means together make, and the groups of the same
    /// stations show nothing by themselves. Where stations leave nothing open it is larger: it signals.
    fn is_explained(&self, signal: &chart::Signal, center: f64) -> bool {
        // What a level is off by is asked once, of all its groups up to today, not again at each signal.
        let is_level = matches!(signal.rule, Rule::ChangePoint | Rule::Ewma | Rule::Cusum);
        let last = if is_level { self.monitored.len().saturating_sub(1) } else { signal.index };
        let Some(part) = self.monitored.get(signal.since..=last).filter(|part| !part.is_empty()) else {
            return false;
        };
        let deviation = part.iter().map(|(_, mean, _)| mean - center).sum::<f64>() / part.len() as f64;
        let places = |groups: &[Filled<'_>]| groups.iter().map(|(group, ..)| *group).collect::<Vec<_>>();
        // What the level was before: of a chart that learns all groups before the change, else the setup groups.
        let mut before = places(self.first);
        if signal.rule == Rule::ChangePoint {
            before.extend(places(self.monitored.get(..signal.since).unwrap_or(&[])));
        }
        let scatter = (1.0 / part.len() as f64 + 1.0 / before.len().max(1) as f64).sqrt() * self.setup.sigma;
        let doubt = self.stations.doubt(&places(part), &before);
        doubt > 0.0
            && deviation.abs() <= doubt.hypot(EXPANDED * scatter)
            && !self.creeps_on_its_station(signal)
    }

    /// Whether the groups that the same known stations measured as the signal's have a trend of their own to its side, up to today: a
    /// station's error is the same in all of them. It is asked once of all of them, not again at each signal.
    fn creeps_on_its_station(&self, signal: &chart::Signal) -> bool {
        let stations = |group: usize| self.population.groups.get(group).map(|head| head.stations.as_slice());
        let Some(own) = self.monitored.get(signal.index).and_then(|(group, ..)| stations(*group)) else {
            return false;
        };
        if own.contains(&None) {
            return false;
        }
        let means: Vec<Option<f64>> = self
            .monitored
            .iter()
            .filter(|(group, ..)| stations(*group) == Some(own))
            .map(|(_, mean, _)| Some(*mean))
            .collect();
        Trend::of(&means)
            .is_some_and(|trend| trend.excludes_zero() && trend.per_group * signal.side.sign() > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::{mean_above_zero, step_up, variance_of_lots};
    use crate::noise::simulated_noise::samples;

    /// 1/sqrt(2 pi) of a standard deviation about 0, the mean far above it, nothing far below.
    #[test]
    fn what_lies_below_zero_counts_as_zero() {
        for (mean, deviation, wanted) in [
            (0.0, 2.0, 0.797_884_560_8),
            (3.0, 0.1, 3.0),
            (-1.0, 0.1, 0.0),
            (0.5, 0.0, 0.5),
            (-0.5, 0.0, 0.0),
        ] {
            assert!((mean_above_zero(mean, deviation) - wanted).abs() < 1e-9, "{mean} {deviation}");
        }
    }

    /// Groups of 4, 4 and 30 units of variance 1 each, lots of 0.25 or none: the mean of many estimates. With no lots it stays above 0 by
    /// what twenty groups leave open, which is less by the large ones than the 0.125 that the small ones leave.
    #[test]
    fn the_variance_of_lots_is_read_from_groups_of_any_size() {
        let units = |k: usize| if k % 3 == 2 { 30.0 } else { 4.0 };
        let mean_of = |lots: f64, groups: usize, rounds: u64| {
            let hz: Vec<f64> = (1..=groups).map(|k| k as f64).collect();
            let one = |seed: u64| {
                let noise = samples(&hz, &|_| [0.0; 2], &|_| [1.0; 2], seed);
                let means: Vec<f64> = noise
                    .ln_magnitude()
                    .iter()
                    .zip(noise.phase_rad())
                    .enumerate()
                    .map(|(k, (a, p))| a * f64::sqrt(lots) + p / f64::sqrt(units(k)))
                    .collect();
                let pairs = means.iter().zip(means.iter().skip(1)).enumerate();
                let differences: Vec<[f64; 2]> =
                    pairs.map(|(k, (a, b))| [a - b, 1.0 / units(k) + 1.0 / units(k + 1)]).collect();
                variance_of_lots(&differences)
            };
            (0..rounds).map(one).sum::<f64>() / rounds as f64
        };
        assert!((mean_of(0.25, 2_000, 20) - 0.25).abs() < 0.01, "{}", mean_of(0.25, 2_000, 20));
        let none = mean_of(0.0, 20, 300);
        assert!(none > 0.01 && none < 0.06, "{none}");
        assert_eq!(variance_of_lots(&[[0.0, 0.0]; 5]), 0.0);
        assert_eq!(variance_of_lots(&[]), 0.0);
    }

    /// The example of Benjamini and Hochberg 1995, section 3.2 (from memory): of fifteen p-values at 5 % the four smallest are
    /// rejected, at the level 4/15 of 5 %.
    #[test]
    fn the_step_up_procedure_ends_where_its_authors_say() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
            0.6528, 0.7590, 1.0,
        ];
        let level = step_up(p.to_vec(), 0.05);
        assert!((level - 0.05 * 4.0 / 15.0).abs() < 1e-12, "{level}");
        assert_eq!(p.iter().filter(|p| **p <= level).count(), 4);
    }

    #[test]
    fn many_that_move_together_need_be_no_rarer_than_one_alone() {
        assert!((step_up(vec![0.04; 16], 0.05) - 0.05).abs() < 1e-12);
        assert!((step_up(vec![1.0; 16], 0.05) - 0.05 / 16.0).abs() < 1e-12);
        assert!((step_up(Vec::new(), 0.05) - 0.05).abs() < 1e-12);
    }
}
