//! One quantity at one corner, gathered value by value in any order: memory grows with the groups, not with the units.

use super::series_index::Place;
use super::stations::{Part, Stations};
use super::{GroupStats, Population, Running};
use std::num::NonZeroU32;

/// A value of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordValue {
    /// Number of the record.
    pub record: i64,
    /// The value.
    pub value: f64,
    /// Its expanded uncertainty.
    pub uncertainty: Option<f64>,
    /// The part of it that the measuring chain brings, expanded.
    pub chain: Option<f64>,
    /// Whether it is only a lower bound.
    pub at_least: bool,
}

#[derive(Debug, Clone, Default)]
struct Gathered {
    moments: Running,
    bounds: u64,
    /// Sum of squares of what is not the chain's.
    noise: f64,
    /// By station.
    parts: Vec<Part>,
    /// A value without a known uncertainty is among them.
    is_open: bool,
}

/// What all groups of a series hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// As many as the population has.
    pub groups: Vec<GroupStats>,
    /// All values of all groups.
    pub all: Running,
    /// Values of each reference unit of the population, by age.
    pub references: Vec<Vec<f64>>,
    /// What stations differ by.
    pub stations: Stations,
}

impl Series {
    /// The groups with their means as the stations of the newest group measured them, for what is held against each other; `None` where
    /// that changes nothing.
    pub(super) fn compared(&self) -> Option<Vec<GroupStats>> {
        let moved = |(k, group): (usize, &GroupStats)| GroupStats {
            mean: group.mean.map(|mean| mean - self.stations.off(k)),
            ..*group
        };
        self.stations.is_any_off().then(|| self.groups.iter().enumerate().map(moved).collect())
    }
}

/// Gathers the values of one series.
#[derive(Debug, Clone)]
pub struct SeriesBuilder {
    groups: Vec<Gathered>,
    references: Vec<Vec<(usize, f64)>>,
}

impl SeriesBuilder {
    /// For the groups of a population.
    #[must_use]
    pub fn new(population: &Population) -> Self {
        Self {
            groups: vec![Gathered::default(); population.groups.len()],
            references: vec![Vec::new(); population.references.len()],
        }
    }

    /// Takes a value of a record of the population; those of records that do not count are passed over.
    pub fn add(&mut self, population: &Population, value: &RecordValue) {
        match population.place(value.record) {
            Some(Place::Group(index, station)) => {
                if let Some(group) = self.groups.get_mut(index) {
                    group.add(value, station);
                }
            }
            Some(Place::Reference(index, order)) if !value.at_least => {
                if let Some(list) = self.references.get_mut(index) {
                    list.push((order, value.value));
                }
            }
            Some(Place::Reference(..)) | None => {}
        }
    }

    /// What was gathered.
    #[must_use]
    pub fn finish(self) -> Series {
        let mut all = Running::default();
        self.groups.iter().for_each(|group| all.join(&group.moments));
        let parts: Vec<&[Part]> = self.groups.iter().map(|group| group.parts.as_slice()).collect();
        Series {
            all,
            stations: Stations::of(&parts, self.groups.iter().any(|group| group.is_open)),
            groups: self.groups.iter().map(Gathered::stats).collect(),
            references: self
                .references
                .into_iter()
                .map(|mut list| {
                    list.sort_by_key(|(order, _)| *order);
                    list.into_iter().map(|(_, value)| value).collect()
                })
                .collect(),
        }
    }
}

impl Gathered {
    fn add(&mut self, value: &RecordValue, station: Option<NonZeroU32>) {
        if value.at_least {
            self.bounds += 1;
            return;
        }
        self.moments.add(value.value);
        // Where the parts are not known, none of it averages away.
        let chain = value.uncertainty.map(|whole| value.chain.unwrap_or(whole).min(whole));
        match value.uncertainty.zip(chain) {
            Some((whole, chain)) => self.noise += whole * whole - chain * chain,
            None => self.is_open = true,
        }
        let chain = chain.unwrap_or(0.0);
        match self.parts.iter_mut().find(|part| part.station == station) {
            Some(part) => {
                part.values.add(value.value);
                part.chain += chain;
            }
            None => {
                let mut values = Running::default();
                values.add(value.value);
                self.parts.push(Part { station, values, chain });
            }
        }
    }

    fn stats(&self) -> GroupStats {
        let count = self.moments.count();
        let moments = self.moments.moments();
        let n = count as f64;
        // One chain a station: its error is the same in all of its units.
        let chain = self.parts.iter().map(|part| part.chain * part.chain).sum::<f64>().sqrt() / n;
        let known = count > 0 && !self.is_open;
        GroupStats {
            units: count,
            bounds: self.bounds,
            mean: self.moments.mean(),
            sd: self.moments.sd(),
            min: moments.map(|moments| moments.min),
            max: moments.map(|moments| moments.max),
            uncertainty: known.then(|| chain.hypot(self.noise.sqrt() / n)),
            chain: known.then_some(chain),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three units: what is not the chain's averages away, the chain's does not within a station; of two stations each counts by its share.
    #[test]
    fn the_mean_of_a_group_is_as_uncertain_as_its_chains_and_its_units() {
        type Value = (f64, Option<f64>, Option<f64>, bool);
        let gathered = |values: &[Value], stations: [u32; 3]| {
            let mut own = Gathered::default();
            for (&(value, uncertainty, chain, at_least), station) in values.iter().zip(stations) {
                let value = RecordValue { record: 0, value, uncertainty, chain, at_least };
                own.add(&value, NonZeroU32::new(station));
            }
            own.stats()
        };
        let three = [1.0, 2.0, 6.0].map(|value| (value, Some(0.5), Some(0.3), false));
        let one = gathered(&three, [1; 3]);
        assert_eq!((one.units, one.mean, one.min, one.max), (3, Some(3.0), Some(1.0), Some(6.0)));
        let close = |found: Option<f64>, exact: f64| {
            assert!((found.unwrap() - exact).abs() < 1e-12, "{found:?} {exact}")
        };
        close(one.chain, 0.3);
        close(one.uncertainty, 0.3_f64.hypot(0.4 / 3f64.sqrt()));
        close(gathered(&three, [1, 2, 3]).chain, 0.3 / 3f64.sqrt());
        close(gathered(&three, [1, 2, 2]).chain, 0.1 * 5f64.sqrt());
        // Runs without a named station may all have come from one.
        close(gathered(&three, [0; 3]).chain, 0.3);
        // Where the parts are not known, none of it averages away.
        close(gathered(&three.map(|(value, u, _, _)| (value, u, None, false)), [1; 3]).uncertainty, 0.5);
        // A value without an uncertainty leaves that of the mean open, a bound counts as one.
        let open = gathered(&[three[0], (2.0, None, None, false), (9.0, Some(0.1), None, true)], [1; 3]);
        assert_eq!((open.units, open.bounds, open.max), (2, 1, Some(2.0)));
        assert_eq!((open.uncertainty, open.chain), (None, None));
        let none = gathered(&[(9.0, Some(0.1), None, true)], [1; 3]);
        assert_eq!(
            (none.units, none.mean, none.min, none.max, none.uncertainty),
            (0, None, None, None, None)
        );
    }
}
