//! What a change of the loop would do: exact factors on a measured loop gain.
//!
//! | change | factor on the loop gain |
//! | --- | --- |
//! | `gain:3 dB` | 10^(3/20) |
//! | `delay:0.5 us` | exp(-s tau); a negative time takes delay away |
//! | `lead:5 kHz,50 kHz` | (1 + s/wz) / (1 + s/wp), the zero below the pole |
//! | `lag:100 Hz,1 kHz` | the same, the pole below the zero |
//!
//! Each is 1 at zero frequency but the gain, and acts on the loop gain as it was measured, so that its sign convention stays. A factor that
//! is known exactly adds nothing to the uncertainty.
//!
//! **What does it not know?** Whatever is no factor on this curve: saturation, sampling and the fold of frequencies that comes with it, an
//! operating point that moves with the change, a network that loads the stage before it.

use crate::curve::wrap;
use crate::quantity::{Decibel, Hertz, Parsable, QuantityError, Seconds, parse};
use crate::sweep::Samples;
use std::f64::consts::{PI, TAU};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// A change of the loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Alteration {
    /// More gain, or less.
    Gain(Decibel),
    /// More delay, or less.
    Delay(Seconds),
    /// A zero, and a pole above it.
    Lead {
        /// The zero.
        zero: Hertz,
        /// The pole.
        pole: Hertz,
    },
    /// A pole, and a zero above it.
    Lag {
        /// The pole.
        pole: Hertz,
        /// The zero.
        zero: Hertz,
    },
}

/// Why a text is no change.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum NoAlteration {
    /// It begins with no kind of change.
    #[error(
        "`{found}` is no change of the loop; wanted is `gain:3 dB`, `delay:0.5 us`, `lead:ZERO,POLE` such as `lead:5 kHz,50 kHz`, or \
         `lag:POLE,ZERO` such as `lag:100 Hz,1 kHz`"
    )]
    Unknown {
        /// The text as it stood.
        found: String,
    },
    /// One of its quantities cannot be read.
    #[error("{error}; {what} is wanted, such as `{example}`")]
    Quantity {
        /// Why.
        error: QuantityError,
        /// What is wanted: `a frequency`.
        what: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// The two frequencies are not above 0 and rising.
    #[error("{form} wants two frequencies above 0 Hz, the second above the first; found `{found}`")]
    Order {
        /// `lead:ZERO,POLE` or `lag:POLE,ZERO`.
        form: &'static str,
        /// The frequencies as they stood.
        found: String,
    },
}

/// The samples lie too far apart to carry a change.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error(
    "the samples about {hz} lie too far apart for this delay: the phase would turn by more than half a turn from one to the next; \
     sweep with more points, or ask for less delay", hz = Hertz::new(*at_hz).unwrap_or(Hertz::ZERO)
)]
pub struct TooFarApart {
    /// Where, Hz.
    pub at_hz: f64,
}

/// Most gain, dB, either way: ten decades.
const MOST_DB: f64 = 200.0;
/// Most delay, s, either way.
const MOST_S: f64 = 10.0;

fn quantity<Q: Parsable>(text: &str) -> Result<Q, NoAlteration> {
    parse(text).map_err(|error| NoAlteration::Quantity { error, what: Q::WHAT, example: Q::EXAMPLE })
}

fn plausible<Q: Parsable>(
    text: &str,
    value: f64,
    most: f64,
    wanted: &'static str,
) -> Result<(), NoAlteration> {
    if value.abs() <= most {
        return Ok(());
    }
    let error = QuantityError::Implausible { found: text.trim().to_owned(), wanted };
    Err(NoAlteration::Quantity { error, what: Q::WHAT, example: Q::EXAMPLE })
}

/// Two frequencies, rising.
fn pair(form: &'static str, text: &str) -> Result<(Hertz, Hertz), NoAlteration> {
    let order = || NoAlteration::Order { form, found: text.to_owned() };
    let (first, second) = text.split_once(',').ok_or_else(order)?;
    let (first, second): (Hertz, Hertz) = (quantity(first)?, quantity(second)?);
    if first.hz() > 0.0 && second > first { Ok((first, second)) } else { Err(order()) }
}

impl FromStr for Alteration {
    type Err = NoAlteration;

    fn from_str(text: &str) -> Result<Self, NoAlteration> {
        let unknown = || NoAlteration::Unknown { found: text.to_owned() };
        let (kind, rest) = text.split_once(':').ok_or_else(unknown)?;
        match kind.trim() {
            "gain" => {
                let gain: Decibel = quantity(rest)?;
                plausible::<Decibel>(rest, gain.db(), MOST_DB, "at most 200 dB either way")?;
                Ok(Self::Gain(gain))
            }
            "delay" => {
                let delay: Seconds = quantity(rest)?;
                plausible::<Seconds>(rest, delay.s(), MOST_S, "at most 10 s either way")?;
                Ok(Self::Delay(delay))
            }
            "lead" => pair("lead:ZERO,POLE", rest).map(|(zero, pole)| Self::Lead { zero, pole }),
            "lag" => pair("lag:POLE,ZERO", rest).map(|(pole, zero)| Self::Lag { pole, zero }),
            _ => Err(unknown()),
        }
    }
}

impl fmt::Display for Alteration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gain(gain) => write!(f, "gain:{gain}"),
            Self::Delay(delay) => write!(f, "delay:{delay}"),
            Self::Lead { zero, pole } => write!(f, "lead:{zero},{pole}"),
            Self::Lag { pole, zero } => write!(f, "lag:{pole},{zero}"),
        }
    }
}

