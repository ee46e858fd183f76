//! A gain that stays flat at the low end because something else than the loop couples there.
//!
//! Where the loop gain is large, little is left on the input side, and what reaches it past the loop (ground leads, the
//! injection transformer, limits of the instrument) sets the ratio: a plateau with a phase of its own. A loop that is
//! truly flat from zero frequency up has a phase of 0, or half a turn for a negative gain. When the phase fits, nobody can tell the two apart.

use super::{Refusal, Subject};
use crate::curve::{Span, db, wrap};
use crate::quantity::{number, with_unit};
use std::f64::consts::{LN_10, PI};

/// Length of a plateau: half a decade.
const LENGTH: f64 = 0.5 * LN_10;
/// Slope that is flat still: 3 dB per decade, as a power of f. A pole and a zero half a decade apart from the band's start turn
/// the phase by about 35 deg with it.
const FLAT: f64 = 3.0 / 20.0;
/// rms distance from the straight line that is flat still, neper: 0.3 dB.
const STRAIGHT: f64 = 0.035;
/// Distance from what a flat gain makes, rad, that is no loop gain: 35 deg.
const OFF: f64 = 35.0 / 180.0 * PI;
/// Change of the phase along the plateau that is steady still, rad: 12 deg.
const STEADY: f64 = 12.0 / 180.0 * PI;
/// Length over which the phase of a loop that is flat for a while falls noticeably, and what part of that fall counts: towards
/// its end the phase of coupling moves, too.
const FALLS_WITHIN: f64 = 0.75 * LN_10 + 1e-9;
const LATER: f64 = 0.8;
/// Coverage factor of the noise.
const COVERAGE: f64 = 2.0;
/// Samples that a straight line wants.
const LEAST: usize = 5;

/// A flat stretch from the start of the judged span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plateau {
    /// Where it is known to be flat.
    pub span: Span,
    /// Mean gain, dB.
    pub gain_db: f64,
    /// Mean phase in the textbook convention, rad.
    pub phase: f64,
    /// How far that lies from what a flat gain makes (0 or half a turn), rad.
    pub off: f64,
    /// How far the phase moves from the first third to the last, rad.
    drift: f64,
    /// Expanded noise of the phase, rad.
    noise: f64,
}

impl Plateau {
    /// Whether its phase shows that it is no loop gain: far from what a flat gain makes, and as constant as the gain. Where an
    /// integrator meets the rise to a resonance the gain is flat too, but the phase falls.
    #[must_use]
    pub fn is_coupling(&self) -> bool {
        self.off > OFF + self.noise && self.drift <= STEADY + self.noise
    }
}

/// The flat stretch that the judged span begins with, of at least half a decade above 0 dB.
#[must_use]
pub fn plateau(subject: &Subject<'_>) -> Option<Plateau> {
    let first = stretch(subject, LENGTH)?;
    // As far as it goes on being flat.
    let (mut known, mut drift) = (first, first.drift);
    let mut length = LENGTH;
    while subject.span.from + length < subject.span.to {
        length += 0.25 * LENGTH;
        match stretch(subject, length) {
            Some(longer) => {
                known = longer;
                if length <= FALLS_WITHIN {
                    drift = drift.max(LATER * longer.drift);
                }
            }
            None => break,
        }
    }
    Some(Plateau { span: known.span, drift, ..first })
}

/// The stretch of that length, if it is flat.
fn stretch(subject: &Subject<'_>, length: f64) -> Option<Plateau> {
    let (curve, raw, noise) = (&subject.sweep.curve, &subject.sweep.raw, &subject.sweep.noise);
    let span = Span { from: subject.span.from, to: subject.span.from + length };
    if span.to > subject.span.to {
        return None;
    }
    // A cheap look: the gain at the ends and half way.
    let [a, b, c] = [span.from, 0.5 * (span.from + span.to), span.to].map(|x| curve.at(x).ln_mag);
    let from = curve.ln_f().partition_point(|&x| x < span.from && !span.holds(x));
    let to = curve.ln_f().partition_point(|&x| x < span.to || span.holds(x));
    let sigma = noise.sigma().get(from..to)?;
    let largest = sigma.iter().fold(0.0_f64, |a, b| a.max(*b));
    let slack = 2.0 * FLAT * length + 4.0 * largest;
    if (b - a).abs() > slack || (c - a).abs() > slack || to - from < LEAST {
        return None;
    }
    let (x, y, p) = (raw.ln_f().get(from..to)?, raw.ln_mag().get(from..to)?, curve.angle().get(from..to)?);
    let n = x.len() as f64;
    let (mx, my, mp) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n, p.iter().sum::<f64>() / n);
    let sxx: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
    let slope = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum::<f64>() / sxx;
    let rest: f64 = x.iter().zip(y).map(|(x, y)| (y - my - slope * (x - mx)).powi(2)).sum();
    let power = sigma.iter().map(|s| s * s).sum::<f64>() / n;
    let slope_noise = COVERAGE * (power / sxx).sqrt();
    let flat = slope.abs() <= FLAT + slope_noise && slope_noise <= FLAT;
    let straight = rest / n <= STRAIGHT * STRAIGHT + 2.0 * power;
    if !(flat && straight && my > 0.0) {
        return None;
    }
    let phase = wrap(mp - PI);
    let off = phase.abs().min(PI - phase.abs());
    let third = p.len() / 3;
    let mean =
        |part: Option<&[f64]>| part.map_or(mp, |part| part.iter().sum::<f64>() / part.len().max(1) as f64);
    let drift = (mean(p.get(p.len() - third..)) - mean(p.get(..third))).abs();
    Some(Plateau { span, gain_db: db(my), phase, off, drift, noise: COVERAGE * (power / n).sqrt() })
}

