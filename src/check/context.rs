//! What a corner is judged with.

use crate::baseline::Accepted;
use crate::spec::{Corner, Spec};
use std::collections::HashSet;

/// What a corner is judged with.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Context<'a> {
    /// The spec.
    pub spec: &'a Spec,
    /// The corner of it.
    pub corner: &'a Corner,
    /// Today, UTC: waivers end.
    pub today: time::Date,
    /// Fingerprints of sweeps whose numbers stand in more than one corner of the run.
    pub shared: &'a HashSet<u64>,
    /// Serial number of the unit.
    pub serial: &'a str,
    /// Station of the run.
    pub station: Option<&'a str>,
    /// The accepted units of the product; `None` without a baseline.
    pub baseline: Option<&'a Accepted>,
    /// Whether to keep what accepting the corner would store.
    pub keep: bool,
    /// Whether plots are wanted.
    pub plots: bool,
    /// Listed files of the corner that are not there yet.
    pub absent: &'a [String],
}
