//! Where the values of each record go, looked up once a value: numbers of a history lie close together, so a list beats a map.

use std::collections::HashMap;
use std::num::NonZeroU32;

/// Where the values of a record go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    /// Into a group, from a station; `None`: not named.
    Group(usize, Option<NonZeroU32>),
    /// To a reference unit at a station; how many of its records are older.
    Reference(usize, usize),
}

/// Slots of the list per record, at most: beyond, records of other products stand between and a map takes less memory.
const MOST_SLOTS: usize = 16;

/// Places by number of the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Places {
    /// From the first number on.
    List(i64, Vec<Option<Place>>),
    /// Numbers far apart.
    Map(HashMap<i64, Place>),
}

impl Default for Places {
    fn default() -> Self {
        Self::Map(HashMap::new())
    }
}

impl Places {
    pub(super) fn of(all: Vec<(i64, Place)>) -> Self {
        let first = all.iter().map(|(record, _)| *record).min().unwrap_or(0);
        let last = all.iter().map(|(record, _)| *record).max().unwrap_or(0);
        let span = last.checked_sub(first).and_then(|span| usize::try_from(span).ok());
        let Some(span) = span.filter(|span| *span < all.len().saturating_mul(MOST_SLOTS)) else {
            return Self::Map(all.into_iter().collect());
        };
        let mut list = vec![None; span + 1];
        for (record, place) in all {
            let slot = usize::try_from(record - first).ok().and_then(|index| list.get_mut(index));
            if let Some(slot) = slot {
                *slot = Some(place);
            }
        }
        Self::List(first, list)
    }

    pub(super) fn get(&self, record: i64) -> Option<Place> {
        match self {
            Self::List(first, list) => {
                let index = usize::try_from(record.checked_sub(*first)?).ok()?;
                list.get(index).copied().flatten()
            }
            Self::Map(map) => map.get(&record).copied(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_and_a_map_tell_the_same() {
        for step in [1, 3, 1_000_000] {
            let all: Vec<(i64, Place)> =
                (0..50).map(|k| (7 + k * step, Place::Group(usize::try_from(k).unwrap(), None))).collect();
            let places = Places::of(all.clone());
            assert_eq!(matches!(places, Places::List(..)), step < 16);
            for (record, place) in all {
                assert_eq!(places.get(record), Some(place));
                assert_eq!(places.get(record - 1).is_some(), step == 1 && record > 7);
            }
            assert_eq!((places.get(i64::MIN), places.get(i64::MAX)), (None, None));
        }
        assert_eq!(Places::of(Vec::new()).get(0), None);
        let far = [(i64::MIN, Place::Group(0, None)), (i64::MAX, Place::Reference(1, 2))];
        assert_eq!(Places::of(far.to_vec()).get(i64::MAX), Some(Place::Reference(1, 2)));
    }
}
