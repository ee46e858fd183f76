//! A chart over the monitored groups.

use super::{Parameters, Setup, Signal, Spell, cusum, ewma, individuals};
use crate::spec::Chart;

/// A mean less the centre, in its own standard deviations.
pub(super) type Standard = f64;

/// A monitored group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Mean of the group.
    pub value: f64,
    /// Standard deviation expected of it, above 0: the setup's, or more for a group of fewer units
    /// ([`Setup::sigma_of_group`]).
    pub sigma: f64,
}

/// A statistic and its limits at one group, in the quantity's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlotLine {
    /// The mean, or the moving average.
    pub statistic: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Cumulative sums after one group, in the quantity's unit, both 0 or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlotSums {
    /// Of deviations upwards.
    pub upper: f64,
    /// Of deviations downwards.
    pub lower: f64,
}

/// What a picture of a chart needs, a point for each group.
#[derive(Debug, Clone, PartialEq)]
pub enum Plot {
    /// Individuals and moving average.
    Lines(Vec<PlotLine>),
    /// Cumulative sums.
    Sums {
        /// The sums.
        points: Vec<PlotSums>,
        /// Decision interval of both, in the quantity's unit.
        interval: f64,
    },
}

/// A chart over the monitored groups.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartRun {
    /// What is drawn.
    pub plot: Plot,
    /// Every rule met, ordered by group.
    pub signals: Vec<Signal>,
}

impl ChartRun {
    /// The first signal.
    #[must_use]
    pub fn first(&self) -> Option<&Signal> {
        self.signals.first()
    }

    /// The signals of each lasting deviation together, ordered by their first.
    #[must_use]
    pub fn spells(&self) -> Vec<Spell> {
        Spell::of(&self.signals)
    }
}

/// Runs a chart over the groups that follow the setup groups, in their order.
///
/// Each mean is taken in its own standard deviations, so that groups of unequal size are held alike; averages and sums are drawn
/// on the scale of the setup's spread. `widening` multiplies all limits (of sums the decision interval), at least 1 ([`super::widening()`]; 1: centre and spread are
/// known). A group signals once for each rule and side that it meets.
#[must_use]
pub fn run_chart(
    kind: Chart,
    setup: &Setup,
    points: &[Point],
    parameters: &Parameters,
    widening: f64,
) -> ChartRun {
    let z: Vec<Standard> = points.iter().map(|point| (point.value - setup.center) / point.sigma).collect();
    let (plot, signals) = match kind {
        Chart::Individuals => individuals::run(setup, points, &z, &parameters.individuals, widening),
        Chart::Ewma => ewma::run(setup, &z, &parameters.ewma, widening),
        Chart::Cusum => cusum::run(setup, &z, &parameters.cusum, widening),
    };
    ChartRun { plot, signals }
}
