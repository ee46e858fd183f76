//! How many groups until the trend reaches a limit.
//!
//! The interval is Fieller's (E. C. Fieller, J. Royal Statistical Society B 16, 1954; from memory): the places at which the limit lies inside
//! the 95 % interval of the fitted height. That interval is put together from those of the height in the middle of the groups
//! and of the slope, which are independent there, each side from its own distances (A. Donner and G. Y. Zou, *Statistical Methods in
//! Medical Research* 21, 2012; from memory): with c groups from the middle, height + c slope -/+ sqrt(A² + c² B²).

use super::trend::Trend;
use crate::decision::{Limit, Verdict};

/// When the trend reaches a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// The limit that the trend leads to: the side of it that is set.
    pub reaches: Limit,
    /// Groups from the newest one until the fitted line reaches it; 0 when it lies beyond already.
    pub in_groups: f64,
    /// Lower end of its two-sided 95 % interval, 0 or more.
    pub low: f64,
    /// Upper end; `None` when it may as well never be reached.
    pub high: Option<f64>,
}

impl Forecast {
    /// Where a trend leads; `None` when it leads away from every limit, or nowhere.
    ///
    /// ```
    /// use loopgauge::decision::{Limit, Verdict};
    /// use loopgauge::drift::{Forecast, Trend};
    ///
    /// let means = [54.4, 54.2, 54.0, 53.8, 53.6, 53.4].map(Some);
    /// let trend = Trend::of(&means).ok_or("too few groups")?;
    /// let forecast = Forecast::of(&trend, &Limit { min: Some(52.0), max: None }).ok_or("leads away")?;
    /// assert!((forecast.in_groups - 7.0).abs() < 1e-6);
    /// assert_eq!(forecast.verdict(&trend, 8), Verdict::Fail);
    /// # Ok::<(), &'static str>(())
    /// ```
    #[must_use]
    pub fn of(trend: &Trend, limit: &Limit) -> Option<Self> {
        let falls = trend.per_group < 0.0;
        let (bound, reaches) = if falls {
            (limit.min?, Limit { max: None, ..*limit })
        } else if trend.per_group > 0.0 {
            (limit.max?, Limit { min: None, ..*limit })
        } else {
            return None;
        };
        // Seen so that the trend always closes in: speed is positive, `early` and `late` are the distances to its interval's ends.
        let (speed, early, late) = if falls {
            (-trend.per_group, trend.per_group - trend.low, trend.high - trend.per_group)
        } else {
            (trend.per_group, trend.high - trend.per_group, trend.per_group - trend.low)
        };
        let ahead_of_newest =
            if falls { trend.level_at_newest - bound } else { bound - trend.level_at_newest };
        let from_middle = trend.from_middle;
        let approach = Approach {
            distance: ahead_of_newest + speed * from_middle,
            distance_error: trend.level_half_width,
            speed,
        };
        let in_groups = (ahead_of_newest / speed).max(0.0);
        let low = approach.first(early).map_or(0.0, |c| (c - from_middle).max(0.0)).min(in_groups);
        let high = approach.last(late).map(|c| (c - from_middle).max(in_groups));
        in_groups.is_finite().then_some(Self { reaches, in_groups, low, high })
    }

    /// The verdict when no limit may be reached within `groups`: fails when the fitted line does, is undecided when only the
    /// lower end does. Without a trend, its interval being on both sides of 0, it passes.
    #[must_use]
    pub fn verdict(&self, trend: &Trend, groups: u32) -> Verdict {
        let allowed = f64::from(groups);
        if !trend.excludes_zero() || self.low > allowed {
            Verdict::Pass
        } else if self.in_groups <= allowed {
            Verdict::Fail
        } else {
            Verdict::Undecided
        }
    }
}

/// A line closing in on a bound: distance d in the middle with half width A, speed s with half width B to one side.
struct Approach {
    distance: f64,
    distance_error: f64,
    speed: f64,
}

impl Approach {
    /// Where the near end d - c s - sqrt(A² + c² B²) becomes 0; `None` when it is at or below 0 in the middle already. It falls with c,
    /// so there is one such place: the positive root of the squared equation, written so that nothing cancels.
    fn first(&self, b: f64) -> Option<f64> {
        let (d, a, s) = (self.distance, self.distance_error, self.speed);
        if d <= a {
            return None;
        }
        let clear = d * d - a * a;
        Some(clear / (d * s + (s * s * a * a + b * b * clear).sqrt()))
    }

