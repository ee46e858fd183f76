//! The newtypes.

use super::parse::{Parsable, Symbol};
use std::fmt;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $getter:ident, $getter_doc:literal, $unit:literal, $what:literal, $example:literal, $symbols:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// The value 0.
            pub const ZERO: Self = Self(0.0);

            /// Wraps a finite number; `None` for NaN and infinities.
            #[must_use]
            pub fn new(value: f64) -> Option<Self> {
                value.is_finite().then_some(Self(value))
            }

            #[doc = $getter_doc]
            #[must_use]
            pub const fn $getter(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&super::format::with_unit(self.0, $unit))
            }
        }

        impl Parsable for $name {
            const WHAT: &'static str = $what;
            const EXAMPLE: &'static str = $example;
            const SYMBOLS: &'static [Symbol] = $symbols;
            fn from_base(value: f64) -> Option<Self> {
                Self::new(value)
            }
        }
    };
}

quantity!(
    /// A frequency in hertz. Any finite number; that it is positive is checked where it is read.
    Hertz, hz, "The frequency, Hz.", "Hz", "a frequency", "8 kHz", &[Symbol::prefixed("Hz", 1.0)]
);
quantity!(
    /// A gain or a difference of gains or levels, 20 log10 of an amplitude ratio (ISO 80000-3, from memory).
    Decibel, db, "The value, dB.", "dB", "a gain in decibels", "10 dB", &[Symbol::plain("dB", 1.0)]
);
quantity!(
    /// An angle in degrees.
    Degrees, deg, "The angle, degrees.", "deg", "an angle", "50 deg", &[Symbol::plain("deg", 1.0)]
);
quantity!(
    /// A time in seconds.
    Seconds, s, "The time, s.", "s", "a time", "2 us", &[Symbol::prefixed("s", 1.0)]
);
quantity!(
    /// A ratio written in percent; kept as the bare ratio (`2 %` is 0.02).
    Ratio, ratio, "The bare ratio: `2 %` gives 0.02.", "", "a ratio in percent", "2 %", &[Symbol::plain("%", 0.01)]
);

impl Decibel {
    /// Natural logarithm of the amplitude ratio.
    #[must_use]
    pub fn ln(self) -> f64 {
        self.0 * (std::f64::consts::LN_10 / 20.0)
    }
}

impl Degrees {
    /// The angle in radians.
    #[must_use]
    pub fn rad(self) -> f64 {
        self.0.to_radians()
    }
}
