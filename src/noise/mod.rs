//! Noise of a sweep, known from the sweep itself, and the smooth curve that is read under it.
//!
//! | file | what |
//! | --- | --- |
//! | `grid` | what depends on the frequencies alone: difference weights, windows of the local fits |
//! | `near_cubic`, `basis` | the weights of a local fit: quickly for usual grids, exactly for all |
//! | `noise_level` | how large the noise is, point by point |
//! | `receivers` | how noise of the receivers goes with the loop gain, for sweeps of few points |
//! | `replicates` | noise from several sweeps of one loop: what they do not show alike |
//! | `residuals` | squared residuals, and the block that they are taken in |
//! | `rounding` | what the digits of a file leave in a value |
//! | `spikes` | single points that stand out of it |
//! | `window_selection` | how many samples a local fit takes: as many as the noise calls for and the curvature allows |
//! | `smooth` | the local fit itself, and its uncertainty |
//! | `gain_phase`, `lanes` | gain and phase side by side; four numbers at once |
//!
//! A measured loop gain is T (1 + e) with a small complex error e: its real part is the error of ln|T| in neper, its
//! imaginary part that of the phase in rad. Both are handled as one complex residual, so that the noise of gain and
//! phase stay linked.
//!
//! **Why local fits, and not one model of the whole curve?** A fit to the neighbourhood has one thing to choose, its
//! width, and the data choose it: the widest window that agrees within the noise with one of half its width. What is
//! left of bias is then small beside the noise, and the stated uncertainty stays true (`examples/simulate`).

mod basis;
mod gain_phase;
mod grid;
mod lanes;
mod near_cubic;
mod noise_level;
mod receivers;
mod replicates;
mod residuals;
pub(crate) mod rounding;
#[cfg(test)]
pub(crate) mod simulated_noise;
mod smooth;
mod spikes;
mod window_selection;

pub(crate) use gain_phase::Columns;
pub use replicates::Evidence;
pub(crate) use replicates::is_coarse;
pub use smooth::{Noise, Smoother};
/// Samples that the longest window spans.
pub(crate) const LONGEST_WINDOW: usize = 2 * smooth::LONGEST_HALF + 1;
pub use spikes::Spike;
pub(crate) use spikes::mains;
