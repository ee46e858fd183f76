//! YAML files as trees that know where everything stands; the only user of `serde_yaml`.
//!
//! [`parse_as`] lets through what begins as files of its sort do, [`parse`] guards the text (size, nesting, repeated keys, tags), then builds a tree of [`Node`]s that keep the raw text
//! of every scalar (`2.10` stays `2.10`) and its place in its file. Trees of several files merge with [`merge`], and
//! [`Value`] and [`Fields`] read typed values out of a tree and note everything that is wrong in [`Findings`].
//!
//! **Why a tree of YAML nodes with places, and not serde's derive?** Messages must name the line and column of the
//! key that is wrong, also after `extends` has merged two files and after parsing (min above max). Derive gives a
//! place for some errors and the start of the map for others, stops at the first one, keeps the last of two equal
//! keys silently, and turns `2.10` into `2.1`. A tree that keeps raw text and place gives all of it, and merging
//! stays a matter of trees. The price is reading by hand.

mod canonical;
mod file_kind;
mod findings;
mod guard;
mod nesting;
mod node;
mod parse;
mod source;
mod syntax_hints;
mod typed;
mod value;
mod walk;

pub(crate) use canonical::{canonical, json_string};
pub(crate) use file_kind::Sort;
#[cfg(feature = "cli")]
pub(crate) use file_kind::first_key;
pub(crate) use findings::Findings;
pub(crate) use node::{Entry, Kind, Node, merge};
#[cfg(test)]
pub(crate) use parse::parse;
pub(crate) use parse::parse_as;
pub(crate) use typed::{Bounds, Sign, code_of};
pub(crate) use value::{Fields, Path, Value, at_key};
