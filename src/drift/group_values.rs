//! What the groups of a series come to, and what is said of them: the types that everything above stands on.

use crate::decision::Limit;

/// Values of one quantity in one group, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct GroupStats {
    /// Units with a value.
    pub units: u64,
    /// Units whose value is only a lower bound; left out of everything else.
    pub bounds: u64,
    /// Mean; `None` without a value.
    pub mean: Option<f64>,
    /// Standard deviation between units, n - 1; `None` of fewer than two.
    pub sd: Option<f64>,
    /// Smallest value.
    pub min: Option<f64>,
    /// Largest value.
    pub max: Option<f64>,
    /// Expanded uncertainty of the mean from the measurement alone: what the chain brings does not average away within a station.
    /// `None` where one of the values has no known uncertainty.
    pub uncertainty: Option<f64>,
    /// The part of it that the stations' chains bring, expanded.
    pub chain: Option<f64>,
}

/// Spread of lots and of units inside them, in the unit of the quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lots {
    /// Standard deviation from lot to lot; above 0.
    pub between: f64,
    /// Standard deviation from unit to unit inside a lot.
    pub within: f64,
    /// Standard deviation of the population: of lots and units together.
    pub total: f64,
    /// Effective degrees of freedom of `total`.
    pub freedom: f64,
    /// So many independent units would tell the mean as well.
    pub independent: f64,
}

/// When the mean reaches a limit if it goes on like this.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// The limit that the trend leads to: one side only.
    pub limit: Limit,
    /// Groups from the newest one.
    pub in_groups: f64,
    /// Two-sided 95 % interval; `None` where it is never reached.
    pub low: Option<f64>,
    /// Its upper end.
    pub high: Option<f64>,
}

impl Reach {
    /// The same so many groups later: what would have been reached by then is reached now.
    #[must_use]
    pub fn later(self, groups: f64) -> Self {
        let left = |ahead: f64| (ahead - groups).max(0.0);
        Self { in_groups: left(self.in_groups), low: self.low.map(left), high: self.high.map(left), ..self }
    }
}
