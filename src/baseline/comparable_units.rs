//! Which accepted units a corner is compared with.
//!
//! **Why is a unit compared with itself first?** What units differ by is no change. Only where it was never accepted
//! is the product's mean the next best.

use super::{Accepted, AcceptedCorner, AcceptedUnit};
use crate::quantity::{Condition, ConditionValue};
use crate::spec::{Corner, CriticalPoint, Spec};

/// What a corner is compared with.
#[derive(Debug, Clone, PartialEq)]
pub enum Reference<'a> {
    /// The unit's own accepted result.
    Itself(&'a AcceptedUnit, &'a AcceptedCorner),
    /// Other accepted units of the product, at least one.
    Others(Vec<(&'a AcceptedUnit, &'a AcceptedCorner)>),
}

impl<'a> Reference<'a> {
    /// The units.
    #[must_use]
    pub fn units(&self) -> Vec<(&'a AcceptedUnit, &'a AcceptedCorner)> {
        match self {
            Self::Itself(unit, corner) => vec![(*unit, *corner)],
            Self::Others(units) => units.clone(),
        }
    }
}

/// Whether there is something to compare with.
#[derive(Debug, Clone, PartialEq)]
pub enum Choice<'a> {
    /// There is.
    Found(Reference<'a>),
    /// Nothing was accepted for the corner.
    Missing,
    /// What was accepted holds for something else: what differs.
    Differs(String),
}

/// Chooses what a corner of a unit is compared with: the unit itself where it was accepted, else the other units of the product.
#[must_use]
pub fn choose<'a>(accepted: &'a Accepted, serial: &str, spec: &Spec, corner: &Corner) -> Choice<'a> {
    let with_corner = |unit: &'a AcceptedUnit| {
        let found = unit.corners.iter().find(|accepted| accepted.name == corner.name)?;
        Some((unit, found))
    };
    let found: Vec<_> = accepted.units.iter().filter_map(with_corner).collect();
    let differs =
        |(unit, accepted): (&AcceptedUnit, &AcceptedCorner)| difference(unit, accepted, spec, corner);
    if let Some(own) = found.iter().find(|(unit, _)| unit.serial == serial) {
        return match differs(*own) {
            None => Choice::Found(Reference::Itself(own.0, own.1)),
            Some(text) => Choice::Differs(text),
        };
    }
    let comparable: Vec<_> = found.iter().copied().filter(|own| differs(*own).is_none()).collect();
    match found.first() {
        None => Choice::Missing,
        Some(first) if comparable.is_empty() => Choice::Differs(differs(*first).unwrap_or_default()),
        Some(_) => Choice::Found(Reference::Others(comparable)),
    }
}

/// Slack of numbers that went through text.
const SLACK: f64 = 1e-9;

fn is_near(a: f64, b: f64) -> bool {
    (a - b).abs() <= SLACK * a.abs().max(b.abs())
}

/// What keeps an accepted corner from being compared, in words; `None` when nothing does.
fn difference(
    unit: &AcceptedUnit,
    accepted: &AcceptedCorner,
    spec: &Spec,
    corner: &Corner,
) -> Option<String> {
    let differs = |what: &str, then: &str, now: &str| {
        Some(format!("the accepted result of {} has {what} {then}, the spec {now}", unit.serial))
    };
    if unit.product != spec.product {
        return differs("the product", &unit.product, &spec.product);
    }
    if unit.critical_point != spec.critical_point {
        let point = |point| if point == CriticalPoint::PlusOne { "+1" } else { "-1" };
        return differs("the critical point", point(unit.critical_point), point(spec.critical_point));
    }
    if unit.open_loop_poles != spec.open_loop_poles {
        let [then, now] = [unit.open_loop_poles, spec.open_loop_poles].map(|poles| poles.to_string());
        return differs("open_loop_poles", &then, &now);
    }
    if !same_conditions(&accepted.conditions, &corner.conditions) {
        let then = list(accepted.conditions.iter().map(|(name, text)| (name.as_str(), text.as_str())));
        let now = list(corner.conditions.iter().map(|(name, condition)| (name.as_str(), condition.text())));
        return differs("the conditions", &then, &now);
    }
    let band = corner.band.map(|band| [band.from.hz(), band.to.hz()]);
    let same = match (accepted.band_hz, band) {
        (None, None) => true,
        (Some([a, b]), Some([c, d])) => is_near(a, c) && is_near(b, d),
        _ => false,
    };
    if same {
        return None;
    }
    let text = |band: Option<[f64; 2]>| match band {
        None => "of the whole sweep".to_owned(),
        Some([from, to]) => {
            let [from, to] = [from, to].map(|hz| crate::quantity::with_unit(hz, "Hz"));
            format!("{from} to {to}")
        }
    };
    differs("the band", &text(accepted.band_hz), &text(band))
}

fn list<'a>(pairs: impl Iterator<Item = (&'a str, &'a str)>) -> String {
    let pairs: Vec<String> = pairs.map(|(name, text)| format!("{name} {text}")).collect();
    if pairs.is_empty() { "none".to_owned() } else { pairs.join(", ") }
}

/// Whether conditions mean the same, in any order and however they are written.
fn same_conditions(accepted: &[(String, String)], corner: &[(String, Condition)]) -> bool {
    let same = |name: &str, condition: &Condition| {
        let then = accepted.iter().find(|(own, _)| own == name);
        let Some(then) = then.and_then(|(_, text)| Condition::parse(text).ok()) else { return false };
        match (then.value(), condition.value()) {
            (ConditionValue::Word, ConditionValue::Word) => then.text() == condition.text(),
            (
                ConditionValue::Quantity { value: a, unit: u },
                ConditionValue::Quantity { value: b, unit: v },
            ) => u == v && is_near(a, b),
            _ => false,
        }
    };
    accepted.len() == corner.len() && corner.iter().all(|(name, condition)| same(name, condition))
}
