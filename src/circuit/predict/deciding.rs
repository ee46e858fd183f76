//! Corners that decide: the smallest set whose passing makes the others nearly certain.

use super::outcome::Deciding;

/// Most units, as a share of all, that may pass at the deciding corners and fail at another one.
pub const LEFT: f64 = 0.01;

/// Chooses corners one by one, each time the one that leaves the fewest units which pass at all chosen corners and fail elsewhere, until
/// at most [`LEFT`] of all units are left (a greedy cover: the smallest set but in contrived cases). At least one corner is chosen: the
/// one where most units fail, or the first of `nearest` to its limits where none does.
///
/// `failing`: for each corner whether each unit fails there; `nearest`: corners by how near they are to failing.
#[must_use]
pub fn deciding(failing: &[Vec<bool>], nearest: &[usize]) -> Deciding {
    let units = failing.first().map_or(0, Vec::len);
    let fails = |corner: usize, unit: usize| {
        failing.get(corner).and_then(|own| own.get(unit)).copied().unwrap_or(false)
    };
    let mut open: Vec<usize> =
        (0..units).filter(|unit| (0..failing.len()).any(|corner| fails(corner, *unit))).collect();
    let mut chosen = Vec::new();
    while chosen.is_empty() || open.len() as f64 > LEFT * units as f64 {
        // The first of equals is the nearest to its limits.
        let gain = |corner: usize| open.iter().filter(|unit| fails(corner, **unit)).count();
        let rest = nearest.iter().copied().filter(|corner| !chosen.contains(corner)).rev();
        let Some(best) = rest.max_by_key(|corner| gain(*corner)) else { break };
        chosen.push(best);
        open.retain(|unit| !fails(best, *unit));
    }
    Deciding { corners: chosen, left: open.len() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A corner at which the units of these numbers fail, of a hundred.
    fn corner(units: &[usize]) -> Vec<bool> {
        (0..100).map(|unit| units.contains(&unit)).collect()
    }

    #[test]
    fn a_corner_that_fails_with_another_one_decides_nothing() {
        let failing = [corner(&[1, 2]), corner(&[1, 2, 3, 4]), corner(&[])];
        let found = deciding(&failing, &[0, 1, 2]);
        assert_eq!(found, Deciding { corners: vec![1], left: 0 });
    }

    #[test]
    fn corners_are_added_until_a_hundredth_is_left() {
        let failing = [corner(&[1, 2, 3]), corner(&[4, 5]), corner(&[6])];
        assert_eq!(deciding(&failing, &[0, 1, 2]), Deciding { corners: vec![0, 1], left: 1 });
    }

    #[test]
    fn where_nothing_fails_the_nearest_to_its_limits_decides() {
        let failing = [corner(&[]), corner(&[]), corner(&[])];
        assert_eq!(deciding(&failing, &[2, 0, 1]), Deciding { corners: vec![2], left: 0 });
        assert_eq!(deciding(&[], &[]), Deciding::default());
    }
}
