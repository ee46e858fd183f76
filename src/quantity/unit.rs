//! Units of reported values.

use serde::{Serialize, Serializer};

/// Unit of a reported value, as JSON writes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unit {
    /// Hertz.
    Hz,
    /// Degrees.
    Deg,
    /// Decibels.
    Db,
    /// Seconds.
    S,
    /// Points per decade.
    PointsPerDecade,
    /// A bare number: a count, a distance, a ratio.
    One,
}

impl Unit {
    /// The symbol; empty for a bare number.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Hz => "Hz",
            Self::Deg => "deg",
            Self::Db => "dB",
            Self::S => "s",
            Self::PointsPerDecade => "points/decade",
            Self::One => "",
        }
    }

    /// The unit of a symbol; `None` for what is none.
    #[must_use]
    pub fn of_symbol(symbol: &str) -> Option<Self> {
        [Self::Hz, Self::Deg, Self::Db, Self::S, Self::PointsPerDecade, Self::One]
            .into_iter()
            .find(|unit| unit.symbol() == symbol)
    }
}

impl Serialize for Unit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.symbol())
    }
}
