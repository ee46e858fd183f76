//! Columns of gain and phase in another unit than declared, where the numbers alone show it.

use super::{Refusal, Subject};
use crate::curve::{db, wrap};
use crate::spec::CriticalPoint;
use std::f64::consts::{PI, TAU};

/// Radians read as degrees: the whole phase lies within one turn's worth of radians about 0.
const RADIANS_DEG: f64 = TAU;
/// A gain that changes by this much, dB, turns the phase by more (Bode's gain-phase relation: 20 dB over a decade make 90 deg).
const FALLS_DB: f64 = 20.0;
/// Ratios read as dB end this close above 0 dB, dB: a loop gain of 1 and less at the top of the band …
const RATIO_TOP_DB: f64 = 1.0;
/// … and begin this many times higher: 20 dB and more as a ratio.
const RATIO_FALLS: f64 = 10.0;

/// A column that is in another unit than declared.
#[must_use]
pub fn mistaken_column(subject: &Subject<'_>) -> Option<Refusal> {
    radians(subject).or_else(|| ratios(subject))
}

/// The phase as the file has it stays within some 6 deg of 0 while the gain falls by decades.
fn radians(subject: &Subject<'_>) -> Option<Refusal> {
    let raw = &subject.sweep.raw;
    let offset = match subject.critical_point {
        CriticalPoint::PlusOne => 0.0,
        CriticalPoint::MinusOne => PI,
    };
    let mut largest = 0.0_f64;
    for angle in raw.angle() {
        largest = largest.max(wrap(angle + offset).abs());
        if largest > RADIANS_DEG.to_radians() {
            return None;
        }
    }
    let (low, high) = extremes(raw.ln_mag());
    (db(high - low) > FALLS_DB).then(|| Refusal {
        message: format!(
            "the phase stays within {:.1} deg of 0 over the whole sweep while the gain changes by {:.0} dB: no loop does that",
            largest.to_degrees(),
            db(high - low)
        ),
        remedy: "the phase column looks like radians declared as degrees: declare its unit in `reading`".to_owned(),
    })
}

/// The gain falls towards 0 dB and never below, as a ratio does that is taken for dB.
fn ratios(subject: &Subject<'_>) -> Option<Refusal> {
    let raw = &subject.sweep.raw;
    let last = db(*raw.ln_mag().last()?);
    if last <= 0.0 || last > RATIO_TOP_DB {
        return None;
    }
    let (low, high) = extremes(raw.ln_mag());
    let falls = low > 0.0 && db(high) > RATIO_FALLS * last;
    falls.then(|| Refusal {
        message: format!(
            "the gain falls from {:.1} dB to {last:.3} dB and is nowhere below 0 dB, as no loop gain but every ratio does",
            db(high)
        ),
        remedy: "the gain column looks like ratios declared as dB: declare its unit in `reading`".to_owned(),
    })
}

fn extremes(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

#[cfg(test)]
mod tests {
    use super::super::testing::{subject, sweep};
    use super::*;
    use std::f64::consts::LN_10;

    #[test]
    fn columns_in_the_wrong_unit_are_named() {
        let gain = |hz: f64| -(hz / 1e4).ln();
        let phase = |hz: f64| -1.6 - (hz / 1e5).atan();
        let sound = sweep(40.0, |hz| [gain(hz), phase(hz)]);
        assert_eq!(mistaken_column(&subject(&sound)), None);
        let radians = sweep(40.0, |hz| [gain(hz), phase(hz).to_radians()]);
        assert!(mistaken_column(&subject(&radians)).unwrap().remedy.contains("radians"));
        let ratios = sweep(40.0, |hz| [gain(hz).exp() * LN_10 / 20.0, phase(hz)]);
        assert!(mistaken_column(&subject(&ratios)).unwrap().remedy.contains("ratios"));
        // One node: a gain of 1 and no phase is no matter of units.
        let node = sweep(40.0, |_| [0.001, 0.002]);
        assert_eq!(mistaken_column(&subject(&node)), None);
    }
}
