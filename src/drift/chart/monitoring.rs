//! A chart over the monitored groups.

use super::plot::{Plot, Point, Standard};
use super::{Parameters, Setup, Signal, Spell, cusum, ewma, individuals};
use crate::spec::Chart;

/// A chart over the monitored groups.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(not(feature = "cli"), non_exhaustive)]
pub struct ChartRun {
    /// What is drawn.
    pub plot: Plot,
    /// Every rule met, ordered by group.
    pub signals: Vec<Signal>,
}

impl ChartRun {
    /// The first signal.
    #[must_use]
    pub fn first(&self) -> Option<&Signal> {
        self.signals.first()
    }

    /// The signals of each lasting deviation together, ordered by their first.
    #[must_use]
    pub fn spells(&self) -> Vec<Spell> {
        Spell::of(&self.signals)
    }
}

/// Runs a chart over the groups that follow the setup groups, in their order.
///
/// Each mean is taken in its own standard deviations, so that groups of unequal size are held alike; averages and sums are drawn
/// on the scale of the setup's spread. `widening` multiplies all limits (of sums the decision interval), at least 1
/// ([`super::widening()`]; 1: centre and spread are known). A group signals once for each rule and side that it meets.
#[must_use]
pub fn run_chart(
    kind: Chart,
    setup: &Setup,
    points: &[Point],
    parameters: &Parameters,
    widening: f64,
) -> ChartRun {
    run_widened(kind, setup, points, parameters, &vec![widening; points.len()])
}

/// The same with a factor for each point. A [`Chart::ChangePoint`] stands on no setup alone, so none is drawn of it and it never
/// signals here: see [`super::changepoint()`].
#[must_use]
pub fn run_widened(
    kind: Chart,
    setup: &Setup,
    points: &[Point],
    parameters: &Parameters,
    widening: &[f64],
) -> ChartRun {
    let z: Vec<Standard> = points.iter().map(|point| (point.value - setup.center) / point.sigma).collect();
    let (plot, signals) = match kind {
        Chart::Individuals => individuals::run(setup, points, &z, &parameters.individuals, widening),
        Chart::Ewma => ewma::run(setup, &z, &parameters.ewma, widening),
        Chart::Cusum => cusum::run(setup, &z, &parameters.cusum, widening),
        Chart::ChangePoint => (Plot::Lines(Vec::new()), Vec::new()),
    };
    ChartRun { plot, signals }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::chart::{Rule, Side};
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::SeedableRng;

    const KNOWN: Setup = Setup { center: 0.0, sigma: 1.0, groups: 8 };

    fn points(values: &[f64]) -> Vec<Point> {
        values.iter().map(|value| Point { value: *value, sigma: 1.0 }).collect()
    }

    fn run(kind: Chart, values: &[f64], widening: f64) -> ChartRun {
        run_chart(kind, &KNOWN, &points(values), &Parameters::default(), widening)
    }

    /// What the widening is found by is the chart that is run.
    #[test]
    fn a_chart_signals_exactly_where_its_points_reach() {
        let mut random = Pcg64::seed_from_u64(31);
        let parameters = Parameters::default();
        let (mut signalled, mut silent) = (0, 0);
        for length in [1, 3, 4, 7, 20, 45] {
            for _ in 0..300 {
                let z: Vec<f64> = (0..length).map(|_| StandardNormal.sample(&mut random)).collect();
                for (kind, reach) in [
                    (Chart::Individuals, individuals::reach(&z, &parameters.individuals)),
                    (Chart::Ewma, ewma::reach(&z, &parameters.ewma)),
                    (Chart::Cusum, cusum::reach(&z, &parameters.cusum)),
                ] {
                    for widening in [1.0, 1.05, 1.2, 1.5, 2.0] {
                        let reached = reach.iter().any(|r| r.deviation > r.fixed + r.widened * widening);
                        let first = run(kind, &z, widening).first().copied();
                        assert_eq!(first.is_some(), reached, "{kind:?} {widening} {z:?}");
                        *(if reached { &mut signalled } else { &mut silent }) += 1;
                    }
                }
            }
        }
        assert!(signalled > 500 && silent > 500, "{signalled} {silent}");
    }

    #[test]
    fn groups_of_unequal_sigma_are_held_by_their_own() {
        let values = [5.9, 6.1, -6.1];
        let unequal: Vec<Point> = values.iter().map(|value| Point { value: *value, sigma: 2.0 }).collect();
        let run = run_chart(Chart::Individuals, &KNOWN, &unequal, &Parameters::default(), 1.0);
        let single: Vec<_> = run.signals.iter().filter(|s| s.rule == Rule::Individuals).collect();
        assert_eq!(
            single.iter().map(|s| (s.index, s.side, s.limit)).collect::<Vec<_>>(),
            [(1, Side::High, 6.0), (2, Side::Low, -6.0)]
        );
        for kind in [Chart::Ewma, Chart::Cusum] {
            let twice = run_chart(kind, &KNOWN, &unequal, &Parameters::default(), 1.0);
            let half: Vec<f64> = values.iter().map(|value| value / 2.0).collect();
            assert_eq!(twice, self::run(kind, &half, 1.0));
        }
    }

    /// 0.3 x 4 = 1.2 beyond the steady 1.26, but not at once: the exact limit at the first group is 0.9.
    #[test]
    fn the_average_says_since_when_it_was_on_that_side() {
        let run = run(Chart::Ewma, &[0.5, -1.0, 2.5, 2.5, 2.5], 1.0);
        let first = run.first().unwrap();
        assert_eq!((first.rule, first.side, first.since), (Rule::Ewma, Side::High, 2));
        assert_eq!(run.spells().len(), 1);
        assert_eq!(self::run(Chart::Ewma, &[4.0], 1.0).first().map(|s| (s.value, s.since)), Some((1.2, 0)));
    }

    #[test]
    fn a_sum_that_falls_back_is_silent_and_two_shifts_are_two_spells() {
        let one = run(Chart::Cusum, &[0.0, 9.0, 0.0, 0.0, 0.0], 1.0);
        assert_eq!(one.signals.iter().map(|s| (s.index, s.since)).collect::<Vec<_>>(), [(1, 1)]);
        let two = run(Chart::Individuals, &[4.0, 4.0, 0.0, 0.0, 0.0, 0.0, -4.0, 0.0, 0.0, 4.0], 1.0);
        let spells = two.spells();
        let places: Vec<_> = spells.iter().map(|s| (s.side, s.since, s.first, s.last)).collect();
        assert_eq!(places, [(Side::High, 0, 0, 1), (Side::Low, 6, 6, 6), (Side::High, 9, 9, 9)]);
        assert_eq!(spells[0].rules, [Rule::Individuals, Rule::TwoOfThree]);
    }

    #[test]
    fn nothing_to_watch_says_nothing() {
        for kind in [Chart::Individuals, Chart::Ewma, Chart::Cusum] {
            assert_eq!(run(kind, &[], 1.0).first(), None);
        }
    }
}
