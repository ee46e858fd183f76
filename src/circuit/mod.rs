//! The circuit behind the loop: what its parts make of the loop gain, and what a measured loop gain says of them.
//!
//! | file or room | what |
//! | --- | --- |
//! | `fit` | parts from the sweeps of a unit |
//! | `causes` | which part moved: nothing, one part alone, several, weighed against each other |
//! | `deviation` | what parts inside their tolerances do not explain |
//! | `fleet` | which part moved in a fleet |
//! | `mistakes` | which mistake at the bench a refused sweep fits |
//! | `places` | where each margin is read, and how it answers to the circuit there |
//! | `since` | what moved since another measurement |
//! | `unit` | all that the sweeps of a unit say of its circuit |

pub mod causes;
mod deviation;
pub mod fit;
mod fleet;
pub mod mistakes;
pub mod places;
mod since;
mod unit;

pub use deviation::Deviation;
pub use fleet::FleetMovements;
pub use since::{CornerChange, Earlier, Movements};
pub use unit::{Subject, UnitFit};
