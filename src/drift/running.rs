//! Mean and scatter of values as they come, whose sums join.

use super::Moments;

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
