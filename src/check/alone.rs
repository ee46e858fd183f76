//! One sweep by itself against a spec: what its limits would say. Two levels, conditions, waivers and the accepted units are left out.

use super::context::Context;
use super::corner::judge;
use super::outcome::CheckOutcome;
use super::{SweepInput, Workspace};
use crate::run::SweepEntry;
use crate::spec::{Corner, Linearity, Regression, Spec};
use crate::sweep::Samples;
use std::collections::HashSet;

/// `coverage`, `sanity` and the limits of a corner, as they would be for this sweep if a stronger one confirmed it.
#[must_use]
pub fn would_be(spec: &Spec, corner: &Corner, samples: &Samples) -> Vec<CheckOutcome> {
    let corner = Corner {
        linearity: Linearity::Waived("a single sweep".to_owned()),
        regression: Regression::default(),
        waivers: Vec::new(),
        ..corner.clone()
    };
    let entry = SweepEntry { files: vec!["the sweep".to_owned()], excitation: None, actual: Vec::new() };
    let input = SweepInput { entry: &entry, samples, fingerprint: samples.fingerprint(), disagreement: None };
    let context = Context {
        spec,
        corner: &corner,
        // No waiver is left that a day could end.
        today: time::Date::MIN,
        shared: &HashSet::new(),
        serial: "",
        station: None,
        baseline: None,
        keep: false,
        plots: false,
        absent: &[],
    };
    let outcome = judge(&context, &[input], &mut Workspace::default());
    let told = |check: &CheckOutcome| !matches!(check.check.as_str(), "collected" | "linearity");
    outcome.checks.into_iter().filter(told).collect()
}
