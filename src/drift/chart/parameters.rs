//! The constants of the charts. Distances are in standard deviations of the statistic.

/// Monitored groups over which false alarms are counted; over more of them there are more. A chart of known centre and spread with
/// a limit at 3 sigma has [`FALSE_ALARMS`] over as many.
pub const HORIZON: usize = 20;
/// Share of series in control that may signal within [`HORIZON`] groups. A single limit at 3 sigma gives 1 - 0.9973^20 = 5.3 % when
/// centre and spread are known.
pub const FALSE_ALARMS: f64 = 0.05;
/// Smallest share that can be asked for: rarer signals in control are too few among the trials to place a limit by.
pub const LEAST_TARGET: f64 = 1e-4;

/// Constants of all charts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Parameters {
    /// Chart of the single means.
    pub individuals: Individuals,
    /// Exponentially weighted moving average.
    pub ewma: Ewma,
    /// Cumulative sums.
    pub cusum: Cusum,
}

/// Chart of the single means with run rules: Western Electric, Statistical Quality Control Handbook, 1956 (from memory).
/// ISO 7870-2:2013 has seven in a row instead of eight (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// A single mean beyond this signals: 3.
    pub single: f64,
    /// Two of three beyond this on one side: 2. `None`: the rule is off, here and below.
    pub two_of_three: Option<f64>,
    /// Four of five beyond this on one side: 1.
    pub four_of_five: Option<f64>,
    /// So many in a row on one side: 8.
    pub in_a_row: Option<usize>,
}

impl Default for Individuals {
    fn default() -> Self {
        Self { single: 3.0, two_of_three: Some(2.0), four_of_five: Some(1.0), in_a_row: Some(8) }
    }
}

/// Exponentially weighted moving average: NIST/SEMATECH e-Handbook, 6.3.2.4 (weight 0.2 to 0.3, limits at 3).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    /// Weight of the newest mean, above 0, at most 1: 0.3.
    pub weight: f64,
    /// Limits: 3.
    pub limit: f64,
    /// Limits of a chart that has run for long, at every group. `false`, the default: at each group what the average can
    /// scatter by then, which sees an early shift sooner (S. H. Steiner, J. Quality Technology 1999, from memory).
    pub steady_state: bool,
}

impl Default for Ewma {
    fn default() -> Self {
        Self { weight: 0.3, limit: 3.0, steady_state: false }
    }
}

/// Tabular cumulative sums, upper and lower: D. M. Hawkins and D. H. Olwell, Cumulative Sum Charts and Charting for Quality
/// Improvement, 1998 (from memory); NIST/SEMATECH e-Handbook, 6.3.2.3.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// What each mean may deviate before it counts, half of the shift to be found: 0.5.
    pub allowance: f64,
    /// Decision interval: 5.
    pub interval: f64,
}

impl Default for Cusum {
    fn default() -> Self {
        Self { allowance: 0.5, interval: 5.0 }
    }
}
