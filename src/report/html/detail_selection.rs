//! Which details are worth making: those that may be among the worst that a page has room for, and those that may be the worst of
//! their corner. Shared by the threads that make pieces and the writer that decides.
//!
//! **Why does a plan go with the pieces of a page?** Which corners are the worst is known at the end only, and the details of sixty
//! thousand corners are a gigabyte. So the writer, in the order of the runs, keeps as many of the worst so far as there is room for, and
//! workers make what would be among them. A bar only moves towards what is worse: whatever a worker left out, the writer would have
//! too, so that the page does not hang on the threads.

use crate::check::Verdict;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, PoisonError};

/// How much of a corner is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Detail {
    /// Its place in the matrix, and a line where it is not pass.
    Nothing,
    /// The detail without plots.
    Text,
    /// The detail with plots.
    Plots,
}

/// What is wanted of a corner.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    /// Its detail.
    pub(super) detail: Detail,
    /// Whether it may be the one nearest to a limit among all units, whose curve is drawn beside those of the other corners.
    pub(super) may_be_worst: bool,
}

/// Which of two corners comes first: the worse verdict, then the less headroom, thousandths.
pub(super) type Rank = (usize, i32);

/// The rank of a corner; one without headroom comes after its like.
pub(super) fn rank(verdict: Verdict, headroom: Option<i32>) -> Rank {
    let place = Verdict::ALL.iter().position(|own| *own == verdict);
    (place.unwrap_or(Verdict::ALL.len()), headroom.unwrap_or(i32::MAX))
}

/// The worst entries that so many bytes hold, by rank, then in the order in which they were offered.
#[derive(Debug)]
pub(super) struct Best {
    room: u64,
    spent: u64,
    /// Rank and number of an entry, its size.
    entries: BTreeMap<(Rank, usize), u64>,
    /// What ranks here or behind has no room.
    bar: Option<Rank>,
}

impl Best {
    pub(super) const fn new(room: u64) -> Self {
        Self { room, spent: 0, entries: BTreeMap::new(), bar: None }
    }

    /// Whether an entry that comes after all those before has room as far as is known.
    pub(super) fn has_room(&self, rank: Rank) -> bool {
        self.bar.is_none_or(|bar| rank < bar)
    }

    /// Takes an entry; those at the end that it leaves no room go. Its number is larger than those before.
    pub(super) fn offer(&mut self, rank: Rank, number: usize, size: u64) {
        if !self.has_room(rank) {
            return;
        }
        self.entries.insert((rank, number), size);
        self.spent += size;
        while self.spent > self.room
            && let Some(((rank, _), size)) = self.entries.pop_last()
        {
            self.spent -= size;
            self.bar = Some(rank);
        }
    }

    /// Bytes of the entries.
    pub(super) const fn spent(&self) -> u64 {
        self.spent
    }

    /// The numbers of the entries, the worst first.
    pub(super) fn numbers(&self) -> impl Iterator<Item = usize> {
        self.entries.keys().map(|(_, number)| *number)
    }
}

/// The state that threads and writer share. What is made beyond what is needed hangs on the threads; what is written does not.
#[derive(Debug, Default)]
pub struct HtmlPlan {
    /// Behind these no detail with plots is wanted, and none at all.
    bars: Mutex<[Option<Rank>; 2]>,
    /// Smallest headroom met so far, thousandths: by product, then corner.
    worst: Mutex<HashMap<String, HashMap<String, i32>>>,
}

impl HtmlPlan {
    /// A plan that wants everything.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// What is wanted of a corner that came to `verdict` with this headroom, thousandths.
    pub(super) fn wants(
        &self,
        product: &str,
        corner: &str,
        verdict: Verdict,
        headroom: Option<i32>,
    ) -> Wanted {
        let may_be_worst = headroom.is_some_and(|room| self.may_be_worst(product, corner, room));
        Wanted { detail: self.detail(verdict, headroom, may_be_worst), may_be_worst }
    }

    fn detail(&self, verdict: Verdict, headroom: Option<i32>, is_candidate: bool) -> Detail {
        let [plots, text] = *self.bars.lock().unwrap_or_else(PoisonError::into_inner);
        let rank = rank(verdict, headroom);
        let is_before = |bar: Option<Rank>| bar.is_none_or(|bar| rank < bar);
        if is_candidate || is_before(plots) {
            Detail::Plots
        } else if verdict != Verdict::Pass && is_before(text) {
            Detail::Text
        } else {
            Detail::Nothing
        }
    }

    fn may_be_worst(&self, product: &str, corner: &str, room: i32) -> bool {
        let mut worst = self.worst.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = worst.get_mut(product).and_then(|corners| corners.get_mut(corner)) {
            let is_candidate = room <= *known;
            *known = room.min(*known);
            return is_candidate;
        }
        worst.entry(product.to_owned()).or_default().insert(corner.to_owned(), room);
        true
    }

    /// From now on plots are wanted only of what comes before the one, details of what is not pass before the other.
    pub(super) fn raise(&self, plots: &Best, text: &Best) {
        *self.bars.lock().unwrap_or_else(PoisonError::into_inner) = [plots.bar, text.bar];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_may_be_among_the_worst_is_made() {
        let plan = HtmlPlan::new();
        let wants = |verdict, room| plan.wants("p", "c", verdict, room).detail;
        assert_eq!(wants(Verdict::Pass, Some(50)), Detail::Plots);
        let (mut plots, mut text) = (Best::new(30), Best::new(30));
        (0..4).for_each(|number| plots.offer(rank(Verdict::Fail, Some(10)), number, 10));
        plan.raise(&plots, &text);
        assert_eq!(plots.numbers().collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(wants(Verdict::Pass, Some(51)), Detail::Nothing);
        // The nearest to a limit at its corner so far.
        assert_eq!(wants(Verdict::Pass, Some(50)), Detail::Plots);
        assert_eq!(wants(Verdict::Fail, Some(9)), Detail::Plots);
        assert_eq!(wants(Verdict::Fail, Some(10)), Detail::Text);
        assert_eq!(wants(Verdict::Invalid, None), Detail::Plots);
        text.offer(rank(Verdict::Fail, Some(5)), 0, 31);
        plan.raise(&plots, &text);
        assert_eq!(wants(Verdict::Fail, Some(10)), Detail::Nothing);
    }

    #[test]
    fn the_worst_are_kept_whatever_comes_first() {
        let rooms = [7, 3, 9, 1, 5, 8, 2];
        for turn in 0..rooms.len() {
            let mut best = Best::new(3);
            for k in 0..rooms.len() {
                let at = (k + turn) % rooms.len();
                // Numbers rise with the order.
                best.offer(rank(Verdict::Fail, Some(rooms[at])), k, 1);
            }
            let kept: Vec<i32> = best.numbers().map(|k| rooms[(k + turn) % rooms.len()]).collect();
            assert_eq!(kept, [1, 2, 3]);
        }
    }
}
