//! The circuit behind the loop: what its parts make of the loop gain, and what a measured loop gain says of them.
//!
//! | room | what |
//! | --- | --- |
//! | `fit` | parts from the sweeps of a unit |
//! | `causes` | which part moved: nothing, one part alone, several, weighed against each other |

pub mod causes;
pub mod fit;
