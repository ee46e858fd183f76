//! The differences at one corner. Values and curves are compared as they are with an accepted unit: what one station does to both sides
//! cancels.

use super::curves::{CurvePair, Of, judged, station};
use crate::baseline::{AcceptedValue, Deviation, Present, Side, Station, change, deviations};
use crate::measurand::Measurand;
use serde::{Serialize, Serializer};

/// The differences at one corner.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct CornerComparison {
    /// Its name.
    pub corner: String,
    /// Serial number on both sides.
    pub serials: [String; 2],
    /// The runs, as reached.
    pub runs: [String; 2],
    /// Whether both were measured at one known station, with the chain declared alike.
    pub same_station: bool,
    /// The values that both have.
    pub changes: Vec<ValueChange>,
    /// Values that one side alone has.
    pub only: Vec<String>,
    /// The largest deviation of the gain beyond its uncertainty.
    #[serde(serialize_with = "deviation")]
    pub gain_db: Option<Deviation>,
    /// The largest deviation of the phase beyond its uncertainty.
    #[serde(serialize_with = "deviation")]
    pub phase_deg: Option<Deviation>,
    /// Both curves and their difference, to be drawn; `None` where they have no common part, or differ less than hundreds of others.
    #[serde(skip)]
    pub curves: Option<CurvePair>,
}

impl CornerComparison {
    /// The largest change of a value, in uncertainties.
    #[must_use]
    pub fn most(&self) -> f64 {
        self.changes.iter().filter_map(ValueChange::times).fold(0.0, f64::max)
    }
}

/// The difference of one value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ValueChange {
    /// Of what.
    #[serde(serialize_with = "key")]
    pub quantity: Measurand,
    /// The value of the first side, in its unit.
    pub a: f64,
    /// The value of the second side.
    pub b: f64,
    /// Second less first, of a crossover as a ratio to the first; `None` where a lower bound tells none.
    pub change: Option<f64>,
    /// Its expanded uncertainty; `None` where it is not known.
    pub uncertainty: Option<f64>,
}

impl ValueChange {
    /// The change in uncertainties; `None` where one is not known.
    #[must_use]
    pub fn times(&self) -> Option<f64> {
        self.change.zip(self.uncertainty).map(|(change, u)| change.abs() / u.max(f64::MIN_POSITIVE))
    }

    /// Whether the change is more than its uncertainty.
    #[must_use]
    pub fn counts(&self) -> bool {
        self.change.zip(self.uncertainty).is_some_and(|(change, u)| change.abs() > u)
    }
}

fn key<S: Serializer>(measurand: &Measurand, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(measurand.key())
}

fn deviation<S: Serializer>(found: &Option<Deviation>, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Told {
        value: f64,
        at_hz: f64,
    }
    found.map(|found| Told { value: found.value, at_hz: found.at_hz }).serialize(serializer)
}

pub(super) fn compared(a: Of<'_>, b: Of<'_>, coverage: f64) -> CornerComparison {
    let of = |measurand| Some((a.1.value(measurand)?, b.1.value(measurand)?));
    let changes = Measurand::ALL.into_iter().filter_map(|measurand| {
        let (one, other) = of(measurand)?;
        Some(value_change(measurand, (one, station(a.0)), (other, station(b.0)), coverage))
    });
    let only = Measurand::ALL.into_iter().filter_map(|m| match (a.1.value(m), b.1.value(m)) {
        (Some(_), None) => Some(format!("{}: A alone has one, B has {}", m.title(), m.absent())),
        (None, Some(_)) => Some(format!("{}: B alone has one, A has {}", m.title(), m.absent())),
        _ => None,
    });
    let curve = b.1.curve.curve();
    let noise = |ln_f: f64| b.1.curve.noise_at(ln_f);
    let span = judged(b.1, &curve);
    let present = Present { curve: &curve, span, noise: &noise, chain: &b.0.chain, station: station(b.0) };
    let [gain_db, phase_deg] = deviations(&present, &[(&a.0.unit, a.1)]);
    CornerComparison {
        corner: a.1.name.clone(),
        serials: [&a, &b].map(|of| of.0.unit.serial.clone()),
        runs: [&a, &b].map(|of| of.0.run.clone()),
        same_station: station(a.0).is_shared_with(&station(b.0)),
        changes: changes.collect(),
        only: only.collect(),
        gain_db,
        phase_deg,
        curves: None,
    }
}

fn value_change(
    measurand: Measurand,
    (a, of_a): (&AcceptedValue, Station<'_>),
    (b, of_b): (&AcceptedValue, Station<'_>),
    coverage: f64,
) -> ValueChange {
    let found =
        change(measurand, &Side { value: b, station: of_b }, &[Side { value: a, station: of_a }], coverage);
    // Two bounds read at one place are one thing read twice; else a bound tells no difference.
    let same_place = a.at_least && b.at_least && (b.at_hz / a.at_hz - 1.0).abs() < 0.01;
    let found = found.filter(|_| same_place || !(a.at_least || b.at_least));
    ValueChange {
        quantity: measurand,
        a: measurand.held(a.value),
        b: measurand.held(b.value),
        change: found.map(|found| found.value),
        uncertainty: found.and_then(|found| found.u).map(|u| u * coverage),
    }
}