/// A plateau whose phase is not that of a flat loop gain.
#[must_use]
pub fn coupling(subject: &Subject<'_>) -> Option<Refusal> {
    let found = plateau(subject).filter(Plateau::is_coupling)?;
    let hz = |ln_f: f64| with_unit(ln_f.exp(), "Hz");
    Some(Refusal {
        message: format!(
            "from {} to {} the gain stays at {} dB with a phase of {:.0} deg (critical point -1), where a flat loop gain has 0 \
             or 180 deg: this is coupling past the loop, not loop gain",
            hz(found.span.from),
            hz(found.span.to),
            number(found.gain_db, 3),
            found.phase.to_degrees()
        ),
        remedy: "the input side sees more of the injection than the loop leaves there: keep the leads of both probes short and \
                 apart, ground them at one point, inject more at low frequencies, or start the band higher"
            .to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{hiss, subject, sweep};
    use super::*;
    use num_complex::Complex64;

    /// A loop gain read beside a coupling of 34 dB at `phase_deg`.
    fn coupled(phase_deg: f64, noise: f64) -> Option<Plateau> {
        let sweep = sweep(40.0, |hz| {
            let t = Complex64::new(0.0, -3e5 / hz) / Complex64::new(1.0, hz / 1e6);
            let coupled = Complex64::from_polar(50.0, phase_deg.to_radians());
            let read = (t.inv() + coupled.inv()).inv();
            [read.norm().ln() + noise * hiss(), read.arg() + noise * hiss()]
        });
        plateau(&subject(&sweep))
    }

    #[test]
    fn coupling_shows_by_its_phase() {
        for noise in [0.0, 0.01, 0.03] {
            for phase in [50.0, 90.0, 130.0, -50.0, -120.0] {
                let found = coupled(phase, noise).unwrap();
                assert!(found.is_coupling() && (found.gain_db - 34.0).abs() < 1.0, "{phase}: {found:?}");
            }
            for phase in [0.0, 15.0, -20.0, 175.0] {
                assert!(!coupled(phase, noise).unwrap().is_coupling(), "{phase}");
            }
        }
    }

    /// A proportional controller; an integrator; a zero that flattens it; a plateau below 0 dB.
    #[test]
    fn what_a_loop_may_do_at_its_low_end_is_not_refused() {
        let flat = |gain: f64, pole: f64, noise: f64| {
            sweep(40.0, move |hz| {
                let lag = hz / pole;
                [gain.ln() - lag.hypot(1.0).ln() + noise * hiss(), -lag.atan() + noise * hiss()]
            })
        };
        for noise in [0.0, 0.01, 0.03] {
            for pole in [150.0, 500.0, 3e3, 3e4] {
                assert_eq!(coupling(&subject(&flat(100.0, pole, noise))), None, "{pole}");
            }
            assert!(plateau(&subject(&flat(100.0, 3e3, noise))).is_some());
            assert_eq!(plateau(&subject(&flat(0.5, 3e3, noise))), None);
            for (zero, pole) in [(150.0, 1e3), (400.0, 2e3), (60.0, 1500.0), (30.0, 1200.0)] {
                let sweep = sweep(40.0, |hz| {
                    let t = Complex64::new(1.0, hz / zero)
                        / Complex64::new(0.0, hz / 2e3)
                        / Complex64::new(1.0, hz / pole);
                    [t.norm().ln() + noise * hiss(), t.arg() + noise * hiss()]
                });
                assert_eq!(coupling(&subject(&sweep)), None, "{zero} {pole}");
            }
        }
    }
}
