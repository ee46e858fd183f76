//! What a chart is made of: monitored groups, and what is drawn of them.

/// A mean less the centre, in its own standard deviations.
pub(super) type Standard = f64;

/// A monitored group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Mean of the group.
    pub value: f64,
    /// Standard deviation expected of it, above 0: the setup's, or more for a group of fewer units
    /// ([`super::Setup::sigma_of_group`]).
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

/// Cumulative sums after one group, in the quantity's unit, all 0 or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlotSums {
    /// Of deviations upwards.
    pub upper: f64,
    /// Of deviations downwards.
    pub lower: f64,
    /// Decision interval of both.
    pub interval: f64,
}

/// What a picture of a chart needs, a point for each group.
#[derive(Debug, Clone, PartialEq)]
pub enum Plot {
    /// Individuals and moving average.
    Lines(Vec<PlotLine>),
    /// Cumulative sums.
    Sums(Vec<PlotSums>),
}

/// What points come to in one of the rules: a chart whose spread is s signals with limits widened by w if
/// s (fixed + widened w) < deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reach {
    /// In true standard deviations.
    pub deviation: f64,
    /// Part of the limit that is not widened, in the chart's sigma.
    pub fixed: f64,
    /// Part that is.
    pub widened: f64,
}