impl Alteration {
    /// What the loop gain is multiplied with at a frequency, Hz: ln of the magnitude, neper, and phase, rad, not wrapped.
    ///
    /// ```
    /// use loopgauge::alteration::Alteration;
    /// // A lead turns the phase most at the geometric mean of zero and pole, by asin((k - 1)/(k + 1)) for pole/zero = k.
    /// let lead: Alteration = "lead:5 kHz,45 kHz".parse()?;
    /// let (_, phase_rad) = lead.factor(15e3);
    /// assert!((phase_rad - (8.0_f64 / 10.0).asin()).abs() < 1e-12);
    /// # Ok::<(), loopgauge::alteration::NoAlteration>(())
    /// ```
    #[must_use]
    pub fn factor(&self, hz: f64) -> (f64, f64) {
        match *self {
            Self::Gain(gain) => (gain.ln(), 0.0),
            Self::Delay(delay) => (0.0, -TAU * hz * delay.s()),
            Self::Lead { zero, pole } | Self::Lag { pole, zero } => {
                let (up, down) = (hz / zero.hz(), hz / pole.hz());
                // hypot bears the squares of what is far above zero and pole.
                (1f64.hypot(up).ln() - 1f64.hypot(down).ln(), up.atan() - down.atan())
            }
        }
    }
}

/// The samples with all changes made, one after the other.
///
/// # Errors
/// Where the phase would turn by more than half a turn between two samples, so that nobody could follow it.
pub fn altered(samples: &Samples, changes: &[Alteration]) -> Result<Samples, TooFarApart> {
    let mut changed = Samples::default();
    let (mut last, mut own): (Option<(f64, f64)>, f64) = (None, 0.0);
    let columns = samples.frequency_hz().iter().zip(samples.ln_magnitude()).zip(samples.phase_rad());
    for ((&hz, &ln_mag), &phase) in columns {
        let (gain, turned) = changes.iter().fold((0.0, 0.0), |(gain, turned), change| {
            let (more, further) = change.factor(hz);
            (gain + more, turned + further)
        });
        // The phase of the sweep by the shortest way, so that no turn of the file comes into the new one.
        own = last.map_or(phase, |(before, ..)| own + wrap(phase - before));
        if last.is_some_and(|(_, whole)| (own + turned - whole).abs() > PI) {
            return Err(TooFarApart { at_hz: hz });
        }
        last = Some((phase, own + turned));
        changed.push(hz, ln_mag + gain, own + turned);
    }
    changed.set_uncertainty(samples.uncertainty().to_vec());
    Ok(changed)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Alteration, NoAlteration> {
        text.parse()
    }

    #[test]
    fn changes_read_as_they_are_written() {
        for text in [
            "gain:3 dB",
            "gain:-0.5 dB",
            "delay:500 ns",
            "delay:-2 us",
            "lead:5 kHz,50 kHz",
            "lag:100 Hz,1 kHz",
        ] {
            assert_eq!(read(text).unwrap().to_string(), text);
        }
        assert_eq!(read("lead: 5kHz , 50kHz"), read("lead:5 kHz,50 kHz"));
    }

    #[test]
    fn what_is_no_change_is_told_with_what_is_wanted() {
        for (text, told) in [
            ("gain", "wanted is `gain:3 dB`"),
            ("again:3 dB", "no change"),
            ("gain:3", "`3` has no unit; a gain in decibels is wanted, such as `10 dB`"),
            ("gain:3 %", "has the unit `%`"),
            ("gain:900 dB", "at most 200 dB"),
            ("delay:3 min", "a time is wanted"),
            ("delay:1 Gs", "at most 10 s"),
            ("lead:5 kHz", "lead:ZERO,POLE wants two frequencies"),
            ("lead:50 kHz,5 kHz", "the second above the first"),
            ("lag:0 Hz,5 kHz", "above 0 Hz"),
            ("lag:1 kHz,1 kHz", "lag:POLE,ZERO"),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(told), "{text}: {error}");
        }
    }

    #[test]
    fn a_lag_undoes_its_lead_and_keeps_the_gain_at_zero_frequency() {
        let (lead, lag) = (read("lead:1 kHz,7 kHz").unwrap(), read("lag:1 kHz,7 kHz").unwrap());
        for hz in [1.0, 900.0, 3e3, 1e6] {
            let ((a, b), (c, d)) = (lead.factor(hz), lag.factor(hz));
            assert!((a + c).abs() < 1e-12 && (b + d).abs() < 1e-12);
        }
        assert!(lead.factor(1.0).0.abs() < 1e-6);
        // Far above both the gain is pole over zero.
        assert!((lead.factor(1e9).0 - 7f64.ln()).abs() < 1e-9);
    }

    #[test]
    fn a_delay_that_the_samples_cannot_follow_is_refused() {
        let mut samples = Samples::default();
        for hz in [1e3, 2e3, 4e3, 8e3] {
            samples.push(hz, 0.0, 0.0);
        }
        // Between 4 and 8 kHz half a turn is 125 us.
        assert!(altered(&samples, &[read("delay:124 us").unwrap()]).is_ok());
        let error = altered(&samples, &[read("delay:126 us").unwrap()]).unwrap_err();
        assert_eq!(error.at_hz, 8e3);
        assert!(error.to_string().contains("8 kHz"), "{error}");
    }
}
