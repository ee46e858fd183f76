//! A small chart in a line of text: where a group's values lie between two ends.
//!
//! | mark | what |
//! | --- | --- |
//! | `o` | mean of the group |
//! | `<`, `-`, `>` | from the lowest to the highest unit |
//! | `*` | what the chart holds against its limits, where that is not the mean |
//! | `[`, `]` | those limits at this group |
//! | `:` | centre line |
//! | `#` | limit of the spec |

use super::common_prefix::Scale;
use crate::check::Limit;
use crate::drift::{ChartPoint, ChartRun, GroupStats, SeriesOutcome};
use crate::spec::Chart;

/// Columns of a strip: what a line of 100 leaves beside the numbers; odd, so that there is a middle.
const WIDTH: usize = 31;

/// What the marks mean, two lines.
pub(super) const LEGEND: [&str; 2] = [
    "(± expanded uncertainty of the mean; on the strip: o mean, <---> lowest to highest unit,",
    "# limit of the spec, : centre line, [ ] limits of the chart, * what it holds against them)",
];

/// The ends of all strips of a series.
#[derive(Debug, Clone, Copy)]
pub(super) struct Strip<'a> {
    low: f64,
    high: f64,
    limit: Limit,
    chart: Option<&'a ChartRun>,
}

impl<'a> Strip<'a> {
    /// A strip that holds everything of the groups at these places, and the limits that lie within its own length of that;
    /// `None` without a value.
    pub(super) fn new(series: &'a SeriesOutcome, shown: &[usize]) -> Option<Self> {
        let chart = series.chart.as_ref();
        let groups = shown.iter().filter_map(|place| series.groups.get(*place));
        let values = groups.flat_map(|group| [group.mean, group.min, group.max]).flatten();
        let points = chart.iter().flat_map(|chart| &chart.points).filter(|p| shown.contains(&p.group));
        let drawn = points.flat_map(|p| [p.statistic, p.low, p.high]).chain(chart.map(|c| c.center));
        let (mut low, mut high) = values
            .chain(drawn)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        if low > high {
            return None;
        }
        let reach = high - low;
        for bound in [series.limit.min, series.limit.max].into_iter().flatten() {
            if bound >= low - reach && bound <= high + reach {
                (low, high) = (low.min(bound), high.max(bound));
            }
        }
        let step = step_of(high - low, high);
        let (low, high) = ((low / step).floor() * step, (high / step).ceil() * step);
        // All at one place, which is a mark of the scale: a step of room on both sides.
        let (low, high) = if low < high { (low, high) } else { (low - step, high + step) };
        Some(Self { low, high, limit: series.limit, chart })
    }

    /// The ends in words, above the strips.
    pub(super) fn ends(&self, scale: Scale) -> String {
        // The ends are multiples of a step no finer than a twentieth of the strip.
        let scale = scale.resolving((self.high - self.low) / 2.0);
        let (left, right) = (scale.short(self.low), scale.short(self.high));
        let room = WIDTH.saturating_sub(left.chars().count());
        format!("{left}{right:>room$}")
    }

