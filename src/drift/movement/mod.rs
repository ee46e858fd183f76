//! What moved in a series: nothing, a step, or a ramp, weighed against each other.

mod outcome;

pub use outcome::{Earlier, JointMovement, Kind, Moved, Movement, Range, Since, Weights};
