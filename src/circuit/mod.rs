//! The circuit behind a loop: a netlist of its linear elements, and the loop gain that it predicts.
//!
//! `netlist` reads SPICE text. `stamps` makes equations of it, `plan` finds the order in which they are eliminated, `solve` solves
//! them at a frequency; `values` works out the values of elements and how they move with parts; `model` has the loop gain
//! and its derivatives, and `unfit` says why there is none. `predict` tells what
//! to expect of it over tolerances and corners.
//!
//! All of it is pure: files come from whoever calls.

mod model;
mod netlist;
mod plan;
pub mod predict;
mod solve;
mod stamps;
mod unfit;
mod values;

pub use model::{Model, Setting, Solver};
pub use netlist::{Includes, Netlist};
pub use unfit::Unfit;

#[cfg(test)]
mod tests;
