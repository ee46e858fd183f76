//! JUnit XML: a suite per run, a case per check of a corner.
//!
//! [`suite`] makes the piece of a judged run, [`unread_suite`] that of a run without a verdict and [`unreadable_suite`] that of
//! what is not known to be a run; [`JunitWriter`] puts them together. A unit measured again meets its own history in every
//! reader: no verdict, value or date is part of a name, and nothing in the file depends on the clock or the host.
//!
//! **Why does JUnit hold no values of passing checks in its cases, and a time of 0?** It would double the file, and
//! evaluation time is noise in a trend. Numbers belong to the JSON.

mod body;
mod head;
mod names;
mod suite;
mod writer;

pub(in crate::report) use body::Body;
pub use head::name_with_run;
pub use names::file_name;
pub(in crate::report) use suite::{case, empty_suite, name, result, write};
pub use suite::{class_name, suite, unread_suite, unreadable_suite};
pub use writer::{JunitSummary, JunitWriter};
