//! Netlists: SPICE text of linear elements to elements between numbered nodes.
//!
//! [`source`] keeps files, places and findings; [`cards`] joins lines, [`fields`] splits them, [`scale`] reads numbers, [`formula`] and
//! [`expression`] expressions; [`element`] reads an element, with what [`devices`] says of those that are not linear, [`read`] the
//! files with their [`commands`] into [`definition`]s; [`open`] puts subcircuits in where they are used, parameters in [`order`],
//! and makes of it a [`flat`] netlist. [`parse`] does all of it.

mod cards;
mod commands;
mod definition;
mod devices;
mod element;
mod expression;
mod fields;
mod flat;
mod formula;
mod open;
mod order;
mod parse;
mod read;
mod scale;
mod source;

pub(crate) use definition::Kind;
pub(crate) use expression::{Dual, Expression};
pub use flat::Netlist;
pub(crate) use flat::{Flat, FlatElement};
pub use read::Includes;

#[cfg(test)]
mod tests;
