//! The circuit behind the loop: what its parts make of the loop gain, and what a measured loop gain says of them.
//!
//! | file or room | what |
//! | --- | --- |
//! | `netlist` | SPICE text of linear elements |
//! | `stamps`, `plan`, `triangles`, `solve`, `values` | equations of it, the order in which they are eliminated, the steps of that, their solution at a frequency; values of elements and how they move with parts |
//! | `model`, `unfit` | the loop gain at a corner with its derivatives; why there is none |
//! | `corner_loops` | a circuit at the corners of a spec |
//! | `places` | where each margin is read, and how it answers to the circuit there |
//! | `fit` | parts from the sweeps of a unit |
//! | `causes` | which part moved: nothing, one part alone, several, weighed against each other |
//! | `deviation` | what parts inside their tolerances do not explain |
//! | `unit` | all that the sweeps of a unit say of its circuit |
//! | `since`, `fleet` | what moved since another measurement; in a fleet |
//! | `predict` | what to expect of it over tolerances and corners |
//! | `mistakes` | which mistake at the bench a refused sweep fits |
//!
//! All of it is pure: files come from whoever calls.

pub mod causes;
mod corner_loops;
mod deviation;
pub mod fit;
mod fleet;
pub mod mistakes;
mod model;
mod netlist;
pub mod places;
mod plan;
pub mod predict;
mod since;
mod solve;
mod stamps;
#[cfg(test)]
mod tests;
mod triangles;
mod unfit;
mod unit;
mod values;

pub use corner_loops::CornerLoops;
pub use deviation::Deviation;
pub use fleet::FleetMovements;
pub use model::{Model, Setting, Solver};
pub use netlist::{Includes, Netlist};
pub use since::{CornerChange, Earlier, Movements};
pub use unfit::Unfit;
pub use unit::{Subject, UnitFit};
