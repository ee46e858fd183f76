//! Specs, runs, sweeps and baselines on disk. All input files are read here; nothing is written and nothing printed.
//!
//! | file | what |
//! | --- | --- |
//! | `files` | reads files, refuses what is no regular file |
//! | `inputs` | which files were read: no output takes their place |
//! | `discover` | finds runs in folders |
//! | `specs` | finds the spec of a product, each once |
//! | `baselines` | finds the accepted units of a product, each once |
//! | `missing` | sweeps of a run that are still to collect, told as one |
//! | `judge` | reads and judges one run |
//! | `patterns` | which checks are wanted |
//! | `stdin` | standard input in the place of a file |
//! | `today` | the clock |

pub mod baselines;
pub mod discover;
pub mod files;
#[cfg(feature = "cli")]
pub mod inputs;
pub mod judge;
mod missing;
pub mod patterns;
pub mod specs;
#[cfg(feature = "cli")]
pub mod stdin;
mod today;

#[cfg(feature = "cli")]
pub use missing::gather;
pub use today::today;
