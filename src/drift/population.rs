//! From the records of a product to its groups of units: which record counts where.
//!
//! Of several records of one unit in a group the newest counts: the one taken last, of those the one recorded last.
//! Reference units are no part of the population; they tell what their station does.

use super::natural_order::natural;
use super::recording_order::{Age, Dates, OutOfOrder, Recorded, in_order, recorded_after_newest};
use super::series_index::{Place, Places};
use super::{GroupHead, Retested};
use crate::decision::Verdict;
use crate::quantity::calendar::day_of_micros;
use crate::spec::DriftAxis;
use std::collections::{BTreeSet, HashMap};
use std::num::NonZeroU32;

/// One record of the history, as far as grouping needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordHead {
    /// Number of the record; later ones are larger.
    pub record: i64,
    /// Serial number of the unit.
    pub serial: String,
    /// Board revision.
    pub revision: String,
    /// Firmware.
    pub firmware: Option<String>,
    /// Lot or build label.
    pub build: Option<String>,
    /// When its sweeps were taken, microseconds since 1970, UTC.
    pub taken_us: Option<i64>,
    /// When it was recorded, microseconds since 1970, UTC; `None` where that is not known.
    pub recorded_us: Option<i64>,
    /// Station.
    pub station: Option<String>,
    /// Whether the unit is a reference.
    pub is_reference: bool,
    /// Verdict of the run.
    pub verdict: Verdict,
}

/// The groups of a product and where each of its records counts.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Population {
    /// The groups, in order.
    pub groups: Vec<GroupHead>,
    /// Units measured again until they passed, by group, then serial number.
    pub retested: Vec<Retested>,
    /// Records without the label that the groups are named after.
    pub left_out: u64,
    /// Reference units: serial number and station.
    pub references: Vec<(String, Option<String>)>,
    /// Labels of groups without a time that stand among those that have one, in order.
    pub undated: Vec<String>,
    /// Units whose newest record was not recorded last, by group, then serial number.
    pub out_of_order: Vec<OutOfOrder>,
    places: Places,
}

impl Population {
    /// Where the values of a record go; `None` when a newer one took its place or it was left out.
    pub(super) fn place(&self, record: i64) -> Option<Place> {
        self.places.get(record)
    }

    /// The group that a record counts in; `None` for one that does not, or is a reference's.
    #[must_use]
    pub fn group_of(&self, record: i64) -> Option<usize> {
        match self.place(record) {
            Some(Place::Group(group, _)) => Some(group),
            Some(Place::Reference(..)) | None => None,
        }
    }
}

impl Population {
    /// Takes the next group, and tells where its records count.
    fn take(
        &mut self,
        index: usize,
        label: String,
        group: Group,
        texts: &Texts,
        places: &mut Vec<(i64, Place)>,
    ) {
        let (mut retested, mut out_of_order) = (Vec::new(), Vec::new());
        let (mut revisions, mut firmwares, mut stations) =
            (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
        let units = group.units.len() as u64;
        for (serial, unit) in group.units {
            places.push((unit.newest.record, Place::Group(index, texts.name(unit.station))));
            revisions.insert(unit.revision);
            firmwares.insert(unit.firmware);
            stations.insert(unit.station);
            if unit.older.is_empty() {
                continue;
            }
            let serial = texts.text(serial).unwrap_or_default();
            match unit.out_of_order(&serial, &label) {
                Some(told) => out_of_order.push(told),
                // Which was measured last is known.
                None => retested.extend(unit.retested(serial, &label)),
            }
        }
        retested.sort_by(|a: &Retested, b: &Retested| natural(&a.serial, &b.serial));
        out_of_order.sort_by(|a: &OutOfOrder, b: &OutOfOrder| natural(&a.serial, &b.serial));
        self.retested.append(&mut retested);
        self.out_of_order.append(&mut out_of_order);
        self.groups.push(GroupHead {
            label,
            units,
            records: group.records,
            revisions: sorted(texts, revisions).into_iter().flatten().collect(),
            firmwares: sorted(texts, firmwares),
            stations: sorted(texts, stations),
        });
    }
}

/// The group of a record along an axis.
pub(super) fn label(over: DriftAxis, head: &RecordHead) -> Option<String> {
    match over {
        DriftAxis::Build => head.build.clone(),
        DriftAxis::Revision => Some(head.revision.clone()),
        DriftAxis::Firmware => head.firmware.clone(),
        DriftAxis::Taken => head.taken_us.and_then(day),
    }
}

/// One unit in one group.
#[derive(Debug)]
struct Unit {
    newest: Recorded,
    revision: usize,
    firmware: usize,
    station: usize,
    /// Records that a newer one took the place of.
    older: Vec<Recorded>,
}

impl Unit {
    /// Its record that counts and the run that was recorded after it, though taken before.
    fn out_of_order(&self, serial: &str, group: &str) -> Option<OutOfOrder> {
        let mut all = self.older.clone();
        all.push(self.newest);
        let (counts, later) = recorded_after_newest(&all)?;
        Some(OutOfOrder { serial: serial.to_owned(), group: group.to_owned(), counts, later })
    }

