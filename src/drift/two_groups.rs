//! Two groups of units side by side: the difference of their means, corner by corner, and what all corners have in common.

use super::RecordValue;
use super::mean_difference::{Cell, GroupMean, Sides, difference, logarithms, mean_of};
use super::population::{RecordHead, label};
use super::wording::quantity_title;
use crate::check::Unit;
use crate::compare::{OneSide, Said};
use crate::decision::Limit;
use crate::measurand::Measurand;
use crate::spec::DriftAxis;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// An effect is common where corners differ from it by less than this share of it.
const SHARE: f64 = 0.5;

/// The difference of two groups in one quantity at one corner.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct GroupChange {
    /// Corner.
    pub corner: String,
    /// Its key: `phase_margin_deg`, or a gain limit's check, `gain@120Hz`.
    pub quantity: String,
    /// Its unit.
    pub unit: Unit,
    /// The first group.
    pub a: GroupMean,
    /// The second group.
    pub b: GroupMean,
    /// Second mean less first, of a crossover as a ratio to the first; `None` where a mean is not known.
    pub change: Option<f64>,
    /// Its expanded uncertainty; `None` where it is not known.
    pub uncertainty: Option<f64>,
    /// Whether the second mean lies nearer to the quantity's limit; `None` without a limit.
    pub is_towards_limit: Option<bool>,
}

impl GroupChange {
    /// Whether the difference is more than its uncertainty.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        self.change.zip(self.uncertainty).is_some_and(|(change, u)| change.abs() > u)
    }

    /// What comes first: clear and towards the limit, clear, not clear, not known; then the clearer one.
    fn rank(&self) -> (u8, f64) {
        let times =
            self.change.zip(self.uncertainty).map(|(change, u)| change.abs() / u.max(f64::MIN_POSITIVE));
        let class = match (self.is_clear(), times) {
            (true, _) if self.is_towards_limit == Some(true) => 0,
            (true, _) => 1,
            (false, Some(_)) => 2,
            (false, None) => 3,
        };
        (class, -times.unwrap_or(0.0))
    }

    /// Its name in a sentence.
    #[must_use]
    pub fn title(&self) -> String {
        quantity_title(&self.quantity)
    }
}

/// The difference of two groups in one quantity over all corners.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct GroupCommon {
    /// Its key.
    pub quantity: String,
    /// Its unit.
    pub unit: Unit,
    /// How many corners it is of.
    pub corners: usize,
    /// The mean of the corners' differences, as a [`GroupChange`] tells it; of a crossover the geometric one.
    pub change: f64,
    /// Its expanded uncertainty; `None` where it is not known.
    pub uncertainty: Option<f64>,
    /// Least and largest difference of the corners.
    pub range: [f64; 2],
    /// What is to be said of it.
    pub said: Said,
}

impl GroupCommon {
    /// Its name in a sentence.
    #[must_use]
    pub fn title(&self) -> String {
        quantity_title(&self.quantity)
    }
}

/// A corner that one group alone has values of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct OneSided {
    /// The group that has them.
    pub side: OneSide,
    /// The corner.
    pub corner: String,
}

/// Two groups of a product.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct TwoGroups {
    /// The product.
    pub product: String,
    /// Coverage factor of every uncertainty here.
    pub coverage: f64,
    /// Units of both groups.
    pub units: [u64; 2],
    /// Units that are in both.
    pub in_both: u64,
    /// Quantity by quantity over the corners, where there are several.
    pub common: Vec<GroupCommon>,
    /// Corner by corner and quantity, the worst first: clear and nearer to the limit, clear, not clear.
    pub differences: Vec<GroupChange>,
    /// Corners that one group alone has values of.
    pub alone: Vec<OneSided>,
}

#[derive(Debug, Clone, Copy)]
struct Chosen {
    age: (Option<i64>, i64),
    station: Option<usize>,
}

/// Corner, quantity and unit of a series.
type Key = (String, String, Unit);

