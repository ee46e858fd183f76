//! What is predicted.

use super::reading::{Found, Reading};
use crate::decision::Limit;
use crate::measurand::{Measurand, PerMeasurand};
use crate::quantity::Unit;
use crate::spec::Limits;

/// Something that is told of a corner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Quantity {
    /// Crossover or a margin.
    Measurand(Measurand),
    /// The gain that a limit names, by the name of its check: `gain@120Hz`.
    Gain(String),
}

impl Quantity {
    /// Its key in results.
    #[must_use]
    pub fn key(&self) -> &str {
        match self {
            Self::Measurand(measurand) => measurand.key(),
            Self::Gain(check) => check,
        }
    }

    /// The name of the check that it is held against.
    #[must_use]
    pub fn check(&self) -> &str {
        match self {
            Self::Measurand(measurand) => measurand.name(),
            Self::Gain(check) => check,
        }
    }

    /// Its unit.
    #[must_use]
    pub const fn unit(&self) -> Unit {
        match self {
            Self::Measurand(measurand) => measurand.unit(),
            Self::Gain(_) => Unit::Db,
        }
    }
}

/// Whether the nominal loop closes stably.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stability {
    /// It does.
    Stable,
    /// It does not; its right-half-plane poles, where they can be counted.
    Unstable {
        /// Right-half-plane poles of the closed loop.
        poles: Option<u32>,
    },
    /// The gain is above 1 or rises at four times the upper end of the band.
    Unknown,
}

impl Stability {
    /// Whether a loop that goes round the critical point so many times more often than the nominal one has right-half-plane poles.
    pub(super) fn poles_of(self, more: i64) -> bool {
        match self {
            Self::Stable | Self::Unknown => more != 0,
            Self::Unstable { poles } => poles.is_none_or(|poles| i64::from(poles) + 2 * more != 0),
        }
    }
}

/// The nominal loop at a corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Nominal {
    /// Crossover and margins, each in its unit.
    pub measured: PerMeasurand<Found>,
    /// Number of crossovers in the band.
    pub crossings: usize,
    /// Gain at the places that the limits name, dB.
    pub gains: Vec<Found>,
    /// Names of the checks that it misses.
    pub misses: Vec<String>,
    /// Whether it closes stably.
    pub stability: Stability,
}

impl Nominal {
    pub(super) fn of(reading: &Reading, limits: &Limits, stability: Stability) -> Self {
        let missed = reading.missed(limits);
        let misses = limits.checks().zip(&missed).filter(|(_, missed)| **missed).map(|(check, _)| check);
        Self {
            measured: reading.measured,
            crossings: reading.crossings,
            gains: reading.gains.clone(),
            misses: misses.map(str::to_owned).collect(),
            stability,
        }
    }

    /// The value of each quantity of the corner, in their order.
    pub fn values(&self) -> impl Iterator<Item = Option<Found>> {
        let measured = Measurand::ALL.into_iter().map(|measurand| self.measured.get(measurand));
        measured.chain(self.gains.iter().map(|found| Some(*found)))
    }
}

/// The middle 95 % of a quantity over the units that have it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// 2.5 % of the units are below.
    pub low: f64,
    /// 2.5 % of the units are above.
    pub high: f64,
    /// Units that have no such value.
    pub without: usize,
    /// Whether some units have only a lower bound, which stands for their value here.
    pub at_least: bool,
}

/// How many units miss a check.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckShare {
    /// Name of the check.
    pub check: String,
    /// Units that miss it.
    pub missed: usize,
    /// Their share, 0 to 1; 0 where nothing was drawn.
    pub share: f64,
    /// Standard error of the share, from the number of units that were drawn.
    pub error: f64,
}

impl CheckShare {
    pub(super) fn of(check: &str, missed: usize, units: usize) -> Self {
        let (share, error) = share(missed, units);
        Self { check: check.to_owned(), missed, share, error }
    }
}

