//! From groups and values to verdicts: the rules that the newest record's spec asks for.
//!
//! A product has a chart for every limit at every corner, hundreds of them, and a line cannot live with alarms that many charts
//! make by chance. So what is held, within twenty groups and at [`FALSE_ALARMS`] unless another rate is asked for, is the
//! chance that *any* chart of the product sounds without a cause. By default the charts of each new group are judged together
//! ([`Watch`]): one that moves alone must be as rare as a share of the rate, many that move together need to be no rarer
//! than a single chart. A rate that is asked for is divided among the charts alike.

use super::chart::{FALSE_ALARMS, LEAST_TARGET, least_target};
use super::control_charts::{Rate, Watch};
use super::facts::{SeriesKey, Settings};
use super::recording_order::{out_of_order_notes, undated_note};
use super::rules::Rules;
use super::{FalseAlarms, Population, ProductDrift, Series, SeriesOutcome};
use crate::decision::Verdict;

/// Judges the history of a product: the groups that its records fall into, and a series for every limit.
///
/// ```
/// use loopgauge::check::{Limit, Unit, Verdict};
/// use loopgauge::drift::{Kind, PopulationBuilder, RecordHead, RecordValue, SeriesBuilder, SeriesKey, Settings, judge};
/// use loopgauge::spec::{Drift, DriftAxis};
///
/// // Twelve weeks of four units; from the seventh on they have 3 deg less.
/// let drift = Drift { over: Some(DriftAxis::Build), forecast_groups: Some(6), ..Drift::default() };
/// let settings = Settings { drift: Some(drift), family_rate: None };
/// let mut population = PopulationBuilder::new(settings.over());
/// let mut values = Vec::new();
/// for record in 0..48_i64 {
///     let week = record / 4;
///     population.add(RecordHead {
///         record,
///         serial: format!("RG-{record:05}"),
///         revision: "B".to_owned(),
///         firmware: None,
///         build: Some(format!("2026-W{:02}", week + 1)),
///         taken_us: Some(record * 3_600_000_000),
///         recorded_us: None,
///         station: None,
///         is_reference: false,
///         verdict: Verdict::Pass,
///     });
///     let value = if week < 6 { 58.0 } else { 55.0 } + 0.1 * (record % 4) as f64 + 0.05 * (week % 3) as f64;
///     values.push(RecordValue { record, value, uncertainty: Some(0.3), chain: Some(0.1), at_least: false });
/// }
/// let population = population.finish();
/// let mut series = SeriesBuilder::new(&population);
/// values.iter().for_each(|value| series.add(&population, value));
/// let key = SeriesKey {
///     corner: "24V-3A".to_owned(),
///     quantity: "phase_margin_deg".to_owned(),
///     unit: Unit::Deg,
///     limit: Limit { min: Some(50.0), max: None },
/// };
/// let drift = judge("river-gauge-5v", &settings, &population, vec![(key, series.finish())]);
/// assert_eq!(drift.groups.len(), 12);
/// let movement = drift.series[0].movement.as_ref().expect("the step is found");
/// assert_eq!(movement.kind, Kind::Step);
/// ```
#[must_use]
pub fn judge(
    product: &str,
    settings: &Settings,
    population: &Population,
    series: Vec<(SeriesKey, Series)>,
) -> ProductDrift {
    let kind = settings.chart();
    let watched = |series: &Series| {
        kind.is_some() && series.groups.iter().filter(|group| group.mean.is_some()).count() > settings.setup()
    };
    let charts = series.iter().filter(|(_, series)| watched(series)).count();
    let least = kind.map_or(LEAST_TARGET, least_target);
    let (rate, alarms) = rate(settings.family_rate, charts, least);
    let watch = Watch::new(kind, settings.setup(), rate, population, series.iter().map(|(_, series)| series));
    let levelled = series.iter().filter(|(_, series)| series.stations.is_any_off()).count();
    let mut rules = Rules::new(settings, population, watch);
    let series: Vec<SeriesOutcome> =
        series.into_iter().map(|(key, series)| rules.judge(key, &series)).collect();
    ProductDrift {
        product: product.to_owned(),
        over: settings.over(),
        groups: population.groups.clone(),
        verdict: Verdict::worst(series.iter().map(|series| series.verdict)),
        movements: super::movements::joined(&series, &population.groups),
        series,
        retested: population.retested.clone(),
        false_alarms: (charts > 0).then_some(alarms),
        notes: [notes(settings, population, alarms.is_held || charts == 0, least), of_stations(levelled)]
            .concat(),
    }
}

