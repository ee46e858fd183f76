//! Noise of a sweep, known from the sweep itself, and the smooth curve that is read under it.
//!
//! | file | what |
//! | --- | --- |
//! | `grid` | what depends on the frequencies alone: difference weights, windows of the local fits |
//! | `level` | how large the noise is, point by point |
//! | `spikes` | single points that stand out of it |
//! | `choose` | how many samples a local fit takes: as many as the noise calls for and the curvature allows |
//! | `smooth` | the local fit itself, and its uncertainty |
//! | `columns` | gain and phase side by side |
//!
//! A measured loop gain is T (1 + e) with a small complex error e: its real part is the error of ln|T| in neper, its
//! imaginary part that of the phase in rad. Both are handled as one complex residual, so that the noise of gain and
//! phase stay linked.

mod choose;
mod columns;
#[cfg(test)]
pub(crate) mod drawn;
mod grid;
mod level;
mod smooth;
mod spikes;

pub use smooth::{Noise, Repeats, Smoother};
/// Samples that the longest window spans.
pub(crate) const LONGEST_WINDOW: usize = 2 * smooth::LONGEST_HALF + 1;
pub use spikes::Spike;
pub(crate) use spikes::mains;
