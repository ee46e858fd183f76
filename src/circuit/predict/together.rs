//! All corners together.

use super::deciding::deciding;
use super::draws::Units;
use super::nearness::urgency;
use super::outcome::{CornerOutcome, Part, Prediction};

/// A corner, and whether each unit fails there.
#[derive(Debug, Clone)]
pub struct Judged {
    /// What all units show.
    pub outcome: CornerOutcome,
    /// For each unit.
    pub failing: Vec<bool>,
}

/// Positions of the corners, the most urgent first.
#[must_use]
pub fn by_urgency<'a>(corners: impl IntoIterator<Item = &'a CornerOutcome>) -> Vec<usize> {
    let keys: Vec<_> = corners.into_iter().map(urgency).collect();
    let mut order: Vec<usize> = (0..keys.len()).collect();
    let key = |at: &usize| keys.get(*at).copied();
    order.sort_by(|a, b| match (key(a), key(b)) {
        (Some(a), Some(b)) => (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)),
        _ => std::cmp::Ordering::Equal,
    });
    order
}

impl Prediction {
    /// Puts corners together, in the spec's order; `units` are those that were drawn at each of them.
    #[must_use]
    pub fn of(title: &str, parts: Vec<Part>, units: &Units, corners: Vec<Judged>) -> Self {
        let (corners, failing): (Vec<CornerOutcome>, Vec<Vec<bool>>) =
            corners.into_iter().map(|judged| (judged.outcome, judged.failing)).unzip();
        let limited = corners.iter().any(|corner| !corner.checks.is_empty());
        let decides = limited && !units.is_empty() && corners.len() > 1;
        let deciding = decides.then(|| deciding(&failing, &by_urgency(&corners)));
        let fails = |unit: usize| failing.iter().any(|own| own.get(unit) == Some(&true));
        let failing_anywhere = (0..units.len()).filter(|unit| fails(*unit)).count();
        Self {
            title: title.to_owned(),
            parts,
            units: units.len(),
            corners,
            failing: failing_anywhere,
            deciding,
        }
    }
}
