//! How strongly the loop is excited. Two levels differ in dB.

use super::parse::{QuantityError, Symbol, split};
use std::fmt;

/// Unit a level is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum LevelUnit {
    /// dB relative to 1 mW into 50 ohm.
    Dbm,
    /// dB relative to 1 V rms.
    Dbv,
    /// Volts rms.
    Vrms,
    /// Volts peak to peak of a sine.
    Vpp,
}

/// An excitation level: what was written, and its value in dB relative to 1 V rms.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    dbv: f64,
    text: String,
}

/// dBV of 0 dBm into 50 ohm: 10 log10(1 mW × 50 ohm / 1 V²).
const DBV_OF_0_DBM: f64 = -13.010_299_956_639_813;
/// Peak to peak over rms of a sine.
const VPP_PER_VRMS: f64 = 2.0 * std::f64::consts::SQRT_2;

/// Farthest from 1 V rms, dB: below the noise of any receiver, above any generator; common practice, no source.
const MOST_DBV: f64 = 200.0;

impl Level {
    /// An example of a well-formed level.
    pub const EXAMPLE: &'static str = "-26 dBm";

    /// Reads `-26 dBm`, `-20 dBV`, `10 mVrms` or `20 mVpp`.
    ///
    /// # Errors
    /// When number or unit is malformed, a voltage is not above 0 (reported as not a number of that unit), or the level is
    /// farther than 200 dB from 1 V rms.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let (value, unit) = split(text)?;
        if unit.is_empty() {
            return Err(QuantityError::NoUnit { found: text.to_owned() });
        }
        let volts = |symbol: &'static str| Symbol::prefixed(symbol, 1.0).factor_of(unit).map(|f| value * f);
        let dbv = match unit {
            "dBm" => value + DBV_OF_0_DBM,
            "dBV" => value,
            _ => {
                let vrms = volts("Vrms").or_else(|| volts("Vpp").map(|vpp| vpp / VPP_PER_VRMS));
                let wrong = || QuantityError::WrongUnit { found: text.to_owned(), unit: unit.to_owned() };
                20.0 * vrms.ok_or_else(wrong)?.log10()
            }
        };
        if !dbv.is_finite() {
            return Err(QuantityError::NotFinite { found: text.to_owned() });
        }
        if dbv.abs() > MOST_DBV {
            return Err(QuantityError::Implausible {
                found: text.to_owned(),
                wanted: "a level within 200 dB of 1 V",
            });
        }
        // One blank between number and unit, however it was written.
        let digits = text.trim().strip_suffix(unit).unwrap_or(text).trim_end();
        Ok(Self { dbv, text: format!("{digits} {unit}") })
    }

    /// The level, dB relative to 1 V rms.
    #[must_use]
    pub const fn dbv(&self) -> f64 {
        self.dbv
    }

    /// The level, dB relative to 1 mW into 50 ohm, rounded to a millionth: the sum of two logarithms leaves dust behind.
    #[must_use]
    pub fn dbm(&self) -> f64 {
        ((self.dbv - DBV_OF_0_DBM) * 1e6).round() / 1e6
    }

    /// The level as it was written, with one blank before its unit.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// dBm into 50 ohm, Vrms, Vpp of a sine: recomputed from the definitions (ISO 80000-3, from memory).
    #[test]
    fn levels_convert() {
        for (dbm, vrms, vpp) in [
            (-40.0, 0.002_236_07, 0.006_324_56),
            (-20.0, 0.022_360_7, 0.063_245_6),
            (0.0, 0.223_607, 0.632_456),
            (10.0, std::f64::consts::FRAC_1_SQRT_2, 2.0),
        ] {
            let dbm = Level::parse(&format!("{dbm} dBm")).unwrap().dbv();
            assert!((dbm - Level::parse(&format!("{vrms} Vrms")).unwrap().dbv()).abs() < 2e-5);
            assert!((dbm - Level::parse(&format!("{vpp}Vpp")).unwrap().dbv()).abs() < 2e-5);
        }
        assert_eq!(Level::parse("20 mVpp").unwrap().dbv(), Level::parse("0.02 Vpp").unwrap().dbv());
        assert_eq!(Level::parse("-26 dBm").unwrap().dbm(), -26.0);
        assert!((Level::parse("63.2456 mVpp").unwrap().dbm() + 20.0).abs() < 1e-5);
        assert_eq!(Level::parse("-26dBm").unwrap().text(), "-26 dBm");
        assert!(Level::parse("0 Vrms").is_err());
        assert!(Level::parse("-1 Vpp").is_err());
        assert!(Level::parse("-26 dB").is_err());
        assert!(Level::parse("-26").is_err());
        for far in ["1e300 dBm", "-1000 dBV", "1e200 Vpp", "1e-100 Vrms"] {
            assert!(matches!(Level::parse(far), Err(QuantityError::Implausible { .. })), "{far}");
        }
    }
}
