//! Physical quantities: newtypes with their unit, the text form of the spec files, and excitation levels.
//!
//! A quantity is finite by construction. Units are kept apart by type, so that decibels cannot be mistaken for
//! ratios, nor degrees for radians. Inside numeric kernels plain `f64` with a unit suffix is used.
//!
//! ```
//! use loopgauge::quantity::{parse, Hertz};
//! let crossover: Hertz = parse("8 kHz").unwrap();
//! assert_eq!(crossover.hz(), 8000.0);
//! assert!(parse::<Hertz>("8").is_err());
//! ```

pub mod calendar;
mod condition;
mod format;
mod level;
mod parse;
mod unit;
mod units;
mod words;

pub use condition::{Condition, ConditionValue};
pub use format::{number, si, with_unit};
pub use level::{Level, LevelUnit};
pub use parse::{Parsable, QuantityError, Symbol, parse, split};
pub use unit::Unit;
pub use units::{Decibel, Degrees, Hertz, Ratio, Seconds};
pub(crate) use words::{count_of, listed};
