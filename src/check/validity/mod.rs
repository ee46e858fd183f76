//! The checks that say whether a measurement can carry a verdict.
//!
//! | file | what |
//! | --- | --- |
//! | `collected` | anything is there, taken at the corner's conditions |
//! | `coverage` | the band is swept densely enough |
//! | `sanity` | it can be the loop gain of a stable loop |
//! | `linearity`, `linearity_sentences` | a stronger level confirms a weaker one; how that is told |

mod collected;
mod coverage;
mod linearity;
mod linearity_sentences;
mod refused;
mod sanity;

pub(crate) use collected::collected;
pub(crate) use coverage::coverage;
pub(crate) use linearity::linearity;
pub(crate) use sanity::{crossovers_by_level, pieces_apart, sanity, usable_part};
