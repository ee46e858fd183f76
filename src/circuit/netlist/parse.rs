//! The way in: text to a netlist.

use super::flat::Netlist;
use super::open::opened;
use super::read::{Includes, read};
use super::source::Sources;
use crate::diagnostic::Diagnostic;
use std::sync::Arc;

impl Netlist {
    /// Reads a netlist: its first line is its title. `None` when something is wrong; the diagnostics have all of it, and notes of
    /// what was skipped as warnings.
    ///
    /// `file` is the name that places show, and that `includes` is asked from.
    pub fn parse(file: &str, text: &str, includes: &mut dyn Includes) -> (Option<Self>, Vec<Diagnostic>) {
        let mut sources = Sources::default();
        let declared = read(file, text, includes, &mut sources);
        let flat = opened(&declared, &mut sources);
        let netlist = (!sources.has_errors()).then(|| Self { inner: Arc::new(flat) });
        (netlist, sources.into_findings())
    }
}