/// A share of units and its standard error. Of none or all among n units the share is not known to be exactly 0 or 1: the error is that
/// of one more on either side, (k + 1)/(n + 2), the mean that Laplace's rule of succession gives.
#[must_use]
pub fn share(count: usize, units: usize) -> (f64, f64) {
    if units == 0 {
        return (0.0, 0.0);
    }
    let (k, n) = (count as f64, units as f64);
    let mean = (k + 1.0) / (n + 2.0);
    (k / n, (mean * (1.0 - mean) / (n + 3.0)).sqrt())
}

/// The curves of the units: nominal and middle 95 % at every frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Fan {
    /// Rising in frequency.
    pub points: Vec<FanPoint>,
}

/// The curves at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FanPoint {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// Gain of the nominal loop, dB, and its angle above the critical point's direction, deg, unwrapped.
    pub nominal: [f64; 2],
    /// Middle 95 % of the gain, dB.
    pub gain_db: [f64; 2],
    /// Middle 95 % of the angle, deg.
    pub angle_deg: [f64; 2],
}

/// The check that is nearest to being missed.
#[derive(Debug, Clone, PartialEq)]
pub struct Nearest {
    /// Name of the check.
    pub check: String,
    /// Position of its quantity.
    pub quantity: usize,
    /// What the check is held against, in the quantity's unit.
    pub limit: Limit,
    /// Room of the nominal value to the limit, as multiples of what the tolerances take of it: below 1 more than one unit in forty misses,
    /// below 0 the nominal one does.
    pub room: f64,
}

/// What is predicted of a corner.
#[derive(Debug, Clone, PartialEq)]
pub struct CornerOutcome {
    /// Its name.
    pub corner: String,
    /// The band that is judged, Hz.
    pub band_hz: [f64; 2],
    /// What is told of it; `limits`, `ranges` and `sensitivity` have one entry for each.
    pub quantities: Vec<Quantity>,
    /// What each is held against; `None`: nothing.
    pub limits: Vec<Option<Limit>>,
    /// The nominal loop.
    pub nominal: Nominal,
    /// The middle 95 %; `None` where no unit has a value, or nothing varies.
    pub ranges: Vec<Option<Range>>,
    /// Every check of the limits.
    pub checks: Vec<CheckShare>,
    /// Units that miss any check here.
    pub failing: usize,
    /// Units whose closed loop is unstable; they miss every check.
    pub unstable: usize,
    /// Units whose circuit has no solution; they miss every check.
    pub unsolved: usize,
    /// Change of each quantity per +1 % of each part; `None` where it has none.
    pub sensitivity: Vec<Vec<Option<f64>>>,
    /// The check that is nearest to being missed; `None` where no value is limited.
    pub nearest: Option<Nearest>,
    /// The curves, where they were asked for.
    pub fan: Option<Fan>,
}

impl CornerOutcome {
    /// Parts by what their tolerance does to a quantity, the largest first: position of the part and the change of the quantity, in its
    /// unit, from the slope at the nominal value.
    #[must_use]
    pub fn ranked(&self, quantity: usize, parts: &[Part]) -> Vec<(usize, f64)> {
        let slopes = self.sensitivity.get(quantity).map_or(&[][..], Vec::as_slice);
        let effect = |(part, slope): (usize, &Option<f64>)| {
            Some((part, (*slope)? * 100.0 * parts.get(part)?.tolerance))
        };
        let mut ranked: Vec<(usize, f64)> = slopes.iter().enumerate().filter_map(effect).collect();
        ranked.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        ranked
    }
}

/// A part that varies.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Its name.
    pub name: String,
    /// Half-width of its tolerance, as a ratio.
    pub tolerance: f64,
}

/// Corners whose passing tells that the others pass.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Deciding {
    /// Positions of the corners, the most telling first.
    pub corners: Vec<usize>,
    /// Units that pass at all of them and fail at another corner.
    pub left: usize,
}

/// What is predicted of all corners.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Title of the netlist.
    pub title: String,
    /// What varies.
    pub parts: Vec<Part>,
    /// Units that were drawn; 0 when nothing varies.
    pub units: usize,
    /// Corners, in the spec's order.
    pub corners: Vec<CornerOutcome>,
    /// Units that fail at any corner.
    pub failing: usize,
    /// Corners that decide; `None` when nothing varies, nothing is limited, or there is one corner.
    pub deciding: Option<Deciding>,
}
