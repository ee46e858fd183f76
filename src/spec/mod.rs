//! Specs: what a product must show.
//!
//! [`load`] reads a spec file with everything it extends; [`check_part`] checks a file that is only meant to be extended.
//! Files come in through [`Files`]. What the keys mean: `head` (the top level), `layer` (what a corner may override),
//! `limits`, `linearity`, `regression`, `reading`, `corners`, `waivers`, `drift`. What is legal but unwise: `unwise`.

mod corners;
mod drift;
mod extends;
mod head;
mod labels;
mod layer;
mod limits;
mod linearity;
mod load;
mod model;
mod names;
pub(crate) mod plausible;
mod reading;
mod regression;
mod unwise;
mod waivers;

pub use extends::Files;
pub(crate) use head::version;
pub(crate) use labels::{condition, product};
pub use load::{LoadedSpec, check_part, load};
pub use model::{
    Accuracy, Band, Chart, Corner, CriticalPoint, DecisionRule, Drift, DriftAxis, GainAt, GainLimit, Limits,
    Linearity, Regression, Rule, Spec, Tolerances, Waiver, Window,
};
pub use reading::load_reading;
pub(crate) use reading::read as read_reading;
pub use unwise::{uncollected, unwise};
