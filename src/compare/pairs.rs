//! Which unit of one side belongs to which of the other: that of the same serial; where each side has one more, that one.

use super::taken::{Alone, OneSide, Taken};

pub(super) fn pairs<'a>(a: &'a [Taken], b: &'a [Taken]) -> (Vec<(&'a Taken, &'a Taken)>, Vec<Alone>) {
    let same = |one: &Taken, side: &'a [Taken]| side.iter().find(|own| own.unit.serial == one.unit.serial);
    let mut pairs: Vec<(&Taken, &Taken)> = a.iter().filter_map(|one| Some((one, same(one, b)?))).collect();
    let rest = |side: &'a [Taken], other: &'a [Taken]| -> Vec<&'a Taken> {
        side.iter().filter(|one| same(one, other).is_none()).collect()
    };
    let (more_a, more_b) = (rest(a, b), rest(b, a));
    // One unit on each side: nothing else can be meant.
    if let ([one], [other]) = (more_a.as_slice(), more_b.as_slice()) {
        pairs.push((one, other));
        return (pairs, Vec::new());
    }
    let alone = |side: OneSide, other: &str, list: Vec<&Taken>| -> Vec<Alone> {
        let why = |one: &Taken| format!("{other} has no run of {}", one.unit.serial);
        list.into_iter()
            .map(|one| Alone { side, run: one.run.clone(), corner: None, why: why(one) })
            .collect()
    };
    let mut all = alone(OneSide::A, "B", more_a);
    all.extend(alone(OneSide::B, "A", more_b));
    (pairs, all)
}

/// A corner of one run that gave no values in the other.
pub(super) fn corner_alone(side: OneSide, one: &Taken, other: &Taken, corner: &str) -> Alone {
    let why = other.without.iter().find(|(name, _)| name == corner).map(|(_, why)| why.as_str());
    let why = format!("{}: {}", other.run, why.unwrap_or("its spec has no such corner"));
    Alone { side, run: one.run.clone(), corner: Some(corner.to_owned()), why }
}