    /// Its verdicts, oldest first, where it was measured again until it passed.
    fn retested(self, serial: String, group: &str) -> Option<Retested> {
        if !self.newest.verdict.is_good() || self.older.iter().all(|record| record.verdict.is_good()) {
            return None;
        }
        let mut all = self.older;
        all.push(self.newest);
        all.sort_by_key(Recorded::age);
        let verdicts = all.into_iter().map(|record| record.verdict).collect();
        Some(Retested { serial, group: group.to_owned(), verdicts })
    }
}

#[derive(Debug)]
struct Group {
    dates: Dates,
    records: u64,
    units: HashMap<usize, Unit>,
}

/// Texts that repeat, each kept once.
#[derive(Debug, Default)]
struct Texts {
    numbers: HashMap<Option<String>, usize>,
    texts: Vec<Option<String>>,
}

impl Texts {
    fn number(&mut self, text: Option<String>) -> usize {
        if let Some(number) = self.numbers.get(&text) {
            return *number;
        }
        self.texts.push(text.clone());
        self.numbers.insert(text, self.texts.len() - 1);
        self.texts.len() - 1
    }

    /// A number that is equal for equal texts; `None` of no text.
    fn name(&self, number: usize) -> Option<NonZeroU32> {
        self.texts.get(number)?.as_ref()?;
        NonZeroU32::new(u32::try_from(number).ok()?.checked_add(1)?)
    }

    fn text(&self, number: usize) -> Option<String> {
        self.texts.get(number).cloned().flatten()
    }
}

/// Sorts records into groups as they come.
#[derive(Debug)]
pub struct PopulationBuilder {
    over: DriftAxis,
    texts: Texts,
    groups: HashMap<String, Group>,
    references: HashMap<(usize, usize), Vec<Age>>,
    left_out: u64,
}

impl PopulationBuilder {
    /// Groups along an axis.
    #[must_use]
    pub fn new(over: DriftAxis) -> Self {
        Self {
            over,
            texts: Texts::default(),
            groups: HashMap::new(),
            references: HashMap::new(),
            left_out: 0,
        }
    }

