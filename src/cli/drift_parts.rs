//! What the records of a history say of the parts of their units, for the movements that `drift` found.

use crate::circuit::fit::Quadratic;
use crate::drift::{JointMovement, Kind, Population, ProductDrift, UnitParts, parts_moved};
use crate::history::{History, HistoryError, RecordId};
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};

/// Records of a side of a movement that are read, at most: their means are then known to a seventeenth of the scatter of units.
const MOST: usize = 300;

/// What of a recorded result is read.
#[derive(Deserialize)]
struct Recorded {
    circuit: Option<RecordedCircuit>,
}

#[derive(Deserialize)]
struct RecordedCircuit {
    parts: Vec<RecordedPart>,
    information: Option<RecordedInformation>,
    #[serde(default)]
    sensitivity: BTreeMap<String, BTreeMap<String, BTreeMap<String, f64>>>,
}

#[derive(Deserialize)]
struct RecordedPart {
    part: String,
}

#[derive(Deserialize)]
struct RecordedInformation {
    scales: Vec<f64>,
    precision: Vec<f64>,
    pull: Vec<f64>,
}

/// Adds to each movement of a product which part of the circuit it comes from, where its records say something of parts. `records` are
/// those of the product, oldest first.
///
/// # Errors
/// When the history cannot be read.
pub fn add_parts(
    history: &mut History,
    drift: &mut ProductDrift,
    population: &Population,
    records: &[i64],
) -> Result<(), HistoryError> {
    let newest = drift.groups.len().saturating_sub(1);
    let mut known: HashMap<i64, Option<UnitParts>> = HashMap::new();
    // Records of a product without a circuit say so at once.
    let Some(last) = records.iter().rev().find(|record| population.group_of(**record).is_some()) else {
        return Ok(());
    };
    if drift.movements.is_empty() || of_record(history, *last)?.is_none() {
        return Ok(());
    }
    for joint in &mut drift.movements {
        let [before, after] = sides(joint, newest);
        let mut units = |side: std::ops::Range<usize>| -> Result<Vec<UnitParts>, HistoryError> {
            let is_of =
                |record: &&i64| population.group_of(**record).is_some_and(|group| side.contains(&group));
            let all: Vec<i64> = records.iter().filter(is_of).copied().collect();
            let step = all.len().div_ceil(MOST).max(1);
            let mut units = Vec::new();
            for record in all.into_iter().step_by(step) {
                if let std::collections::hash_map::Entry::Vacant(place) = known.entry(record) {
                    place.insert(of_record(history, record)?);
                }
                units.extend(known.get(&record).cloned().flatten());
            }
            Ok(units)
        };
        let (before, after) = (units(before)?, units(after)?);
        joint.parts = parts_moved(joint, &before, &after);
    }
    Ok(())
}

/// The groups before a movement, and those that show what it came to: since a step, or the last third of a ramp.
fn sides(joint: &JointMovement, newest: usize) -> [std::ops::Range<usize>; 2] {
    let since = joint.since;
    let from = match joint.kind {
        Kind::Ramp => since.high.max(newest - (newest - since.high.min(newest)) / 3),
        Kind::None | Kind::Step => since.high,
    };
    [0..since.low, from..newest + 1]
}

fn of_record(history: &mut History, record: i64) -> Result<Option<UnitParts>, HistoryError> {
    Ok(history.result(RecordId(record))?.as_deref().and_then(read))
}

/// What a recorded result says; nothing where it says nothing of parts, or what cannot be.
fn read(json: &str) -> Option<UnitParts> {
    let circuit = serde_json::from_str::<Recorded>(json).ok()?.circuit?;
    let RecordedInformation { scales, precision, pull } = circuit.information?;
    let names: Vec<String> = circuit.parts.into_iter().map(|part| part.part).collect();
    let n = names.len();
    let fits = scales.len() == n && pull.len() == n && precision.len() == n * (n + 1) / 2;
    let mut data = Quadratic::nothing(n);
    data.pull.iter_mut().zip(pull).for_each(|(own, pull)| *own = pull);
    let places = (0..n).flat_map(|i| (0..=i).map(move |j| (i, j)));
    for ((i, j), value) in places.zip(precision) {
        for place in [(i, j), (j, i)] {
            if let Some(own) = data.precision.get_mut(place) {
                *own = value;
            }
        }
    }
    let mut answers = Vec::new();
    for (corner, margins) in circuit.sensitivity {
        for (quantity, parts) in margins {
            let of: Option<Vec<f64>> = names.iter().map(|name| parts.get(name).copied()).collect();
            answers.extend(of.map(|of| (corner.clone(), quantity, of)));
        }
    }
    (fits && n > 0).then_some(UnitParts { names, scales, data, answers })
}
