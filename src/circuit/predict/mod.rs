//! What to expect of a loop before it is measured: margins of the nominal circuit, their spread over the tolerances, which parts matter,
//! and which corners decide.
//!
//! | file | what |
//! | --- | --- |
//! | `grid` | the frequencies that a loop is solved at |
//! | `reading` | margins of a solved curve, by the crate's own code, and the limits that they miss |
//! | `draws` | units drawn from the tolerances |
//! | `corner` | a corner: nominal, each unit, all units together |
//! | `nearness` | how near a corner is to missing a limit |
//! | `deciding` | corners whose passing makes the others nearly certain |
//! | `together` | all corners |
//! | `outcome` | what is predicted |
//!
//! **Why is every unit solved, and its margins not taken from slopes?** A margin is no straight line over a tolerance of 50 %, jumps where
//! one crossing takes over from another, and ceases to exist where a loop no longer crosses. A draw is a loop of its own.
//!
//! **Why are the tolerances uniform and independent?** That is what a tolerance says when nothing else is known (JCGM 101:2008, 6.4.2);
//! parts of one reel that lean to one side lie inside what independent ones may do. A share of units that fails is a share under this
//! supposition.

mod corner;
mod deciding;
mod draws;
mod grid;
mod nearness;
mod outcome;
mod reading;
mod together;

pub use corner::{Drawn, Study, Wanted};
pub use deciding::{LEFT, deciding};
pub use draws::{DRAWS, Units};
pub use outcome::{
    CheckShare, CornerOutcome, Deciding, Fan, FanPoint, Nearest, Nominal, Part, Prediction, Quantity, Range,
    Stability, share,
};
pub use reading::Found;
pub use together::{Judged, by_urgency};
