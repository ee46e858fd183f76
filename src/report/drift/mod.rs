//! The history of products: JSON, JUnit and text, all written from [`ProductDrift`](crate::drift::ProductDrift).
//!
//! | file | what |
//! | --- | --- |
//! | `json` | the JSON result |
//! | `junit` | a suite per product, a case per series and rule |
//! | `terminal` | the text: verdict and counts, what does not pass in full, the rest in brief |
//! | `full`, `brief` | a series in full; the table of all others |
//! | `groups` | which groups are shown, and the table of them |
//! | `movements` | series that moved together, in words |
//! | `strip` | a small chart in a line of text |
//! | `layout` | columns as wide as they must be |
//! | `scale` | numbers of a series in one prefix, with the same decimals |
//! | `words` | trend, forecast, capability, step and references as sentences |
//! | `to_do` | what to do about a rule that does not pass |

mod brief;
mod full;
mod groups;
mod json;
mod junit;
mod layout;
mod movements;
mod scale;
mod strip;
mod terminal;
mod to_do;
mod words;

#[cfg(test)]
mod sample_drift;

pub(in crate::report) use full::facts;
pub use json::write_drift_json;
pub use junit::{drift_suite, write_drift_junit};
pub(in crate::report) use layout::{Side, columns};
pub(in crate::report) use movements::{ORDER, told};
pub(in crate::report) use scale::value_text;
pub use terminal::render_drift;
pub(in crate::report) use to_do::to_do;
pub(in crate::report) use words::{newest_text, quantity};