/// Told where means are not held against each other as they stand.
fn of_stations(levelled: usize) -> Vec<String> {
    let text = || {
        format!(
            "stations differ in the groups that several of them measured: in {levelled} series charts and movements take all \
             means as the stations of the newest group measured them"
        )
    };
    (levelled > 0).then(text).into_iter().collect()
}

/// What the charts are held at, and what that comes to. `least`: smallest chance that can be asked of a chart.
fn rate(asked: Option<f64>, charts: usize, least: f64) -> (Rate, FalseAlarms) {
    let count = charts.max(1) as f64;
    let alone = match asked {
        // So that all of them together keep the rate, were they independent (Sidak).
        Some(rate) => -((-rate).ln_1p() / count).exp_m1(),
        None => FALSE_ALARMS / count,
    };
    // Rarer alarms than that cannot be told apart.
    let one_chart = alone.max(least);
    let is_held = one_chart <= alone;
    let together = -(count * (-one_chart).ln_1p()).exp_m1();
    let any_chart = match asked {
        None if is_held => FALSE_ALARMS,
        _ => together,
    };
    let rate = if asked.is_some() { Rate::Each(one_chart) } else { Rate::Any(FALSE_ALARMS) };
    (rate, FalseAlarms { charts, one_chart, any_chart, is_held })
}

