//! Parts of a unit from its sweeps: one fit over all corners together.
//!
//! | file | what |
//! | --- | --- |
//! | `loop_model` | what a circuit has to tell: the loop gain and its slopes |
//! | `points` | the samples of a corner that take part, with their variances |
//! | `quadratic` | what data say of unknowns near a point; unknowns integrated out |
//! | `gather` | from samples and slopes to such a quadratic |
//! | `discrepancy` | how far the netlist itself is off |
//! | `solve` | the most probable parts |
//! | `estimate` | values, uncertainties, what cannot be told apart |
//!
//! **The model.** A sample of corner c at frequency f is
//!
//! ln T(measured) = ln T(circuit; c, f, u) + g + j (p + 2 pi f t) + d + e
//!
//! u are the logarithms of the parts over their nominal values, shared by all corners; g, p and t the errors of gain, phase and delay of
//! the chain, shared by all corners too; d the discrepancy of the netlist, one number for each quarter of a decade and each of gain and phase;
//! e the noise of the sample. What is known before: a part is within its tolerance (rectangular, so the standard deviation of u is
//! tolerance / sqrt 3: JCGM 100:2008, 4.3.7), the chain within its accuracy (likewise). All are taken as normal, which makes the most
//! probable parts a least-squares problem (Gauss and Newton: J. Nocedal and S. J. Wright, Numerical Optimization, 10.3: from memory)
//! and the uncertainty the inverse of its matrix (A. Gelman et al., Bayesian Data Analysis, 4.1: from memory).
//!
//! **Why logarithms of the parts?** A loop gain is mostly products of them: its logarithm is then nearly straight, and no value
//! changes its sign on the way.
//!
//! **Why the discrepancy?** No netlist is exact. Without it a thousand samples would claim to know a part to a tenth of what the
//! netlist is wrong by. It is found from what is left after the fit: zero where that is no more than noise.

mod discrepancy;
mod estimate;
mod gather;
mod loop_model;
mod points;
mod quadratic;
mod solve;
#[cfg(test)]
pub(crate) mod test_loops;
#[cfg(test)]
mod tests;

pub use estimate::{Inseparable, Known, Part, estimates};
pub use loop_model::LoopModel;
pub use points::{CornerPoints, LoopPoint};
pub use quadratic::Quadratic;
pub use solve::{Fitted, Prior, Workbench, alone, fit};

/// Unknowns of the chain: gain, phase, delay.
pub const CHAIN: usize = 3;
