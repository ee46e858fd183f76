//! What there is to say of a result, said once: what was seen, what was wanted, what to do, where, for which use. Every writer
//! takes its words from here and adds layout. Text of the data stands in them as it is: whoever writes them out makes it harmless.
//!
//! | file | what |
//! | --- | --- |
//! | `verdict` | verdicts and counts in words, and their order |
//! | `check` | a check: its value, its limit, what a change was counted from, how near to the limit it is |
//! | `corner` | a corner: checks that say the same, what is not judged and why, what the verdict rests on |
//! | `run` | whose run it is |
//! | `circuit` | what it says of the parts of its circuit |
//!
//! The history of a product has its own in `report/drift`: `sentences`, `movements`, `to_do`.

mod check;
mod circuit;
mod corner;
mod run;
mod verdict;

pub(in crate::report) use crate::quantity::count_of;
pub(in crate::report) use check::CheckStatement;
pub(in crate::report) use circuit::{CircuitStatement, PartRow};
pub(in crate::report) use corner::{
    alike, calling, conditions, deciding, names, nearest, not_judged, without_baseline,
};
pub(in crate::report) use run::{BENCH, Fact, UNIT, asked, facts, title};
pub(in crate::report) use verdict::{
    by_reason, calls_for_action, counts, heading, meaning, phrase, rank, without_prefix,
};
