//! One quantity at one corner, gathered value by value in any order: memory grows with the groups, not with the units.

use super::series_index::Place;
use super::{GroupStats, Moments, Population};

/// Running mean and sum of squared deviations (Welford 1962; Chan, Golub and LeVeque 1983 for putting two together; from
/// memory).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Running {
    count: u64,
    mean: f64,
    squares: f64,
    min: f64,
    max: f64,
}

impl Running {
    /// Takes a value.
    pub fn add(&mut self, value: f64) {
        let is_first = self.count == 0;
        self.min = if is_first { value } else { self.min.min(value) };
        self.max = if is_first { value } else { self.max.max(value) };
        self.count += 1;
        let step = value - self.mean;
        self.mean += step / self.count as f64;
        self.squares += step * (value - self.mean);
    }

    /// Takes all values of another.
    pub fn join(&mut self, other: &Self) {
        if other.count == 0 {
            return;
        }
        if self.count == 0 {
            *self = *other;
            return;
        }
        (self.min, self.max) = (self.min.min(other.min), self.max.max(other.max));
        let (n, m) = (self.count as f64, other.count as f64);
        let step = other.mean - self.mean;
        self.count += other.count;
        self.mean += step * (m / (n + m));
        self.squares += other.squares + step * step * (n * m / (n + m));
    }

    /// How many values.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Their mean; `None` of none.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }

    /// Their standard deviation, n - 1; `None` of fewer than two.
    #[must_use]
    pub fn sd(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).sqrt())
    }

    /// All of it; `None` of no value.
    #[must_use]
    pub fn moments(&self) -> Option<Moments> {
        Some(Moments {
            count: usize::try_from(self.count).ok()?,
            mean: self.mean()?,
            sd: self.sd(),
            min: self.min,
            max: self.max,
        })
    }
}

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

#[derive(Debug, Clone, Copy, Default)]
struct Gathered {
    moments: Running,
    bounds: u64,
    /// Sum of squares of what is not the chain's.
    noise: f64,
    chain: f64,
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
            Some(Place::Group(index)) => {
                if let Some(group) = self.groups.get_mut(index) {
                    group.add(value);
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
    pub fn finish(self, population: &Population) -> Series {
        let mut all = Running::default();
        self.groups.iter().for_each(|group| all.join(&group.moments));
        let groups = self.groups.iter().zip(&population.groups);
        Series {
            all,
            groups: groups.map(|(group, head)| group.stats(head.stations.len())).collect(),
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
    fn add(&mut self, value: &RecordValue) {
        if value.at_least {
            self.bounds += 1;
            return;
        }
        self.moments.add(value.value);
        match value.uncertainty {
            Some(uncertainty) => {
                // Where the parts are not known, none of it averages away.
                let chain = value.chain.unwrap_or(uncertainty).min(uncertainty);
                self.chain += chain;
                self.noise += uncertainty * uncertainty - chain * chain;
            }
            None => self.is_open = true,
        }
    }

    fn stats(&self, stations: usize) -> GroupStats {
        let count = self.moments.count();
        let some = |value: f64| (count > 0).then_some(value);
        let n = count as f64;
        // One chain a station: its error is the same in all of its units.
        let chain = self.chain / n / (stations.max(1) as f64).sqrt();
        let known = count > 0 && !self.is_open;
        GroupStats {
            units: count,
            bounds: self.bounds,
            mean: self.moments.mean(),
            sd: self.moments.sd(),
            min: some(self.moments.min),
            max: some(self.moments.max),
            uncertainty: known.then(|| chain.hypot(self.noise.sqrt() / n)),
            chain: known.then_some(chain),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_join_as_if_taken_one_by_one() {
        let values: Vec<f64> = (0..57).map(|k| 1e6 + (f64::from(k) * 1.7).sin()).collect();
        let mut whole = Running::default();
        values.iter().for_each(|value| whole.add(*value));
        let mut joined = Running::default();
        for part in values.chunks(10) {
            let mut own = Running::default();
            part.iter().for_each(|value| own.add(*value));
            joined.join(&own);
        }
        joined.join(&Running::default());
        let exact = {
            let mean = values.iter().sum::<f64>() / 57.0;
            (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 56.0).sqrt()
        };
        for moments in [whole, joined] {
            assert_eq!(moments.count(), 57);
            assert!((moments.sd().unwrap() / exact - 1.0).abs() < 1e-8);
        }
        assert_eq!(Running::default().mean(), None);
    }

    /// Three units: what is not the chain's averages away, the chain's does not within a station.
    #[test]
    fn the_mean_of_a_group_is_as_uncertain_as_its_chain_and_its_units() {
        let gathered = |values: &[(f64, Option<f64>, Option<f64>, bool)]| {
            let mut own = Gathered::default();
            for &(value, uncertainty, chain, at_least) in values {
                own.add(&RecordValue { record: 0, value, uncertainty, chain, at_least });
            }
            own
        };
        let three = [1.0, 2.0, 6.0].map(|value| (value, Some(0.5), Some(0.3), false));
        let one_station = gathered(&three).stats(1);
        assert_eq!(
            (one_station.units, one_station.mean, one_station.min, one_station.max),
            (3, Some(3.0), Some(1.0), Some(6.0))
        );
        let close = |found: Option<f64>, exact: f64| {
            assert!((found.unwrap() - exact).abs() < 1e-12, "{found:?} {exact}")
        };
        close(one_station.chain, 0.3);
        close(one_station.uncertainty, 0.3_f64.hypot(0.4 / 3f64.sqrt()));
        let two_stations = gathered(&three).stats(2);
        close(two_stations.chain, 0.3 / 2f64.sqrt());
        close(gathered(&three).stats(0).chain, 0.3);
        // Where the parts are not known, none of it averages away.
        close(gathered(&three.map(|(value, u, _, _)| (value, u, None, false))).stats(1).uncertainty, 0.5);
        // A value without an uncertainty leaves that of the mean open, a bound counts as one.
        let mut open = gathered(&[three[0], (2.0, None, None, false), (9.0, Some(0.1), None, true)]);
        let stats = open.stats(1);
        assert_eq!(
            (stats.units, stats.bounds, stats.uncertainty, stats.chain, stats.max),
            (2, 1, None, None, Some(2.0))
        );
        open = gathered(&[(9.0, Some(0.1), None, true)]);
        let stats = open.stats(1);
        assert_eq!(
            (stats.units, stats.mean, stats.min, stats.max, stats.uncertainty),
            (0, None, None, None, None)
        );
    }

    #[test]
    fn one_value_has_no_scatter() {
        let mut own = Running::default();
        own.add(-2.0);
        assert_eq!((own.sd(), own.moments().unwrap().min, own.moments().unwrap().max), (None, -2.0, -2.0));
        own.add(-4.0);
        assert_eq!(
            (own.sd(), own.moments().unwrap().min, own.moments().unwrap().max),
            (Some(2f64.sqrt()), -4.0, -2.0)
        );
    }
}
