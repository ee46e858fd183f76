//! Everything that is wrong with a file, each thing once.

use crate::diagnostic::{Diagnostic, Severity};
use std::cell::{Cell, RefCell};
use std::sync::Arc;

/// Findings shown of one file: more than anybody mends in one go, few enough to compare each with each.
const MOST: usize = 100;

/// Collects diagnostics.
#[derive(Debug, Default)]
pub(crate) struct Findings {
    list: RefCell<Vec<Diagnostic>>,
    dropped: Cell<usize>,
}

impl Findings {
    /// Starts with what was found before.
    pub(crate) fn from_earlier(list: Vec<Diagnostic>) -> Self {
        Self { list: RefCell::new(list), dropped: Cell::new(0) }
    }

    /// Notes a finding, unless the same was noted before: what several corners inherit is read more than once, under
    /// another key path each time.
    pub(crate) fn push(&self, diagnostic: Diagnostic) {
        let mut list = self.list.borrow_mut();
        let where_ = |d: &Diagnostic| d.place.as_ref().map(|p| (Arc::clone(&p.file), p.line, p.column));
        let known = list.iter().any(|d| {
            d.code == diagnostic.code && d.message == diagnostic.message && where_(d) == where_(&diagnostic)
        });
        if known {
            return;
        }
        if list.len() >= MOST {
            if diagnostic.severity == Severity::Error {
                self.dropped.set(self.dropped.get() + 1);
            }
            return;
        }
        list.push(diagnostic);
    }

    /// How many errors were noted.
    pub(crate) fn errors(&self) -> usize {
        let shown = self.list.borrow().iter().filter(|d| d.severity == Severity::Error).count();
        shown + self.dropped.get()
    }

    /// Whether an error was noted.
    pub(crate) fn has_errors(&self) -> bool {
        self.errors() > 0
    }

    /// All findings by their place, those in `top` before those in other files.
    pub(crate) fn into_sorted(self, top: &Arc<str>) -> Vec<Diagnostic> {
        let mut list = self.list.into_inner();
        list.sort_by(|a, b| {
            let key = |d: &Diagnostic| {
                d.place.as_ref().map(|p| (p.file != *top, Arc::clone(&p.file), p.line, p.column))
            };
            key(a).cmp(&key(b))
        });
        let dropped = self.dropped.get();
        if dropped > 0 {
            let message = format!("{dropped} more errors are not shown");
            list.push(Diagnostic::error("more-errors", message).in_file(top));
        }
        list
    }

    /// The value with the warnings, or all findings when one of them is an error.
    pub(crate) fn into_result<T>(
        self,
        value: Option<T>,
        top: &Arc<str>,
    ) -> Result<(T, Vec<Diagnostic>), Vec<Diagnostic>> {
        let failed = self.has_errors();
        let mut list = self.into_sorted(top);
        match value {
            Some(value) if !failed => Ok((value, list)),
            _ => {
                if !failed {
                    list.push(Diagnostic::error("unreadable", "the file could not be read").in_file(top));
                }
                Err(list)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_is_said_once_and_a_flood_is_cut() {
        let top: Arc<str> = Arc::from("f");
        let findings = Findings::default();
        findings.push(Diagnostic::error("a", "x").in_file(&top));
        findings.push(Diagnostic::error("a", "x").in_file(&top));
        for i in 0..150 {
            findings.push(Diagnostic::error("a", format!("{i}")).in_file(&top));
        }
        let list = findings.into_sorted(&top);
        assert_eq!(list.len(), MOST + 1);
        assert!(list.last().unwrap().message.starts_with("51 more"));
    }
}
