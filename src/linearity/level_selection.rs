//! The level that is judged: the strongest one that a stronger one confirms and no weaker one contradicts.

use super::level_difference::{Comparison, Relation};
use crate::spec::Tolerances;

/// Slack of the step between two levels, dB: a source's own rounding.
pub(crate) const STEP_SLACK_DB: f64 = 0.1;

/// What the levels of a corner came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Selection {
    /// The strongest confirmed level and the one that confirms it, as indices of the levels.
    pub confirmed: Option<(usize, usize)>,
    /// The comparison that tells most: of the confirmed pair, else of the weakest pair that was tried.
    pub told_by: Option<(usize, usize, Comparison)>,
    /// A weaker level that contradicts the confirmed pair next above it, where that is why nothing is confirmed.
    pub contradicted: bool,
}

/// Finds the strongest confirmed level.
///
/// `levels_db` rises; `is_copy` marks levels whose numbers are those of another sweep, which confirm nothing;
/// `compare` compares two levels by their indices, the weaker one first.
pub fn select(
    levels_db: &[f64],
    is_copy: &[bool],
    tolerances: &Tolerances,
    mut compare: impl FnMut(usize, usize) -> Comparison,
) -> Selection {
    let mut told_by = None;
    let mut contradicted = false;
    let partner = |i: usize| {
        let base = levels_db.get(i)?;
        // A part in 1e9 for the rounding of units such as Vpp.
        let least = base + tolerances.step.db() - STEP_SLACK_DB - 1e-9;
        levels_db.iter().skip(i + 1).position(|&db| db >= least).map(|offset| i + 1 + offset)
    };
    for i in (0..levels_db.len()).rev() {
        let Some(j) = partner(i) else { continue };
        let comparison = compare(i, j);
        let copied = comparison.identical || is_copy.get(j).copied().unwrap_or(false);
        if copied || !comparison.agrees(tolerances) {
            told_by = Some((i, j, comparison));
            continue;
        }
        let denied = (0..i).rev().find_map(|k| {
            let weaker = compare(k, i);
            (weaker.relation(tolerances) == Relation::Differs).then_some((k, i, weaker))
        });
        match denied {
            None => {
                return Selection {
                    confirmed: Some((i, j)),
                    told_by: Some((i, j, comparison)),
                    contradicted: false,
                };
            }
            Some(pair) => {
                told_by = Some(pair);
                contradicted = true;
            }
        }
    }
    Selection { confirmed: None, told_by, contradicted }
}
