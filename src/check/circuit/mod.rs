//! A run against the circuit of its spec: parts, what is unexplained, what moved, which mistake a refused sweep fits.
//!
//! | file | what |
//! | --- | --- |
//! | `collect` | what a corner keeps of its sweep for that, while it is at hand |
//! | `judge` | the fit over all corners and what follows from it |
//! | `explained` | which changes of margins a movement explains |
//! | `outcome` | the result types |
//! | `told` | movements of parts as they are told, of a unit and of a fleet |
//! | `wording` | sentences |

mod collect;
mod explained;
mod judge;
mod outcome;
mod told;
mod wording;

pub use collect::{CornerLoop, LoopSweep};

pub(super) use judge::judge;
pub use outcome::{
    Answers, CauseOutcome, CircuitOutcome, Information, PartChange, PartOutcome, PartsSince, Together,
};
pub(crate) use told::Told;
pub use wording::{cause_text, change_text, circuit_sentence, moved_text};
