//! A pile of entries that keeps the worst ones and counts all.

use std::collections::BTreeMap;

/// How bad an entry is: smaller is worse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Rank {
    kind: u8,
    degree: u64,
}

impl Rank {
    /// `kind` first, smaller is worse; then `degree` (finite, not negative; `None` counts least), larger is worse.
    #[must_use]
    pub(crate) fn new(kind: u8, degree: Option<f64>) -> Self {
        // The bits of numbers that are not negative are in the order of the numbers (IEEE 754-2019, 3.4); those of finite
        // ones leave room for `None` behind 0.
        let larger_first = |degree: f64| u64::MAX - 1 - degree.to_bits();
        let degree = degree.filter(|degree| *degree >= 0.0).map_or(u64::MAX, larger_first);
        Self { kind, degree }
    }
}

/// Keeps the worst entries, equal ones in the order they came, up to a number of bytes.
#[derive(Debug)]
pub(crate) struct Shelf {
    most: usize,
    bytes: usize,
    entries: BTreeMap<(Rank, u64), String>,
    all: u64,
    /// What is no worse than this was dropped: nothing of that kind may come in later and stand in its place.
    cut: Option<(Rank, u64)>,
}

/// What of a shelf is shown.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Shown {
    /// The entries, worst first.
    pub text: String,
    /// How many they are.
    pub shown: u64,
    /// How many there were.
    pub all: u64,
}

impl Shelf {
    /// An empty one that keeps at most `most` bytes.
    #[must_use]
    pub(crate) const fn new(most: usize) -> Self {
        Self { most, bytes: 0, entries: BTreeMap::new(), all: 0, cut: None }
    }

    /// Puts an entry in.
    pub(crate) fn add(&mut self, rank: Rank, text: String) {
        let key = (rank, self.all);
        self.all += 1;
        if self.cut.is_some_and(|cut| key > cut) {
            return;
        }
        self.bytes += text.len();
        self.entries.insert(key, text);
        while self.bytes > self.most
            && let Some((key, text)) = self.entries.pop_last()
        {
            self.bytes -= text.len();
            self.cut = Some(key);
        }
    }

    /// Bytes of what is kept.
    #[must_use]
    pub(crate) const fn bytes(&self) -> usize {
        self.bytes
    }

    /// The worst entries that fit into `room` bytes.
    #[must_use]
    pub(crate) fn take(self, room: usize) -> Shown {
        let mut taken = Shown { text: String::new(), shown: 0, all: self.all };
        for text in self.entries.into_values() {
            if taken.text.len() + text.len() > room {
                break;
            }
            taken.text.push_str(&text);
            taken.shown += 1;
        }
        taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worst_stay_in_whatever_order_they_come() {
        let entries = [(1, Some(0.5)), (0, None), (1, Some(2.0)), (2, None), (0, Some(0.0)), (1, None)];
        for turn in 0..entries.len() {
            let mut shelf = Shelf::new(3);
            for (kind, degree) in entries.iter().cycle().skip(turn).take(entries.len()) {
                let name = match (kind, degree) {
                    (0, Some(_)) => "a",
                    (0, None) => "b",
                    (1, Some(degree)) if *degree > 1.0 => "c",
                    _ => "x",
                };
                shelf.add(Rank::new(*kind, *degree), name.to_owned());
            }
            assert_eq!(shelf.take(10), Shown { text: "abc".to_owned(), shown: 3, all: 6 });
        }
    }

    #[test]
    fn nothing_stands_in_the_place_of_something_worse_that_was_too_long() {
        let mut shelf = Shelf::new(4);
        shelf.add(Rank::new(0, None), "aa".to_owned());
        shelf.add(Rank::new(1, None), "long".to_owned());
        shelf.add(Rank::new(2, None), "b".to_owned());
        assert_eq!(shelf.take(10), Shown { text: "aa".to_owned(), shown: 1, all: 3 });
    }
}
