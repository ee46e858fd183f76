//! The accepted baseline: what units measured when somebody accepted them, and what has changed since.
//!
//! | file | what |
//! | --- | --- |
//! | `model` | accepted units, corners, values |
//! | `curve_text` | a curve as few points, with its noise |
//! | `decimation` | which points of a curve are enough |
//! | `name` | file names of units |
//! | `write`, `yaml_scalar` | an accepted unit as text that reads well in a diff |
//! | `read` | that text back, with everything that is wrong with it |
//! | `comparable_units` | which accepted units a corner is compared with |
//! | `change` | the change of a value, with the uncertainty of both sides |
//! | `deviation` | the largest deviation of a curve from the accepted one |
//!
//! **Why is a baseline text, with a file per unit?** A reviewer reads it in a diff, git keeps who and when, and two
//! people who accept two units do not meet in one file. The curve is one block of text: a node for each number would
//! meet the parser's bound.
//!
//! **Why does a baseline keep the parts of an uncertainty with their signs?** Half a degree of a station's phase
//! error is in both sweeps and not in their difference. With the combined uncertainty alone a bench could never tell
//! 1 deg from 0.
//!
//! **Why are the values stored, when the curve is?** They were judged on the whole sweep. The curve is for its
//! largest deviation and for people; its thinning may then follow the noise.

mod change;
mod comparable_units;
mod curve_text;
mod decimation;
mod deviation;
mod model;
mod name;
mod read;
mod write;
mod yaml_scalar;

pub(crate) use change::widened;
pub use change::{Change, Side, Station, change};
pub use comparable_units::{Choice, Reference, choose};
pub use curve_text::{Points, Row};
pub use deviation::{Deviation, Present, deviations, mean_curve};
pub use model::{Accepted, AcceptedCorner, AcceptedUnit, AcceptedValue};
pub use name::file_name;
#[cfg(feature = "files")]
pub(crate) use read::at;
pub use read::parse;
pub use write::text;
