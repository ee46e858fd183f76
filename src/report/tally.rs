//! What a whole result comes to: counts of every verdict, the worst, and boards that carry several products.

use super::condition_steps::ConditionSteps;
use super::corner_table::CornerTable;
use super::counts::Counts;
use crate::check::{NO_BASELINE, RunOutcome, Verdict};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A serial number that stands for several products: one board with several rails.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board<'a> {
    /// Serial number.
    pub serial: &'a str,
    /// Worst verdict over its products.
    pub verdict: Verdict,
    /// Its products, sorted.
    pub products: Vec<&'a str>,
}

/// The sum over all runs. Its memory grows with the number of serial numbers and of corners alone.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Runs judged.
    pub runs: Counts,
    /// Corners of them.
    pub corners: Counts,
    /// Checks of them.
    pub checks: Counts,
    /// Runs that could not be read.
    pub unreadable: u64,
    verdict: Option<Verdict>,
    boards: BTreeMap<String, (Verdict, Vec<Arc<str>>)>,
    products: BTreeMap<Arc<str>, Arc<str>>,
    /// Comparisons that were not judged because no baseline was given.
    pub(super) without_baseline: u64,
    pub(super) table: CornerTable,
    pub(super) steps: ConditionSteps,
}

impl Tally {
    /// An empty tally.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Counts a judged run.
    pub fn add(&mut self, run: &RunOutcome) {
        let corners = Counts::of(run.corners.iter().map(|corner| corner.verdict));
        let checks = run.corners.iter().flat_map(|corner| &corner.checks);
        self.without_baseline += checks.clone().filter(|check| check.message == NO_BASELINE).count() as u64;
        let checks = Counts::of(checks.map(|check| check.verdict));
        self.table.add(run);
        self.steps.add(run);
        self.add_counted(&run.product, &run.serial, run.verdict, &corners, &checks);
    }

    /// Counts a judged run whose corners and checks are counted already.
    pub(super) fn add_counted(
        &mut self,
        product: &str,
        serial: &str,
        of_run: Verdict,
        corners: &Counts,
        checks: &Counts,
    ) {
        self.runs.add(of_run);
        self.verdict = Verdict::worst(self.verdict.into_iter().chain([of_run]));
        self.corners.add_all(corners);
        self.checks.add_all(checks);
        let product = self.product(product);
        let (verdict, products) =
            self.boards.entry(serial.to_owned()).or_insert_with(|| (of_run, Vec::new()));
        *verdict = Verdict::worst([*verdict, of_run]).unwrap_or(*verdict);
        if let Err(at) = products.binary_search(&product) {
            products.insert(at, product);
        }
    }

    /// Counts a run that could not be read.
    pub fn add_unreadable(&mut self) {
        self.unreadable += 1;
    }

    /// Worst verdict of the runs judged; `None` when there is none.
    #[must_use]
    pub const fn verdict(&self) -> Option<Verdict> {
        self.verdict
    }

    /// Serial numbers that stand for more than one product, sorted.
    pub fn boards(&self) -> impl Iterator<Item = Board<'_>> {
        self.boards.iter().filter(|(_, (_, products))| products.len() > 1).map(
            |(serial, (verdict, products))| Board {
                serial,
                verdict: *verdict,
                products: products.iter().map(AsRef::as_ref).collect(),
            },
        )
    }

    /// Each product's name is kept once.
    fn product(&mut self, name: &str) -> Arc<str> {
        if let Some(known) = self.products.get(name) {
            return Arc::clone(known);
        }
        let new: Arc<str> = Arc::from(name);
        self.products.insert(Arc::clone(&new), Arc::clone(&new));
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn counts_everything_and_finds_boards() {
        let mut tally = Tally::new();
        assert_eq!(tally.verdict(), None);
        let mut pass = sample::run();
        pass.verdict = Verdict::Pass;
        pass.corners.retain(|corner| corner.verdict == Verdict::Pass);
        tally.add(&pass);
        let mut other = sample::run();
        other.product = "river-gauge-3v3".to_owned();
        tally.add(&other);
        tally.add_unreadable();
        assert_eq!(tally.verdict(), Some(other.verdict));
        assert_eq!(tally.runs.total(), 2);
        assert_eq!(tally.corners.total() as usize, pass.corners.len() + other.corners.len());
        let boards: Vec<Board<'_>> = tally.boards().collect();
        assert_eq!(boards.len(), 1);
        assert_eq!(boards[0].products, ["river-gauge-3v3", "river-gauge-5v"]);
        assert_eq!(boards[0].verdict, other.verdict);
    }
}
