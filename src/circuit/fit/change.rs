//! From two fits to what they say of the movements between them.

use super::{CHAIN, Fitted, Quadratic};
use nalgebra::DMatrix;

/// What two fits of one unit say of how its parts moved from `then` to `now`, in standard deviations of the tolerances. `same_chain`: both
/// were measured with one chain, whose errors then cancel; else each had its own.
#[must_use]
pub fn change_between(then: &Fitted, now: &Fitted, same_chain: bool) -> Option<Quadratic> {
    let parts = now.data.len().checked_sub(CHAIN)?;
    let chains = if same_chain { CHAIN } else { 2 * CHAIN };
    // The unknowns of both: movements, parts then, chain now, chain then.
    let whole = 2 * parts + chains;
    let mut of_now = DMatrix::zeros(parts + CHAIN, whole);
    let mut of_then = DMatrix::zeros(parts + CHAIN, whole);
    for i in 0..parts {
        *of_now.get_mut((i, i))? = 1.0;
        *of_now.get_mut((i, parts + i))? = 1.0;
        *of_then.get_mut((i, parts + i))? = 1.0;
    }
    for i in 0..CHAIN {
        *of_now.get_mut((parts + i, 2 * parts + i))? = 1.0;
        *of_then.get_mut((parts + i, whole - CHAIN + i))? = 1.0;
    }
    let mut both = now.data.through(&of_now);
    both.add(&then.data.through(&of_then));
    (parts..whole).for_each(|unknown| both.hold(unknown, 1.0));
    both.of_first(parts)
}
