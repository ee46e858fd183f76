//! First steps: texts to start from.
//!
//! | file | what |
//! | --- | --- |
//! | `product` | a commented spec |
//! | `plan` | the sweeps that a spec asks of one unit: levels and file names |
//! | `unit` | their `run.yaml` |
//! | `checklist` | the page to print for the bench |
//! | `wrap` | long lines |

mod checklist;
mod plan;
mod product;
mod unit;
mod wrap;

pub use checklist::{Checklist, checklist};
pub use plan::{CornerPlan, Plan, SweepPlan, plan};
pub use product::spec_text;
pub use unit::{Unit, run_text};
