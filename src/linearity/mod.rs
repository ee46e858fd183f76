//! Whether a stronger injection changes the result.
//!
//! A loop gain is a small-signal quantity: raising the injection must change nothing (common practice, no source). The
//! comparison of two levels gives the change of the crossover and of the phase margin, and the largest deviation of the
//! curve over the linearity band. The errors of the measuring chain are the same in both and cancel; the noise of both does
//! not, so every change carries its expanded noise (coverage factor 2):
//!
//! | change less its noise | noise | the pair |
//! | --- | --- | --- |
//! | beyond the tolerance | any | differs |
//! | inside | inside the tolerance | agrees |
//! | inside | beyond the tolerance | tells nothing |
//!
//! **Why is the strongest confirmed level judged, and not the weakest?** It has the least noise, and a stronger one
//! has shown that it is still linear.

mod compare;
mod copy;
mod level_difference;
mod level_selection;

pub use compare::{Difference, compare};
pub use level_difference::{Change, Comparison, Deviation, Relation};
pub(crate) use level_selection::STEP_SLACK_DB;
pub use level_selection::{Selection, select};

#[cfg(test)]
mod tests;
