//! The control chart of one series, from its groups to signals in words.

use super::chart::{self, Parameters, Plot, Point, Rule, Setup, Side, run_chart};
use super::rules::Filled;
use super::words;
use super::{ChartPoint, ChartRun, Population, Signal, Trend};
use crate::check::Unit;
use crate::spec::Chart;

/// Relative rounding of what stands in sweep files, five digits (common practice, no source): means that lie closer together were
/// rounded to it.
const FILE_ROUNDING: f64 = 1e-5;

/// Charts of a product: the factor on their limits is found once.
pub(super) struct Watch<'a> {
    /// The chart that is judged; `None`: centre and spread alone are told.
    kind: Option<Chart>,
    setup: usize,
    /// Chance of a signal in control, at most.
    target: f64,
    population: &'a Population,
    widening: Option<f64>,
}

impl<'a> Watch<'a> {
    pub(super) fn new(kind: Option<Chart>, setup: usize, target: f64, population: &'a Population) -> Self {
        Self { kind, setup, target, population, widening: None }
    }

    /// `None` while there are no more groups than the setup takes.
    pub(super) fn run(&mut self, filled: &[Filled<'_>], unit: Unit) -> Option<(ChartRun, Vec<Signal>)> {
        let (first, monitored) = filled.split_at_checked(self.setup).filter(|(_, rest)| !rest.is_empty())?;
        let means: Vec<f64> = first.iter().map(|(_, mean, _)| *mean).collect();
        let mut setup = Setup::new(&means)?;
        setup.sigma = setup.sigma.max(FILE_ROUNDING * setup.center.abs());
        let kind = self.kind.unwrap_or(Chart::Ewma);
        let mut run = ChartRun {
            kind,
            setup: self.setup,
            center: setup.center,
            sigma: setup.sigma,
            widening: 1.0,
            points: Vec::new(),
        };
        if self.kind.is_none() {
            return Some((run, Vec::new()));
        }
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
        let (parameters, target) = (Parameters::default(), self.target);
        let found = || chart::widening(kind, setup.groups, target, &parameters).factor;
        run.widening = *self.widening.get_or_insert_with(found);
        let done = run_chart(kind, &setup, &points, &parameters, run.widening);
        run.points = drawn(&done.plot, &setup, &points, monitored);
        let tell = Telling { first, monitored, setup: &setup, unit, population: self.population };
        let signals = done.signals.iter().filter_map(|signal| tell.signal(signal)).collect();
        Some((run, signals))
    }
}

/// Standard deviation from unit to unit inside a group, pooled over groups; 0 where no group has two units.
pub(super) fn spread_of_units(groups: &[Filled<'_>]) -> f64 {
    let (squares, freedom) = groups
        .iter()
        .filter_map(|(_, _, group)| Some((group.sd?, group.units.saturating_sub(1) as f64)))
        .fold((0.0, 0.0), |(squares, freedom), (sd, more)| (squares + sd * sd * more, freedom + more));
    if freedom > 0.0 { (squares / freedom).sqrt() } else { 0.0 }
}

/// Harmonic mean of the units of groups.
pub(super) fn harmonic_units(groups: &[Filled<'_>]) -> f64 {
    let sum: f64 = groups.iter().map(|(_, _, group)| 1.0 / group.units.max(1) as f64).sum();
    groups.len() as f64 / sum
}

fn drawn(plot: &Plot, setup: &Setup, points: &[Point], monitored: &[Filled<'_>]) -> Vec<ChartPoint> {
    let statistics: Vec<[f64; 3]> = match plot {
        Plot::Lines(lines) => lines.iter().map(|line| [line.statistic, line.lower, line.upper]).collect(),
        Plot::Sums { points, interval } => points
            .iter()
            .map(|sums| {
                let larger = if sums.upper >= sums.lower { sums.upper } else { -sums.lower };
                [setup.center + larger, setup.center - interval, setup.center + interval]
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
    setup: &'a Setup,
    unit: Unit,
    population: &'a Population,
}

impl Telling<'_> {
    fn signal(&self, signal: &chart::Signal) -> Option<Signal> {
        let (group, ..) = self.monitored.get(signal.index)?;
        Some(Signal {
            group: *group,
            rule: signal.rule.name(),
            message: self.message(signal),
            explained_by_station: self.is_explained(signal),
        })
    }

    fn message(&self, signal: &chart::Signal) -> String {
        let show = |value: f64| words::value(value, self.setup.sigma, self.unit);
        let (value, limit, center) = (show(signal.value), show(signal.limit), show(self.setup.center));
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

    /// Whether the deviation is no larger than what the chains of other stations may make of the same units: chains of
    /// different stations are independent, that of one station is the same error in all its groups.
    fn is_explained(&self, signal: &chart::Signal) -> bool {
        let Some(part) = self.monitored.get(signal.since..=signal.index).filter(|part| !part.is_empty())
        else {
            return false;
        };
        if self.same_stations(part) || self.creeps_on_its_station(signal) {
            return false;
        }
        let deviation =
            part.iter().map(|(_, mean, _)| mean - self.setup.center).sum::<f64>() / part.len() as f64;
        let chain =
            |groups: &[Filled<'_>]| groups.iter().filter_map(|(_, _, group)| group.chain).fold(0.0, f64::max);
        deviation.abs() <= chain(part).hypot(chain(self.first))
    }

    /// Whether the groups that the same known stations measured as the signal's have a trend of their own to its side: a station's
    /// error is the same in all of them.
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
            .take(signal.index + 1)
            .filter(|(group, ..)| stations(*group) == Some(own))
            .map(|(_, mean, _)| Some(*mean))
            .collect();
        Trend::of(&means)
            .is_some_and(|trend| trend.excludes_zero() && trend.per_group * signal.side.sign() > 0.0)
    }

    /// Whether only stations measured these groups that measured the setup groups, all of them known.
    fn same_stations(&self, part: &[Filled<'_>]) -> bool {
        let of = |groups: &[Filled<'_>]| -> Vec<Option<String>> {
            let heads = groups.iter().filter_map(|(group, ..)| self.population.groups.get(*group));
            heads.flat_map(|head| head.stations.clone()).collect()
        };
        let known = of(self.first);
        of(part).iter().all(|station| station.is_some() && known.contains(station))
    }
}