    /// Takes a record, in any order.
    pub fn add(&mut self, head: RecordHead) {
        let age = (head.taken_us, head.record);
        let label = label(self.over, &head);
        let (serial, station) = (self.texts.number(Some(head.serial)), self.texts.number(head.station));
        if head.is_reference {
            self.references.entry((serial, station)).or_default().push(age);
            return;
        }
        let Some(label) = label else {
            self.left_out += 1;
            return;
        };
        let (revision, firmware) = (self.texts.number(Some(head.revision)), self.texts.number(head.firmware));
        let group = self.groups.entry(label).or_insert_with(|| Group {
            dates: Dates { earliest: None, first_record: head.record },
            records: 0,
            units: HashMap::new(),
        });
        group.records += 1;
        group.dates.earliest = [group.dates.earliest, head.taken_us].into_iter().flatten().min();
        group.dates.first_record = group.dates.first_record.min(head.record);
        let (record, recorded_us, verdict) = (head.record, head.recorded_us, head.verdict);
        let newest = Recorded { taken_us: head.taken_us, record, recorded_us, verdict };
        let fresh = Unit { newest, revision, firmware, station, older: Vec::new() };
        match group.units.get_mut(&serial) {
            None => {
                group.units.insert(serial, fresh);
            }
            Some(known) if known.newest.age() < newest.age() => {
                let before = std::mem::replace(known, fresh);
                known.older = before.older;
                known.older.push(before.newest);
            }
            Some(known) => known.older.push(newest),
        }
    }