/// Gathers two groups: first the records of a product, then their values. Memory grows with the values of both groups.
#[derive(Debug)]
pub struct TwoGroupsBuilder {
    over: DriftAxis,
    labels: [String; 2],
    coverage: f64,
    names: HashMap<String, usize>,
    stations: HashMap<String, usize>,
    chosen: [HashMap<usize, Chosen>; 2],
    /// Of each record that counts, its side and unit; made when the first value comes.
    records: HashMap<i64, (usize, usize)>,
    cells: BTreeMap<Key, Sides>,
}

impl TwoGroupsBuilder {
    /// The groups of these labels along an axis; `coverage` is the factor of the records' uncertainties and of those of the result.
    #[must_use]
    pub fn new(over: DriftAxis, labels: [String; 2], coverage: f64) -> Self {
        Self {
            over,
            labels,
            coverage,
            names: HashMap::new(),
            stations: HashMap::new(),
            chosen: [HashMap::new(), HashMap::new()],
            records: HashMap::new(),
            cells: BTreeMap::new(),
        }
    }

    /// Takes a record, in any order; of several of one unit in a group the newest counts, as in drift. Reference units are left out.
    pub fn add_record(&mut self, head: &RecordHead) {
        let Some(label) = label(self.over, head).filter(|_| !head.is_reference) else { return };
        let (units, stations) = (self.names.len(), self.stations.len());
        for (_, own) in self.labels.iter().zip(&mut self.chosen).filter(|(own, _)| **own == label) {
            let unit = *self.names.entry(head.serial.clone()).or_insert(units);
            let station =
                head.station.as_ref().map(|name| *self.stations.entry(name.clone()).or_insert(stations));
            let fresh = Chosen { age: (head.taken_us, head.record), station };
            own.entry(unit)
                .and_modify(|known| {
                    if known.age < fresh.age {
                        *known = fresh
                    }
                })
                .or_insert(fresh);
        }
    }

    /// Takes a value, after all records; those of other records are passed over.
    pub fn add_value(&mut self, (corner, quantity, unit): (&str, &str, Unit), value: &RecordValue) {
        if self.records.is_empty() {
            for (side, units) in self.chosen.iter().enumerate() {
                self.records.extend(units.iter().map(|(unit, own)| (own.age.1, (side, *unit))));
            }
        }
        let Some(&(side, number)) = self.records.get(&value.record) else { return };
        let station = self.chosen.get(side).and_then(|own| own.get(&number)).and_then(|own| own.station);
        let whole = value.uncertainty.map(|u| u / self.coverage);
        let part = value.chain.zip(whole).map(|(chain, whole)| (chain / self.coverage).min(whole));
        let cell = Cell {
            unit: number,
            // A chain that is not known cancels with nothing.
            station: station.filter(|_| part.is_some()),
            value: value.value,
            own: whole.map(|whole| part.map_or(0.0, |part| (whole * whole - part * part).max(0.0).sqrt())),
            chain: part.or(whole).unwrap_or(0.0),
            at_least: value.at_least,
        };
        let cells = self.cells.entry((corner.to_owned(), quantity.to_owned(), unit)).or_default();
        if let Some(list) = cells.get_mut(side) {
            list.push(cell);
        }
    }

    /// Whether both groups have units of this product.
    #[must_use]
    pub fn has_both(&self) -> bool {
        self.chosen.iter().all(|units| !units.is_empty())
    }

    /// Compares what was gathered; `limits` gives the limit of a corner and quantity.
    #[must_use]
    pub fn finish(self, product: &str, limits: &dyn Fn(&str, &str) -> Option<Limit>) -> TwoGroups {
        let [a, b] = &self.chosen;
        let mut differences: Vec<GroupChange> =
            self.cells.iter().filter_map(|(key, cells)| change(key, cells, self.coverage, limits)).collect();
        let common = common(&self.cells, &differences, self.coverage);
        differences.sort_by(|one, other| {
            let ((class, times), (of_class, of_times)) = (one.rank(), other.rank());
            class.cmp(&of_class).then(times.total_cmp(&of_times))
        });
        TwoGroups {
            product: product.to_owned(),
            coverage: self.coverage,
            units: [a.len() as u64, b.len() as u64],
            in_both: a.keys().filter(|unit| b.contains_key(unit)).count() as u64,
            common,
            differences,
            alone: alone(&self.cells),
        }
    }
}

