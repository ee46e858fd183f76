//! The curves of a corner on both sides, and their difference over their common part.

use super::taken::Taken;
use crate::baseline::{AcceptedCorner, Station};
use crate::check::PlotPoint;
use crate::curve::{Curve, LocalError, Span, db};
use crate::uncertainty::Chain;

/// A corner of a run.
pub(super) type Of<'a> = (&'a Taken, &'a AcceptedCorner);

pub(super) fn station(taken: &Taken) -> Station<'_> {
    Station { name: taken.unit.station.as_deref(), accuracy: taken.unit.accuracy }
}

/// The judged part of a curve that was kept a little past its band.
pub(super) fn judged(corner: &AcceptedCorner, curve: &Curve) -> Span {
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
/// Places of a difference that is drawn: one for some pixels of a wide screen.
const DRAWN: usize = 120;
/// What thinning and rounding leave open on both sides, as a standard uncertainty: neper and rad (0.005 dB, 0.025 deg).
const THINNED: [f64; 2] = [5.8e-4, 4.4e-4];

/// Both sides at a corner.
struct Both<'a> {
    sides: [&'a AcceptedCorner; 2],
    curves: [Curve; 2],
    /// The chains as far as they do not cancel.
    chains: [Chain; 2],
    /// The common part.
    span: Span,
}

/// The difference at a place; standard uncertainties, `noise` where it is known.
struct Difference {
    off: [f64; 2],
    noise: Option<[f64; 2]>,
    chains: [f64; 2],
}

impl<'a> Both<'a> {
    /// `None` where the curves have no common part.
    fn new(a: Of<'a>, b: Of<'a>) -> Option<Self> {
        let (first, second) = (a.1.curve.curve(), b.1.curve.curve());
        let (one, other) = (judged(a.1, &first), judged(b.1, &second));
        let span = Span { from: one.from.max(other.from), to: one.to.min(other.to) };
        if first.len() < 4 || second.len() < 4 || span.to - span.from < 0.1 {
            return None;
        }
        let shared = station(a.0).is_shared_with(&station(b.0));
        let chain = |of: Of<'_>| {
            let ratio = Chain { impedance_ratio: of.0.chain.impedance_ratio, ..Chain::default() };
            if shared { ratio } else { of.0.chain }
        };
        Some(Self { sides: [a.1, b.1], curves: [first, second], chains: [chain(a), chain(b)], span })
    }

    /// Equally far from each other over log frequency, from end to end.
    fn places(&self, count: usize) -> impl Iterator<Item = f64> {
        let Span { from, to } = self.span;
        (0..count).map(move |k| from + (to - from) * k as f64 / (count - 1) as f64)
    }

    /// Second less first; the angle on from `last`, so that a long delay may turn it round.
    fn at(&self, x: f64, last: f64) -> Difference {
        let ([first, second], [of_a, of_b], [a, b]) = (&self.curves, &self.chains, &self.sides);
        let (then, now) = (first.at(x), second.at(x));
        let noise = a.curve.noise_at(x).zip(b.curve.noise_at(x)).map(|(n, m)| {
            let both = |of: fn(&LocalError) -> f64| of(&n).hypot(of(&m));
            let [gain, phase] = THINNED;
            [both(|e| e.ln_mag).hypot(gain), both(|e| e.angle).hypot(phase)]
        });
        let [c, d] = [of_a.errors(&then), of_b.errors(&now)];
        Difference {
            off: [now.ln_mag - then.ln_mag, last + crate::curve::wrap(now.angle - then.angle - last)],
            noise,
            chains: [c[0].hypot(d[0]), c[1].hypot(d[1])],
        }
    }
}

impl Curves {
    /// `None` where the curves have no common part, or noise that nobody knows.
    pub(super) fn new(a: Of<'_>, b: Of<'_>) -> Option<Self> {
        let both = Both::new(a, b)?;
        let mut places: Vec<Place> = Vec::with_capacity(PLACES);
        for x in both.places(PLACES) {
            let last = places.last().map_or(0.0, |place| place.off[1]);
            let found = both.at(x, last);
            places.push(Place { hz: x.exp(), off: found.off, noise: found.noise?, chains: found.chains });
        }
        let [of_a, of_b] = both.chains;
        let root = 3f64.sqrt();
        let stations = |of: fn(&Chain) -> f64| of(&of_a).hypot(of(&of_b)) / root;
        let stations = [stations(|c| c.gain_np), stations(|c| c.phase_rad), stations(|c| c.delay_s)];
        let [first, _] = both.curves;
        Some(Self { name: format!("{}, {}", b.0.unit.serial, a.1.name), places, stations, first })
    }
}

/// The difference of two curves at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct DifferencePoint {
    /// Frequency, Hz.
    pub hz: f64,
    /// Second gain less first, dB.
    pub gain_db: f64,
    /// Second angle less first, deg.
    pub angle_deg: f64,
    /// Expanded uncertainties of both; `None` where the noise is not known.
    pub uncertainty: Option<[f64; 2]>,
}

/// Two curves and their difference over their common part.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct CurvePair {
    /// The curves, their angles less than half a turn from each other where the common part begins.
    pub sides: [Vec<PlotPoint>; 2],
    /// Second less first.
    pub difference: Vec<DifferencePoint>,
}

/// What a picture of a corner shows.
pub(super) fn drawn(a: Of<'_>, b: Of<'_>, coverage: f64) -> Option<CurvePair> {
    let both = Both::new(a, b)?;
    let mut difference: Vec<DifferencePoint> = Vec::with_capacity(DRAWN);
    for x in both.places(DRAWN) {
        let last = difference.last().map_or(0.0, |point| point.angle_deg.to_radians());
        let found = both.at(x, last);
        let [gain, angle] = found.off;
        let expanded = |[n, m]: [f64; 2]| {
            let [c, d] = found.chains;
            [coverage * db(n.hypot(c)), coverage * m.hypot(d).to_degrees()]
        };
        difference.push(DifferencePoint {
            hz: x.exp(),
            gain_db: db(gain),
            angle_deg: angle.to_degrees(),
            uncertainty: found.noise.map(expanded),
        });
    }
    let [first, second] = &both.curves;
    let begin = both.span.from;
    let apart = (second.at(begin).angle - first.at(begin).angle).to_degrees();
    let turned = difference.first()?.angle_deg - apart;
    let side = |corner: &AcceptedCorner, turned: f64| -> Vec<PlotPoint> {
        let rows = corner.curve.rows.iter();
        rows.map(|row| PlotPoint { hz: row.hz, gain_db: row.db, angle_deg: row.deg + turned }).collect()
    };
    Some(CurvePair { sides: [side(a.1, 0.0), side(b.1, turned)], difference })
}
