//! Where the order in which records were taken and the order in which they were recorded differ, or the former is not known.
//!
//! When a record was taken is what its run file says: a clock that was set back says it wrongly, and a key that was left out says
//! nothing. The numbers of the records tell in which order they came in. Where both speak of the same unit and disagree, the time
//! counts (a run may be recorded days after it was taken) and somebody is told.

use super::natural_order::natural;
use crate::decision::Verdict;
use crate::quantity::calendar::rfc_3339_of_micros;
use crate::quantity::{count_of, listed};
use std::collections::HashSet;

/// Units and groups that are named in a note.
const NAMED: usize = 5;

/// Records that were recorded closer together than this, microseconds (ten minutes), came in with one import, in the order of their folders: that
/// says nothing of the order in which they were taken.
const ONE_IMPORT: i64 = 600_000_000;

/// Time, microseconds since 1970, and number of a record: what is newer is greater.
pub(super) type Age = (Option<i64>, i64);

/// A record of a unit, as far as its place in time is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorded {
    /// When it was taken, microseconds since 1970, UTC; `None` where its run does not say.
    pub taken_us: Option<i64>,
    /// Its number.
    pub record: i64,
    /// When it was recorded, microseconds since 1970, UTC.
    pub recorded_us: Option<i64>,
    /// Verdict of its run.
    pub verdict: Verdict,
}

impl Recorded {
    /// What is newer is greater.
    pub(super) fn age(&self) -> Age {
        (self.taken_us, self.record)
    }
}

/// A unit whose run that was recorded last is not the one that was taken last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutOfOrder {
    /// Serial number.
    pub serial: String,
    /// Label of the group.
    pub group: String,
    /// The first record of the run that counts: taken last.
    pub counts: Recorded,
    /// All records of the run that was recorded last.
    pub later: Vec<Recorded>,
}

/// When a group was measured, as far as its records say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dates {
    /// Earliest time among its records.
    pub(super) earliest: Option<i64>,
    /// Smallest number of a record.
    pub(super) first_record: i64,
}

/// The first record of the run that counts, and all records of a run of another time that was recorded after it; `None` where both orders agree, or
/// where both came in together. A run that is recorded again counts from its first record on. `records`: all of a unit.
pub(super) fn recorded_after_newest(records: &[Recorded]) -> Option<(Recorded, Vec<Recorded>)> {
    let mut records = records.to_vec();
    records.sort_unstable_by_key(|record| record.record);
    let newest = records.iter().map(|record| record.taken_us).max()?;
    let first = *records.iter().find(|record| record.taken_us == newest)?;
    let (mut times, mut last) = (HashSet::new(), first);
    for record in &records {
        if times.insert(record.taken_us) {
            last = *record;
        }
    }
    let is_later = last.taken_us != newest && last.recorded_us? - first.recorded_us? > ONE_IMPORT;
    records.retain(|record| record.taken_us == last.taken_us);
    is_later.then_some((first, records))
}

/// Groups by their earliest time, then in natural order. One without any time stands where its first record does in the order of
/// recording; where no group has a time, the labels alone count.
pub(super) fn in_order<G>(mut groups: Vec<(String, G)>, dates: impl Fn(&G) -> Dates) -> Vec<(String, G)> {
    groups.sort_by(|(a, one), (b, other)| {
        let time = |group: &G| (dates(group).earliest.is_none(), dates(group).earliest);
        time(one).cmp(&time(other)).then_with(|| natural(a, b))
    });
    let first_records: Vec<i64> = groups
        .iter()
        .map(|(_, group)| dates(group))
        .take_while(|dates| dates.earliest.is_some())
        .map(|dates| dates.first_record)
        .collect();
    if first_records.is_empty() {
        return groups;
    }
    // The place that the fewest groups disagree with: those before it that were begun later, those behind it that were begun earlier.
    let place_of = |record: i64| {
        let mut disagree = first_records.iter().filter(|first| **first < record).count();
        let (mut best, mut fewest) = (0, disagree);
        for (place, first) in first_records.iter().enumerate() {
            disagree = if *first < record { disagree - 1 } else { disagree + 1 };
            if disagree <= fewest {
                (best, fewest) = (place + 1, disagree);
            }
        }
        best
    };
    let mut undated: Vec<(usize, (String, G))> = groups
        .split_off(first_records.len())
        .into_iter()
        .map(|group| (place_of(dates(&group.1).first_record), group))
        .collect();
    undated.sort_by_key(|(place, group)| (*place, dates(&group.1).first_record));
    for (before, (place, group)) in undated.into_iter().enumerate() {
        groups.insert(place + before, group);
    }
    groups
}

/// What is said of groups without a time among those that have one.
pub(super) fn undated_note(labels: &[String]) -> Option<String> {
    let count = count_of(labels.len() as u64, "group");
    let (have, stand, record) = if labels.len() == 1 {
        ("has", "stands", "its first record does")
    } else {
        ("have", "stand", "their first records do")
    };
    (!labels.is_empty()).then(|| {
        format!(
            "{count} {have} no `taken` and {stand} where {record} in the order of recording: {}",
            listed(labels, NAMED)
        )
    })
}