fn notes(settings: &Settings, population: &Population, is_held: bool, least: f64) -> Vec<String> {
    let mut notes = Vec::new();
    if settings.drift.is_none() && population.groups.is_empty() && population.left_out == 0 {
        notes.push("no record counts: all of them are marked as removed".to_owned());
    } else if settings.drift.is_none() {
        notes.push(
            "the newest record's spec has no `drift`: builds are the groups and no rule is judged; put `drift: {over: build, \
             chart: changepoint, capability: {min: 1.33}, forecast: {groups: 6}}` into the spec, and `loopgauge drift --spec \
             FILE` judges by it what is recorded already"
                .to_owned(),
        );
    }
    if population.left_out > 0 {
        let axis = settings.over().name();
        let records = if population.left_out == 1 { "1 record has" } else { "records have" };
        let count =
            if population.left_out == 1 { String::new() } else { format!("{} ", population.left_out) };
        notes.push(format!("{count}{records} no `{axis}`, which the groups are named after: left out"));
    }
    notes.extend(undated_note(&population.undated));
    notes.extend(out_of_order_notes(&population.out_of_order));
    if let (Some(rate), true) = (settings.family_rate, is_held) {
        notes.push(format!(
            "limits are widened so that all charts of the product together sound within 20 groups without a cause with a \
             probability of at most {:.1} %",
            100.0 * rate
        ));
    }
    if !is_held {
        notes.push(format!(
            "false alarms are asked to be rarer than limits can be told for: each chart is held at {} %",
            100.0 * least
        ));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::Unit;
    use crate::decision::Limit;
    use crate::drift::{Kind, PopulationBuilder, RecordHead, RecordValue, SeriesBuilder};
    use crate::spec::Chart;
    use crate::spec::{Drift, DriftAxis};
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::{Pcg64, rand_core::SeedableRng};

    const UNITS: usize = 6;

    fn settings() -> Settings {
        let drift = Drift {
            over: Some(DriftAxis::Build),
            setup: Some(8),
            chart: Some(Chart::Ewma),
            capability_min: Some(1.33),
            forecast_groups: Some(6),
            relevant: None,
        };
        Settings { drift: Some(drift), family_rate: None }
    }

    /// Builds of six units each about `mean(group)`: lots differ by 0.2 deg, units by 0.5 deg.
    fn history(
        groups: usize,
        mean: impl Fn(usize) -> f64,
        station: impl Fn(usize) -> &'static str,
        revision: impl Fn(usize) -> &'static str,
        chain: f64,
    ) -> ProductDrift {
        let mut random = Pcg64::seed_from_u64(7);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let mut builder = PopulationBuilder::new(DriftAxis::Build);
        let mut values = Vec::new();
        for group in 0..groups {
            let lot = mean(group) + 0.2 * normal();
            for unit in 0..UNITS {
                let record = (group * UNITS + unit) as i64;
                builder.add(RecordHead {
                    record,
                    serial: format!("RG-{record:05}"),
                    revision: revision(group).to_owned(),
                    firmware: None,
                    build: Some(format!("2026-W{:02}", group + 1)),
                    taken_us: Some(record * 3_600_000_000),
                    recorded_us: None,
                    station: Some(station(group).to_owned()),
                    is_reference: false,
                    verdict: Verdict::Pass,
                });
                values.push(RecordValue {
                    record,
                    value: lot + 0.5 * normal(),
                    uncertainty: Some(chain.hypot(0.05)),
                    chain: Some(chain),
                    at_least: false,
                });
            }
        }
        let population = builder.finish();
        let mut series = SeriesBuilder::new(&population);
        values.iter().for_each(|value| series.add(&population, value));
        let key = SeriesKey {
            corner: "24V-3A".to_owned(),
            quantity: "phase_margin_deg".to_owned(),
            unit: Unit::Deg,
            limit: Limit { min: Some(50.0), max: None },
        };
        judge("river-gauge-5v", &settings(), &population, vec![(key, series.finish())])
    }

    fn rule<'a>(drift: &'a ProductDrift, name: &str) -> (Verdict, &'a str) {
        let rule = drift.series[0].rules.iter().find(|rule| rule.rule == name).unwrap();
        (rule.verdict, &rule.message)
    }

    #[test]
    fn what_stays_passes() {
        let drift = history(20, |_| 54.0, |_| "bench-1", |_| "B", 0.4);
        assert_eq!(drift.verdict, Some(Verdict::Pass), "{:?}", drift.series[0].rules);
        let series = &drift.series[0];
        assert!(series.signals.is_empty() && series.moved().is_none(), "{:?}", series.movement);
        assert!(drift.movements.is_empty());
        assert_eq!(series.chart.as_ref().unwrap().points.len(), 12);
        assert!(series.capability.unwrap().share.unwrap() > 0.99);
        let alarms = drift.false_alarms.unwrap();
        assert_eq!((alarms.charts, alarms.is_held), (1, true));
        assert!((alarms.any_chart - 0.05).abs() < 1e-12);
    }

    #[test]
    fn a_creeping_margin_fails_by_chart_and_forecast() {
        let drift = history(24, |group| 54.6 - 0.16 * group as f64, |_| "bench-1", |_| "B", 0.4);
        assert_eq!(drift.verdict, Some(Verdict::Fail));
        assert_eq!(rule(&drift, "chart").0, Verdict::Fail);
        let series = &drift.series[0];
        let trend = series.trend.unwrap();
        assert!(trend.low < -0.16 && trend.high > -0.16, "{trend:?}");
        let (moved, since) = series.moved().unwrap();
        assert_eq!((moved.kind, since.low), (Kind::Ramp, 0), "{moved:?}");
        assert!(moved.relevant && moved.towards_limit && moved.share_eaten > 0.5, "{moved:?}");
        assert_eq!(drift.movements.len(), 1);
        assert_eq!(drift.movements[0].series[0].series, 0);
        let reach = series.forecast.unwrap();
        assert_eq!(reach.limit, Limit { min: Some(50.0), max: None });
        // The true line stands at 50.92 deg in the newest group.
        assert!((reach.in_groups - 0.92 / 0.16).abs() < 3.0, "{reach:?}");
        assert_eq!(rule(&drift, "forecast").0, Verdict::Undecided, "{reach:?}");
        assert!(rule(&drift, "chart").1.contains("since 2026-W"), "{}", rule(&drift, "chart").1);
    }

    #[test]
    fn a_step_is_told_with_what_changed_there() {
        let drift = history(
            20,
            |group| if group < 12 { 56.0 } else { 54.6 },
            |_| "bench-1",
            |group| if group < 12 { "B" } else { "C" },
            0.4,
        );
        let (moved, since) = drift.series[0].moved().unwrap();
        assert_eq!((moved.kind, drift.groups[since.group].label.as_str()), (Kind::Step, "2026-W13"));
        assert_eq!(moved.together_with, ["revision B to C"]);
        assert!(moved.size.low < -1.4 && moved.size.high > -1.4, "{moved:?}");
        assert_eq!(drift.movements[0].together_with, ["revision B to C"]);
    }

    /// The same shift from another station, whose own accuracy explains it, is no drift; nor is it none.
    #[test]
    fn another_station_is_not_mistaken_for_drift() {
        let mean = |group: usize| if group < 12 { 56.0 } else { 55.0 };
        let moved = history(20, mean, |group| if group < 12 { "bench-1" } else { "bench-2" }, |_| "B", 1.2);
        assert_eq!(rule(&moved, "chart").0, Verdict::Undecided, "{}", rule(&moved, "chart").1);
        assert!(moved.series[0].signals.iter().all(|signal| signal.explained_by_station));
        let same = history(20, mean, |_| "bench-1", |_| "B", 1.2);
        assert_eq!(rule(&same, "chart").0, Verdict::Fail);
    }

    /// A constant error of another station explains a shift, not a creep on that station.
    #[test]
    fn a_creep_on_the_new_station_is_drift() {
        let station = |group: usize| if group < 8 { "bench-1" } else { "bench-2" };
        let creeps = |group: usize| 56.0 - 0.1 * group.saturating_sub(8) as f64;
        let drift = history(28, creeps, station, |_| "B", 1.6);
        assert_eq!(rule(&drift, "chart").0, Verdict::Fail, "{}", rule(&drift, "chart").1);
        let still = history(28, |group| if group < 8 { 56.0 } else { 55.0 }, station, |_| "B", 1.6);
        assert_eq!(rule(&still, "chart").0, Verdict::Undecided, "{}", rule(&still, "chart").1);
    }

    #[test]
    fn a_mean_beyond_its_limit_is_reached_already() {
        let fallen = history(30, |group| if group < 27 { 60.0 } else { 49.0 }, |_| "bench-1", |_| "B", 0.4);
        let (verdict, message) = rule(&fallen, "forecast");
        assert_eq!(verdict, Verdict::Fail, "{message}");
        assert!(message.contains("beyond the limit at least 50 deg already"), "{message}");
        let rising = history(20, |group| 45.0 + 0.1 * group as f64, |_| "bench-1", |_| "B", 0.4);
        assert_eq!(rule(&rising, "forecast").0, Verdict::Fail, "{}", rule(&rising, "forecast").1);
    }

    /// What fails by the line is undecided where all that moved is what another station explains.
    #[test]
    fn a_forecast_through_a_change_of_station_is_undecided() {
        let drift = history(
            16,
            |group| if group < 8 { 51.2 } else { 50.3 },
            |group| if group < 8 { "bench-1" } else { "bench-2" },
            |_| "B",
            1.2,
        );
        assert_eq!(rule(&drift, "chart").0, Verdict::Undecided, "{}", rule(&drift, "chart").1);
        assert_ne!(rule(&drift, "forecast").0, Verdict::Fail, "{}", rule(&drift, "forecast").1);
    }

    /// Means that go along with the group before, correlation 0.85.
    fn wandering(seed: u64) -> ProductDrift {
        let mut random = Pcg64::seed_from_u64(seed);
        let mut last = 0.0;
        let means: Vec<f64> = (0..24)
            .map(|_| {
                let fresh: f64 = StandardNormal.sample(&mut random);
                last = 0.85 * last + 0.4 * fresh;
                52.0 + last
            })
            .collect();
        history(24, |group| means[group], |_| "bench-1", |_| "B", 0.1)
    }

    /// What may as well wander is neither called drift nor passed.
    #[test]
    fn a_signal_of_means_that_wander_is_undecided() {
        let all: Vec<ProductDrift> = (0..60).map(wandering).collect();
        let of = |name: &str, words: &str| {
            let told = all.iter().filter(|drift| rule(drift, name).1.contains(words));
            let verdicts: Vec<Verdict> = told.map(|drift| rule(drift, name).0).collect();
            (verdicts.len(), verdicts.iter().all(|verdict| *verdict == Verdict::Undecided))
        };
        let (charts, undecided) = of("chart", "wander as far by themselves");
        assert!(charts >= 3 && undecided, "{charts}");
        let (forecasts, undecided) = of("forecast", "if that is a ramp");
        assert!(forecasts >= 1 && undecided, "{forecasts}");
    }

    /// A step between the setup groups moves the centre and widens the spread: the chart sees nothing then, and the movement does.
    #[test]
    fn a_movement_as_certain_as_a_signal_fails_without_one() {
        let stepped = |at: usize| {
            let mean = move |group: usize| if group < at { 53.5 } else { 52.0 };
            history(13, mean, |_| "bench-1", |_| "B", 0.1)
        };
        let drift = stepped(5);
        let (verdict, message) = rule(&drift, "chart");
        assert!(drift.series[0].signals.is_empty(), "{message}");
        assert_eq!(verdict, Verdict::Fail, "{message}");
        assert!(
            message.contains("as certain as a signal of the chart, which shows none by itself"),
            "{message}"
        );
        // The same scatter about one level.
        assert_eq!(rule(&stepped(0), "chart").0, Verdict::Pass, "{}", rule(&stepped(0), "chart").1);
    }

    #[test]
    fn too_few_groups_are_not_judged() {
        let drift = history(8, |_| 54.0, |_| "bench-1", |_| "B", 0.4);
        assert_eq!(rule(&drift, "chart").0, Verdict::NotJudged);
        assert!(drift.series[0].chart.is_none() && drift.false_alarms.is_none());
        let none = history(0, |_| 54.0, |_| "bench-1", |_| "B", 0.4);
        assert_eq!(none.verdict, None);
        assert!(none.series[0].trend.is_none() && none.series[0].capability.is_none());
    }

    /// The same move is a fail towards the limit, and a finding away from it or with far to go.
    #[test]
    fn a_signal_that_is_shown_harmless_is_a_finding() {
        let moves = |from: f64, by: f64| {
            history(24, move |group| if group < 12 { from } else { from + by }, |_| "bench-1", |_| "B", 0.4)
        };
        let towards = moves(56.0, -1.5);
        assert_eq!(rule(&towards, "chart").0, Verdict::Fail, "{}", rule(&towards, "chart").1);
        let away = moves(56.0, 1.5);
        assert!(!away.series[0].signals.is_empty());
        assert_eq!(rule(&away, "chart").0, Verdict::Pass, "{}", rule(&away, "chart").1);
        assert!(rule(&away, "chart").1.contains("shown to do no harm"), "{}", rule(&away, "chart").1);
        assert!(away.series[0].moved().is_some_and(|(moved, _)| !moved.relevant && moved.share_eaten < 0.0));
        // Less than a tenth of the 30 deg to the limit.
        let far = moves(80.0, -1.5);
        assert_eq!(rule(&far, "chart").0, Verdict::Pass, "{}", rule(&far, "chart").1);
        assert!(rule(&far, "chart").1.contains("worth an action"), "{}", rule(&far, "chart").1);
    }

    /// Of charts that are independent, none sounds with the product of the chances that each does not.
    #[test]
    fn the_rate_of_all_charts_is_that_of_one_together() {
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} {b}");
        let (_, asked) = rate(Some(0.05), 10, 0.0);
        close(1.0 - (1.0 - asked.one_chart).powi(10), 0.05);
        close(asked.any_chart, 0.05);
        assert!(asked.is_held && asked.charts == 10);
        let (_, plain) = rate(None, 10, 0.0);
        close(plain.one_chart, FALSE_ALARMS / 10.0);
        close(plain.any_chart, FALSE_ALARMS);
        // Rarer than can be told: each at the least, and all together at what that comes to.
        for asked in [None, Some(0.001)] {
            let (_, coarse) = rate(asked, 10, 0.02);
            assert!(!coarse.is_held && coarse.one_chart == 0.02);
            close(coarse.any_chart, 1.0 - 0.98_f64.powi(10));
        }
        assert_eq!(rate(None, 0, 0.0).1.one_chart, FALSE_ALARMS);
    }
}
