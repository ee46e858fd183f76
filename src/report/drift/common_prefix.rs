//! Numbers that stand together: one prefix, the same decimals.

use crate::check::Unit;
use crate::drift::SeriesOutcome;
use crate::quantity::si;

/// Decimals at most: what is finer says nothing of a loop.
const MOST_DECIMALS: usize = 9;
/// Decimals that may be added so that a rounded value stays on its side of a limit.
const SIDE_DECIMALS: usize = 3;

/// How the numbers of a table or a sentence are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    /// What a shown 1 stands for, in the unit.
    scale: f64,
    prefix: &'static str,
    unit: Unit,
    decimals: usize,
}

impl Scale {
    /// For values up to `largest`, told apart by `resolution`, two digits of which are shown.
    pub(super) fn new(largest: f64, resolution: f64, unit: Unit) -> Self {
        let (scale, prefix) = match unit {
            Unit::Hz | Unit::S => si(largest),
            Unit::Deg | Unit::Db | Unit::PointsPerDecade | Unit::One => (1.0, ""),
        };
        // Values that nothing tells apart: four digits after the first.
        let resolution = if resolution > 0.0 { resolution } else { largest / 1e3 };
        Self { scale, prefix, unit, decimals: 0 }.resolving(resolution)
    }

    /// For the values of a series: told apart by the smaller of the spread between units and that of the means, and never
    /// rounded across a limit.
    pub(super) fn of(series: &SeriesOutcome) -> Self {
        let values = || series.groups.iter().flat_map(|g| [g.mean, g.min, g.max]).flatten();
        let means = || series.groups.iter().filter_map(|group| group.mean);
        let bounds = || [series.limit.min, series.limit.max].into_iter().flatten();
        let largest = values().chain(bounds()).map(f64::abs).fold(0.0, f64::max);
        let sds: Vec<f64> = series.groups.iter().filter_map(|g| g.sd).filter(|sd| *sd > 0.0).collect();
        let of_units = sds.iter().sum::<f64>() / sds.len().max(1) as f64;
        let of_means = series.chart.as_ref().map_or(0.0, |chart| chart.sigma);
        let across = means().fold(f64::NEG_INFINITY, f64::max) - means().fold(f64::INFINITY, f64::min);
        let resolution = [of_units, of_means].into_iter().filter(|spread| *spread > 0.0).reduce(f64::min);
        // Without a spread, a tenth of what the means cover.
        let are_counts = series.unit == Unit::One && values().all(|value| value.fract() == 0.0);
        let resolution = resolution.unwrap_or(match (across > 0.0, are_counts) {
            (true, _) => across / 10.0,
            // Whole numbers all alike.
            (false, true) => 10.0,
            (false, false) => 0.0,
        });
        let first = Self::new(largest, resolution, series.unit);
        (0..=SIDE_DECIMALS)
            .map(|more| Self { decimals: first.decimals + more, ..first })
            .find(|scale| values().all(|value| bounds().all(|bound| scale.keeps_side(value, bound))))
            .unwrap_or(first)
    }

    /// The same prefix, with decimals for another resolution, in the unit.
    pub(super) fn resolving(self, resolution: f64) -> Self {
        let shown = resolution / self.scale;
        let places = if shown > 0.0 { 1.0 - shown.log10().floor() } else { 0.0 };
        Self { decimals: (places.max(0.0) as usize).min(MOST_DECIMALS), ..self }
    }

    fn keeps_side(&self, value: f64, bound: f64) -> bool {
        let step = 10f64.powi(i32::try_from(self.decimals).unwrap_or(0));
        let round = |value: f64| (value / self.scale * step).round();
        // Equal within the rounding of binary fractions.
        let is_same = (value - bound).abs() <= 1e-12 * bound.abs().max(value.abs());
        is_same || (round(value) < round(bound)) == (value < bound) && round(value) != round(bound)
    }

    /// `52.31`
    pub(super) fn number(&self, value: f64) -> String {
        let text = format!("{:.*}", self.decimals, value / self.scale);
        // No minus sign before a zero.
        match text.strip_prefix('-') {
            Some(zero) if zero.bytes().all(|b| matches!(b, b'0' | b'.')) => zero.to_owned(),
            _ => text,
        }
    }

    /// `52.31 deg`
    pub(super) fn text(&self, value: f64) -> String {
        self.with_unit(&self.number(value))
    }

    /// Zeros at the end dropped: `52 deg` for a mark on a scale.
    pub(super) fn short(&self, value: f64) -> String {
        let number = self.number(value);
        if number.contains('.') {
            self.with_unit(number.trim_end_matches('0').trim_end_matches('.'))
        } else {
            self.with_unit(&number)
        }
    }

    /// What the numbers are in: `kHz`; empty for bare numbers.
    pub(super) fn symbol(&self) -> String {
        if self.unit == Unit::One { String::new() } else { format!("{}{}", self.prefix, self.unit.symbol()) }
    }

    fn with_unit(&self, number: &str) -> String {
        if self.unit == Unit::One { number.to_owned() } else { format!("{number} {}", self.symbol()) }
    }
}

/// A value of a group as tables show it.
pub(in crate::report) fn value_text(series: &SeriesOutcome, value: f64) -> String {
    Scale::of(series).text(value)
}

#[cfg(test)]
mod tests {
    use super::super::sample_drift;
    use super::*;

    #[test]
    fn two_digits_of_the_resolution_are_shown() {
        let scale = Scale::new(9310.4, 120.0, Unit::Hz);
        assert_eq!((scale.text(9310.4), scale.text(-0.1)), ("9.31 kHz".to_owned(), "0.00 kHz".to_owned()));
        assert_eq!(Scale::new(60.0, 0.4, Unit::Deg).text(52.313), "52.31 deg");
        assert_eq!(Scale::new(60.0, 25.0, Unit::Deg).text(52.313), "52 deg");
        assert_eq!(Scale::new(1.3e-5, 2e-7, Unit::S).text(1.3157e-5), "13.16 us");
        assert_eq!(Scale::new(0.7, 0.01, Unit::One).short(0.7), "0.7");
        assert_eq!(Scale::new(0.7, 0.0, Unit::One).number(0.7), "0.70000");
        assert_eq!(Scale::new(0.0, 0.0, Unit::Deg).text(0.0), "0 deg");
    }

    #[test]
    fn a_mean_is_not_rounded_across_its_limit() {
        let mut series = sample_drift::creeping().series.remove(0);
        (series.groups, series.chart) = (vec![sample_drift::group(12, 49.9996, 2.3)], None);
        assert_eq!(Scale::of(&series).text(49.9996), "49.9996 deg");
        (series.quantity, series.unit) = ("crossings".to_owned(), Unit::One);
        series.limit = crate::check::Limit { min: None, max: Some(1.0) };
        series.groups = vec![sample_drift::group(12, 1.0, 0.0); 3];
        assert_eq!(Scale::of(&series).text(1.0), "1");
    }
}
