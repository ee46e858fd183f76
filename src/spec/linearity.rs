//! `linearity`: how far sweeps at two levels must agree, or why that is not asked for.

use super::labels::reason;
use super::plausible::{CHANGE, GAIN_CHANGE, MULTIPLE, PHASE_CHANGE, STEP};
use super::{Linearity, Tolerances};
use crate::quantity::{Decibel, Degrees, Ratio};
use crate::yaml::{Sign, Value};

/// A step that shows compression clearly without leaving small-signal levels; common practice, no source.
const DEFAULT_STEP: f64 = 3.0;
/// The frequencies that shape the crossover: a decade to each side; common practice, no source.
const DEFAULT_BAND: (f64, f64) = (0.1, 10.0);

/// Reads `linearity`; in a part tolerances may be missing.
pub(super) fn read(value: &Value<'_>, whole: bool) -> Option<Linearity> {
    let fields = value.fields("a map such as `{crossover: 2 %, phase_margin: 2 deg}`")?;
    if let Some(waived) = fields.get("waived") {
        for key in ["step", "crossover", "phase_margin", "gain", "phase", "band"] {
            if let Some(value) = fields.get(key) {
                value.error(
                    "waived-and-tolerance",
                    format!("`waived` and `{key}` exclude each other"),
                    "keep one of the two",
                );
            }
        }
        fields.finish();
        let example = "waived: \"one level for lack of time\"";
        return reason(&waived, "why linearity is not shown", example).map(Linearity::Waived);
    }
    let step = fields.get("step").map(|value| value.quantity_in::<Decibel>(Sign::Positive, &STEP));
    let tolerances = Tolerances {
        step: step.unwrap_or_else(|| Decibel::new(DEFAULT_STEP)).unwrap_or(Decibel::ZERO),
        crossover: fields
            .get("crossover")
            .and_then(|value| value.quantity_in::<Ratio>(Sign::Positive, &CHANGE)),
        phase_margin: fields
            .get("phase_margin")
            .and_then(|value| value.quantity_in::<Degrees>(Sign::Positive, &PHASE_CHANGE)),
        gain: fields.get("gain").and_then(|value| value.quantity_in::<Decibel>(Sign::Positive, &GAIN_CHANGE)),
        phase: fields
            .get("phase")
            .and_then(|value| value.quantity_in::<Degrees>(Sign::Positive, &PHASE_CHANGE)),
        band: fields.get("band").and_then(|value| band(&value)).unwrap_or(DEFAULT_BAND),
    };
    fields.finish();
    let any = ["crossover", "phase_margin", "gain", "phase"].iter().any(|key| fields.has(key));
    if whole && !any {
        let help = "add for example `crossover: 2 %` and `phase_margin: 2 deg`, or write `linearity: {waived: \"reason\"}`";
        value.error("missing-tolerance", "no tolerance is given, so two levels could never disagree", help);
        return None;
    }
    Some(Linearity::Required(tolerances))
}

fn band(value: &Value<'_>) -> Option<(f64, f64)> {
    let wanted = "a list of two rising factors such as `[0.1, 10]`";
    let items: Vec<_> = value.items(wanted)?.collect();
    let numbers: Vec<_> = items.iter().map(|item| item.number_in(Sign::Positive, "0.1", &MULTIPLE)).collect();
    match numbers.as_slice() {
        [Some(low), Some(high)] if low < high => Some((*low, *high)),
        [Some(_), Some(_)] => {
            value.error(
                "from-not-below-to",
                "the first factor is not below the second",
                format!("write {wanted}"),
            );
            None
        }
        [_, _] => None,
        other => {
            value.error(
                "wrong-shape",
                format!("the list has {} items, {wanted} is wanted", other.len()),
                format!("write {wanted}"),
            );
            None
        }
    }
}
