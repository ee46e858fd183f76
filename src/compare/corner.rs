//! The differences at one corner. Values and curves are compared as they are with an accepted unit: what one station does to both sides
//! cancels.

use super::taken::Taken;
use crate::baseline::{AcceptedCorner, AcceptedValue, Deviation, Present, Side, Station, change, deviations};
use crate::curve::{Curve, LocalError, Span};
use crate::measurand::Measurand;
use crate::uncertainty::Chain;
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

/// A corner of a run.
pub(super) type Of<'a> = (&'a Taken, &'a AcceptedCorner);

pub(super) fn station(taken: &Taken) -> Station<'_> {
    Station { name: taken.unit.station.as_deref(), accuracy: taken.unit.accuracy }
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

/// The judged part of a curve that was kept a little past its band.
fn judged(corner: &AcceptedCorner, curve: &Curve) -> Span {
    let whole = curve.span();
    let band = corner.band_hz.map_or(whole, |[from, to]| Span { from: from.ln(), to: to.ln() });
    Span { from: whole.from.max(band.from), to: whole.to.min(band.to) }
}

/// The difference of two curves at a place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) hz: f64,
    /// Of ln of the magnitude, neper, and of the angle, rad; second less first.
    pub(super) off: [f64; 2],
    /// Standard uncertainties that noise, thinning and rounding leave in them.
    pub(super) noise: [f64; 2],
    /// Standard uncertainties of what the impedance ratio does, and the chains where they are two.
    pub(super) chains: [f64; 2],
}

/// The difference of two curves over their common part.
#[derive(Debug, Clone)]
pub(super) struct Curves {
    pub(super) name: String,
    pub(super) places: Vec<Place>,
    /// Standard uncertainties that two different stations bring to a flat gain, neper, a flat phase, rad, and a delay, s.
    pub(super) stations: [f64; 3],
    /// The first side's curve.
    pub(super) first: Curve,
}

/// Places that a difference is looked at: about as many are independent on a clean curve.
const PLACES: usize = 50;
/// What thinning and rounding leave open on both sides, as a standard uncertainty: neper and rad (0.005 dB, 0.025 deg).
const THINNED: [f64; 2] = [5.8e-4, 4.4e-4];

impl Curves {
    /// `None` where the curves have no common part, or noise that nobody knows.
    pub(super) fn new(a: Of<'_>, b: Of<'_>) -> Option<Self> {
        let (first, second) = (a.1.curve.curve(), b.1.curve.curve());
        let (one, other) = (judged(a.1, &first), judged(b.1, &second));
        let (from, to) = (one.from.max(other.from), one.to.min(other.to));
        if first.len() < 4 || second.len() < 4 || to - from < 0.1 {
            return None;
        }
        let shared = station(a.0).is_shared_with(&station(b.0));
        let chain = |of: Of<'_>| {
            let ratio = Chain { impedance_ratio: of.0.chain.impedance_ratio, ..Chain::default() };
            if shared { ratio } else { of.0.chain }
        };
        let (of_a, of_b) = (chain(a), chain(b));
        let mut last = 0.0;
        let mut places = Vec::with_capacity(PLACES);
        for k in 0..PLACES {
            let x = from + (to - from) * k as f64 / (PLACES - 1) as f64;
            let (then, now) = (first.at(x), second.at(x));
            // On from place to place, so that a long delay may turn it round.
            last += crate::curve::wrap(now.angle - then.angle - last);
            let (n, m) = (a.1.curve.noise_at(x)?, b.1.curve.noise_at(x)?);
            let [c, d] = [of_a.errors(&then), of_b.errors(&now)];
            let both = |of: fn(&LocalError) -> f64| of(&n).hypot(of(&m));
            let [gain, phase] = THINNED;
            places.push(Place {
                hz: x.exp(),
                off: [now.ln_mag - then.ln_mag, last],
                noise: [both(|e| e.ln_mag).hypot(gain), both(|e| e.angle).hypot(phase)],
                chains: [c[0].hypot(d[0]), c[1].hypot(d[1])],
            });
        }
        let root = 3f64.sqrt();
        let stations = |of: fn(&Chain) -> f64| of(&of_a).hypot(of(&of_b)) / root;
        let stations = [stations(|c| c.gain_np), stations(|c| c.phase_rad), stations(|c| c.delay_s)];
        Some(Self { name: format!("{}, {}", b.0.unit.serial, a.1.name), places, stations, first })
    }
}
