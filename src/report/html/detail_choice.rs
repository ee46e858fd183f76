//! Which of the details that were kept are shown, and which of them with plots: one budget of bytes for all.

use super::spool::Extent;
use crate::check::Verdict;
use std::collections::BTreeMap;

/// Share of the details that is for curves, while not all that is not pass has its tables: fifths.
const CURVES: u64 = 3;

/// Where a detail lies in the spool, and what decides whether it is shown.
#[derive(Debug, Clone, Copy)]
pub(super) struct Kept {
    pub(super) run: u32,
    pub(super) corner: u32,
    pub(super) verdict: Verdict,
    /// Head and tail; `None` where a line alone is kept.
    pub(super) text: Option<[Extent; 2]>,
    /// The plots; `None` where there is no room for them.
    pub(super) plots: Option<Extent>,
    pub(super) line: Option<Extent>,
}

impl Kept {
    /// Bytes without plots.
    pub(super) fn text_size(&self) -> u64 {
        self.text.iter().flatten().map(|part| part.length).sum()
    }

    /// Bytes with plots; `None` where they are not all there.
    pub(super) fn size(&self) -> Option<u64> {
        Some(self.text_size() + self.plots.filter(|_| self.text.is_some())?.length)
    }
}

/// A detail that is shown, with or without its plots.
pub(super) type Pick = (Kept, bool);

/// Chooses the details of a page.
pub(super) struct Choice<'a> {
    pub(super) kept: &'a [Kept],
    /// What is chosen, and whether with plots.
    pub(super) picked: BTreeMap<usize, bool>,
    /// Bytes that are left.
    pub(super) room: u64,
}

impl Choice<'_> {
    /// The worst of each corner, in half of the room.
    pub(super) fn with_worst(&mut self, worst: impl Iterator<Item = usize>, room: u64) {
        let mut half = room / 2;
        self.room = room;
        for number in worst {
            let size = self.kept.get(number).and_then(Kept::size);
            if let Some((size, left)) = size.and_then(|size| Some((size, half.checked_sub(size)?))) {
                half = left;
                self.room -= size;
                self.picked.insert(number, true);
            }
        }
    }

    /// These with plots, as far as there is room; whether all of them had it.
    pub(super) fn with_plots(&mut self, numbers: impl Iterator<Item = usize>) -> bool {
        for number in numbers {
            let before = match self.picked.get(&number) {
                Some(true) => continue,
                Some(false) => self.kept.get(number).map_or(0, Kept::text_size),
                None => 0,
            };
            let size = self.kept.get(number).and_then(Kept::size);
            let Some(left) = size.and_then(|size| (self.room + before).checked_sub(size)) else {
                return false;
            };
            self.room = left;
            self.picked.insert(number, true);
        }
        true
    }

    /// What is not pass, the worst first: the first with plots, the next without; where all have room, more of them with plots. Where
    /// not all have room, so much is kept for `lines`, bytes.
    pub(super) fn with_bad(&mut self, numbers: &[usize], all: u64, lines: u64) {
        let kept_back = self.room - self.room * CURVES / 5;
        self.room -= kept_back;
        self.with_plots(numbers.iter().copied());
        self.room += kept_back;
        let size = |number: &usize| self.kept.get(*number).map_or(0, Kept::text_size);
        let rest: Vec<(usize, u64)> = numbers
            .iter()
            .filter(|number| !self.picked.contains_key(number))
            .map(|number| (*number, size(number)))
            .collect();
        let is_all =
            all <= numbers.len() as u64 && rest.iter().map(|(_, size)| size).sum::<u64>() <= self.room;
        if !is_all {
            self.room = self.room.saturating_sub(lines);
        }
        for (number, size) in rest {
            let Some(left) = self.room.checked_sub(size) else { return };
            self.room = left;
            self.picked.insert(number, false);
        }
        if !is_all {
            return;
        }
        self.with_plots(numbers.iter().copied());
    }
}
