//! The history of products: JSON, JUnit and text, all written from [`ProductDrift`](crate::drift::ProductDrift).
//!
//! | file | what |
//! | --- | --- |
//! | `json` | the JSON result |
//! | `junit` | a suite per product, a case per series and rule |
//! | `terminal` | the text: verdict and counts, what does not pass in full, the rest in brief |
//! | `series_detail`, `series_row` | a series in full; the table of all others |
//! | `groups` | which groups are shown, and the table of them |
//! | `movements` | series that moved together, in words |
//! | `dot_plot` | a small chart in a line of text |
//! | `layout` | sentences broken into lines |
//! | `common_prefix` | numbers of a series in one prefix, with the same decimals |
//! | `sentences` | trend, forecast, capability, step and references as sentences |
//! | `to_do` | what to do about a rule that does not pass |

mod common_prefix;
mod dot_plot;
mod groups;
mod json;
mod junit;
mod layout;
mod movements;
mod sentences;
mod series_detail;
mod series_row;
mod terminal;
mod to_do;

#[cfg(test)]
pub(in crate::report) mod sample_drift;

pub(in crate::report) use common_prefix::value_text;
pub use json::write_drift_json;
pub use junit::{drift_suite, write_drift_junit};
pub(in crate::report) use movements::{ORDER, told};
pub(in crate::report) use sentences::{newest_text, quantity};
pub(in crate::report) use series_detail::facts;
pub use terminal::render_drift;
pub(in crate::report) use to_do::to_do;
