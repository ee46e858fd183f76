//! How often each verdict was given.

use crate::check::Verdict;

/// How often each verdict was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    invalid: u64,
    missing: u64,
    fail: u64,
    undecided: u64,
    waived: u64,
    pass: u64,
    not_judged: u64,
}

impl Counts {
    /// Counts several verdicts.
    #[must_use]
    pub fn of(verdicts: impl IntoIterator<Item = Verdict>) -> Self {
        let mut counts = Self::default();
        verdicts.into_iter().for_each(|verdict| counts.add(verdict));
        counts
    }

    /// Counts one more.
    pub fn add(&mut self, verdict: Verdict) {
        self.add_many(verdict, 1);
    }

    fn add_many(&mut self, verdict: Verdict, count: u64) {
        match verdict {
            Verdict::Invalid => self.invalid += count,
            Verdict::Missing => self.missing += count,
            Verdict::Fail => self.fail += count,
            Verdict::Undecided => self.undecided += count,
            Verdict::Waived => self.waived += count,
            Verdict::Pass => self.pass += count,
            Verdict::NotJudged => self.not_judged += count,
        }
    }

    pub(super) fn add_all(&mut self, others: &Self) {
        Verdict::ALL.into_iter().for_each(|verdict| self.add_many(verdict, others.get(verdict)));
    }

    /// How often this verdict was given.
    #[must_use]
    pub const fn get(&self, verdict: Verdict) -> u64 {
        match verdict {
            Verdict::Invalid => self.invalid,
            Verdict::Missing => self.missing,
            Verdict::Fail => self.fail,
            Verdict::Undecided => self.undecided,
            Verdict::Waived => self.waived,
            Verdict::Pass => self.pass,
            Verdict::NotJudged => self.not_judged,
        }
    }

    /// The worst that was given.
    #[must_use]
    pub fn worst(&self) -> Option<Verdict> {
        Verdict::ALL.into_iter().find(|verdict| self.get(*verdict) > 0)
    }

    /// All of them.
    #[must_use]
    pub fn total(&self) -> u64 {
        Verdict::ALL.into_iter().map(|verdict| self.get(verdict)).sum()
    }
}
