//! Accepted units.

use super::Points;
use crate::measurand::Measurand;
use crate::spec::{Accuracy, CriticalPoint};
use crate::uncertainty::Budget;

/// A measured value with what its uncertainty is made of, in the unit of its quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AcceptedValue {
    /// The value.
    pub value: f64,
    /// Standard uncertainty; `None` where it is not known.
    pub u: Option<f64>,
    /// Frequency it was found at, Hz.
    pub at_hz: f64,
    /// Whether the value is a lower bound.
    pub at_least: bool,
    /// Whether the uncertainty was simulated.
    pub simulated: bool,
    /// What each source contributes to the standard uncertainty, by the law of propagation; gain, phase and delay with the sign
    /// in which they move the value.
    pub budget: Budget,
}

/// A corner of an accepted unit.
#[derive(Debug, Clone, PartialEq)]
pub struct AcceptedCorner {
    /// Name of the corner.
    pub name: String,
    /// Declared conditions, as written.
    pub conditions: Vec<(String, String)>,
    /// Ends of its band, Hz; `None`: the whole sweep was judged.
    pub band_hz: Option<[f64; 2]>,
    /// The judged level, as results tell it.
    pub level: Option<String>,
    /// The judged files with the SHA-256 of each.
    pub files: Vec<(String, String)>,
    /// Number of crossovers in the band.
    pub crossings: u32,
    /// The values that exist.
    pub values: Vec<(Measurand, AcceptedValue)>,
    /// The judged curve inside its band.
    pub curve: Points,
}

impl AcceptedCorner {
    /// A value, where it exists.
    #[must_use]
    pub fn value(&self, measurand: Measurand) -> Option<&AcceptedValue> {
        self.values.iter().find(|(own, _)| *own == measurand).map(|(_, value)| value)
    }
}

/// One accepted unit: what a baseline file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct AcceptedUnit {
    /// Product.
    pub product: String,
    /// Serial number.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Lot or build label.
    pub build: Option<String>,
    /// Station.
    pub station: Option<String>,
    /// When the sweeps were taken, RFC 3339.
    pub taken: Option<String>,
    /// What judged it: `loopgauge 0.1.0`.
    pub tool: String,
    /// The run's verdict.
    pub verdict: String,
    /// Why it was accepted although it did not pass.
    pub anyway: Option<String>,
    /// SHA-256 of the resolved spec.
    pub spec_sha256: String,
    /// The critical point.
    pub critical_point: CriticalPoint,
    /// Right-half-plane poles of the open loop.
    pub open_loop_poles: u32,
    /// Coverage factor of the spec; the uncertainties here are standard ones.
    pub coverage: f64,
    /// Declared accuracy of the measuring chain.
    pub accuracy: Accuracy,
    /// The corners that gave values, in the spec's order.
    pub corners: Vec<AcceptedCorner>,
}

/// The accepted units of one product.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Accepted {
    /// The units, by serial.
    pub units: Vec<AcceptedUnit>,
    /// Files that could not be read.
    pub unreadable: Vec<String>,
}