fn change(
    (corner, quantity, unit): &Key,
    cells: &Sides,
    coverage: f64,
    limits: &dyn Fn(&str, &str) -> Option<Limit>,
) -> Option<GroupChange> {
    if cells.iter().any(Vec::is_empty) {
        return None;
    }
    let [a, b] = cells.each_ref().map(|cells| mean_of(cells));
    let found = a.mean.zip(b.mean).and_then(|(one, other)| {
        let (change, u) = difference(&[cells], coverage)?;
        let per = if is_relative(quantity) { 1.0 / (one > 0.0).then_some(one)? } else { 1.0 };
        Some((change * per, u.map(|u| u * per), one, other))
    });
    let room = |limit: &Limit, mean: f64| {
        let below = limit.min.map_or(f64::INFINITY, |min| mean - min);
        limit.max.map_or(below, |max| below.min(max - mean))
    };
    let limit = limits(corner, quantity).filter(|limit| limit.min.is_some() || limit.max.is_some());
    Some(GroupChange {
        corner: corner.clone(),
        quantity: quantity.clone(),
        unit: *unit,
        a,
        b,
        change: found.map(|(change, ..)| change),
        uncertainty: found.and_then(|(_, u, ..)| u),
        is_towards_limit: found.zip(limit).map(|((_, _, one, other), l)| room(&l, other) < room(&l, one)),
    })
}

fn is_relative(quantity: &str) -> bool {
    Measurand::of_key(quantity).is_some_and(Measurand::is_relative)
}

/// Quantity by quantity over the corners of which both groups have means, of more than one unit where any corner has more.
fn common(cells: &BTreeMap<Key, Sides>, changes: &[GroupChange], coverage: f64) -> Vec<GroupCommon> {
    let quantities: BTreeSet<&str> = changes.iter().map(|own| own.quantity.as_str()).collect();
    quantities
        .into_iter()
        .filter_map(|quantity| {
            let known = || changes.iter().filter(|own| own.quantity == quantity && own.change.is_some());
            let most = known().fold([0, 0], |[a, b], own| [a.max(own.a.units), b.max(own.b.units)]);
            let is_full = |units: u64, most: u64| units > 1 || most < 2;
            let own = known().filter(|own| is_full(own.a.units, most[0]) && is_full(own.b.units, most[1]));
            over_corners(cells, quantity, &own.collect::<Vec<_>>(), coverage)
        })
        .collect()
}

fn over_corners(
    cells: &BTreeMap<Key, Sides>,
    quantity: &str,
    own: &[&GroupChange],
    coverage: f64,
) -> Option<GroupCommon> {
    let first = own.first().filter(|_| own.len() > 1)?;
    let is_relative = is_relative(quantity);
    let corner = |own: &&GroupChange| {
        let sides = cells.get(&(own.corner.clone(), own.quantity.clone(), own.unit))?;
        Some(if is_relative { sides.each_ref().map(|cells| logarithms(cells)) } else { sides.clone() })
    };
    let corners: Vec<Sides> = own.iter().map(corner).collect::<Option<_>>()?;
    let (change, u) = difference(&corners.iter().collect::<Vec<_>>(), coverage)?;
    let (change, u) = if is_relative { (change.exp_m1(), u.map(|u| u * change.exp())) } else { (change, u) };
    let range = own.iter().filter_map(|own| own.change);
    Some(GroupCommon {
        quantity: quantity.to_owned(),
        unit: first.unit,
        corners: own.len(),
        change,
        uncertainty: u,
        range: range.fold([f64::MAX, f64::MIN], |[low, high], own| [low.min(own), high.max(own)]),
        said: said(change, u, own),
    })
}