/// What is said of units whose orders disagree: a note each, the last one of those that are not named.
pub(super) fn out_of_order_notes(units: &[OutOfOrder]) -> Vec<String> {
    let facts = |Recorded { taken_us, verdict, .. }: &Recorded| {
        let time = taken_us.and_then(rfc_3339_of_micros);
        format!("({}, {verdict})", time.map_or("no `taken`".to_owned(), |time| format!("`taken` {time}")))
    };
    let mut notes: Vec<String> = units
        .iter()
        .take(NAMED)
        .map(|OutOfOrder { serial, group, counts, later }| {
            let numbers: Vec<String> = later.iter().map(|record| record.record.to_string()).collect();
            let (records, were) =
                if numbers.len() == 1 { ("record", "was") } else { ("records", "were") };
            format!(
                "{serial} in {group}: record {} {} counts, though {records} {} {} {were} recorded after it: which was measured last \
                 is not certain; mark what is not to count (`loopgauge history mark`)",
                counts.record,
                facts(counts),
                listed(&numbers, NAMED),
                later.last().map(facts).unwrap_or_default(),
            )
        })
        .collect();
    let more = units.len().saturating_sub(NAMED);
    if more > 0 {
        let were = if more == 1 { "unit was" } else { "units were" };
        notes.push(format!("{more} more {were} recorded in another order than `taken` says"));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600_000_000;

    /// Records an hour apart.
    fn recorded(taken_us: Option<i64>, record: i64) -> Recorded {
        Recorded { taken_us, record, recorded_us: Some(record * HOUR), verdict: Verdict::Pass }
    }

    #[test]
    fn the_time_counts_and_a_later_record_of_an_earlier_time_is_found() {
        let after = |ages: &[(Option<i64>, i64)]| {
            let records: Vec<Recorded> =
                ages.iter().map(|(taken, record)| recorded(*taken, *record)).collect();
            let (first, later) = recorded_after_newest(&records)?;
            Some((first.record, later.iter().map(|record| record.record).collect::<Vec<_>>()))
        };
        assert_eq!(after(&[(Some(10), 1), (Some(20), 2)]), None);
        assert_eq!(after(&[(Some(20), 1), (Some(10), 2)]), Some((1, vec![2])));
        assert_eq!(after(&[(Some(20), 1), (None, 2)]), Some((1, vec![2])));
        assert_eq!(after(&[(None, 1), (Some(20), 2)]), None);
        assert_eq!(after(&[(None, 1), (None, 2)]), None);
        // All of it recorded again, or the first run alone: that is no later measurement.
        assert_eq!(after(&[(Some(10), 1), (Some(20), 2), (Some(10), 3), (Some(20), 4)]), None);
        assert_eq!(after(&[(Some(10), 1), (Some(20), 2), (Some(10), 3)]), None);
        let again = [(Some(20), 1), (Some(10), 2), (Some(20), 4), (Some(10), 5)];
        assert_eq!(after(&again), Some((1, vec![2, 5])));
    }

    /// The folders of one import come in the order of their names.
    #[test]
    fn one_import_says_nothing_of_the_order() {
        let after = |apart: Option<i64>| {
            let first = recorded(Some(20), 1);
            let second = Recorded { recorded_us: apart.map(|us| HOUR + us), ..recorded(Some(10), 2) };
            recorded_after_newest(&[first, second]).is_some()
        };
        assert!(!after(Some(0)) && !after(Some(ONE_IMPORT)) && !after(None));
        assert!(after(Some(ONE_IMPORT + 1)));
    }

    #[test]
    fn groups_without_a_time_stand_where_they_were_recorded() {
        let of = |rows: &[(&str, Option<i64>, i64)]| -> String {
            let groups = rows.iter().map(|(label, earliest, first_record)| {
                ((*label).to_owned(), Dates { earliest: *earliest, first_record: *first_record })
            });
            let placed = in_order(groups.collect(), |dates| *dates);
            placed.into_iter().map(|(label, _)| label).collect::<Vec<_>>().join(" ")
        };
        // Recorded first, between, and last; those between two groups in the order of their records.
        assert_eq!(of(&[("a", Some(5), 10), ("b", Some(6), 20), ("x", None, 1)]), "x a b");
        assert_eq!(
            of(&[("a", Some(5), 10), ("b", Some(6), 20), ("x", None, 12), ("w", None, 13)]),
            "a x w b"
        );
        assert_eq!(of(&[("a", Some(5), 10), ("b", Some(6), 20), ("x", None, 30)]), "a b x");
        // The older group recorded later: behind those that were begun before.
        assert_eq!(of(&[("a", Some(5), 20), ("b", Some(6), 10), ("x", None, 15)]), "a b x");
        assert_eq!(of(&[("a", Some(5), 20), ("b", Some(6), 10), ("x", None, 25)]), "a b x");
        // Without any time: labels.
        assert_eq!(of(&[("W10", None, 1), ("W9", None, 2)]), "W9 W10");
    }

    #[test]
    fn notes_name_a_few() {
        let unit = |k: i64| OutOfOrder {
            serial: format!("RG-{k}"),
            group: "W1".to_owned(),
            counts: recorded(Some(1_000_000), 2),
            later: vec![Recorded { verdict: Verdict::Fail, ..recorded(None, 3) }],
        };
        let notes = out_of_order_notes(&(0..7).map(unit).collect::<Vec<_>>());
        assert_eq!(notes.len(), NAMED + 1);
        assert!(
            notes[0].contains("RG-0 in W1: record 2 (`taken` 1970-01-01T00:00:01Z, pass) counts"),
            "{}",
            notes[0]
        );
        assert!(notes[0].contains("record 3 (no `taken`, fail) was recorded after it:"), "{}", notes[0]);
        assert!(notes[NAMED].starts_with("2 more units were recorded"), "{}", notes[NAMED]);
        assert_eq!(undated_note(&[]), None);
        assert!(
            undated_note(&["W1".to_owned()])
                .unwrap()
                .starts_with("1 group has no `taken` and stands where its")
        );
    }
}