    /// Where a limit that is not drawn lies: left or right of the strip.
    pub(super) fn beyond(&self) -> Option<&'static str> {
        let min_is_left = self.limit.min.is_some_and(|min| min < self.low);
        let max_is_right = self.limit.max.is_some_and(|max| max > self.high);
        let min_is_right = self.limit.min.is_some_and(|min| min > self.high);
        let max_is_left = self.limit.max.is_some_and(|max| max < self.low);
        match (min_is_left || max_is_left, max_is_right || min_is_right) {
            (true, true) => Some("the spec's limits lie beyond both ends of the strips"),
            (true, false) => Some("a limit of the spec lies beyond the left end of the strips"),
            (false, true) => Some("a limit of the spec lies beyond the right end of the strips"),
            (false, false) => None,
        }
    }

    /// The strip of one group; `place` is its place among all groups.
    pub(super) fn draw(&self, place: usize, group: &GroupStats) -> String {
        let mut strip = vec![' '; WIDTH];
        let mut put = |value: Option<f64>, mark: char| {
            if let Some(cell) = value.and_then(|value| self.column(value)).and_then(|at| strip.get_mut(at)) {
                *cell = mark;
            }
        };
        let point: Option<&ChartPoint> =
            self.chart.and_then(|chart| chart.points.iter().find(|point| point.group == place));
        // What matters more is drawn later, over the rest.
        if let (Some(min), Some(max)) = (group.min, group.max) {
            for column in 0..WIDTH {
                let at = self.value(column);
                put(Some(at).filter(|at| (min..=max).contains(at)), '-');
            }
            put(Some(min), '<');
            put(Some(max), '>');
        }
        put(self.chart.map(|chart| chart.center), ':');
        put(point.map(|point| point.low), '[');
        put(point.map(|point| point.high), ']');
        put(self.limit.min, '#');
        put(self.limit.max, '#');
        let draws_the_mean = self.chart.is_none_or(|chart| chart.kind == Chart::Individuals);
        put(point.filter(|_| !draws_the_mean).map(|point| point.statistic), '*');
        put(group.mean, 'o');
        strip.into_iter().collect::<String>().trim_end().to_owned()
    }

    fn column(&self, value: f64) -> Option<usize> {
        let share = (value - self.low) / (self.high - self.low);
        // Ends are rounded outwards: a value on an end may lie beyond it by the rounding of binary fractions.
        let is_inside = (-1e-9..=1.0 + 1e-9).contains(&share);
        is_inside.then(|| ((share * (WIDTH - 1) as f64).round().max(0.0) as usize).min(WIDTH - 1))
    }

    fn value(&self, column: usize) -> f64 {
        self.low + (self.high - self.low) * column as f64 / (WIDTH - 1) as f64
    }
}

/// A step of 1, 2 or 5 times a power of ten, about a tenth of the span; from the value itself when there is no span.
fn step_of(span: f64, value: f64) -> f64 {
    let about = if span > 0.0 { span / 10.0 } else { (value.abs() / 100.0).max(f64::MIN_POSITIVE.sqrt()) };
    let power = 10f64.powf(about.log10().floor());
    match about / power {
        m if m < 1.5 => power,
        m if m < 3.5 => 2.0 * power,
        m if m < 7.5 => 5.0 * power,
        _ => 10.0 * power,
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample_drift;
    use super::*;

    #[test]
    fn marks_stand_where_their_values_lie() {
        let product = sample_drift::creeping();
        let mut series = product.series[0].clone();
        series.limit = Limit { min: Some(50.0), max: None };
        let group = GroupStats {
            mean: Some(53.0),
            min: Some(52.0),
            max: Some(54.0),
            ..sample_drift::group(12, 53.0, 0.5)
        };
        series.groups = vec![group, GroupStats { min: Some(50.0), max: Some(56.0), ..group }];
        series.chart = None;
        let strip = Strip::new(&series, &[0, 1]).unwrap();
        // 0.2 deg a column, from 50 deg to 56 deg.
        assert_eq!(strip.draw(0, &group), "#         <----o---->");
        assert_eq!(strip.ends(Scale::of(&series)), "50 deg                   56 deg");
        assert_eq!(strip.beyond(), None);
        series.limit = Limit { min: Some(20.0), max: None };
        let strip = Strip::new(&series, &[0, 1]).unwrap();
        assert_eq!(strip.beyond(), Some("a limit of the spec lies beyond the left end of the strips"));
    }

    #[test]
    fn values_all_alike_stand_in_the_middle() {
        let product = sample_drift::creeping();
        let mut series = product.series[0].clone();
        let group = sample_drift::group(1, 1.0, 0.0);
        (series.groups, series.chart) = (vec![group], None);
        series.limit = Limit { min: None, max: None };
        let strip = Strip::new(&series, &[0]).unwrap();
        assert_eq!(strip.draw(0, &group), format!("{}o", " ".repeat(WIDTH / 2)));
        assert!(Strip::new(&series, &[]).is_none());
    }
}
