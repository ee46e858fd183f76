//! The largest deviation of a curve from the accepted one.
//!
//! Against several units the mean of their curves is taken, frequency by frequency. A deviation counts where it is more than
//! what noise, the chains and the spread of the units can make of it.

use super::change::student;
use super::{AcceptedCorner, AcceptedUnit, Points, Row, Station};
use crate::curve::{Curve, LocalError, Span, db, wrap};
use crate::uncertainty::Chain;

/// How many standard uncertainties a deviation must exceed: the largest of some fifty independent places of a curve
/// exceeds four by chance once in three hundred times (normal distribution).
const FACTOR: f64 = 4.0;
/// What thinning and rounding leave open on both sides: gain, dB, and phase, deg.
const THINNED: [f64; 2] = [0.005, 0.025];

/// The largest deviation of one part of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Now less accepted: dB or deg.
    pub value: f64,
    /// Where, Hz.
    pub at_hz: f64,
}

/// The curve now.
pub struct Present<'a> {
    /// The curve.
    pub curve: &'a Curve,
    /// Its judged part.
    pub span: Span,
    /// Standard uncertainty from noise at a frequency; `None` where it is not known.
    pub noise: &'a dyn Fn(f64) -> Option<LocalError>,
    /// The chain as declared.
    pub chain: &'a Chain,
    /// The station.
    pub station: Station<'a>,
}

/// The largest deviations of gain and phase from the accepted units that are more than their uncertainty; none where the noise is
/// not known.
#[must_use]
pub fn deviations(
    now: &Present<'_>,
    accepted: &[(&AcceptedUnit, &AcceptedCorner)],
) -> [Option<Deviation>; 2] {
    let curves: Vec<(Curve, &Points, Chain)> = accepted
        .iter()
        .map(|(unit, corner)| {
            let station = Station { name: unit.station.as_deref(), accuracy: unit.accuracy };
            (corner.curve.curve(), &corner.curve, other_chain(now, &station))
        })
        .collect();
    // With one station on both sides only the impedance ratio is left of the chain.
    let shared = accepted.iter().all(|(unit, _)| {
        let then = Station { name: unit.station.as_deref(), accuracy: unit.accuracy };
        now.station.is_shared_with(&then)
    });
    let own_chain = if shared { ratio_alone(now.chain) } else { *now.chain };
    let mut largest = [None, None];
    for x in now.curve.ln_f().iter().copied().filter(|x| now.span.holds(*x)) {
        let Some(parts) = at(now, &curves, &own_chain, x) else { continue };
        for (largest, (value, least)) in largest.iter_mut().zip(parts) {
            let is_larger = largest.is_none_or(|known: Deviation| value.abs() > known.value.abs());
            if value.abs() > least && is_larger {
                *largest = Some(Deviation { value, at_hz: x.exp() });
            }
        }
    }
    largest
}

const fn ratio_alone(chain: &Chain) -> Chain {
    Chain { gain_np: 0.0, phase_rad: 0.0, delay_s: 0.0, impedance_ratio: chain.impedance_ratio }
}

/// What the chain of an accepted unit adds; nothing but the ratio where it is the station of now.
fn other_chain(now: &Present<'_>, station: &Station<'_>) -> Chain {
    let own = ratio_alone(now.chain);
    if now.station.is_shared_with(station) {
        return own;
    }
    Chain {
        gain_np: station.accuracy.gain.ln(),
        phase_rad: station.accuracy.phase.rad(),
        delay_s: station.accuracy.delay.s(),
        ..own
    }
}

/// Deviation of gain (dB) and phase (deg) at a frequency, each with the least that counts; `None` where it cannot be told.
fn at(
    now: &Present<'_>,
    curves: &[(Curve, &Points, Chain)],
    own_chain: &Chain,
    x: f64,
) -> Option<[(f64, f64); 2]> {
    let point = now.curve.at(x);
    let noise = (now.noise)(x)?;
    let n = curves.len() as f64;
    let mut off: Vec<[f64; 2]> = Vec::with_capacity(curves.len());
    let (mut noises, mut chains) = ([0.0; 2], [0.0; 2]);
    for (curve, points, chain) in curves {
        if !curve.span().holds(x) {
            return None;
        }
        let then = curve.at(x);
        off.push([point.ln_mag - then.ln_mag, wrap(point.angle - then.angle)]);
        let LocalError { ln_mag, angle } = points.noise_at(x)?;
        let of_chain = chain.errors(&then);
        for ((noise, own), (sum, error)) in
            noises.iter_mut().zip([ln_mag, angle]).zip(chains.iter_mut().zip(of_chain))
        {
            *noise += own * own / (n * n);
            // One station's units share its errors: they add.
            *sum += error / n;
        }
    }
    let own_chain = own_chain.errors(&point);
    let units = [db(1.0), 1f64.to_degrees()];
    let part = |k: usize| {
        let of = |list: [f64; 2]| list.into_iter().nth(k).unwrap_or(0.0);
        let values = || off.iter().map(|own| of(*own));
        let mean = values().sum::<f64>() / n;
        let variance =
            of([noise.ln_mag, noise.angle]).powi(2) + of(noises) + of(own_chain).powi(2) + of(chains).powi(2);
        let spread = if curves.len() > 1 {
            let s = (values().map(|own| (own - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            student(0.975, n - 1.0) * s * (1.0 + 1.0 / n).sqrt()
        } else {
            0.0
        };
        (mean * of(units), (FACTOR * variance.sqrt()).hypot(spread) * of(units) + of(THINNED))
    };
    Some([part(0), part(1)])
}

/// The mean curve of accepted units, on the points of the first one that all of them reach, its angles on that one's turn;
/// without noise when there are several.
#[must_use]
pub fn mean_curve(accepted: &[(&AcceptedUnit, &AcceptedCorner)]) -> Points {
    let Some(((_, first), others)) = accepted.split_first() else { return Points::default() };
    if others.is_empty() {
        return first.curve.clone();
    }
    let n = accepted.len() as f64;
    let others: Vec<Curve> = others.iter().map(|(_, corner)| corner.curve.curve()).collect();
    let mean = |row: &Row| {
        let x = row.hz.ln();
        let (mut db_off, mut deg_off) = (0.0, 0.0);
        for curve in &others {
            if !curve.span().holds(x) {
                return None;
            }
            let point = curve.at(x);
            db_off += point.db() - row.db;
            deg_off += wrap(point.angle - row.deg.to_radians()).to_degrees();
        }
        Some(Row { hz: row.hz, db: row.db + db_off / n, deg: row.deg + deg_off / n, noise: None })
    };
    Points { rows: first.curve.rows.iter().filter_map(mean).collect() }
}
