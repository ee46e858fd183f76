//! Which details are worth making: all of them while there are few, later those that are not pass and those that may be the worst
//! of their corner. Shared by the threads that make pieces and the writer that decides.
//!
//! **Why does a plan go with the pieces of a page?** Which corner is the worst is known at the end only, and the
//! details of sixty thousand corners are a gigabyte. So workers make the details of what is not pass and of what is
//! the worst so far; the writer picks in the order of the runs, so that the page does not hang on the threads.

use crate::check::Verdict;
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};

/// How much of a corner is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Detail {
    /// Its place in the matrix alone.
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

/// The state that threads and writer share. What is made beyond what is needed hangs on the threads; what is written does not.
#[derive(Debug)]
pub struct HtmlPlan {
    all: AtomicBool,
    plots: AtomicBool,
    text: AtomicBool,
    /// Smallest headroom met so far, thousandths: by product, then corner.
    worst: Mutex<HashMap<String, HashMap<String, i32>>>,
}

impl Default for HtmlPlan {
    fn default() -> Self {
        Self {
            all: AtomicBool::new(true),
            plots: AtomicBool::new(true),
            text: AtomicBool::new(true),
            worst: Mutex::default(),
        }
    }
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
        Wanted { detail: self.detail(verdict, may_be_worst), may_be_worst }
    }

    fn detail(&self, verdict: Verdict, is_candidate: bool) -> Detail {
        let has = |flag: &AtomicBool| flag.load(Ordering::Relaxed);
        if has(&self.all) || is_candidate {
            return Detail::Plots;
        }
        match (verdict == Verdict::Pass, has(&self.plots), has(&self.text)) {
            (true, ..) | (false, false, false) => Detail::Nothing,
            (false, true, _) => Detail::Plots,
            (false, false, true) => Detail::Text,
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

    /// From now on only what is not pass and what may be the worst.
    pub(super) fn stop_all(&self) {
        self.all.store(false, Ordering::Relaxed);
    }

    /// From now on no plots but of the worst.
    pub(super) fn stop_plots(&self) {
        self.plots.store(false, Ordering::Relaxed);
    }

    /// From now on no details but of the worst.
    pub(super) fn stop_text(&self) {
        self.text.store(false, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_only_what_is_not_pass_or_worst_is_made() {
        let plan = HtmlPlan::new();
        let wants = |verdict, room| plan.wants("p", "c", verdict, room).detail;
        assert_eq!(wants(Verdict::Pass, Some(50)), Detail::Plots);
        plan.stop_all();
        assert_eq!(wants(Verdict::Pass, Some(51)), Detail::Nothing);
        assert_eq!(wants(Verdict::Pass, Some(50)), Detail::Plots);
        assert_eq!(wants(Verdict::Pass, Some(20)), Detail::Plots);
        assert_eq!(wants(Verdict::Pass, Some(30)), Detail::Nothing);
        assert_eq!(wants(Verdict::Invalid, None), Detail::Plots);
        plan.stop_plots();
        assert_eq!(wants(Verdict::Invalid, None), Detail::Text);
        plan.stop_text();
        assert_eq!(wants(Verdict::Invalid, None), Detail::Nothing);
        assert_eq!(wants(Verdict::Fail, Some(-3)), Detail::Plots);
    }
}
