//! What is common to the corners of a product: a flat gain, a delay, a resonance that moved; and what remains.

use super::curves::Curves;
use super::effect::{Found, delay, first, gain, mean, second};
use super::resonance::{Moved, moved};
use crate::curve::db;
use serde::Serialize;
use std::f64::consts::TAU;

/// Standard uncertainties that what remains must exceed, as the largest deviation of a curve must.
const FACTOR: f64 = 4.0;
/// An effect is flat, and common, where what it leaves and what corners differ by is less than this share of it.
const SHARE: f64 = 0.5;

/// What is to be said of an effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// It is there, the same at all corners.
    Common,
    /// It is no more than its uncertainty.
    WithinUncertainty,
    /// Corners differ in it by more than half of it.
    Differs,
    /// It is not what the curves show: what it leaves is more than half of it.
    Unlike,
}

/// A gain, dB, or a delay, s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Effect {
    /// The weighted mean over the corners.
    pub value: f64,
    /// Its expanded uncertainty.
    pub uncertainty: f64,
    /// Standard deviation of the corners; `None` with one.
    pub spread: Option<f64>,
    /// Least and largest of the corners.
    pub range: [f64; 2],
    /// What is to be said of it.
    pub said: Said,
}

/// The most that remains of a curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Remains {
    /// How much: dB or deg.
    pub value: f64,
    /// Where, Hz.
    pub at_hz: f64,
    /// At which unit and corner.
    pub corner: String,
}

/// What is common to the corners of a product.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Common {
    /// How many corners it is of.
    pub corners: usize,
    /// The flat gain, dB.
    pub gain_db: Option<Effect>,
    /// The added delay, s.
    pub delay_s: Option<Effect>,
    /// The resonance that moved, where that explains the rest.
    pub resonance: Option<Moved>,
    /// What remains of the gain beyond its uncertainty.
    pub remaining_gain_db: Option<Remains>,
    /// What remains of the phase beyond its uncertainty.
    pub remaining_phase_deg: Option<Remains>,
}

pub(super) fn common(curves: &[Curves], coverage: f64) -> Option<Common> {
    if curves.is_empty() {
        return None;
    }
    let plain = of(curves, coverage);
    if plain.remaining_gain_db.is_none() && plain.remaining_phase_deg.is_none() {
        return Some(plain);
    }
    let Some(found) = moved(curves) else { return Some(plain) };
    Some(Common { resonance: Some(found), ..of(&found.taken_off(curves), coverage) })
}

fn of(curves: &[Curves], coverage: f64) -> Common {
    let station = |part: fn(&Curves) -> f64| curves.iter().map(part).fold(0.0, f64::max);
    let gains: Vec<Found> = curves.iter().filter_map(gain).collect();
    let delays: Vec<Found> = curves.iter().filter_map(delay).collect();
    let high = curves.iter().flat_map(|own| &own.places).map(|place| place.hz).fold(1.0, f64::max);
    // A flat phase of two stations looks like a delay of that much over the upper half of the band.
    let of_delay = station(|c| c.stations[2]).hypot(station(|c| c.stations[1]) / (0.75 * TAU * high));
    let gain_np = effect(&gains, station(|c| c.stations[0]), coverage, 1.0);
    let delay_s = effect(&delays, of_delay, coverage, 0.25 * TAU * high);
    let told =
        |effect: Option<Effect>| effect.filter(|own| own.said == Said::Common).map_or(0.0, |own| own.value);
    let removed = [told(gain_np), told(delay_s)];
    Common {
        corners: curves.len(),
        gain_db: gain_np.map(|own| Effect {
            value: db(own.value),
            uncertainty: db(own.uncertainty),
            spread: own.spread.map(db),
            range: own.range.map(db),
            said: own.said,
        }),
        delay_s,
        resonance: None,
        remaining_gain_db: remains(curves, removed, |[gain, _]| gain, db(1.0)),
        remaining_phase_deg: remains(curves, removed, |[_, phase]| phase, 1f64.to_degrees()),
    }
}

/// `per` is what one unit of the effect makes of a curve, root mean square over the band: neper or rad.
fn effect(all: &[Found], stations: f64, coverage: f64, per: f64) -> Option<Effect> {
    let (found, spread) = mean(all)?;
    let uncertainty = coverage * found.u.hypot(stations);
    let range =
        all.iter().fold([f64::MAX, f64::MIN], |[low, high], own| [low.min(own.value), high.max(own.value)]);
    let differs =
        |own: &Found| (own.value - found.value).abs() > (SHARE * found.value.abs()).max(coverage * own.u);
    let counts = |own: &Found| own.value.abs() > coverage * own.u.hypot(stations);
    let said = if all.iter().any(differs) && all.iter().any(counts) {
        Said::Differs
    } else if found.value.abs() <= uncertainty {
        Said::WithinUncertainty
    } else if found.left > SHARE * found.value.abs() * per {
        Said::Unlike
    } else {
        Said::Common
    };
    Some(Effect { value: found.value, uncertainty, spread, range, said })
}

/// The largest rest against what it must exceed, over all corners.
fn remains(
    curves: &[Curves],
    [gain, delay]: [f64; 2],
    part: fn([f64; 2]) -> f64,
    unit: f64,
) -> Option<Remains> {
    let mut worst: Option<(f64, Remains)> = None;
    for own in curves {
        for place in &own.places {
            let off = [first(place.off) - gain, second(place.off) + TAU * place.hz * delay];
            let least = FACTOR * part(place.noise).hypot(part(place.chains));
            let (value, times) = (part(off), part(off).abs() / least);
            if times > 1.0 && worst.as_ref().is_none_or(|(most, _)| times > *most) {
                worst =
                    Some((times, Remains { value: value * unit, at_hz: place.hz, corner: own.name.clone() }));
            }
        }
    }
    worst.map(|(_, remains)| remains)
}