    /// Where the far end d - c s + sqrt(A² + c² B²) becomes 0 for good: nowhere unless the speed's interval excludes 0.
    fn last(&self, b: f64) -> Option<f64> {
        let (d, a, s) = (self.distance, self.distance_error, self.speed);
        if b >= s {
            return None;
        }
        let root = (s * s * a * a + b * b * (d * d - a * a)).max(0.0).sqrt();
        let place = (d * s + root) / ((s - b) * (s + b));
        place.is_finite().then_some(place)
    }
}

#[cfg(test)]
mod tests {
    use super::super::trend::LeastSquares;
    use super::*;

    fn trend(per_group: f64, low: f64, high: f64, level_at_newest: f64) -> Trend {
        let least_squares = LeastSquares { per_group, low, high };
        Trend {
            groups: 9,
            per_group,
            low,
            high,
            level_at_newest,
            least_squares,
            from_middle: 4.0,
            level_half_width: 0.5,
        }
    }

    fn limit(min: Option<f64>, max: Option<f64>) -> Limit {
        Limit { min, max }
    }

    /// At the ends of the interval the band about the line touches the limit (definition of the interval).
    #[test]
    fn the_band_touches_the_limit_at_both_ends() {
        let falling = trend(-0.2, -0.3, -0.15, 52.0);
        let forecast = Forecast::of(&falling, &limit(Some(50.0), Some(60.0))).unwrap();
        assert_eq!(forecast.reaches, limit(Some(50.0), None));
        assert!((forecast.in_groups - 10.0).abs() < 1e-12);
        let band = |groups: f64, slope_half: f64| {
            let c = groups + 4.0;
            (52.0 - 0.2 * groups, (0.5f64.powi(2) + (c * slope_half).powi(2)).sqrt())
        };
        let (height, half) = band(forecast.low, 0.1);
        assert!((height - half - 50.0).abs() < 1e-12);
        let (height, half) = band(forecast.high.unwrap(), 0.05);
        assert!((height + half - 50.0).abs() < 1e-12);
        let rising = Forecast::of(&trend(0.2, 0.15, 0.3, 48.0), &limit(Some(40.0), Some(50.0))).unwrap();
        assert_eq!(rising.reaches, limit(None, Some(50.0)));
        for (a, b) in [
            (rising.in_groups, forecast.in_groups),
            (rising.low, forecast.low),
            (rising.high.unwrap(), forecast.high.unwrap()),
        ] {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn what_may_never_be_reached_has_no_end() {
        let unsure = trend(-0.2, -0.5, 0.1, 52.0);
        let forecast = Forecast::of(&unsure, &limit(Some(50.0), None)).unwrap();
        assert_eq!(forecast.high, None);
        assert!(forecast.low > 0.0 && forecast.low < forecast.in_groups);
        assert_eq!(forecast.verdict(&unsure, 50), Verdict::Pass);
    }

    #[test]
    fn away_from_every_limit_there_is_no_forecast() {
        let falling = trend(-0.2, -0.3, -0.1, 52.0);
        assert_eq!(Forecast::of(&falling, &limit(None, Some(60.0))), None);
        assert_eq!(Forecast::of(&trend(0.0, 0.0, 0.0, 52.0), &limit(Some(50.0), Some(60.0))), None);
    }

    #[test]
    fn beyond_the_limit_it_is_reached_now() {
        let falling = trend(-0.2, -0.3, -0.15, 49.0);
        let forecast = Forecast::of(&falling, &limit(Some(50.0), None)).unwrap();
        assert_eq!((forecast.in_groups, forecast.low), (0.0, 0.0));
        assert_eq!(forecast.verdict(&falling, 1), Verdict::Fail);
    }

    #[test]
    fn verdicts_by_the_groups_allowed() {
        let falling = trend(-0.2, -0.3, -0.15, 52.0);
        let forecast = Forecast::of(&falling, &limit(Some(50.0), None)).unwrap();
        assert!(forecast.low > 4.0 && forecast.low < 9.0);
        let verdicts = [4, 9, 10].map(|groups| forecast.verdict(&falling, groups));
        assert_eq!(verdicts, [Verdict::Pass, Verdict::Undecided, Verdict::Fail]);
    }

    #[test]
    fn without_scatter_the_ends_are_the_forecast() {
        let means: Vec<_> = (0..8).map(|k| Some(60.0 - f64::from(k))).collect();
        let trend = Trend::of(&means).unwrap();
        let forecast = Forecast::of(&trend, &limit(Some(50.0), None)).unwrap();
        assert_eq!((forecast.in_groups, forecast.low, forecast.high), (3.0, 3.0, Some(3.0)));
    }
}