fn said(change: f64, u: Option<f64>, corners: &[&GroupChange]) -> Said {
    let differs = |own: &&GroupChange| {
        let off = own.change.map_or(0.0, |own| (own - change).abs());
        off > (SHARE * change.abs()).max(own.uncertainty.unwrap_or(f64::INFINITY))
    };
    if corners.iter().any(differs) && corners.iter().any(|own| own.is_clear()) {
        Said::Differs
    } else if u.is_none_or(|u| change.abs() <= u) {
        Said::WithinUncertainty
    } else {
        Said::Common
    }
}

fn alone(cells: &BTreeMap<Key, Sides>) -> Vec<OneSided> {
    let mut corners: BTreeMap<&str, [bool; 2]> = BTreeMap::new();
    for ((corner, ..), [a, b]) in cells {
        let [of_a, of_b] = corners.entry(corner).or_default();
        (*of_a, *of_b) = (*of_a || !a.is_empty(), *of_b || !b.is_empty());
    }
    let one = |(corner, sides): (&str, [bool; 2])| {
        let side = match sides {
            [true, false] => OneSide::A,
            [false, true] => OneSide::B,
            _ => return None,
        };
        Some(OneSided { side, corner: corner.to_owned() })
    };
    corners.into_iter().filter_map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decision::Verdict;

    /// Serial, build and station of a record.
    type Of = (&'static str, &'static str, Option<&'static str>);

    fn builder(records: &[Of]) -> TwoGroupsBuilder {
        let labels = ["W1", "W2"].map(str::to_owned);
        let mut builder = TwoGroupsBuilder::new(DriftAxis::Build, labels, 2.0);
        for (number, (serial, build, station)) in (1..).zip(records) {
            builder.add_record(&RecordHead {
                record: number,
                serial: (*serial).to_owned(),
                revision: "B".to_owned(),
                firmware: None,
                build: Some((*build).to_owned()),
                taken_us: None,
                recorded_us: None,
                station: station.map(str::to_owned),
                is_reference: false,
                verdict: Verdict::Pass,
            });
        }
        builder
    }

    fn value(record: i64, value: f64, uncertainty: f64, chain: f64) -> RecordValue {
        let (uncertainty, chain) = (Some(uncertainty), Some(chain));
        RecordValue { record, value, uncertainty, chain, at_least: false }
    }

    const PHASE: &str = "phase_margin_deg";

    fn compared(records: &[Of], values: &[(&str, RecordValue)]) -> TwoGroups {
        let mut builder = builder(records);
        for (corner, value) in values {
            builder.add_value((corner, PHASE, Unit::Deg), value);
        }
        builder.finish("gauge", &|_, _| Some(Limit { min: Some(45.0), max: None }))
    }

    /// Worked by hand: 51, 52, 53 against 48, 50, 52, 50. s² = 1 and 8/3, so that
    /// the variance is 1/3 + 2/3 = 1 and the effective degrees of freedom are 1/((1/9)/2 + (4/9)/3) = 4.909; t for 95.45 % there
    /// is 2.67 (between 2.87 for 4 and 2.65 for 5: JCGM 100:2008, table G.2).
    #[test]
    fn two_samples_are_compared_as_welch_does() {
        let bench = Some("bench-1");
        let records: Vec<Of> =
            [("a", "W1"), ("b", "W1"), ("c", "W1"), ("d", "W2"), ("e", "W2"), ("f", "W2"), ("g", "W2")]
                .map(|(serial, build)| (serial, build, bench))
                .to_vec();
        let sizes = [51.0, 52.0, 53.0, 48.0, 50.0, 52.0, 50.0];
        let values: Vec<_> = (1..).zip(sizes).map(|(n, v)| ("hot", value(n, v, 0.6, 0.6))).collect();
        let found = compared(&records, &values);
        let own = &found.differences[0];
        assert_eq!((own.a.units, own.b.units, own.change), (3, 4, Some(-2.0)));
        assert!((own.uncertainty.unwrap() - 2.67).abs() < 0.02, "{own:?}");
        assert_eq!((own.is_towards_limit, own.is_clear()), (Some(true), false));
        // Another station's chain is on one side alone: variance 1 + 2 · 0.3², 6.8 degrees of freedom, t of 2.44 (2.52 for 6, 2.43 for 7).
        let apart: Vec<Of> = (0..)
            .zip(&records)
            .map(|(n, own)| (own.0, own.1, if n < 3 { bench } else { Some("bench-2") }))
            .collect();
        let wider = compared(&apart, &values).differences[0].uncertainty.unwrap();
        assert!((wider - 2.44 * 1.18_f64.sqrt()).abs() < 0.02, "{wider}");
    }

    #[test]
    fn one_unit_has_its_own_uncertainty_alone() {
        let records = [("a", "W1", Some("b")), ("z", "W2", Some("b"))];
        let values = [("hot", value(1, 52.0, 0.5, 0.3)), ("hot", value(2, 50.0, 0.5, 0.3))];
        let own = &compared(&records, &values).differences[0];
        // The chain cancels: 0.4 of each is left.
        assert!((own.uncertainty.unwrap() - 0.4 * 2f64.sqrt()).abs() < 1e-12 && own.is_clear());
        let unnamed = [("a", "W1", None), ("z", "W2", None)];
        let own = &compared(&unnamed, &values).differences[0];
        assert!((own.uncertainty.unwrap() - 0.5 * 2f64.sqrt()).abs() < 1e-12);
    }

    /// Units from 48 to 56 deg, each 1 deg less in the second build, to 0.1 deg.
    #[test]
    fn the_same_units_are_compared_each_with_itself() {
        let serials = ["a", "b", "c"];
        let records: Vec<Of> =
            ["W1", "W2"].iter().flat_map(|build| serials.map(|serial| (serial, *build, Some("b")))).collect();
        let sizes = [48.0, 52.0, 56.0, 47.1, 51.0, 54.9];
        let values: Vec<_> = (1..).zip(sizes).map(|(n, v)| ("hot", value(n, v, 0.02, 0.0))).collect();
        let found = compared(&records, &values);
        let own = &found.differences[0];
        assert_eq!(found.in_both, 3);
        // s = 0.1, n = 3: t of 4.53 for 2 degrees of freedom (JCGM 100:2008, table G.2) times 0.1/sqrt 3.
        assert!((own.change.unwrap() + 1.0).abs() < 1e-9);
        assert!((own.uncertainty.unwrap() - 4.53 * 0.1 / 3f64.sqrt()).abs() < 1e-3, "{own:?}");
    }

    #[test]
    fn what_corners_share_is_told_once_and_a_bound_tells_no_difference() {
        let records = [("a", "W1", Some("b")), ("z", "W2", Some("b"))];
        let mut bound = value(2, 60.0, 0.1, 0.0);
        bound.at_least = true;
        let of = |corner, a: f64, b: f64| [(corner, value(1, a, 0.2, 0.0)), (corner, value(2, b, 0.2, 0.0))];
        let mut values = [of("cold", 50.0, 48.9), of("hot", 60.0, 59.1), of("room", 55.0, 54.0)].concat();
        values.extend([
            ("burn", value(1, 60.0, 0.1, 0.0)),
            ("burn", bound),
            ("one", value(1, 5.0, 0.1, 0.0)),
        ]);
        let found = compared(&records, &values);
        let own = &found.common[0];
        assert_eq!((own.corners, own.said), (3, Said::Common));
        assert!((own.change + 1.0).abs() < 1e-9, "{own:?}");
        assert!((own.uncertainty.unwrap() - 0.2 * (2.0 / 3.0_f64).sqrt()).abs() < 1e-9);
        let order: Vec<&str> = found.differences.iter().map(|own| own.corner.as_str()).collect();
        assert_eq!(order, ["cold", "room", "hot", "burn"]);
        assert_eq!(found.differences[3].change, None);
        assert_eq!(found.alone, [OneSided { side: OneSide::A, corner: "one".to_owned() }]);
        values[1].1.value = 55.0;
        assert_eq!(compared(&records, &values).common[0].said, Said::Differs);
    }
}