    /// The groups by their earliest time, then in natural order; groups without any time stand where they were recorded among those
    /// that have one.
    #[must_use]
    pub fn finish(self) -> Population {
        let Self { texts, groups, references, left_out, .. } = self;
        let groups = in_order(groups.into_iter().collect(), |group: &Group| group.dates);
        let is_undated = |group: &Group| group.dates.earliest.is_none();
        let is_any_dated = !groups.iter().all(|(_, group)| is_undated(group));
        let mut population = Population { left_out, ..Population::default() };
        let mut places = Vec::new();
        for (index, (label, group)) in groups.into_iter().enumerate() {
            if is_any_dated && is_undated(&group) {
                population.undated.push(label.clone());
            }
            population.take(index, label, group, &texts, &mut places);
        }
        let mut references: Vec<_> = references
            .into_iter()
            .map(|((serial, station), ages)| {
                ((texts.text(serial).unwrap_or_default(), texts.text(station)), ages)
            })
            .collect();
        references.sort_by(|(a, _), (b, _)| natural(&a.0, &b.0).then_with(|| by_text(&a.1, &b.1)));
        for (index, (unit, mut ages)) in references.into_iter().enumerate() {
            ages.sort_unstable();
            for (order, (_, record)) in ages.into_iter().enumerate() {
                places.push((record, Place::Reference(index, order)));
            }
            population.references.push(unit);
        }
        population.places = Places::of(places);
        population
    }
}

fn sorted(texts: &Texts, numbers: BTreeSet<usize>) -> Vec<Option<String>> {
    let mut all: Vec<Option<String>> = numbers.into_iter().map(|number| texts.text(number)).collect();
    all.sort_by(by_text);
    all
}

fn by_text(a: &Option<String>, b: &Option<String>) -> std::cmp::Ordering {
    match (a, b) {
        (Some(a), Some(b)) => natural(a, b),
        _ => a.cmp(b),
    }
}

/// The day of a time, UTC.
fn day(taken_us: i64) -> Option<String> {
    Some(day_of_micros(taken_us)?.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(record: i64, serial: &str, build: Option<&str>, taken_us: Option<i64>) -> RecordHead {
        RecordHead {
            record,
            serial: serial.to_owned(),
            revision: "B".to_owned(),
            firmware: None,
            build: build.map(str::to_owned),
            taken_us,
            recorded_us: Some(record * 3_600_000_000),
            station: Some("bench-1".to_owned()),
            is_reference: false,
            verdict: Verdict::Pass,
        }
    }

    fn population(over: DriftAxis, heads: Vec<RecordHead>) -> Population {
        let mut builder = PopulationBuilder::new(over);
        heads.into_iter().for_each(|head| builder.add(head));
        builder.finish()
    }

    #[test]
    fn groups_stand_by_time_then_by_name() {
        let heads = vec![
            head(1, "a", Some("W10"), None),
            head(2, "a", Some("W9"), None),
            head(3, "a", Some("late"), Some(200)),
            head(4, "b", Some("late"), Some(50)),
            head(5, "a", Some("early"), Some(100)),
            head(6, "a", None, Some(100)),
        ];
        let population = population(DriftAxis::Build, heads);
        let labels: Vec<&str> = population.groups.iter().map(|group| group.label.as_str()).collect();
        assert_eq!(labels, ["W10", "W9", "late", "early"], "recorded before the others");
        assert_eq!(population.undated, ["W10", "W9"]);
        assert_eq!(population.left_out, 1);
        assert_eq!(population.groups[2].units, 2);
    }

    #[test]
    fn the_newest_record_of_a_unit_counts_whatever_the_order() {
        let mut failed = head(1, "a", Some("W1"), Some(10));
        failed.verdict = Verdict::Fail;
        let heads = [failed, head(2, "a", Some("W1"), Some(30)), head(3, "a", Some("W1"), Some(20))];
        for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [1, 0, 2]] {
            let population =
                population(DriftAxis::Build, order.iter().map(|index| heads[*index].clone()).collect());
            assert_eq!(population.group_of(2), Some(0));
            assert_eq!((population.place(1), population.place(3)), (None, None));
            assert_eq!((population.groups[0].units, population.groups[0].records), (1, 3));
            // Record 3 came last, and is not the one taken last.
            let [told] = population.out_of_order.as_slice() else { panic!("{:?}", population.out_of_order) };
            assert_eq!((told.counts.record, told.later.len(), told.later[0].record), (2, 1, 3));
            assert!(population.retested.is_empty());
        }
        let in_order = population(DriftAxis::Build, heads[..2].to_vec());
        assert_eq!(in_order.retested[0].verdicts, [Verdict::Fail, Verdict::Pass]);
        assert!(in_order.out_of_order.is_empty());
        // Recorded twice with the same time: the later record.
        let twice = vec![head(5, "a", Some("W1"), Some(10)), head(4, "a", Some("W1"), Some(10))];
        assert_eq!(population(DriftAxis::Build, twice).group_of(5), Some(0));
    }

    /// A clock set back: the time counts, and nothing is said of passing by trying.
    #[test]
    fn a_later_record_of_an_earlier_time_is_told() {
        let mut failed = head(2, "a", Some("W1"), Some(10));
        failed.verdict = Verdict::Fail;
        let heads = vec![head(1, "a", Some("W1"), Some(30)), failed.clone(), head(3, "b", Some("W1"), None)];
        let population = population(DriftAxis::Build, heads);
        assert_eq!(population.group_of(1), Some(0));
        assert!(population.retested.is_empty(), "{:?}", population.retested);
        let [told] = population.out_of_order.as_slice() else { panic!("{:?}", population.out_of_order) };
        assert_eq!(told.serial, "a");
        assert_eq!(
            (told.counts.taken_us, told.counts.record, told.counts.verdict),
            (Some(30), 1, Verdict::Pass)
        );
        let [later] = told.later.as_slice() else { panic!("{:?}", told.later) };
        assert_eq!((later.taken_us, later.record, later.verdict), (Some(10), 2, Verdict::Fail));
    }

    #[test]
    fn references_stand_aside_and_days_are_groups() {
        let mut reference = head(1, "ref", None, Some(5));
        reference.is_reference = true;
        let mut later = reference.clone();
        (later.record, later.taken_us) = (2, Some(3));
        let day = head(3, "a", None, Some(86_400_000_000));
        let population = population(DriftAxis::Taken, vec![reference, later, day]);
        assert_eq!(population.groups.len(), 1);
        assert_eq!(population.groups[0].label, "1970-01-02");
        assert_eq!(population.references, [("ref".to_owned(), Some("bench-1".to_owned()))]);
        assert_eq!(population.place(1), Some(Place::Reference(0, 1)));
        assert_eq!(population.place(2), Some(Place::Reference(0, 0)));
    }
}
