//! A corpus of run folders with its spec, the same bytes for the same number of runs.
//!
//! | file | what |
//! | --- | --- |
//! | `model` | loop gain of the rail, its spread from run to run, noise |
//! | `write` | run folders, sweep files and the spec on disk |

pub mod model;
mod write;

pub use write::{Corpus, POINTS, SWEEPS_PER_RUN, prepare};
